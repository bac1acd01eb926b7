"""CCSDS Orbit Mean-elements Messages as CSV and JSON, the two forms in which catalogue sites hand them out.

Keywords are those of CCSDS 502.0-B-3, section 4. The sites leave out the header and the metadata that never change, so
those are checked only where present: an Earth orbit in TEME and UTC, for SGP4. `BSTAR` is needed; the derivatives of
the mean motion are not, SGP4 does not use them. A CSV record is one line; JSON is an array of flat objects, or one
object.
"""

from __future__ import annotations

import codecs
import csv
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from typing import IO, Any

from shells.debris.lines import Line
from shells.debris.records import LONGEST_NAME, ElementRecord, RecordError, Rejected, check_theory, checked, shortened
from shells.errors import CatalogueError

#: Longest line of a CSV file [byte]: some 40 keywords of some 20 characters make a header of 800.
LONGEST_LINE = 10_000

#: Longest object of a JSON file [character]; one has some 1,000.
LONGEST_OBJECT = 1 << 16

#: Keywords without which there is no orbit.
MANDATORY = (
    "NORAD_CAT_ID",
    "EPOCH",
    "MEAN_MOTION",
    "ECCENTRICITY",
    "INCLINATION",
    "RA_OF_ASC_NODE",
    "ARG_OF_PERICENTER",
    "MEAN_ANOMALY",
    "BSTAR",
)

_NUMBERS = (*MANDATORY[2:], "MEAN_MOTION_DOT", "MEAN_MOTION_DDOT")

_METADATA = {
    "CENTER_NAME": ("EARTH",),
    "REF_FRAME": ("TEME",),
    "TIME_SYSTEM": ("UTC",),
    "MEAN_ELEMENT_THEORY": ("SGP4", "SGP/SGP4"),
}

_EPOCH = re.compile(
    r"(?P<year>[0-9]{4})-(?:(?P<month>[0-9]{2})-(?P<day>[0-9]{2})|(?P<day_of_year>[0-9]{3}))"
    r"T(?P<hour>[0-9]{2}):(?P<minute>[0-9]{2}):(?P<second>[0-9]{2})(?:\.(?P<fraction>[0-9]+))?Z?"
)
_DECIMAL = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_BLANKS = re.compile(r"[ \t\r\n]*")
_FIRST_YEAR, _LAST_YEAR = 1957, 2200
_UNIX_EPOCH_ORDINAL = date(1970, 1, 1).toordinal()
_CHUNK = 1 << 16


def catalogue_number(value: Any) -> int:
    """Return the number of a `NORAD_CAT_ID`.

    Parameters
    ----------
    value : str or int
        An integer of up to nine digits; as text, a leading plus and zeros are allowed.

    Returns
    -------
    int
        0 to 999999999.

    Raises
    ------
    RecordError
        It is something else.
    """
    text = _text({"": value}, "")
    if re.fullmatch(r"\+?[0-9]{1,9}", text):
        return int(text)
    raise RecordError("catalogue number not readable", f"'{text[:40]}'; expected an integer of up to nine digits")


def epoch_nanoseconds(text: str) -> int:
    """Return the instant of a CCSDS epoch.

    Parameters
    ----------
    text : str
        ``YYYY-MM-DDThh:mm:ss`` or ``YYYY-DDDThh:mm:ss``, with or without a fraction and a closing ``Z``. In a leap
        second (ss = 60), which has no instant of its own in POSIX time, it is the next second.

    Returns
    -------
    int
        Time since 1970-01-01 UTC [ns]; further digits of the fraction are cut.

    Raises
    ------
    RecordError
        Another form, or a day that does not exist.
    """
    match = _EPOCH.fullmatch(text)
    try:
        if match is None:
            raise ValueError("another form")
        year = int(match["year"])
        if not _FIRST_YEAR <= year <= _LAST_YEAR:
            raise ValueError(f"year outside {_FIRST_YEAR} to {_LAST_YEAR}")
        return _day_nanoseconds(match, year) + _nanoseconds_of_day(match)
    except ValueError as error:
        detail = f"'{text[:40]}': {error}; expected YYYY-MM-DDThh:mm:ss.ffffff or YYYY-DDDThh:mm:ss.ffffff"
        raise RecordError("epoch not readable", detail) from None


def read_csv(lines: Iterable[Line], *, source: str) -> Iterator[ElementRecord | Rejected]:
    """Yield every element set of an OMM CSV file, and every line that is none.

    Parameters
    ----------
    lines : iterable of Line
        As `bounded_lines` gives them; the first that is not blank is the header.
    source : str
        Name of the file, for messages.

    Yields
    ------
    ElementRecord or Rejected
        In the order of the file.

    Raises
    ------
    CatalogueError
        The header lacks mandatory keywords.
    """
    columns: list[str] = []
    for line in lines:
        if not line.text:
            continue
        if line.overlong:
            detail = f"longer than {LONGEST_LINE} characters"
            yield Rejected(line.number, "", "", shortened(line.text), "line too long", detail)
        elif not columns:
            columns = _header(line.text, source)
        else:
            yield _csv_record(columns, line)


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
        self._decoder = json.JSONDecoder()
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

    def next_object(self) -> tuple[dict[str, Any], str]:
        """Return the object that begins here, and its text."""
        self.require("{")
        while True:
            try:
                found, end = self._decoder.raw_decode(self._text, self._at)
            except (ValueError, RecursionError) as error:
                if len(self._text) - self._at > LONGEST_OBJECT or not self._fill():
                    self.fail(f"the object that begins here is cut or no JSON ({error})")
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
            f"{self._source}: line {self.line}: {what}; expected a JSON array of OMM objects; fetch the file again"
        )

    def _fill(self) -> bool:
        chunk = self._stream.read(_CHUNK)
        self._text = self._text[self._at :] + self._decode(chunk, not chunk)
        self._at = 0
        return bool(chunk)


