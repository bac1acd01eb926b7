"""Counting entries into a distance by walking along the trajectories: knows nothing of planes, nodes and averages."""

import numba
import numpy as np

from shells import constants
from shells.motion.arrays import field
from shells.motion.kernels import interpolate, state
from shells.motion.propagation import element_array, node_clock, rate_array

STEP = 60.0


@numba.njit
def place(values, rates, spacing, time, offset, departure, gravity, elements, out):
    """State of a satellite ahead of its train, its mean radius off by a departure."""
    mu, radius, zonals = gravity
    interpolate(values, rates, 0.0, spacing, time, elements)
    elements[5] += offset
    elements[0] += departure
    state(elements, mu, radius, zonals, out)


@numba.njit
def enters(first, second, spacing, ahead, departures, times, was, now, distance, gravity, work):
    """Whether a pair comes into the distance between two times, from its states there."""
    before, after = was[1] - was[0], now[1] - now[0]
    apart2, along, speed2 = (
        np.dot(before[:3], before[:3]),
        np.dot(before[:3], before[3:]),
        np.dot(before[3:], before[3:]),
    )
    if apart2 < distance**2:
        return False
    if np.dot(after[:3], after[:3]) < distance**2:
        return True
    # straight lines miss by so much; gravity bends two of them by no more than 40 km in a step
    near = apart2 - along * along / speed2 < (distance + 40.0) ** 2
    if not (along < 0.0 < np.dot(after[:3], after[3:]) and near):
        return False
    low, high = times
    for _ in range(30):
        middle = 0.5 * (low + high)
        place(first[0], first[1], spacing, middle, ahead[0], departures[0], gravity, work[0], work[1])
        place(second[0], second[1], spacing, middle, ahead[1], departures[1], gravity, work[0], work[2])
        between = work[2] - work[1]
        if np.dot(between[:3], between[:3]) < distance**2:
            return True
        if np.dot(between[:3], between[3:]) < 0.0:
            low = middle
        else:
            high = middle
    return False


@numba.njit
def far_apart(a, b, reach):
    """Whether two places are farther apart than the reach along some axis."""
    return abs(a[2] - b[2]) > reach or abs(a[0] - b[0]) > reach or abs(a[1] - b[1]) > reach


@numba.njit
def walk(first, second, spacing, combs, departures, start, stop, step, distance, gravity):
    """Number of entries into the distance between two times, of each satellite of the first train with the second's."""
    steps = int(np.ceil((stop - start) / step))
    step = (stop - start) / steps
    work = np.empty((3, 6))
    states = np.empty((2, combs[0].size, 6)), np.empty((2, combs[1].size, 6))
    pair = np.empty((2, 2, 6))
    counts = np.zeros(combs[0].size)
    # two satellites approach each other no faster than 16 km/s
    reach = distance + 16.0 * step
    for s in range(steps + 1):
        now, was = s % 2, (s + 1) % 2
        time = start + s * step
        for side in range(2):
            values, rates = first if side == 0 else second
            for j in range(combs[side].size):
                own = departures[side][j]
                place(values, rates, spacing, time, combs[side][j], own, gravity, work[0], states[side][now, j])
        if s == 0:
            continue
        for j in range(combs[0].size):
            for k in range(combs[1].size):
                if far_apart(states[0][was, j], states[1][was, k], reach):
                    continue
                pair[0, 0], pair[0, 1] = states[0][was, j], states[1][was, k]
                pair[1, 0], pair[1, 1] = states[0][now, j], states[1][now, k]
                ahead, off = (combs[0][j], combs[1][k]), (departures[0][j], departures[1][k])
                times = (time - step, time)
                if enters(first, second, spacing, ahead, off, times, pair[0], pair[1], distance, gravity, work):
                    counts[j] += 1.0
    return counts


def side(orbits, row):
    return np.ascontiguousarray(element_array(orbits)[row]), np.ascontiguousarray(rate_array(orbits)[row])


def at_random(rng, satellites, spread_km):
    """Phases and departures of the satellites of two trains."""
    phases = tuple(rng.uniform(0.0, 2.0 * np.pi, satellites) for _ in range(2))
    return phases, tuple(spread_km * rng.standard_normal(satellites) for _ in range(2))


def monte_carlo(first, second, *, within_km, trials, seed, spread_km=0.0, satellites=300):
    """Entries per year of one pair of satellites and its standard error: times, phases and departures at random.

    Each trial walks one revolution of the first.
    """
    rng = np.random.default_rng(seed)
    _, spacing, nodes = node_clock(first)
    sides = side(first, 0), side(second, 0)
    period = 2.0 * np.pi / sides[0][1][0, 5]
    counts = np.empty(trials)
    for trial in range(trials):
        start = rng.uniform(0.0, spacing * (nodes - 1) - period)
        drawn = at_random(rng, satellites, spread_km)
        counts[trial] = walk(*sides, spacing, *drawn, start, start + period, STEP, within_km, field()).sum()
    scale = constants.YEAR.value / period / satellites**2
    return counts.mean() * scale, counts.std(ddof=1) / np.sqrt(trials) * scale


def enumerate_entries(first, second, *, within_km, seed, spread_km=0.0, satellites=300):
    """Entries per year of one pair of satellites over the whole span, and its standard error over satellites."""
    rng = np.random.default_rng(seed)
    _, spacing, nodes = node_clock(first)
    span = spacing * (nodes - 1)
    drawn = at_random(rng, satellites, spread_km)
    counts = walk(side(first, 0), side(second, 0), spacing, *drawn, 0.0, span, STEP, within_km, field())
    scale = constants.YEAR.value / span / satellites
    # the satellites of the second train are as much at random as those of the first
    return counts.mean() * scale, np.sqrt(2.0) * counts.std(ddof=1) / np.sqrt(satellites) * scale
