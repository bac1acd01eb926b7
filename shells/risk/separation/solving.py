"""The least separation, or step of a stack, from which on expected collisions meet a target.

Beyond where shells cross each other rates fall with the separation: the target is bracketed there, and the bracket
halved. Below, the sum of many pairs rises and falls, as the shells of one pair after the other come to touch.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Steps = NDArray[np.float64] | NDArray[np.int64]
Meets = Callable[[Floats], NDArray[np.bool_]]

#: Largest separation that is looked at [km].
LARGEST_KM = 1000.0

#: Brackets are doubled so often at most, which takes them from 1 km beyond the largest separation.
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

    return np.where(meets(from_km), from_km, _beyond(meets, from_km, LARGEST_KM))


def least_step(
    total: Callable[[float], float],
    target: float,
    *,
    steps: Steps,
    from_km: Floats,
    width_km: float,
    up_to_km: float = LARGEST_KM,
) -> float:
    """Return the smallest step of a stack from which on all its pairs together stay at or below a target.

    Parameters
    ----------
    total : callable
        Of a step [km] returns what the target limits, of all pairs.
    target : float
        Above zero.
    steps : ndarray, shape (pairs,)
        How many steps apart each pair is; pairs on one shell stay there whatever the step.
    from_km : ndarray, shape (pairs,)
        Separation at which the two shells of each pair no longer cross [km].
    width_km : float
        Standard deviation of what two satellites depart by from the gap of their shells [km], the smallest if there are
        several. Below the step at which the last shells cross, steps are tried that move no pair which still crosses
        by more: rates of normal departures then pass no more than 13 % above those tried.
    up_to_km : float
        Largest step that is looked at [km].

    Returns
    -------
    float
        [km], true to 1 / 65,536 of its bracket, as `least_separation`; zero where the target is met at any step, NaN
        where not at the largest.
    """

    def meets(step: Floats) -> NDArray[np.bool_]:
        return np.atleast_1d(total(float(step[0])) <= target)

    apart = steps > 0.0
    last = np.inf
    for step in _crossing_steps(steps[apart], from_km[apart], width_km, up_to_km):
        low = np.array([step])
        if not meets(low):
            found = _halved(meets, low, np.array([last])) if last < np.inf else _beyond(meets, low, up_to_km)
            return float(found[0])
        last = step
    return 0.0


def _crossing_steps(steps: Steps, from_km: Floats, width_km: float, up_to_km: float) -> Iterator[float]:
    """Yield steps from the one at which the last shells cross down to zero, by way of those at which others do."""
    crossing = from_km / steps
    step = min(float(crossing.max(initial=0.0)), up_to_km)
    while step > 0.0:
        yield step
        next_crossing = float(crossing[crossing < step].max(initial=0.0))
        step = max(step - width_km / float(steps[crossing >= step].max()), next_crossing)
    yield 0.0


def _beyond(meets: Meets, from_km: Floats, up_to_km: float) -> Floats:
    """Return where above `from_km` the target comes to be met, NaN where it is not up to the largest."""
    low, high = from_km, np.minimum(from_km + 1.0, up_to_km)
    never = ~meets(high)
    for _ in range(_DOUBLINGS):
        if not never.any():
            break
        wider = np.minimum(from_km + 2.0 * (high - from_km), up_to_km)
        low, high = np.where(never, high, low), np.where(never, wider, high)
        never &= ~meets(high)
    return np.where(never, np.nan, _halved(meets, low, high))


def _halved(meets: Meets, low: Floats, high: Floats) -> Floats:
    """Return the upper ends of brackets, met above and not below, after so many halvings."""
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        enough = meets(middle)
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return high
