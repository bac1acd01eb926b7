"""CCSDS Orbit Mean-elements Messages: what their keywords mean, whatever the form they are written in.

Keywords and units are those of CCSDS 502.0-B-3 (April 2023), section 4. Its own forms, KVN (`messages_kvn`) and XML
(`messages_xml`), have to state what the elements are: an Earth orbit in TEME and UTC, for SGP4. CSV (`messages_csv`)
and JSON (`messages_json`) are conventions of the catalogue sites, which leave out what never changes: there it is
checked only where present. `BSTAR` is needed; the derivatives of the mean motion are not, SGP4 does not use them.
`NORAD_CAT_ID` is needed: the standard asks for it where the theory is SGP4, and nothing else tells objects apart. The
header tells who wrote a message and when, which changes no orbit and is left blank by catalogue sites: it is not asked
for.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import date
from typing import Any

from shells.debris.records import LONGEST_NAME, ElementRecord, RecordError, Rejected, check_theory, checked, shortened

#: Longest line of a CSV or KVN file [byte]: some 40 keywords of some 20 characters make a CSV header of 800; the
#: standard ends KVN lines at 254.
LONGEST_LINE = 10_000

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

#: What the forms of the standard have to state beyond `MANDATORY`.
STATED = tuple(_METADATA)

#: Begins a message in KVN; in XML the attribute `version`.
VERSION = "CCSDS_OMM_VERS"

#: Every keyword that is looked at; the others of a message are passed over.
KEYWORDS = frozenset((VERSION, "OBJECT_NAME", "OBJECT_ID", *STATED, "EPHEMERIS_TYPE", *MANDATORY, *_NUMBERS))

#: Units as KVN has them in brackets and XML in the attribute `units`, in lower case without blanks.
_UNITS = {
    "MEAN_MOTION": ("rev/day",),
    "INCLINATION": ("deg",),
    "RA_OF_ASC_NODE": ("deg",),
    "ARG_OF_PERICENTER": ("deg",),
    "MEAN_ANOMALY": ("deg",),
    "BSTAR": ("1/er", "1/[earthradii]"),
    "MEAN_MOTION_DOT": ("rev/day**2",),
    "MEAN_MOTION_DDOT": ("rev/day**3",),
}

#: Keywords whose value may carry a unit.
WITH_UNIT = frozenset(_UNITS)

_EPOCH = re.compile(
    r"(?P<year>[0-9]{4})-(?:(?P<month>[0-9]{2})-(?P<day>[0-9]{2})|(?P<day_of_year>[0-9]{3}))"
    r"T(?P<hour>[0-9]{2}):(?P<minute>[0-9]{2}):(?P<second>[0-9]{2})(?:\.(?P<fraction>[0-9]+))?Z?"
)
# no part can give back what the next one would take: a failed match costs time in proportion to its length
_DECIMAL = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_KNOWN_VERSION = re.compile(r"[123]\.[0-9]")
_FIRST_YEAR, _LAST_YEAR = 1957, 2200
_UNIX_EPOCH_ORDINAL = date(1970, 1, 1).toordinal()


class Message:
    """A message of the standard's own forms while it is read: the keywords looked at, and the first fault.

    Parameters
    ----------
    line : int
        Line of the file where it begins.
    text : str
        Its beginning, for the list of rejected records.
    """

    def __init__(self, line: int, text: str) -> None:
        self._line = line
        self._text = text
        self._fields: dict[str, str] = {}
        self._fault: RecordError | None = None

    def wrong(self, line: int, reason: str, detail: str) -> None:
        """Note a fault; the first one counts."""
        if self._fault is None:
            self._fault = RecordError(reason, f"line {line}: {detail}")

    def take(self, line: int, keyword: str, value: str, unit: str | None = None) -> None:
        """Take the value of a keyword; after a fault too, so that number and name can be told."""
        if keyword not in KEYWORDS:
            return
        if keyword in self._fields:
            self.wrong(line, "keyword repeated", keyword)
        elif unit is not None and keyword in WITH_UNIT and re.sub(r"\s", "", unit[:40]).lower() not in _UNITS[keyword]:
            self.wrong(line, "another unit", f"{keyword} in '{unit[:40]}', expected {_UNITS[keyword][0]}")
        else:
            self._fields[keyword] = value

    def record(self) -> ElementRecord | Rejected:
        """Return what the message is."""
        if self._fault:
            return rejected_message(self._line, self._fields, self._text, self._fault)
        return message_record(self._line, self._fields, self._text, stated=True)


def message_record(line: int, fields: Mapping[str, Any], text: str, *, stated: bool) -> ElementRecord | Rejected:
    """Return the element set of one message, or why there is none.

    Parameters
    ----------
    line : int
        Line of the file where the message begins.
    fields : mapping of str to object
        Values by keyword, as text or as JSON has them; unknown keywords are passed over.
    text : str
        The message or its beginning, for the list of rejected records.
    stated : bool
        Whether version, centre, frame, time system and theory have to be stated, as in the forms of the standard.

    Returns
    -------
    ElementRecord or Rejected
        Checked elements, or the first fault.
    """
    texts = {keyword: _text(value) for keyword, value in fields.items() if keyword in KEYWORDS}
    try:
        _check_meaning(texts, stated=stated)
        return _element_record(line, texts)
    except RecordError as error:
        return rejected_message(line, fields, text, error)


def rejected_message(line: int, fields: Mapping[str, Any], text: str, error: RecordError) -> Rejected:
    """Return a message that cannot be used as a record of the list.

    Parameters
    ----------
    line : int
        Line of the file where the message begins.
    fields : mapping of str to object
        What could be read of it.
    text : str
        The message or its beginning.
    error : RecordError
        The fault.

    Returns
    -------
    Rejected
        With number and name where they could be read.
    """
    identifier = shortened(_text(fields.get("NORAD_CAT_ID")))
    name = _text(fields.get("OBJECT_NAME"))[:LONGEST_NAME]
    return Rejected(line, identifier, name, shortened(text), error.reason, error.detail)


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
    text = _text(value)
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


def _check_meaning(texts: Mapping[str, str], *, stated: bool) -> None:
    """Raise unless everything needed is there, and means an Earth orbit for SGP4."""
    needed = (VERSION, *STATED, *MANDATORY) if stated else MANDATORY
    missing = [keyword for keyword in needed if not texts.get(keyword)]
    if missing:
        raise RecordError("mandatory keyword missing", ", ".join(missing))
    if stated and not _KNOWN_VERSION.fullmatch(texts[VERSION]):
        raise RecordError("version not known", f"{VERSION} '{texts[VERSION]:.40}', expected 1.0, 2.0 or 3.0")
    for keyword, allowed in _METADATA.items():
        found = texts.get(keyword)
        if found and found.upper() not in allowed:
            raise RecordError("not for SGP4", f"{keyword} {found:.40}, expected {' or '.join(allowed)}")
    check_theory(texts.get("EPHEMERIS_TYPE", "")[:40])


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


def _element_record(line: int, texts: Mapping[str, str]) -> ElementRecord:
    numbers = _numbers(texts)
    return checked(
        ElementRecord(
            line=line,
            identifier=catalogue_number(texts["NORAD_CAT_ID"]),
            alpha5=False,
            name=texts.get("OBJECT_NAME", "")[:LONGEST_NAME],
            designator=texts.get("OBJECT_ID", "")[:LONGEST_NAME],
            epoch_ns=epoch_nanoseconds(texts["EPOCH"]),
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


def _numbers(texts: Mapping[str, str]) -> dict[str, float]:
    """Return the numbers of a record, the derivatives 0 where left out."""
    numbers, unreadable = {}, []
    for keyword in _NUMBERS:
        text = texts.get(keyword) or "0"
        numbers[keyword] = float(text) if _DECIMAL.fullmatch(text) else math.nan
        if not math.isfinite(numbers[keyword]):
            unreadable.append(f"{keyword} '{text[:40]}'")
    if unreadable:
        raise RecordError("number not readable", f"{', '.join(unreadable)}; expected finite decimal numbers")
    return numbers


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value.strip()
    if value is None:
        return ""
    return str(value) if isinstance(value, int | float) else f"({type(value).__name__})"
