"""CCSDS Orbit Mean-elements Messages as JSON: an array of flat objects, or one object."""

from __future__ import annotations

import codecs
import json
import re
from collections import Counter
from collections.abc import Iterator
from typing import IO, Any

from shells.debris.orbit_messages import message_record, rejected_message
from shells.debris.records import ElementRecord, RecordError, Rejected, printable, shortened
from shells.errors import CatalogueError

#: Longest object [character]; one has some 1,000.
LONGEST_OBJECT = 1 << 16

_BLANKS = re.compile(r"[ \t\r\n]*")
_CHUNK = 1 << 16


def read_json(stream: IO[bytes], *, source: str) -> Iterator[ElementRecord | Rejected]:
    """Yield every element set of an OMM JSON file, and every object that is none.

    Parameters
    ----------
    stream : binary stream
        At its beginning; read in chunks, one object in memory at a time.
    source : str
        Name of the file, for messages.

    Yields
    ------
    ElementRecord or Rejected
        In the order of the file.

    Raises
    ------
    CatalogueError
        The text is no JSON array of objects, or is cut.
    """
    text = _JsonText(stream, source)
    if text.next_character() == "{":
        yield _json_record(text)
    else:
        text.expect("[")
        while text.next_character() != "]":
            yield _json_record(text)
            if text.next_character() != "]":
                text.expect(",")
        text.expect("]")
    if text.next_character():
        text.fail("more text after the end of the array, expected nothing")


class _JsonText:
    """JSON text read in chunks, with its place in the file."""

    def __init__(self, stream: IO[bytes], source: str):
        self._stream = stream
        self._source = source
        self._decode = codecs.getincrementaldecoder("utf-8-sig")("replace").decode
        # numbers stay text, as in the other forms: no integer is too long; pairs show a keyword that is repeated
        self._decoder = json.JSONDecoder(object_pairs_hook=list, parse_int=str, parse_float=str)
        self._text = ""
        self._at = 0
        self.line = 1

    def next_character(self) -> str:
        """Return the next character that is no blank, '' at the end of the file, and stay before it."""
        while True:
            end = _BLANKS.match(self._text, self._at).end()  # type: ignore[union-attr]  # matches the empty text too
            self.line += self._text.count("\n", self._at, end)
            self._at = end
            if end < len(self._text):
                return self._text[end]
            if not self._fill():
                return ""

    def require(self, character: str) -> None:
        """Fail unless the character comes next."""
        found = self.next_character()
        if found != character:
            self.fail(f"found '{found}', expected '{character}'" if found else f"the file ends, expected '{character}'")

    def expect(self, character: str) -> None:
        """Go past the character, or fail."""
        self.require(character)
        self._at += 1

    def next_object(self) -> tuple[list[tuple[str, Any]], str]:
        """Return the pairs of the object that begins here, and its text."""
        self.require("{")
        while True:
            try:
                found, end = self._decoder.raw_decode(self._text, self._at)
            except (ValueError, RecursionError) as error:
                # a JSONDecodeError counts lines from the chunk: its message is worth telling, its place is not
                why = getattr(error, "msg", error)
                if len(self._text) - self._at > LONGEST_OBJECT:
                    self.fail(f"the object that begins here is no JSON or has over {LONGEST_OBJECT} characters ({why})")
                if not self._fill():
                    self.fail(f"the object that begins here is cut or no JSON ({why})")
                continue
            text = self._text[self._at : end]
            self._at = end
            return found, text

    def passed(self, text: str) -> None:
        """Count the lines of a text that has been read."""
        self.line += text.count("\n")

    def fail(self, what: str) -> None:
        """Raise with the place."""
        raise CatalogueError(
            f"{self._source}: line {self.line}: {printable(what)}; expected a JSON array of OMM objects; "
            "fetch the file again"
        )

    def _fill(self) -> bool:
        chunk = self._stream.read(_CHUNK)
        self._text = self._text[self._at :] + self._decode(chunk, not chunk)
        self._at = 0
        return bool(chunk)


def _json_record(text: _JsonText) -> ElementRecord | Rejected:
    text.next_character()
    line = text.line
    pairs, content = text.next_object()
    text.passed(content)
    fields = dict(pairs)
    if len(fields) < len(pairs):
        repeated = [keyword for keyword, count in Counter(keyword for keyword, _ in pairs).items() if count > 1]
        error = RecordError("keyword repeated", shortened(", ".join(repeated)))
        return rejected_message(line, fields, content, error)
    return message_record(line, fields, content, stated=False)
