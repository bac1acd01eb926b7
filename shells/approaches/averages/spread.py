"""Departures of the radius difference as the kernels take them, and uncertainties on top of tolerances."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from math import ceil, sqrt

import numpy as np
from numpy.typing import NDArray

from shells.errors import Faults
from shells.fleet.radius_difference import RadiusDifference

Floats = NDArray[np.float64]

#: What `tabulate` returns: largest departure [km], cell [km], standard deviation [km], and two tables of logarithms.
Spread = tuple[float, float, float, Floats, Floats]

#: Beyond so many standard deviations a normal density is below the smallest double.
FAR = 38.6

#: Cells a standard deviation, of all departures and of the normal part alone, and the most of them.
_CELLS, _NORMAL_CELLS, _MOST_CELLS = 64, 24, 65_536

#: Stands for the logarithm of zero.
_NOTHING = -1e4


def no_departures() -> RadiusDifference:
    """Return the distribution of orbits known exactly."""
    return RadiusDifference(0.0, (0.0, 0.0), (0.0, 0.0))


def with_uncertainty(
    difference: RadiusDifference, *, first_m: float, second_m: float, correlation: float = 0.0
) -> RadiusDifference:
    """Add normal uncertainties of both radii, which may have a cause in common, to a distribution of departures.

    Parameters
    ----------
    difference : RadiusDifference
        Of the tolerances.
    first_m, second_m : float
        Standard deviations of the radius of the two objects [m].
    correlation : float
        Correlation coefficient of the two [1], -1 to 1: what moves both alike (density of the air, tesserals near one
        node) moves their difference less.

    Returns
    -------
    RadiusDifference
        Its normal part has the variance s1^2 + s2^2 - 2 correlation s1 s2 added.

    Raises
    ------
    InputError
        Negative uncertainties, a correlation outside [-1, 1]; all faults at once.
    """
    faults = Faults("with_uncertainty")
    for name, value in (("first_m", first_m), ("second_m", second_m)):
        faults.require(value >= 0.0, f"{name} {value}; expected zero or more")
    faults.require(-1.0 <= correlation <= 1.0, f"correlation {correlation}; expected -1 to 1")
    faults.raise_if_any()
    first, second = first_m / 1000.0, second_m / 1000.0
    added = first**2 + second**2 - 2.0 * correlation * first * second
    return replace(difference, normal_km=sqrt(difference.normal_km**2 + max(added, 0.0)))


@lru_cache(maxsize=64)
def tabulate(difference: RadiusDifference) -> Spread:
    """Return a distribution as tables on even cells from no departure to the largest.

    Parameters
    ----------
    difference : RadiusDifference

    Returns
    -------
    tuple
        Largest departure [km], cell [km], standard deviation [km], logarithm of the density [1/km] and of the
        probability beyond [1]. Straight lines between the logarithms of a normal density are true to 1/8 of a cell over
        sigma squared, 4e-5 in the exponent for a normal part alone.
    """
    if difference.is_point:
        return 0.0, 1.0, 0.0, np.zeros(2), np.zeros(2)
    reach = difference.bounded_support_km + FAR * difference.normal_km
    cell = difference.scale_km / _CELLS
    if difference.normal_km > 0.0:
        cell = min(cell, difference.normal_km / _NORMAL_CELLS)
    count = min(_MOST_CELLS, ceil(reach / cell))
    x = np.linspace(0.0, reach, count + 1)
    density = difference.density(x)
    logarithm = _logarithm(density)
    # added from the far end, so that tails keep their relative precision
    steps = _mean_of_exponential(logarithm) * (x[1] - x[0])
    tail = np.concatenate([np.cumsum(steps[::-1])[::-1], [0.0]])
    return reach, float(x[1]), difference.scale_km, logarithm, _logarithm(tail * (0.5 / tail[0]))


def _mean_of_exponential(logarithm: Floats) -> Floats:
    """Return the mean of the exponential in each cell of a table that is straight in between."""
    upper, fall = np.maximum(logarithm[1:], logarithm[:-1]), np.abs(np.diff(logarithm))
    mean: Floats = np.exp(upper) * np.where(fall > 0.0, -np.expm1(-fall) / np.where(fall > 0.0, fall, 1.0), 1.0)
    return mean


def _logarithm(values: Floats) -> Floats:
    logarithm: Floats = np.full(values.size, _NOTHING)
    positive = values > 0.0
    logarithm[positive] = np.log(values[positive])
    return logarithm
