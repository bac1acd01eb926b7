"""An invented, catalogue-like population of debris: for examples, tests and benchmarks where no real data are wanted.

Every number of the recipe is assumed: chosen so that bands of altitude, groups of inclination and spreads look like
those of public catalogues, without any real object in it.
"""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.debris.instants import utc_instant
from shells.errors import Faults, InputError
from shells.schema import OBJECTS, provenance

Floats = NDArray[np.float64]

#: Lowest perigee of the population [km]: lower objects would not stay up for the shortest study.
LOWEST_PERIGEE_KM = 200.0

#: Most objects that one call makes: object numbers of the names have seven digits at most.
MOST_OBJECTS = 9_999_999

_KINDS = ("payload", "rocket body", "debris")


class Family(NamedTuple):
    """One family of the recipe; all numbers assumed.

    Parameters
    ----------
    share : float
        Of all objects [1].
    altitude, altitude_spread : float
        Perigee altitude, middle and standard deviation [km]; values below the lowest are mirrored at it.
    inclination, inclination_spread : float
        Middle and standard deviation [deg].
    eccentricity, eccentricity_spread : float
        Median [1] and standard deviation of the logarithm [1] of the eccentricity.
    payload, rocket_body : float
        Shares of these kinds in the family [1]; the rest is debris.
    """

    share: float
    altitude: float
    altitude_spread: float
    inclination: float
    inclination_spread: float
    eccentricity: float
    eccentricity_spread: float
    payload: float
    rocket_body: float


class Kind(NamedTuple):
    """Sizes of one kind; all numbers assumed.

    Parameters
    ----------
    size, size_spread : float
        Diameter: median [m] and standard deviation of the logarithm [1].
    area_to_mass, area_to_mass_spread : float
        Median [m2 kg-1] and standard deviation of the logarithm [1].
    """

    size: float
    size_spread: float
    area_to_mass: float
    area_to_mass_spread: float


FAMILIES = (
    Family(0.10, 520.0, 50.0, 97.5, 0.4, 0.0020, 0.7, 0.45, 0.05),
    Family(0.12, 550.0, 40.0, 53.0, 0.5, 0.0005, 0.6, 0.85, 0.02),
    Family(0.13, 780.0, 60.0, 86.4, 0.4, 0.0020, 1.0, 0.12, 0.01),
    Family(0.22, 850.0, 90.0, 98.7, 0.7, 0.0060, 0.9, 0.06, 0.04),
    Family(0.08, 930.0, 60.0, 65.5, 0.5, 0.0050, 0.9, 0.10, 0.06),
    Family(0.05, 840.0, 90.0, 71.0, 0.3, 0.0040, 0.9, 0.10, 0.20),
    Family(0.05, 800.0, 90.0, 74.0, 0.3, 0.0040, 0.9, 0.20, 0.30),
    Family(0.10, 970.0, 40.0, 82.5, 0.6, 0.0030, 0.8, 0.35, 0.25),
    Family(0.07, 1450.0, 60.0, 74.0, 0.5, 0.0040, 0.8, 0.40, 0.15),
    Family(0.03, 650.0, 250.0, 28.5, 6.0, 0.0150, 1.0, 0.20, 0.25),
    Family(0.04, 350.0, 150.0, 20.0, 9.0, 0.6000, 0.1, 0.05, 0.60),
    Family(0.01, 1100.0, 350.0, 99.5, 1.5, 0.0100, 1.0, 0.10, 0.10),
)

SIZES = {
    "payload": Kind(1.8, 0.6, 0.012, 0.6),
    "rocket body": Kind(4.0, 0.4, 0.010, 0.3),
    "debris": Kind(0.18, 0.5, 0.10, 1.0),
}

#: Eccentricities lie within these limits [1]; the upper one is that of a transfer to the geostationary height.
_ECCENTRICITIES = (1e-5, 0.75)

#: No object is smaller [m]: about the least that catalogues hold.
_SMALLEST_SIZE = 0.1


