"""Counting entries into a distance by walking along the trajectories: knows nothing of planes, nodes and averages.

Both counts let evenly spaced satellites run on each of the two orbits, every spacing from a start of its own at random.
Each satellite is thus anywhere on its orbit with equal chance, and independent of each of the other orbit: the mean
number of entries of a pair is that of two phases at random, without bias. The numbers of satellites have no factor in
common, so that the differences of phase of all pairs are evenly spaced too, which leaves far less to chance than
satellites strewn about. Departures are one to each equal share of their probability, in an order at random. Where the
two orbits run in a low ratio to the spacings the counts scatter more, not around another mean; standard errors are
those of independent repetitions, so they show it.
"""

from concurrent.futures import ThreadPoolExecutor

import numba
import numpy as np
from scipy.special import ndtri

from shells import constants
from shells.motion.kernels import interpolate, state
from shells.motion.propagation import element_array, field_of, node_clock, rate_array

#: Longest step [s].
STEP = 120.0

#: Two satellites approach each other no faster [km/s], and gravity changes their relative velocity no faster [km/s2]:
#: by twice its pull at the ground.
FASTEST, PULL = 16.0, 0.02

compiled = numba.njit(nogil=True)


@compiled
def place(mean, offset, departure, gravity, elements, out):
    """State of a satellite ahead of its train, its mean radius off by a departure."""
    elements[:] = mean
    elements[5] += offset
    elements[0] += departure
    state(elements, gravity[0], gravity[1], gravity[2], out)


@compiled
def relative(a, b):
    """Squared distance, its half rate of change, and squared relative speed of two states."""
    apart2, along, speed2 = 0.0, 0.0, 0.0
    for c in range(3):
        d, v = b[c] - a[c], b[c + 3] - a[c + 3]
        apart2 += d * d
        along += d * v
        speed2 += v * v
    return apart2, along, speed2


@compiled
def dips(orbits, spacing, ahead, departures, low, high, distance, gravity, work):
    """Whether a pair that comes nearer at one time and parts at the other is within the distance between them."""
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        for side in range(2):
            interpolate(orbits[side][0], orbits[side][1], 0.0, spacing, middle, work[0])
            place(work[0], ahead[side], departures[side], gravity, work[1], work[2 + side])
        apart2, along, speed2 = relative(work[2], work[3])
        if apart2 < distance**2:
            return True
        half = 0.5 * (high - low)
        if np.sqrt(apart2) - (np.sqrt(speed2) + PULL * half) * half > distance:
            return False
        if along < 0.0:
            low = middle
        else:
            high = middle
    return False


@compiled
def far_apart(a, b, reach):
    """Whether two places are farther apart than the reach along some axis."""
    return abs(a[2] - b[2]) > reach or abs(a[0] - b[0]) > reach or abs(a[1] - b[1]) > reach


@compiled
def enters(orbits, spacing, ahead, departures, times, was, now, distance, gravity, work):
    """Whether a pair comes into the distance between two times, from its states there."""
    before2, along, speed2 = relative(was[0], was[1])
    if before2 < distance**2:
        return False
    after2, later, _ = relative(now[0], now[1])
    if after2 < distance**2:
        return True
    # a dip between two steps, if straight lines do not miss by more than gravity bends them
    bend = 0.5 * PULL * (times[1] - times[0]) ** 2
    if not (along < 0.0 < later and before2 - along * along / speed2 < (distance + bend) ** 2):
        return False
    return dips(orbits, spacing, ahead, departures, times[0], times[1], distance, gravity, work)


