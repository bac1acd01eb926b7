"""One record of a catalogue as it was read, and one that had to be rejected.

Readers of every format yield these two and nothing else, so that no record of a file is lost: what cannot be used comes
back as `Rejected`, with its place, its text and the reason. Angles are in degrees, mean motion in revolutions per day,
as the formats have them; frame TEME, time UTC.
"""

from __future__ import annotations

import re
from typing import NamedTuple

#: Names longer than this are cut: no catalogue has such names, and arrays of text are as wide as the longest.
LONGEST_NAME = 100

#: Characters of an offending text that are kept.
KEPT_TEXT = 80

#: Mean motions of orbits about the Earth [rev day-1]: slower ones lie beyond its sphere of influence, faster ones below
#: its surface.
MEAN_MOTIONS = (0.002, 20.0)


class ElementRecord(NamedTuple):
    """One element set, its fields checked but not yet given to SGP4.

    Parameters
    ----------
    line : int
        Where it starts in the file: line number from 1; in JSON and XML, the line of the opening brace or tag.
    identifier : int
        Catalogue number, up to nine digits.
    alpha5 : bool
        Whether the number was written in Alpha-5.
    name, designator : str
        Name and international designator; empty where the catalogue has none.
    epoch_ns : int
        Epoch [ns since 1970-01-01, UTC].
    mean_motion : float
        Kozai mean motion [rev day-1], as in the catalogue.
    eccentricity : float
        Eccentricity [1].
    inclination, raan, argument_of_perigee, mean_anomaly : float
        Angles [deg].
    bstar : float
        SGP4's drag term [earth_radius-1].
    mean_motion_dot, mean_motion_ddot : float
        Derivatives as printed [rev day-2, rev day-3]; SGP4 does not use them.
    """

    line: int
    identifier: int
    alpha5: bool
    name: str
    designator: str
    epoch_ns: int
    mean_motion: float
    eccentricity: float
    inclination: float
    raan: float
    argument_of_perigee: float
    mean_anomaly: float
    bstar: float
    mean_motion_dot: float
    mean_motion_ddot: float


class Rejected(NamedTuple):
    """One record that cannot be used.

    Parameters
    ----------
    line : int
        Line number from 1 in the file.
    identifier : str
        Catalogue number as written, empty where it could not be read.
    name : str
        Name, empty where not known.
    text : str
        The offending text, shortened.
    reason : str
        One of a few fixed phrases, to count by.
    detail : str
        What was found and what was expected.
    """

    line: int
    identifier: str
    name: str
    text: str
    reason: str
    detail: str


class RecordError(Exception):
    """A record cannot be read; carries the reason and the detail of the `Rejected` it becomes."""

    def __init__(self, reason: str, detail: str):
        super().__init__(f"{reason}: {detail}")
        self.reason = reason
        self.detail = detail


def shortened(text: str) -> str:
    """Return the text cut to what a report can show.

    Parameters
    ----------
    text : str
        Text of any length.

    Returns
    -------
    str
        At most `KEPT_TEXT` characters, the last one an ellipsis where something was cut.
    """
    return text if len(text) <= KEPT_TEXT else text[: KEPT_TEXT - 1] + "…"


def printable(text: str) -> str:
    """Return the text with every character that a terminal, a page or a store could stumble over replaced.

    Parameters
    ----------
    text : str
        Text of a file that nobody vouches for.

    Returns
    -------
    str
        Control characters, line ends and halves of surrogate pairs as U+FFFD; markup stays as it is.
    """
    if text.isprintable():
        return text
    return "".join(character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text)


def checked(record: ElementRecord) -> ElementRecord:
    """Return the record, its elements being possible ones.

    Parameters
    ----------
    record : ElementRecord
        Fields that could be read.

    Returns
    -------
    ElementRecord
        The same.

    Raises
    ------
    RecordError
        Names every element outside its range.
    """
    low, high = MEAN_MOTIONS
    ranges = (
        ("mean motion", record.mean_motion, low <= record.mean_motion <= high, f"{low} to {high} rev/day"),
        ("eccentricity", record.eccentricity, 0.0 <= record.eccentricity < 1.0, "0 to below 1"),
        ("inclination", record.inclination, 0.0 <= record.inclination <= 180.0, "0 to 180 deg"),
        ("node", record.raan, -360.0 <= record.raan <= 360.0, "-360 to 360 deg"),
        ("perigee", record.argument_of_perigee, -360.0 <= record.argument_of_perigee <= 360.0, "-360 to 360 deg"),
        ("mean anomaly", record.mean_anomaly, -360.0 <= record.mean_anomaly <= 360.0, "-360 to 360 deg"),
        ("B*", record.bstar, abs(record.bstar) < 1e5, "below 1e5 per earth radius in size"),
    )
    faults = [f"{name} {value:.8g}, expected {allowed}" for name, value, good, allowed in ranges if not good]
    if faults:
        raise RecordError("element out of range", "; ".join(faults))
    return record


def check_theory(ephemeris_type: str) -> None:
    """Raise unless the element set is one for SGP4.

    Parameters
    ----------
    ephemeris_type : str
        The type as written: 0, 2 or nothing for SGP4, as public catalogues have it; 3 PPT3, 4 SGP4-XP, 6 special
        perturbations (CCSDS 502.0-B-3, section 4.2.4.7).

    Raises
    ------
    RecordError
        Another theory: its elements mean something else.
    """
    if not re.fullmatch(r"|\+?0*[02]", ephemeris_type.strip()):
        raise RecordError("not for SGP4", f"ephemeris type {ephemeris_type}, expected 0 or 2")
