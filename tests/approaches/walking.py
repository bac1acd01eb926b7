"""Counting entries into a distance by walking along the trajectories: knows nothing of planes, nodes and averages."""

import numba
import numpy as np

from shells import constants
from shells.motion.arrays import field
from shells.motion.kernels import interpolate, state
from shells.motion.propagation import element_array, node_clock, rate_array

STEP = 30.0


@numba.njit
def place(values, rates, spacing, time, offset, departure, gravity, elements, out):
    """State of a satellite ahead of its train, its mean radius off by a departure."""
    mu, radius, zonals = gravity
    interpolate(values, rates, 0.0, spacing, time, elements)
    elements[5] += offset
    elements[0] += departure
    state(elements, mu, radius, zonals, out)


@numba.njit
def walk(first, second, spacing, combs, departures, start, stop, step, distance, gravity):
    """Number of entries into the distance between two times, of each satellite of the first train with the second's."""
    steps = int(np.ceil((stop - start) / step))
    step = (stop - start) / steps
    elements = np.empty(6)
    states = np.empty((2, combs[0].size, 6)), np.empty((2, combs[1].size, 6))
    a, b = np.empty(6), np.empty(6)
    counts = np.zeros(combs[0].size)
    # two satellites approach each other no faster than 16 km/s
    reach = distance + 16.0 * step
    for s in range(steps + 1):
        now, was = s % 2, (s + 1) % 2
        time = start + s * step
        for side in range(2):
            values, rates = first if side == 0 else second
            for j in range(combs[side].size):
                place(
                    values, rates, spacing, time, combs[side][j], departures[side][j], gravity, elements,
                    states[side][now, j],
                )  # fmt: skip
        if s == 0:
            continue
        for j in range(combs[0].size):
            for k in range(combs[1].size):
                if abs(states[1][was, k, 2] - states[0][was, j, 2]) > reach:
                    continue
                if abs(states[1][was, k, 0] - states[0][was, j, 0]) > reach:
                    continue
                if abs(states[1][was, k, 1] - states[0][was, j, 1]) > reach:
                    continue
                apart2, along, speed2, after2, along_after = 0.0, 0.0, 0.0, 0.0, 0.0
                for c in range(3):
                    d, v = (
                        states[1][was, k, c] - states[0][was, j, c],
                        states[1][was, k, c + 3] - states[0][was, j, c + 3],
                    )
                    apart2 += d * d
                    along += d * v
                    speed2 += v * v
                    d, v = (
                        states[1][now, k, c] - states[0][now, j, c],
                        states[1][now, k, c + 3] - states[0][now, j, c + 3],
                    )
                    after2 += d * d
                    along_after += d * v
                if apart2 < distance**2:
                    continue
                if after2 < distance**2:
                    counts[j] += 1.0
                    continue
                # straight lines miss by so much; gravity bends two of them by no more than 10 km in a step
                near = max(apart2 - along * along / speed2, 0.0) < (distance + 10.0) ** 2
                if not (along < 0.0 < along_after and near):
                    continue
                low, high = time - step, time
                for _ in range(30):
                    middle = 0.5 * (low + high)
                    place(first[0], first[1], spacing, middle, combs[0][j], departures[0][j], gravity, elements, a)
                    place(second[0], second[1], spacing, middle, combs[1][k], departures[1][k], gravity, elements, b)
                    along, apart2 = 0.0, 0.0
                    for c in range(3):
                        along += (b[c] - a[c]) * (b[c + 3] - a[c + 3])
                        apart2 += (b[c] - a[c]) ** 2
                    if apart2 < distance**2:
                        break
                    if along < 0.0:
                        low = middle
                    else:
                        high = middle
                if apart2 < distance**2:
                    counts[j] += 1.0
    return counts


def side(orbits, row):
    return np.ascontiguousarray(element_array(orbits)[row]), np.ascontiguousarray(rate_array(orbits)[row])


def at_random(rng, satellites, spread_km):
    """Phases and departures of the satellites of two trains."""
    phases = tuple(rng.uniform(0.0, 2.0 * np.pi, satellites) for _ in range(2))
    return phases, tuple(spread_km * rng.standard_normal(satellites) for _ in range(2))


def monte_carlo(first, second, *, within_km, trials, seed, spread_km=0.0, satellites=200):
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


def enumerate_entries(first, second, *, within_km, seed, spread_km=0.0, satellites=200):
    """Entries per year of one pair of satellites over the whole span, and its standard error over satellites."""
    rng = np.random.default_rng(seed)
    _, spacing, nodes = node_clock(first)
    span = spacing * (nodes - 1)
    drawn = at_random(rng, satellites, spread_km)
    counts = walk(side(first, 0), side(second, 0), spacing, *drawn, 0.0, span, STEP, within_km, field())
    scale = constants.YEAR.value / span / satellites
    # the satellites of the second train are as much at random as those of the first
    return counts.mean() * scale, np.sqrt(2.0) * counts.std(ddof=1) / np.sqrt(satellites) * scale
