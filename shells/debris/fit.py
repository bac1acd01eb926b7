"""Mean elements of the library from what SGP4 propagates: fitted, never copied.

An element set of a catalogue is mean in SGP4's sense: its eccentricity vector lacks the frozen part and its semi-major
axis differs by up to several km. Here SGP4 is sampled over whole orbits of about a day, and mean elements are fitted to
these states (`shells.motion.fitting`) under all forces.

Frame TEME, taken as the true equator and equinox of the study epoch; time UTC; angles in radians in this module.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shells import constants
from shells.motion.fitting import fit_elements
from shells.motion.forces import Forces

Floats = NDArray[np.float64]

#: Fewest and most samples in one orbit; between them they follow the angular rate at perigee.
FEWEST_SAMPLES, MOST_SAMPLES = 24, 90

#: Samples held in memory at once: some 100 MB.
_CHUNK_SAMPLES = 200_000

_DAY = constants.DAY.value
_NANOSECONDS_PER_DAY = 86_400_000_000_000
_UNIX_EPOCH_JULIAN = constants.UNIX_EPOCH_JULIAN.value


@dataclass(frozen=True, eq=False)
class FittedElements:
    """Mean elements of catalogue objects at one time.

    Parameters
    ----------
    elements : ndarray, (object, 6)
        ``[a, ex, ey, i, raan, u]`` [km, 1, 1, rad, rad, rad], u the mean argument of latitude; raan and u in 0 to 2 pi.
        NaN where there is no fit.
    sgp4_errors : ndarray of int64, (object,)
        First error code of SGP4 within the span, 0 for none.
    fitted : ndarray of bool, (object,)
        Whether the elements converged; without an SGP4 error they do not where the object re-enters within the span.
    """

    elements: Floats
    sgp4_errors: NDArray[np.int64]
    fitted: NDArray[np.bool_]


def fit_mean_elements(satellites: Sequence[Any], properties: Floats, at: np.datetime64) -> FittedElements:
    """Fit mean elements to what SGP4 propagates from a time on.

    Parameters
    ----------
    satellites : sequence of Satrec, (object,)
        sgp4's objects, initialised.
    properties : ndarray, (object, 2)
        Drag coefficient and reflectivity coefficient times area-to-mass ratio [m2 kg-1], with which the elements will
        be propagated, under all forces.
    at : datetime64
        Time of the elements, UTC, and start of the span: whole orbits that fill about a day, or one longer orbit.

    Returns
    -------
    FittedElements
        In the order of the satellites.
    """
    plans = [_Plan(*_plan(satellite)) for satellite in satellites]
    elements = np.full((len(plans), 6), np.nan)
    errors = np.zeros(len(plans), dtype=np.int64)
    fitted = np.zeros(len(plans), dtype=bool)
    for chunk in _chunks(plans):
        spans = np.array([plans[k].span for k in chunk])
        times = (np.arange(plans[chunk[0]].samples) + 0.5) / plans[chunk[0]].samples * spans[:, None]
        position, velocity, errors[chunk] = _sgp4_states([satellites[k] for k in chunk], times, at)
        usable = chunk[errors[chunk] == 0]
        if usable.size:
            good = errors[chunk] == 0
            elements[usable], fitted[usable] = fit_elements(
                position[good],
                velocity[good],
                times[good],
                spans[good],
                properties[usable],
                epoch=at,
                forces=Forces(),
            )
    return FittedElements(elements, errors, fitted)


@dataclass(frozen=True)
class _Plan:
    """How one object is sampled: number of samples and span [s]."""

    samples: int
    span: float


def _plan(satellite: Any) -> tuple[int, float]:
    period = 2.0 * math.pi / satellite.no_kozai * 60.0
    orbits = max(1, round(_DAY / period))
    eccentricity = satellite.ecco
    # the angular rate at perigee in units of the mean motion
    rate = math.sqrt(1.0 + eccentricity) / (1.0 - eccentricity) ** 1.5
    per_orbit = min(MOST_SAMPLES, math.ceil(FEWEST_SAMPLES * rate))
    return orbits * per_orbit, orbits * period


def _chunks(plans: list[_Plan]) -> list[NDArray[np.int64]]:
    """Return groups of objects with equally many samples, each group small enough for memory."""
    samples = np.array([plan.samples for plan in plans], dtype=np.int64)
    chunks: list[NDArray[np.int64]] = []
    for number in np.unique(samples):
        members = np.flatnonzero(samples == number)
        size = max(1, _CHUNK_SAMPLES // int(number))
        chunks.extend(members[start : start + size] for start in range(0, members.size, size))
    return chunks


def _sgp4_states(satellites: list[Any], times: Floats, at: np.datetime64) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Return positions [km], velocities [km s-1] (object, sample, 3) and first error codes at times after `at` [s]."""
    days, nanoseconds = divmod(at.astype("datetime64[ns]").astype(np.int64).item(), _NANOSECONDS_PER_DAY)
    julian = np.full(times.shape[1], _UNIX_EPOCH_JULIAN + days)
    fractions = nanoseconds / _NANOSECONDS_PER_DAY + times / _DAY
    position = np.empty((*times.shape, 3))
    velocity = np.empty((*times.shape, 3))
    errors = np.zeros(len(satellites), dtype=np.int64)
    for k, satellite in enumerate(satellites):
        codes, position[k], velocity[k] = satellite.sgp4_array(julian, fractions[k])
        if codes.any():
            errors[k] = codes[np.flatnonzero(codes)[0]]
    return position, velocity, errors
