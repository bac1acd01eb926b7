"""Element sets written as text by other hands than the reader's: sgp4's exporter, the csv and json modules."""

from __future__ import annotations

import math
from typing import Any

from sgp4.alpha5 import to_alpha5
from sgp4.api import WGS72, Satrec
from sgp4.exporter import export_omm, export_tle

#: Days from sgp4init's zero, 1949-12-31, to 2021-10-01.
OCTOBER_2021 = 26207.0

DEFAULTS = {
    "number": 20001,
    "epoch": OCTOBER_2021 + 0.25,
    "bstar": 3.1e-5,
    "eccentricity": 0.0012,
    "perigee": 71.25,
    "inclination": 74.03,
    "anomaly": 33.5,
    "mean_motion": 14.25,
    "raan": 211.75,
}


def satellite(**changes: float) -> Any:
    """Return a Satrec of the default set with some values changed: degrees, revolutions per day, days."""
    values = DEFAULTS | changes
    made = Satrec()
    made.sgp4init(
        WGS72,
        "i",
        int(values["number"]),
        values["epoch"],
        values["bstar"],
        1.0e-6 * 2.0 * math.pi / 1440.0**2,
        0.0,
        values["eccentricity"],
        math.radians(values["perigee"]),
        math.radians(values["inclination"]),
        math.radians(values["anomaly"]),
        values["mean_motion"] * 2.0 * math.pi / 1440.0,
        math.radians(values["raan"]),
    )
    made.intldesg = "99025A"
    return made


def two_lines(**changes: float) -> tuple[str, str]:
    made = satellite(**changes)
    # sgp4 2.27 writes I and O for 18xxxx and 23xxxx, which Alpha-5 skips: its own to_alpha5 is right
    first, second = (line.replace(made.satnum_str, to_alpha5(made.satnum), 1) for line in export_tle(made))
    return with_checksum(first), with_checksum(second)


def message(name: str = "TEST OBJECT", **changes: float) -> dict[str, Any]:
    return export_omm(satellite(**changes), name)


def with_checksum(line: str) -> str:
    total = sum(int(c) if c.isdigit() else c == "-" for c in line[:68])
    return line[:68] + str(total % 10) + line[69:]
