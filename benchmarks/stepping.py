"""The everyday alternative, and the oracle of the exact search: step everything, query a k-d tree, minimise.

It knows nothing of planes and nodes: states at small steps, all pairs near each other at a step, the closest approach
of each by a bracketed minimisation of distance. With the library's own trajectories it is the brute-force twin of
`shells.find_approaches`; with sgp4's it is an independent search.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.spatial import cKDTree

from shells import constants

#: Two objects in orbit round the Earth approach each other no faster than this [km/s].
FASTEST = 16.0

#: In half a step gravity bends a straight line by no more than g t^2 / 2; twice for two objects [km s-2].
GRAVITY = 0.0095

#: Differences of distance below this are noise [km]; an encounter longer than this share of a period is lasting.
NOISE = 1e-3
LASTING = 0.1

#: What rounding makes of equal distances [km].
ROUNDING = 1e-9

States = Callable[[float], tuple[np.ndarray, np.ndarray]]


def step_through(first: States, second: States | None, *, end: float, step: float, within_km: float):
    """Yield candidates of approaches, step by step.

    Parameters
    ----------
    first, second : callable
        Time [s] -> states of shape (n, 6) [km, km/s]; second None searches first against itself.
    end, step : float
        [s].
    within_km : float
        Threshold.

    Yields
    ------
    ndarray, shape (k, 3)
        Row of first, row of second, time of the sample.
    """
    reach = within_km + FASTEST * step / 2 + GRAVITY * step**2 / 4
    for time in np.arange(0.0, end + step, step):
        a = first(time)
        b = a if second is None else second(time)
        known_a, known_b = (np.flatnonzero(np.isfinite(x[:, 0])) for x in (a, b))
        if not (known_a.size and known_b.size):
            return
        r_a = np.linalg.norm(a[known_a, :3], axis=1)
        r_b = np.linalg.norm(b[known_b, :3], axis=1)
        known_b = known_b[(r_b > r_a.min() - reach) & (r_b < r_a.max() + reach)]
        tree_a, tree_b = cKDTree(a[known_a, :3]), cKDTree(b[known_b, :3])
        near = tree_a.sparse_distance_matrix(tree_b, reach, output_type="coo_matrix")
        rows, columns = known_a[near.row], known_b[near.col]
        if second is None:
            rows, columns = rows[rows < columns], columns[rows < columns]
        dr = b[columns, :3] - a[rows, :3]
        dv = b[columns, 3:] - a[rows, 3:]
        speed = np.einsum("ij,ij->i", dv, dv)
        along = np.einsum("ij,ij->i", dr, dv)
        ahead = np.clip(-along / np.maximum(speed, 1e-12), -step, step)
        miss = np.linalg.norm(dr + ahead[:, None] * dv, axis=1)
        keep = miss < within_km + GRAVITY * step**2
        yield np.column_stack([rows[keep], columns[keep], np.full(keep.sum(), time)])


def minimise(distance, candidates: np.ndarray, *, end: float, step: float, within_km: float, periods) -> np.ndarray:
    """Sample the distance of each candidate's pair finely and find its minima and lasting encounters.

    Candidates of a pair at successive steps are one stretch of time, sampled eight times a step. Minima are refined by
    golden section on the distance alone, passages through the threshold by bisection; the first and the last instant
    of the trajectories may be next to a minimum, but are none. The rules are those of
    `shells.find_approaches`: an encounter longer than a tenth of the shorter period is one approach, at its smallest
    distance; minima between which the distance rises by less than `NOISE` count as one, the lowest.

    Parameters
    ----------
    distance : callable
        (rows, columns, times) -> distances [km], vectorised.
    candidates : ndarray, shape (k, 3)
        From `step_through`.
    end, step, within_km : float
        As there.
    periods : ndarray, shape (k,)
        Shorter period of each candidate's pair [s].

    Returns
    -------
    ndarray, shape (m, 6)
        Row of first, row of second, time, distance, start and end of lasting encounters (else NaN), each once.
    """
    order = np.lexsort((candidates[:, 2], candidates[:, 1], candidates[:, 0]))
    candidates, periods = candidates[order], periods[order]
    if not len(candidates):
        return np.empty((0, 6))
    apart = np.any(np.diff(candidates[:, :2], axis=0) != 0, axis=1) | (np.diff(candidates[:, 2]) > 2.5 * step)
    firsts = np.concatenate([[0], np.flatnonzero(apart) + 1])
    lasts = np.concatenate([firsts[1:], [len(candidates)]]) - 1
    pairs = candidates[firsts, :2].astype(int)
    low = np.maximum(candidates[firsts, 2] - step, 0.0)
    high = np.minimum(candidates[lasts, 2] + step, end)

    counts = np.ceil(8 * (high - low) / step).astype(int) + 1
    times = np.concatenate([np.linspace(*border) for border in zip(low, high, counts, strict=True)])
    stretch = np.repeat(np.arange(len(firsts)), counts)
    values = distance(pairs[stretch, 0], pairs[stretch, 1], times)
    # next to the first or last sample of a stretch there may be a minimum, too
    first, last = (np.diff(stretch, **{side: -1}) != 0 for side in ("prepend", "append"))
    ending = last | np.isnan(np.roll(values, -1))
    falling, rising = first | (values <= np.roll(values, 1)), ending | (values < np.roll(values, -1))
    lowest = np.flatnonzero(falling & rising & (values < within_km + FASTEST * step / 8))
    before, after = times[lowest - ~first[lowest]], times[lowest + ~last[lowest]]
    minima, inside = _golden(distance, pairs[stretch[lowest]], before, after)
    inside |= ~(first | ending)[lowest]
    lowest, minima = lowest[inside], minima[inside]
    deepest = distance(pairs[stretch[lowest], 0], pairs[stretch[lowest], 1], minima)

    # samples and minima of each stretch in order of time
    times, values = np.concatenate([times, minima]), np.concatenate([values, deepest])
    stretch, is_minimum = np.concatenate([stretch, stretch[lowest]]), np.arange(len(times)) >= len(stretch)
    order = np.lexsort((times, stretch))
    times, values, stretch, is_minimum = times[order], values[order], stretch[order], is_minimum[order]
    found = []
    for k in np.unique(stretch[values < within_km]):
        own = slice(*np.searchsorted(stretch, [k, k + 1]))
        shortest = LASTING * periods[firsts[k]]
        events = _events(distance, pairs[k], times[own], values[own], is_minimum[own], within_km, shortest)
        found += [[*pairs[k], *event] for event in events]
    return np.array(found).reshape(-1, 6)


def _events(distance, pair, times, values, is_minimum, within_km, shortest):
    """Return [time, distance, start, end] of the approaches of one pair from samples in order of time."""

    def within(time):
        return distance(pair[:1], pair[1:], np.array([time]))[0] < within_km

    events = []
    inside = np.flatnonzero(values < within_km)
    # leaving by less than the noise does not end an encounter
    beyond = np.concatenate([[0], np.cumsum(~(values <= within_km + NOISE))])
    breaks = np.flatnonzero(beyond[inside[1:]] > beyond[inside[:-1] + 1])
    for run in np.split(inside, breaks + 1):
        left, right = run[0], run[-1]
        start, stop = times[left], times[right]
        if left > 0:
            start = _bisect(within, start, times[left - 1])
        if right + 1 < times.size:  # the pair parts, or one of them re-enters
            stop = _bisect(within, stop, times[right + 1])
        if stop - start > shortest:
            best = left + np.argmin(values[left : right + 1])
            events.append([times[best], values[best], start, stop])
            continue
        kept = []
        for j in left + np.flatnonzero(is_minimum[left : right + 1]):
            if kept and values[kept[-1] : j].max() - max(values[kept[-1]], values[j]) < NOISE:
                kept[-1] = min(kept[-1], j, key=lambda k: values[k])
            else:
                kept.append(j)
        events += [[times[j], values[j], np.nan, np.nan] for j in kept]
    return events


def _bisect(inside, low, high):
    """Return the border between a time that is inside and one that is not."""
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if inside(middle) else (low, middle)
    return low


def _golden(distance, pairs, low, high):
    """Return the minima of pairs between two arrays of times by golden section, down to what rounding leaves.

    And whether each is one, with larger distances at both ends: trajectories that end before (NaN) do so there.
    """

    def at(times):
        return distance(pairs[:, 0], pairs[:, 1], times)

    ended = np.isnan(at(high))
    if ended.any():
        known, unknown = low, high
        for _ in range(50):
            middle = 0.5 * (known + unknown)
            missing = np.isnan(at(middle))
            known, unknown = np.where(missing, known, middle), np.where(missing, middle, unknown)
        high = np.where(ended, known, high)
    ends = np.minimum(at(low), at(high))
    golden = (np.sqrt(5.0) - 1.0) / 2.0
    for _ in range(40):
        left, right = high - golden * (high - low), low + golden * (high - low)
        smaller = at(left) < at(right)
        high = np.where(smaller, right, high)
        low = np.where(smaller, low, left)
    minima = 0.5 * (low + high)
    return minima, ends - at(minima) > ROUNDING


def brute_force(orbits, others, *, within_km: float, days: float, step: float = 8.0) -> np.ndarray:
    """Search the library's own trajectories by stepping.

    Parameters
    ----------
    orbits, others : Orbits
        As in `shells.find_approaches`; others None searches the orbits against themselves.
    within_km, days, step : float
        Threshold [km], span from the first node [day], step [s].

    Returns
    -------
    ndarray, shape (m, 6)
        Identifier of first, of second, time since the first node [s], distance [km], start and end [s] of lasting
        encounters, NaN otherwise.
    """
    from shells.motion import kernels
    from shells.motion.arrays import field
    from shells.motion.propagation import element_array, node_clock, rate_array

    spacing = node_clock(orbits)[1]
    sides = [(element_array(o), rate_array(o), o["object"].values) for o in (orbits, others) if o is not None]

    def states_of(side):
        def at(time):
            out = np.empty((side[0].shape[0], 1, 6))
            kernels.states(side[0], side[1], 0.0, spacing, np.array([min(time, end)]), *field(), out)
            return out[:, 0]

        return at

    def distance(rows, columns, times):
        out = np.empty(len(rows))
        distances(*sides[0][:2], *sides[-1][:2], spacing, rows, columns, times, field(), out)
        return out

    end = days * 86400.0
    second = states_of(sides[1]) if others is not None else None
    steps = step_through(states_of(sides[0]), second, end=end, step=step, within_km=within_km)
    candidates = np.concatenate([np.empty((0, 3)), *steps])
    turns = [2.0 * np.pi * np.sqrt(side[0][:, 0, 0] ** 3 / field()[0]) for side in sides]
    periods = np.minimum(turns[0][candidates[:, 0].astype(int)], turns[-1][candidates[:, 1].astype(int)])
    found = minimise(distance, candidates, end=end, step=step, within_km=within_km, periods=periods)
    found[:, 0] = sides[0][2][found[:, 0].astype(int)]
    found[:, 1] = sides[-1][2][found[:, 1].astype(int)]
    return found


def distances(values_a, rates_a, values_b, rates_b, spacing, rows, columns, times, field, out):
    """Fill ``out`` with the distances [km] of pairs of rows at times [s], from mean elements and rates of two sides."""
    _compiled()(values_a, rates_a, values_b, rates_b, spacing, rows, columns, times, field, out)


def _compiled():
    global _kernel
    if _kernel is None:
        import numba

        from shells.motion.kernels import state_at

        @numba.njit
        def kernel(values_a, rates_a, values_b, rates_b, spacing, rows, columns, times, field, out):
            mu, radius, zonals = field
            elements, a, b = np.empty(6), np.empty(6), np.empty(6)
            for j in range(rows.size):
                r, c = rows[j], columns[j]
                state_at(values_a[r], rates_a[r], 0.0, spacing, times[j], mu, radius, zonals, elements, a)
                state_at(values_b[c], rates_b[c], 0.0, spacing, times[j], mu, radius, zonals, elements, b)
                out[j] = np.sqrt((b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2 + (b[2] - a[2]) ** 2)

        _kernel = kernel
    return _kernel


_kernel = None


def brute_force_sgp4(first, second, start, *, within_km: float, days: float, step: float = 10.0) -> np.ndarray:
    """Search two lists of sgp4 satellites by stepping: the everyday alternative itself.

    Parameters
    ----------
    first, second : list of sgp4.api.Satrec
        The two sides.
    start : datetime64
        Time zero, UTC.
    within_km, days, step : float
        Threshold [km], span [day], step [s].

    Returns
    -------
    ndarray, shape (m, 4)
        Row of first, row of second, time since the start [s], distance [km].
    """
    from sgp4.api import SatrecArray

    day = constants.UNIX_EPOCH_JULIAN.value + start.astype("datetime64[D]").astype(float)
    rest = (start - start.astype("datetime64[D]")) / np.timedelta64(1, "s")
    end = days * 86400.0

    def states_of(satellites):
        array = SatrecArray(satellites)

        def at(time):
            error, r, v = array.sgp4(np.array([day]), np.array([(rest + min(time, end)) / 86400.0]))
            states = np.concatenate([r[:, 0], v[:, 0]], axis=1)
            states[error[:, 0] != 0] = np.nan
            return states

        return at

    def distance(rows, columns, times):
        fractions = (rest + times) / 86400.0
        apart = [
            np.subtract(second[c].sgp4(day, f)[1], first[r].sgp4(day, f)[1])
            for r, c, f in zip(rows.tolist(), columns.tolist(), fractions.tolist(), strict=True)
        ]
        return np.linalg.norm(np.array(apart).reshape(-1, 3), axis=1)

    steps = step_through(states_of(first), states_of(second), end=end, step=step, within_km=within_km)
    candidates = np.concatenate([np.empty((0, 3)), *steps])
    never = np.full(len(candidates), np.inf)
    return minimise(distance, candidates, end=end, step=step, within_km=within_km, periods=never)[:, :4]