def demo_debris(*, count: int, seed: int, epoch: np.datetime64 | datetime | str = "2027-01-01") -> xr.Dataset:
    """Make an invented population with the look of a catalogue.

    Parameters
    ----------
    count : int
        Number of objects, 1 to 9,999,999.
    seed : int
        Seed, 0 or more. The same seed gives the same objects, and the first n objects of a larger population.
    epoch : datetime64, datetime or str
        Time of the elements, UTC.

    Returns
    -------
    Dataset
        Schema Objects: object numbers from 1, names "DEMO 00001" on, perigee at least 200 km above the equatorial
        radius.

    Raises
    ------
    InputError
        Count, seed or epoch is impossible.

    Notes
    -----
    Recipe, all numbers assumed. An object's family is drawn by share; perigee altitude (normal), inclination (normal),
    eccentricity (log-normal) and kind within the family, size and area-to-mass ratio (log-normal) within the kind;
    node, perigee and phase uniformly. The eccentricity is limited to 1e-5 to 0.75.

    ======  ===================  ===============  ==================  =======  ===========
    share   perigee altitude km  inclination deg  eccentricity        payload  rocket body
    ======  ===================  ===============  ==================  =======  ===========
    0.10    520 +- 50            97.5 +- 0.4      0.0020, ln +- 0.7   0.45     0.05
    0.12    550 +- 40            53.0 +- 0.5      0.0005, ln +- 0.6   0.85     0.02
    0.13    780 +- 60            86.4 +- 0.4      0.0020, ln +- 1.0   0.12     0.01
    0.22    850 +- 90            98.7 +- 0.7      0.0060, ln +- 0.9   0.06     0.04
    0.08    930 +- 60            65.5 +- 0.5      0.0050, ln +- 0.9   0.10     0.06
    0.05    840 +- 90            71.0 +- 0.3      0.0040, ln +- 0.9   0.10     0.20
    0.05    800 +- 90            74.0 +- 0.3      0.0040, ln +- 0.9   0.20     0.30
    0.10    970 +- 40            82.5 +- 0.6      0.0030, ln +- 0.8   0.35     0.25
    0.07    1450 +- 60           74.0 +- 0.5      0.0040, ln +- 0.8   0.40     0.15
    0.03    650 +- 250           28.5 +- 6.0      0.0150, ln +- 1.0   0.20     0.25
    0.04    350 +- 150           20.0 +- 9.0      0.6000, ln +- 0.1   0.05     0.60
    0.01    1100 +- 350          99.5 +- 1.5      0.0100, ln +- 1.0   0.10     0.10
    ======  ===================  ===============  ==================  =======  ===========

    ===========  ====================  =======================
    kind         size m                area-to-mass m2/kg
    ===========  ====================  =======================
    payload      1.8, ln +- 0.6        0.012, ln +- 0.6
    rocket body  4.0, ln +- 0.4        0.010, ln +- 0.3
    debris       0.18, ln +- 0.5       0.10, ln +- 1.0
    ===========  ====================  =======================

    Sizes below 0.1 m are raised to it; the hard-body radius is half the size, the areas those of a disc of that
    diameter, and the mass follows from area and area-to-mass ratio.
    """
    faults = Faults("demo_debris", InputError)
    faults.require(_whole(count) and 1 <= count <= MOST_OBJECTS, f"count = {count!r}; expected 1 to {MOST_OBJECTS}")
    faults.require(_whole(seed) and seed >= 0, f"seed = {seed!r}; expected an integer of 0 or more")
    faults.raise_if_any()
    instant = utc_instant(epoch, where="demo_debris: epoch")
    facts = provenance(stage="demo_debris", count=int(count), seed=int(seed), assumed="every number of the recipe")
    return OBJECTS.build(_population(int(count), int(seed)) | {"epoch": instant}, attributes=facts)


def _whole(number: object) -> bool:
    return isinstance(number, int | np.integer) and not isinstance(number, bool)


def _population(count: int, seed: int) -> dict[str, object]:
    # one stream per quantity, each read in the order of the objects, so that a longer population begins like a shorter
    streams = iter(np.random.Generator(np.random.PCG64(child)) for child in np.random.SeedSequence(seed).spawn(10))
    family = _chosen(next(streams).random(count), np.array([family.share for family in FAMILIES]))
    recipe = np.array(FAMILIES)[family]
    kind = _kinds(next(streams).random(count), recipe)
    sizes = np.array([SIZES[name] for name in _KINDS])[kind]

    altitude = _mirrored(recipe[:, 1] + recipe[:, 2] * next(streams).standard_normal(count))
    inclination = np.abs(recipe[:, 3] + recipe[:, 4] * next(streams).standard_normal(count))
    eccentricity = np.clip(_log_normal(recipe[:, 5:7], next(streams)), *_ECCENTRICITIES)
    size = np.maximum(_log_normal(sizes[:, 0:2], next(streams)), _SMALLEST_SIZE)
    area_to_mass = _log_normal(sizes[:, 2:4], next(streams))
    raan, perigee, phase = (360.0 * next(streams).random(count) for _ in range(3))

    area = 0.25 * np.pi * size**2
    never = np.full(count, np.datetime64("NaT", "ns"))
    return {
        "object": np.arange(1, count + 1),
        "semi_major_axis": (constants.EQUATORIAL_RADIUS.value + altitude) / (1.0 - eccentricity),
        "eccentricity_x": eccentricity * np.cos(np.radians(perigee)),
        "eccentricity_y": eccentricity * np.sin(np.radians(perigee)),
        "inclination": inclination,
        "raan": raan,
        "mean_argument_of_latitude": phase,
        "mass": area / area_to_mass,
        "drag_area": area,
        "radiation_area": area,
        "area_to_mass": area_to_mass,
        "drag_coefficient": np.full(count, constants.DEFAULT_DRAG_COEFFICIENT.value),
        "reflectivity_coefficient": np.full(count, constants.DEFAULT_REFLECTIVITY_COEFFICIENT.value),
        "hard_body_radius": 0.5 * size,
        "plane": np.full(count, -1),
        "slot": np.full(count, -1),
        "held_from": never,
        "held_until": never,
        "kind": np.array(_KINDS)[kind],
        "name": [f"DEMO {number:05d}" for number in range(1, count + 1)],
    }


def _chosen(uniform: Floats, shares: Floats) -> NDArray[np.int64]:
    """Return the index of the share that a number in 0 to 1 falls in."""
    edges = np.cumsum(shares) / shares.sum()
    return np.searchsorted(edges[:-1], uniform, side="right").astype(np.int64)


def _kinds(uniform: Floats, recipe: Floats) -> NDArray[np.int64]:
    payload, rocket_body = recipe[:, 7], recipe[:, 8]
    return np.where(uniform < payload, 0, np.where(uniform < payload + rocket_body, 1, 2))


def _mirrored(altitude: Floats) -> Floats:
    """Return altitudes [km], those below the lowest perigee mirrored at it."""
    return LOWEST_PERIGEE_KM + np.abs(altitude - LOWEST_PERIGEE_KM)


def _log_normal(median_and_spread: Floats, rng: np.random.Generator) -> Floats:
    median, spread = median_and_spread.T
    values: Floats = median * np.exp(spread * rng.standard_normal(median.size))
    return values
