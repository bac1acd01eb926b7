"""A fleet against others, chunk by chunk: numbers of approaches of single objects, summed and resampled."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.approaches.asked import refuse_itself
from shells.approaches.averages import kernels
from shells.approaches.averages.bands import Bands
from shells.approaches.averages.between import years_of
from shells.approaches.averages.spread import Spread
from shells.approaches.trains import Trains
from shells.cores import usable
from shells.motion.arrays import Field
from shells.motion.propagation import element_array, field_of, node_clock, rate_array, seconds_since

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: Longest window [day] over which orbits are interpolated here; averages need no phases.
WINDOW_DAYS = 4.0

#: Numbers of a block of objects fill about so many bytes.
_BLOCK_BYTES = 32_000_000

#: Least objects of a block.
_LEAST_BLOCK = 16


@dataclass(frozen=True)
class Side:
    """Mean elements of some objects on some of the nodes.

    Parameters
    ----------
    values, rates : ndarray, shape (objects, nodes, 6)
        [km, rad, s]; in the window in which an object ends they run on evenly from its start.
    ends : ndarray, shape (objects,)
        When each ends [s], infinite for never.
    """

    values: Floats
    rates: Floats
    ends: Floats


def side_of(orbits: xr.Dataset, nodes: Integers) -> Side:
    """Return objects on some of their nodes.

    Parameters
    ----------
    orbits : Orbits (object, time)
    nodes : ndarray
        Which nodes.

    Returns
    -------
    Side
    """
    start, spacing, _ = node_clock(orbits)
    clock = nodes * spacing
    part = orbits.isel(time=nodes)
    values, rates = element_array(part), rate_array(part)
    ends = seconds_since(orbits["reentry"].values, start)
    alive = np.isfinite(values[..., 0])
    last = np.maximum(alive.sum(axis=1) - 1, 0)
    # out of the reach of the averages without re-entry: known to its last node
    ends = np.where(np.isnan(ends), np.where(alive.all(axis=1), np.inf, clock[last]), ends)
    ends = np.where(alive[:, 0], ends, -np.inf)
    for row in np.flatnonzero(alive[:, 0] & ~alive[:, -1]):
        k = last[row]
        rates[row, k + 1] = rates[row, k]
        values[row, k + 1] = values[row, k] + rates[row, k] * (clock[k + 1] - clock[k])
    return Side(values, rates, ends)


@dataclass(frozen=True)
class Numbers:
    """Expected numbers of approaches of a fleet with others.

    Parameters
    ----------
    total : ndarray, shape (groups, planes, years, altitude bands, latitude bands, thresholds)
        Expected over the span; one plane, year or band where these are not kept apart. Groups are kinds or objects.
    resampled : ndarray, shape (draws, groups, …)
        The same with the objects drawn anew; empty where they are kept apart.
    """

    total: Floats
    resampled: Floats


@dataclass(frozen=True)
class Averager:
    """Averages a fleet against objects of others.

    Parameters
    ----------
    orbits : Orbits (object, time)
        The fleet, in memory.
    trains : Trains
        Its planes.
    sizes : ndarray, shape (planes,)
        Satellites in each.
    distances : ndarray
        Ascending thresholds [km].
    spread : tuple
        Departures, see `tabulate`.
    bands : Bands
    by_plane, by_year : bool
        Whether planes and years are kept apart.
    """

    orbits: xr.Dataset
    trains: Trains
    sizes: Integers
    distances: Floats
    spread: Spread
    bands: Bands
    by_plane: bool
    by_year: bool

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the numbers of one object: planes, years, bands, thresholds."""
        _, spacing, count = node_clock(self.orbits)
        years = int(years_of(np.array([spacing * (count - 2), spacing * (count - 1)]))[0]) + 1
        planes = self.trains.leaders.size if self.by_plane else 1
        return planes, years if self.by_year else 1, *self.bands.shape, self.distances.size

    def _nodes(self, every: bool) -> Integers:
        _, spacing, count = node_clock(self.orbits)
        stride = 1 if every else max(1, int(WINDOW_DAYS * constants.DAY.value / spacing + 1e-6))
        # no window reaches from one year into the next
        borders = np.flatnonzero(np.diff(years_of(np.linspace(0.0, spacing * (count - 1), count)))) + 1
        return np.unique(np.concatenate([np.arange(0, count, stride), borders, [count - 1]])).astype(np.int64)

    def numbers(self, others: xr.Dataset, field: Field) -> Floats:
        """Return expected numbers of each of a chunk of objects, in memory, shape (objects, *shape).

        Objects that end are taken on every node, the others on those that `WINDOW_DAYS` leaves.
        """
        mine, theirs = (
            (side["object"].values, element_array(side.isel(time=[0]))[:, 0]) for side in (self.orbits, others)
        )
        refuse_itself("approach_rates", *mine, *theirs)
        out = np.zeros((others.sizes["object"], *self.shape))
        whole = others["alive"].values.all(axis=1)
        fleet_whole = bool(self.orbits["alive"].values[self.trains.leaders].all())
        for rows, every in ((np.flatnonzero(whole), not fleet_whole), (np.flatnonzero(~whole), True)):
            if not rows.size:
                continue
            nodes = self._nodes(every)
            fleet = side_of(self.orbits.isel(object=self.trains.leaders), nodes)
            side = side_of(others.isel(object=rows), nodes)
            clock = nodes * node_clock(self.orbits)[1]
            planes = np.arange(self.trains.leaders.size) if self.by_plane else np.zeros(self.trains.leaders.size)
            years = years_of(clock) if self.by_year else np.zeros(clock.size - 1)
            found = np.zeros((rows.size, *self.shape))
            kernels.average(
                (fleet.values, fleet.rates, self.sizes, fleet.ends),
                (side.values, side.rates, side.ends),
                clock,
                (planes.astype(np.int64), years.astype(np.int64)),
                self.distances,
                self.spread,
                field,
                self.bands.arrays(),
                found,
            )
            out[rows] = found
        return out

    def run(self, others: xr.Dataset, groups: Integers, count: int, draws: int) -> Numbers:
        """Average over all objects, one chunk in memory at a time, and add up in the order of the objects.

        Parameters
        ----------
        others : Orbits (object, time)
            Lazy or not, in the order of their identifiers.
        groups : ndarray, shape (object,)
            Group that each object counts for.
        count : int
            Number of groups.
        draws : int
            How often the objects are drawn anew; none where each is a group of its own.

        Returns
        -------
        Numbers
        """
        field = field_of(self.orbits, others)
        cells = int(np.prod(self.shape))
        total, resampled = np.zeros((count, cells)), np.zeros((draws, count, cells))
        heavy = np.zeros(draws)
        size = max(_LEAST_BLOCK, _BLOCK_BYTES // (8 * cells))
        workers = usable()
        with ThreadPoolExecutor(workers) as pool:
            for begin, chunk in _chunks(others):
                share = -(-chunk.sizes["object"] // workers)
                borders = range(0, chunk.sizes["object"], max(1, min(size, share)))
                blocks = [chunk.isel(object=slice(b, b + borders.step)) for b in borders]
                found = pool.map(lambda block: self.numbers(block, field), blocks)
                for first, block, numbers in zip(borders, blocks, found, strict=True):
                    rows = slice(begin + first, begin + first + block.sizes["object"])
                    weights = _weights(block["object"].values, draws)
                    heavy += weights.sum(axis=0)
                    kernels.accumulate(numbers.reshape(-1, cells), groups[rows], weights, total, resampled)
        # as many objects in every draw
        scale = others.sizes["object"] / np.where(heavy > 0.0, heavy, 1.0)
        resampled *= scale[:, None, None]
        return Numbers(total.reshape(count, *self.shape), resampled.reshape(draws, count, *self.shape))


def _chunks(others: xr.Dataset) -> Iterator[tuple[int, xr.Dataset]]:
    """Yield the first row of each chunk along `object`, and the chunk in memory."""
    begin = 0
    for size in others.chunksizes.get("object", (others.sizes["object"],)):
        yield begin, others.isel(object=slice(begin, begin + size)).compute(scheduler="threads")
        begin += size


def _weights(identifiers: Integers, draws: int) -> Floats:
    """Return how often each object stands in each draw, shape (objects, draws): Poisson, seeded by its identifier."""
    rows = [np.random.default_rng(int(identifier)).poisson(1.0, draws) for identifier in identifiers]
    return np.array(rows, dtype=np.float64).reshape(identifiers.size, draws)