@compiled
def walk(first, second, spacing, ahead, departures, start, steps, step, distance, gravity):
    """Number of entries into the distance from a start through steps, of all pairs of satellites of two trains."""
    orbits = first, second
    work = np.empty((4, 6))
    states = np.empty((2, ahead[0].size, 6)), np.empty((2, ahead[1].size, 6))
    count = 0
    reach = distance + FASTEST * step
    for s in range(steps + 1):
        now, was = s % 2, (s + 1) % 2
        time = start + s * step
        for side in range(2):
            interpolate(orbits[side][0], orbits[side][1], 0.0, spacing, time, work[0])
            for j in range(ahead[side].size):
                place(work[0], ahead[side][j], departures[side][j], gravity, work[1], states[side][now, j])
        for j in range(ahead[0].size if s > 0 else 0):
            for k in range(ahead[1].size):
                if far_apart(states[0][was, j], states[1][was, k], reach):
                    continue
                phases, off = (ahead[0][j], ahead[1][k]), (departures[0][j], departures[1][k])
                before, after = (states[0][was, j], states[1][was, k]), (states[0][now, j], states[1][now, k])
                times = time - step, time
                count += enters(orbits, spacing, phases, off, times, before, after, distance, gravity, work)
    return count


class Walker:
    """Two orbits, and what is asked of satellites on them: a distance, and departures of the radius with quantiles."""

    def __init__(self, first, second, within_km, spread_km, quantile):
        _, self.spacing, nodes = node_clock(first)
        self.span = self.spacing * (nodes - 1)
        self.sides = [
            (np.ascontiguousarray(element_array(orbits)[0]), np.ascontiguousarray(rate_array(orbits)[0]))
            for orbits in (first, second)
        ]
        self.within_km, self.spread_km, self.quantile = within_km, spread_km, quantile
        self.field = field_of(first, second)

    def entries(self, rng, satellites, start, stop):
        """Entries of one pair from a time to another, of trains that are walked along."""
        ahead = [(np.arange(count) + rng.uniform()) * 2.0 * np.pi / count for count in satellites]
        departures = [
            self.spread_km * self.quantile((rng.permutation(count) + rng.uniform(size=count)) / count)
            for count in satellites
        ]
        steps = int(np.ceil((stop - start) / STEP))
        trains = tuple(ahead), tuple(departures)
        step = (stop - start) / steps
        count = walk(*self.sides, self.spacing, *trains, start, steps, step, self.within_km, self.field)
        return count / np.prod(satellites)


def repeated(count, seed, repetitions):
    """Mean and standard error of a count that is repeated, each time with numbers at random of its own."""
    with ThreadPoolExecutor(2) as threads:
        found = np.array(list(threads.map(count, np.random.default_rng(seed).spawn(repetitions))))
    return found.mean(), found.std(ddof=1) / np.sqrt(repetitions)


def monte_carlo(
    first, second, *, within_km, seed, spread_km=0.0, quantile=ndtri, satellites=(89, 97), trials=48, repetitions=32
):
    """Entries per year of one pair of satellites and its standard error: times, phases and departures at random.

    Each trial walks what lies within the span of one revolution of the first, whose start is at random in one of equal
    shares of the span and of a revolution before it: so each time of the span is as likely to be walked as any other.
    """
    walker = Walker(first, second, within_km, spread_km, quantile)
    period = 2.0 * np.pi / walker.sides[0][1][0, 5]
    starts = walker.span + period

    def count(rng):
        begin = (np.arange(trials) + rng.uniform(size=trials)) / trials * starts - period
        windows = np.maximum(begin, 0.0), np.minimum(begin + period, walker.span)
        found = np.mean([walker.entries(rng, satellites, *window) for window in zip(*windows, strict=True)])
        return found * starts / period / walker.span * constants.YEAR.value

    return repeated(count, seed, repetitions)


def enumerate_entries(
    first, second, *, within_km, seed, spread_km=0.0, quantile=ndtri, satellites=(37, 41), repetitions=16
):
    """Entries per year of one pair of satellites and its standard error: trains followed over the whole span."""
    walker = Walker(first, second, within_km, spread_km, quantile)
    per_year = constants.YEAR.value / walker.span
    return repeated(lambda rng: walker.entries(rng, satellites, 0.0, walker.span) * per_year, seed, repetitions)
