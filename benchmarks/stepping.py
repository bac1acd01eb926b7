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


def minimise(distance, candidates: np.ndarray, *, end: float, step: float, within_km: float) -> np.ndarray:
    """Refine candidates by bracketing and golden section on the distance alone.

    Parameters
    ----------
    distance : callable
        (rows, columns, times) -> distances [km], vectorised.
    candidates : ndarray, shape (k, 3)
        From `step_through`.
    end, step, within_km : float
        As there.

    Returns
    -------
    ndarray, shape (m, 4)
        Row of first, row of second, time, distance of each local minimum inside (0, end), once.
    """
    rows, columns = candidates[:, 0].astype(int), candidates[:, 1].astype(int)
    low = np.maximum(candidates[:, 2] - step, 0.0)
    high = np.minimum(candidates[:, 2] + step, end)
    # the lowest of a few samples brackets the minimum nearest to the sample
    grid = np.linspace(0.0, 1.0, 9)
    samples = np.array([distance(rows, columns, low + x * (high - low)) for x in grid])
    best = samples.argmin(axis=0)
    inside = (best > 0) & (best < grid.size - 1)
    rows, columns, best = rows[inside], columns[inside], best[inside]
    width = (high - low)[inside]
    low = low[inside] + grid[best - 1] * width
    high = low + 2.0 * width / (grid.size - 1)
    golden = (np.sqrt(5.0) - 1.0) / 2.0
    for _ in range(40):
        left, right = high - golden * (high - low), low + golden * (high - low)
        smaller = distance(rows, columns, left) < distance(rows, columns, right)
        high = np.where(smaller, right, high)
        low = np.where(smaller, low, left)
    time = 0.5 * (low + high)
    miss = distance(rows, columns, time)
    found = np.column_stack([rows, columns, time, miss])[miss < within_km]
    found = found[np.lexsort((found[:, 2], found[:, 1], found[:, 0]))]
    if len(found):
        again = np.all(found[1:, :2] == found[:-1, :2], axis=1) & (np.diff(found[:, 2]) < 0.5)
        found = found[np.concatenate([[True], ~again])]
    return found


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
    ndarray, shape (m, 4)
        Identifier of first, of second, time since the first node [s], distance [km].
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
        _distances(*sides[0][:2], *sides[-1][:2], spacing, rows, columns, times, field(), out)
        return out

    end = days * 86400.0
    second = states_of(sides[1]) if others is not None else None
    candidates = np.concatenate(
        list(step_through(states_of(sides[0]), second, end=end, step=step, within_km=within_km))
    )
    found = minimise(distance, candidates, end=end, step=step, within_km=within_km)
    found[:, 0] = sides[0][2][found[:, 0].astype(int)]
    found[:, 1] = sides[-1][2][found[:, 1].astype(int)]
    return found


def _distances(values_a, rates_a, values_b, rates_b, spacing, rows, columns, times, field, out):
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

    candidates = np.concatenate(
        list(step_through(states_of(first), states_of(second), end=end, step=step, within_km=within_km))
    )
    return minimise(distance, candidates, end=end, step=step, within_km=within_km)