def _day_nanoseconds(match: re.Match[str], year: int) -> int:
    if match["day_of_year"]:
        days = date(year + 1, 1, 1).toordinal() - date(year, 1, 1).toordinal()
        if not 1 <= int(match["day_of_year"]) <= days:
            raise ValueError(f"year {year} has days 1 to {days}")
        ordinal = date(year, 1, 1).toordinal() + int(match["day_of_year"]) - 1
    else:
        ordinal = date(year, int(match["month"]), int(match["day"])).toordinal()
    return (ordinal - _UNIX_EPOCH_ORDINAL) * 86_400_000_000_000


def _nanoseconds_of_day(match: re.Match[str]) -> int:
    hour, minute, second = int(match["hour"]), int(match["minute"]), int(match["second"])
    if hour > 23 or minute > 59 or second > 60:
        raise ValueError("no such time of day")
    fraction = int((match["fraction"] or "0")[:9].ljust(9, "0"))
    return (hour * 3600 + minute * 60 + second) * 1_000_000_000 + fraction


def _header(text: str, source: str) -> list[str]:
    try:
        columns = [cell.strip() for cell in next(csv.reader([text]))]
    except csv.Error as error:
        raise CatalogueError(f"{source}: the CSV header cannot be read ({error}); expected OMM keywords") from None
    missing = [keyword for keyword in MANDATORY if keyword not in columns]
    if missing:
        raise CatalogueError(
            f"{source}: the CSV header lacks {', '.join(missing)}; expected the OMM keywords {', '.join(MANDATORY)}"
        )
    return columns


def _csv_record(columns: list[str], line: Line) -> ElementRecord | Rejected:
    try:
        cells = next(csv.reader([line.text], strict=True))
    except (csv.Error, StopIteration) as error:
        return Rejected(line.number, "", "", shortened(line.text), "row not readable", f"{error}; expected CSV")
    fields = dict(zip(columns, cells, strict=False))
    if len(cells) != len(columns):
        detail = f"{len(cells)} cells, expected {len(columns)} as in the header"
        return _rejected(line.number, fields, line.text, RecordError("row not readable", detail))
    return _record(line.number, fields, line.text)


def _json_record(text: _JsonText) -> ElementRecord | Rejected:
    text.next_character()
    line = text.line
    fields, content = text.next_object()
    text.passed(content)
    return _record(line, fields, content)


def _record(line: int, fields: Mapping[str, Any], text: str) -> ElementRecord | Rejected:
    try:
        return _element_record(line, fields)
    except RecordError as error:
        return _rejected(line, fields, text, error)


def _rejected(line: int, fields: Mapping[str, Any], text: str, error: RecordError) -> Rejected:
    identifier = shortened(_text(fields, "NORAD_CAT_ID"))
    return Rejected(line, identifier, _name(fields), shortened(text), error.reason, error.detail)


def _element_record(line: int, fields: Mapping[str, Any]) -> ElementRecord:
    missing = [keyword for keyword in MANDATORY if _text(fields, keyword) == ""]
    if missing:
        raise RecordError("mandatory keyword missing", ", ".join(missing))
    for keyword, allowed in _METADATA.items():
        found = _text(fields, keyword)
        if found and found.upper() not in allowed:
            raise RecordError("not for SGP4", f"{keyword} {found:.40}, expected {' or '.join(allowed)}")
    check_theory(_text(fields, "EPHEMERIS_TYPE")[:40])
    numbers = _numbers(fields)
    return checked(
        ElementRecord(
            line=line,
            identifier=catalogue_number(fields["NORAD_CAT_ID"]),
            alpha5=False,
            name=_name(fields),
            designator=_text(fields, "OBJECT_ID")[:LONGEST_NAME],
            epoch_ns=epoch_nanoseconds(_text(fields, "EPOCH")),
            mean_motion=numbers["MEAN_MOTION"],
            eccentricity=numbers["ECCENTRICITY"],
            inclination=numbers["INCLINATION"],
            raan=numbers["RA_OF_ASC_NODE"],
            argument_of_perigee=numbers["ARG_OF_PERICENTER"],
            mean_anomaly=numbers["MEAN_ANOMALY"],
            bstar=numbers["BSTAR"],
            mean_motion_dot=numbers["MEAN_MOTION_DOT"],
            mean_motion_ddot=numbers["MEAN_MOTION_DDOT"],
        )
    )


def _text(fields: Mapping[str, Any], keyword: str) -> str:
    value = fields.get(keyword)
    if value is None:
        return ""
    return str(value).strip() if isinstance(value, str | int | float) else f"({type(value).__name__})"


def _name(fields: Mapping[str, Any]) -> str:
    return _text(fields, "OBJECT_NAME")[:LONGEST_NAME]


def _numbers(fields: Mapping[str, Any]) -> dict[str, float]:
    """Return the numbers of a record, the derivatives 0 where left out."""
    texts = {keyword: _text(fields, keyword) for keyword in _NUMBERS}
    unreadable = [
        f"{keyword} '{text[:40]}'"
        for keyword, text in texts.items()
        if text and not (_DECIMAL.fullmatch(text) and math.isfinite(float(text)))
    ]
    if unreadable:
        raise RecordError("number not readable", f"{', '.join(unreadable)}; expected finite decimal numbers")
    return {keyword: float(text or 0.0) for keyword, text in texts.items()}
