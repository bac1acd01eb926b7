"""Two-line element sets, with or without a name line: strict columns, checksums, Alpha-5.

The columns are those of the format's published description (T. S. Kelso, "Frequently Asked Questions: Two-Line Element
Set Format", Satellite Times, January 1998); Alpha-5 as in the Space-Track documentation. Blank lines and lines that
begin with ``#`` are passed over; text after column 69 and a blank is not part of a line. The name line may begin with
``0 ``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import date

from shells.debris.lines import Line
from shells.debris.records import LONGEST_NAME, ElementRecord, RecordError, Rejected, check_theory, checked, shortened

#: Longest line read [byte]: a line has 69 characters, a name at most 24.
LONGEST_LINE = 1000

#: A line beginning "1 " or "2 " is an element line when longer than any name (24 characters, two for "0 ").
_LONGEST_NAME_LINE = 26

_LINE_LENGTH = 69
_NANOSECONDS_PER_DAY = 86_400_000_000_000
_UNIX_EPOCH_ORDINAL = date(1970, 1, 1).toordinal()

_NUMBER = "([ 0-9A-Z][ 0-9A-Z]{4})"
_ANGLE = r"([ 0-9]{3}\.[0-9]{4})"
_DECIMAL = "([ +-][ 0-9]{5}[ +-][0-9])"

#: Columns of each line (from 1): what stands there and how it is written, the separating blanks included.
_COLUMNS = {
    1: (
        ("1-2", "line number", "1 "),
        ("3-7", "catalogue number", _NUMBER),
        ("8-9", "classification", "[A-Z ] "),
        ("10-18", "international designator", "(.{8}) "),
        ("19-33", "epoch", r"([ 0-9]{2}[ 0-9]{3}\.[0-9]{8}) "),
        ("34-44", "derivative of the mean motion", r"([ +-]\.[0-9]{8}) "),
        ("45-53", "second derivative of the mean motion", _DECIMAL + " "),
        ("54-62", "B*", _DECIMAL + " "),
        ("63-64", "ephemeris type", "([ 0-9]) "),
        ("65-68", "element set number", "[ 0-9]{4}"),
        ("69-69", "checksum", "[0-9]"),
    ),
    2: (
        ("1-2", "line number", "2 "),
        ("3-8", "catalogue number", _NUMBER + " "),
        ("9-17", "inclination", _ANGLE + " "),
        ("18-26", "node", _ANGLE + " "),
        ("27-34", "eccentricity", "([ 0-9]{7}) "),
        ("35-43", "perigee", _ANGLE + " "),
        ("44-52", "mean anomaly", _ANGLE + " "),
        ("53-63", "mean motion", r"([ 0-9]{2}\.[0-9]{8})"),
        ("64-68", "revolution number", "[ 0-9]{5}"),
        ("69-69", "checksum", "[0-9]"),
    ),
}
_PATTERNS = {which: re.compile("".join(pattern for *_, pattern in fields)) for which, fields in _COLUMNS.items()}

_ALPHA5_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
_WORTH = bytes(int(chr(code)) if chr(code) in "0123456789" else int(chr(code) == "-") for code in range(256))


def alpha5_number(field: str) -> int:
    """Return the catalogue number of a five-character field.

    Parameters
    ----------
    field : str
        Columns 3 to 7 of a line: digits, padded with blanks or zeros, or a letter (A = 10 … Z = 33, without I and O)
        and four digits.

    Returns
    -------
    int
        0 to 339999.

    Raises
    ------
    RecordError
        The field is neither.
    """
    if re.fullmatch(r"(?=.{5}\Z) *[0-9]+ *", field):
        return int(field)
    if re.fullmatch("[A-Z][0-9]{4}", field) and field[0] in _ALPHA5_LETTERS:
        return (_ALPHA5_LETTERS.index(field[0]) + 10) * 10_000 + int(field[1:])
    raise RecordError(
        "catalogue number not readable",
        f"'{field}'; expected five digits, or a letter from A to Z but not I or O and four digits (Alpha-5)",
    )


def four_digit_year(two_digits: int) -> int:
    """Return the year of a two-digit one: 57 to 99 are 1957 to 1999, 0 to 56 are 2000 to 2056.

    Parameters
    ----------
    two_digits : int
        0 to 99.

    Returns
    -------
    int
        1957 to 2056.
    """
    return two_digits + (1900 if two_digits >= 57 else 2000)


def is_element_line(text: str) -> bool:
    """Return whether a line is line 1 or 2 of a set, however faulty, and not a name.

    Parameters
    ----------
    text : str
        A line without its end.

    Returns
    -------
    bool
        It begins with the line number and a blank and is longer than any name.
    """
    return text[:2] in ("1 ", "2 ") and len(text) > _LONGEST_NAME_LINE


def read_two_line(lines: Iterable[Line]) -> Iterator[ElementRecord | Rejected]:
    """Yield every element set of the lines, and every piece that is none.

    Parameters
    ----------
    lines : iterable of Line
        As `bounded_lines` gives them.

    Yields
    ------
    ElementRecord or Rejected
        In the order of the file.
    """
    pending = _Pending()
    for line in lines:
        if line.overlong:
            yield from pending.give_up()
            detail = f"longer than {LONGEST_LINE} characters, expected {_LINE_LENGTH}"
            yield Rejected(line.number, "", "", shortened(line.text), "line too long", detail)
        elif line.text and not line.text.startswith("#"):
            yield from pending.take(line)
    yield from pending.give_up()


class _Pending:
    """What has been read of the set under way: its name, its line 1."""

    def __init__(self) -> None:
        self.name: Line | None = None
        self.first: Line | None = None

    def take(self, line: Line) -> Iterator[ElementRecord | Rejected]:
        if not is_element_line(line.text):
            yield from self.give_up()
            self.name = line
        elif line.text[0] == "2":
            yield self._finished(line)
        else:
            if self.first:
                yield from self.give_up()
            self.first = line

    def give_up(self) -> Iterator[Rejected]:
        """Empty it; what it held has no set."""
        name, first, self.name, self.first = self.name, self.first, None, None
        if first:
            yield _rejected(first, name, "line 1 without line 2", "expected the set's line 2 to follow")
        elif name:
            yield _rejected(name, None, "text without element set", "expected lines 1 and 2 to follow a name")

    def _finished(self, second: Line) -> ElementRecord | Rejected:
        name, first, self.name, self.first = self.name, self.first, None, None
        if first is None:
            return _rejected(second, name, "line 2 without line 1", "expected the set's line 1 before it")
        try:
            return _element_record(_clean_name(name), first, second)
        except RecordError as error:
            faulty = second if error.detail.startswith("line 2") else first
            return _rejected(faulty, name, error.reason, error.detail)


def _clean_name(name: Line | None) -> str:
    if name is None or name.text == "0":
        return ""
    return name.text.removeprefix("0 ").strip()[:LONGEST_NAME]


def _rejected(line: Line, name: Line | None, reason: str, detail: str) -> Rejected:
    identifier = line.text[2:7].strip() if is_element_line(line.text) else ""
    return Rejected(line.number, identifier, _clean_name(name), shortened(line.text), reason, detail)


def _element_record(name: str, first: Line, second: Line) -> ElementRecord:
    number, designator, epoch, rate, second_rate, drag, theory = _fields(1, first.text)
    number_again, inclination, node, eccentricity, perigee, anomaly, mean_motion = _fields(2, second.text)
    identifier = alpha5_number(number)
    if alpha5_number(number_again) != identifier:
        detail = f"line 2 is of object '{number_again.strip()}', line 1 of '{number.strip()}'; expected the same"
        raise RecordError("lines of two objects", detail)
    check_theory(theory)
    try:
        return checked(
            ElementRecord(
                line=first.number,
                identifier=identifier,
                alpha5=number[0].isalpha(),
                name=name,
                designator=designator.strip(),
                epoch_ns=_epoch_ns(epoch),
                mean_motion=float(mean_motion),
                eccentricity=int(eccentricity) / 1e7,
                inclination=float(inclination),
                raan=float(node),
                argument_of_perigee=float(perigee),
                mean_anomaly=float(anomaly),
                bstar=_assumed_point(drag),
                mean_motion_dot=float(rate.replace(" ", "")),
                mean_motion_ddot=_assumed_point(second_rate),
            )
        )
    except ValueError as error:
        raise RecordError("number not readable", f"{error}; expected digits without a gap") from None


def _fields(which: int, text: str) -> tuple[str, ...]:
    line = text[:_LINE_LENGTH]
    match = _PATTERNS[which].fullmatch(line)
    if match is None or text[_LINE_LENGTH : _LINE_LENGTH + 1].strip():
        raise _malformed(which, text)
    # the worth of a line is the sum of its digits, a minus counting one
    total = sum(line[:-1].encode("ascii", "replace").translate(_WORTH)) % 10
    if total != int(line[-1]):
        detail = f"line {which} ends in {line[-1]}, its characters add up to {total}"
        raise RecordError("checksum does not agree", detail)
    return match.groups()


def _malformed(which: int, text: str) -> RecordError:
    if len(text) < _LINE_LENGTH:
        detail = f"line {which} has {len(text)} characters, expected {_LINE_LENGTH}"
        return RecordError("line too short", detail)
    for columns, what, pattern in _COLUMNS[which]:
        start, stop = (int(column) for column in columns.split("-"))
        found = text[start - 1 : stop]
        if re.fullmatch(pattern, found) is None:
            return RecordError("column not readable", f"line {which}, columns {columns}, {what}: '{found}'")
    detail = f"line {which} goes on after column {_LINE_LENGTH}, expected a blank or the end"
    return RecordError("line too long", detail)


def _epoch_ns(field: str) -> int:
    year, day_of_year, fraction = four_digit_year(int(field[:2])), int(field[2:5]), int(field[6:])
    start = date(year, 1, 1).toordinal()
    days = date(year + 1, 1, 1).toordinal() - start
    if not 1 <= day_of_year <= days:
        raise RecordError("epoch not readable", f"day {day_of_year} of {year}, expected 1 to {days}")
    day = start - _UNIX_EPOCH_ORDINAL + day_of_year - 1
    return day * _NANOSECONDS_PER_DAY + fraction * (_NANOSECONDS_PER_DAY // 100_000_000)


def _assumed_point(field: str) -> float:
    """Return the number of a field such as ``-11606-4``, which is -0.11606e-4."""
    mantissa, exponent = field[1:6], field[6:]
    return float(f"{field[0].strip()}.{mantissa.replace(' ', '0')}e{exponent.replace(' ', '+')}")
