"""The least separation, or step of a stack, at which expected collisions meet a target."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Brackets are doubled from 1 km so often at most, which sets the largest separation that is looked at.
_DOUBLINGS = 10

#: Halvings of a bracket: 2 cm of 1 km.
_HALVINGS = 16


def least_separation(rate: Callable[[Floats], Floats], target: float, from_km: Floats) -> Floats:
    """Return the separations from which on a rate stays at or below a target.

    Parameters
    ----------
    rate : callable
        Of separations (n,) [km] returns rates (n,), which fall from `from_km` on.
    target : float
        Above zero, in the unit of the rates.
    from_km : ndarray, shape (n,)
        Where the shells no longer cross [km]: rates are largest up to there.

    Returns
    -------
    ndarray, shape (n,)
        [km], true to 1 / 65,536 of how far it lies above `from_km` or of 1 km; `from_km` where the rate is below the
        target there already, NaN where it stays above for 1,000 km or is missing.
    """

    def meets(separation_km: Floats) -> NDArray[np.bool_]:
        return np.asarray(rate(separation_km) <= target)  # a missing rate meets nothing

    met = meets(from_km)
    low, high = from_km, from_km + 1.0
    never = ~met & ~meets(high)
    for _ in range(_DOUBLINGS):
        if not never.any():
            break
        low, high = np.where(never, high, low), np.where(never, from_km + 2.0 * (high - from_km), high)
        never &= ~meets(high)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        enough = meets(middle)
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(met, from_km, np.where(never, np.nan, high))


def least_step(collisions: Callable[[Floats], Floats], target: float, steps: Floats, from_km: Floats) -> float:
    """Return the step of a stack from which on all its pairs together stay at or below a target.

    Parameters
    ----------
    collisions : callable
        Of separations (pairs,) [km] returns expected collisions (pairs,).
    target : float
        Above zero, of the sum.
    steps : ndarray, shape (pairs,)
        How many steps apart each pair is; pairs on one shell stay there whatever the step.
    from_km : ndarray, shape (pairs,)
        Where the two shells of each pair no longer cross [km].

    Returns
    -------
    float
        [km], as `least_separation`.
    """
    apart = steps > 0.0
    first = np.max(from_km[apart] / steps[apart], initial=0.0)

    def total(step: Floats) -> Floats:
        return np.atleast_1d(collisions(step[0] * steps).sum())

    return float(least_separation(total, target, np.atleast_1d(first))[0])
