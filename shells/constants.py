"""Constants with value, unit and source: no source, no constant.

Sets that belong to one model (WGS-72 inside sgp4, WGS-84 for geodetic heights, EGM96 for our own motion) stay apart, so
that they cannot be mixed by accident. Kernels receive constants as arguments, in km, s and radians.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Constant:
    """A value that cannot exist without its unit and source.

    Parameters
    ----------
    value : float
        Numerical value in `unit`.
    unit : str
        Unit, UDUNITS spelling.
    source : str
        Author, year, table; "from memory" or "common practice, no source" where that is so.
    """

    value: float
    unit: str
    source: str


_EGM96 = "Lemoine et al. 1998, NASA/TP-1998-206861 (EGM96)"
_WGS84 = "NGA, World Geodetic System 1984"
_ECSS = "ECSS-E-ST-10-04C Rev.1"

GRAVITATIONAL_PARAMETER = Constant(398600.4415, "km3 s-2", _EGM96)
REFERENCE_RADIUS = Constant(6378.1363, "km", _EGM96 + ", radius the harmonics belong to")
EQUATORIAL_RADIUS = Constant(6378.137, "km", _WGS84)
FLATTENING = Constant(1.0 / 298.257223563, "1", _WGS84)
EARTH_ROTATION_RATE = Constant(7.292115e-5, "rad s-1", _WGS84)

SUN_GRAVITATIONAL_PARAMETER = Constant(
    132712440041.9394, "km3 s-2", "Folkner et al. 2014, IPN Progress Report 42-196 (DE430), table 8; from memory"
)
MOON_GRAVITATIONAL_PARAMETER = Constant(
    4902.800066, "km3 s-2", "Folkner et al. 2014, IPN Progress Report 42-196 (DE430), table 8; from memory"
)
ASTRONOMICAL_UNIT = Constant(149597870.7, "km", "IAU 2012 resolution B2")
SOLAR_IRRADIANCE = Constant(1361.0, "W m-2", "Kopp & Lean 2011, Geophysical Research Letters 38, L01706 (1360.8)")
STANDARD_GRAVITY = Constant(9.80665, "m s-2", "3rd General Conference on Weights and Measures 1901, resolution 2")
SPEED_OF_LIGHT = Constant(299792.458, "km s-1", "SI brochure, 9th edition 2019")

#: Mean solar day and Julian year, by definition (the SI day, IAU 1976).
DAY = Constant(86400.0, "s", "SI brochure, 9th edition 2019, table 8")
YEAR = Constant(365.25 * 86400.0, "s", "IAU 1976 resolution 1, Julian year")

#: Rate of the mean Sun in right ascension: 360 deg in one tropical year of 365.2421897 days.
SUN_MEAN_RATE = Constant(360.0 / 365.2421897, "deg day-1", "tropical year, from memory")

#: Height at which an orbit counts as ended; below it an object re-enters within an orbit or so.
REENTRY_ALTITUDE = Constant(120.0, "km", "common practice, no source")

#: Density that scales B* in SGP4: 2 B* / rho0 is the product of drag coefficient and area-to-mass ratio [m2 kg-1].
SGP4_REFERENCE_DENSITY = Constant(
    2.461e-5 * 6378.135,
    "kg m-2 earth_radius-1",
    "Hoots & Roehrich 1980, Spacetrack Report 3 (2.461e-5 kg m-2 per Earth radius)",
)

#: Area-to-mass ratio where a catalogue tells nothing better.
DEFAULT_AREA_TO_MASS = Constant(0.01, "m2 kg-1", "typical 100 kg m-2, spaceacademy.net.au orbital lifetime page")
#: Radiation pressure coefficient where nothing is known.
DEFAULT_REFLECTIVITY_COEFFICIENT = Constant(1.3, "1", "assumed: between absorption (1) and diffuse reflection (13/9)")
DEFAULT_DRAG_COEFFICIENT = Constant(2.2, "1", "NASA-STD-8719.14C, figure 4.3-1")

UNIX_EPOCH_JULIAN = Constant(2440587.5, "day", "definition: Julian date of 1970-01-01T00:00:00 UTC")


@cache
def zonal_coefficients() -> NDArray[np.float64]:
    """Return the unnormalised zonal coefficients J_n of EGM96, degrees 0 to 15.

    Returns
    -------
    ndarray, shape (16,)
        J_n [1] at index n; J_0 and J_1 are zero. J_n = -sqrt(2 n + 1) C_n0, with J13 to J15 from memory.
    """
    zonals = np.zeros(16)
    with (files("shells.motion") / "gravity_egm96.csv").open() as lines:
        for row in csv.DictReader(line for line in lines if not line.startswith("#")):
            degree, order = int(row["n"]), int(row["m"])
            if order == 0:
                zonals[degree] = -np.sqrt(2 * degree + 1) * float(row["C"])
    zonals.setflags(write=False)
    return zonals
