"""CCSDS Orbit Mean-elements Messages as XML: an `ndm` with any number of `omm`, or one `omm`.

CCSDS 505.0-B, the XML of the navigation data messages; keywords as in CCSDS 502.0-B-3. Namespaces do not matter, a unit
in the attribute `units` does. The file is read in pieces, one message in memory at a time, by a parser that refuses
document type declarations, so that no entity can be defined or fetched. What a hostile file could make grow, names,
nesting, values and tags, has limits.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO, NoReturn
from xml.sax import SAXParseException
from xml.sax.handler import ContentHandler
from xml.sax.xmlreader import AttributesImpl

from defusedxml.common import DefusedXmlException  # type: ignore[import-untyped]
from defusedxml.expatreader import DefusedExpatParser  # type: ignore[import-untyped]

from shells.debris.orbit_messages import KEYWORDS, VERSION, Message
from shells.debris.records import ElementRecord, Rejected, printable
from shells.errors import CatalogueError

#: Deepest nesting: ndm, omm, body, segment, data, meanElements and a keyword are seven.
DEEPEST = 20

#: Most different names of elements and attributes: the parser keeps each, the standard has fewer than 200.
MOST_NAMES = 1000

#: Longest value of a keyword [character].
LONGEST_VALUE = 1000

#: Longest tag, comment or instruction [byte]: the parser holds each whole.
LONGEST_TAG = 1 << 20

_CHUNK = 1 << 16

#: What may stand in an `ndm` beside its messages.
_OUTSIDE = ("COMMENT", "MESSAGE_ID")


def read_xml(stream: IO[bytes], *, source: str) -> Iterator[ElementRecord | Rejected]:
    """Yield every element set of an OMM XML file, and every message that is none.

    Parameters
    ----------
    stream : binary stream
        At its beginning, UTF-8 whatever it declares; read in chunks.
    source : str
        Name of the file, for messages.

    Yields
    ------
    ElementRecord or Rejected
        In the order of the file.

    Raises
    ------
    CatalogueError
        The text is not well-formed, has a document type declaration, goes beyond a limit or holds something else.
    """
    decode = codecs.getincrementaldecoder("utf-8-sig")("replace").decode
    reader = _Reader(source)
    while chunk := stream.read(_CHUNK):
        reader.feed(decode(chunk))
        yield from reader.finished()
    reader.close(decode(b"", True))
    yield from reader.finished()


class _Reader(ContentHandler):
    """Takes text in pieces and hands out the messages that it finishes."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self._source = source
        # without its handling of namespaces the parser keeps nothing of a file but names; they are counted below
        self._parser = DefusedExpatParser(forbid_dtd=True)
        self._parser.setContentHandler(self)
        self._finished: list[ElementRecord | Rejected] = []
        self._names: set[str] = set()
        self._depth = 0
        self._message: Message | None = None
        self._message_depth = 0
        self._keyword = ""
        self._value = ""
        self._unit: str | None = None
        self._unread = 0

    def feed(self, text: str) -> None:
        """Parse a piece of the text."""
        self._unread += len(text)
        with self._faults_told():
            self._parser.feed(text)
        if self._unread > LONGEST_TAG:
            self._fail(f"a tag, comment or instruction is longer than {LONGEST_TAG} characters")

    def close(self, text: str) -> None:
        """Parse the last piece."""
        with self._faults_told():
            self._parser.feed(text)
            self._parser.close()

    def finished(self) -> list[ElementRecord | Rejected]:
        """Return the messages finished since the last call."""
        records, self._finished = self._finished, []
        return records

    def startElement(self, name: str, attrs: AttributesImpl) -> None:
        """Begin a message or a value, or pass over what is neither."""
        self._unread = 0
        if name not in self._names or len(attrs):
            self._count_names(name, attrs)
        self._depth += 1
        if self._depth > DEEPEST:
            self._fail(f"elements are nested deeper than {DEEPEST}")
        local = name.rpartition(":")[2]
        if self._message:
            self._inside(self._message, local, attrs)
        elif self._depth == 1 and local != "omm":
            if local != "ndm":
                self._fail(f"the root is <{local[:40]}>")
        elif local not in _OUTSIDE:
            self._begin(local, attrs)

    def characters(self, content: str) -> None:
        """Take a piece of a value."""
        self._unread = 0
        # one character beyond the limit tells that it was passed
        if self._keyword and len(self._value) <= LONGEST_VALUE:
            self._value += content

    def endElement(self, name: str) -> None:
        """End a value or a message."""
        self._unread = 0
        if self._message is None:
            pass
        elif self._keyword:
            self._end_value(self._message)
        elif self._depth == self._message_depth:
            self._finished.append(self._message.record())
            self._message = None
        self._depth -= 1

    def processingInstruction(self, target: str, data: str) -> None:
        """Pass over it."""
        self._unread = 0

    def _begin(self, local: str, attributes: AttributesImpl) -> None:
        line = self._parser.getLineNumber()
        self._message = Message(line, f"<{local[:40]}>")
        self._message_depth = self._depth
        if local == "omm":
            self._message.take(line, VERSION, attributes.get("version", ""))
        else:
            self._message.wrong(line, "not an OMM", f"<{local[:40]}>, expected <omm>")

    def _inside(self, message: Message, local: str, attributes: AttributesImpl) -> None:
        if self._keyword:
            detail = f"<{local[:40]}> within {self._keyword}, expected text"
            message.wrong(self._parser.getLineNumber(), "value not readable", detail)
        elif local == "omm":
            message.wrong(self._parser.getLineNumber(), "message not ended", "another <omm> begins within it")
        elif local in KEYWORDS:
            self._keyword = local
            self._unit = attributes.get("units")

    def _end_value(self, message: Message) -> None:
        line = self._parser.getLineNumber()
        if len(self._value) > LONGEST_VALUE:
            detail = f"{self._keyword} is longer than {LONGEST_VALUE} characters"
            message.wrong(line, "value too long", detail)
        message.take(line, self._keyword, self._value.strip(), self._unit)
        self._keyword = self._value = ""

    def _count_names(self, name: str, attributes: AttributesImpl) -> None:
        self._names.add(name)
        self._names.update(attributes.getNames())
        if len(self._names) > MOST_NAMES:
            self._fail(f"elements and attributes have more than {MOST_NAMES} different names")

    @contextmanager
    def _faults_told(self) -> Iterator[None]:
        try:
            yield
        except SAXParseException as error:
            self._fail(f"not well-formed or cut ({error.getMessage()})")
        except DefusedXmlException:
            self._fail("the file has a document type declaration, which can define entities without end")

    def _fail(self, what: str) -> NoReturn:
        raise CatalogueError(
            f"{self._source}: line {self._parser.getLineNumber()}: {printable(what)}; "
            "expected OMM as XML, <ndm> or <omm>; fetch the file again"
        )
