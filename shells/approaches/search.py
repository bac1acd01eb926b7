"""The exact search: every approach below a threshold, at mutual nodes or, where these are blunt, on relative motion."""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import dask
import numpy as np
import xarray as xr
from dask.optimization import cull
from numpy.typing import NDArray

from shells import constants
from shells.approaches.asked import is_length, refuse_itself, require_same_nodes
from shells.approaches.capacity import refuse_too_many
from shells.approaches.kernels import COLUMNS
from shells.approaches.nodes import kernels
from shells.approaches.relative_motion.search import search_pairs
from shells.approaches.trains import Departure, Trains, trains_of
from shells.approaches.volumes import Volume, entering
from shells.cores import usable
from shells.errors import Faults
from shells.motion.arrays import Field
from shells.motion.propagation import ELEMENTS, after, field_of, node_clock
from shells.schema import APPROACHES, ORBITS

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: Rows first set aside for the approaches of a block, and for pairs left over; more are taken when they do not suffice.
FIRST_CAPACITY = 16_384

#: Satellites of a plane that depart from one orbit by less than this are searched as one train.
IN_ONE_TRAIN = Departure(radius=3.0, phase=0.01, plane=2e-4)

#: So many blocks for each worker, so that all end at about the same time.
BLOCKS_EACH = 8

#: So many blocks for each worker are begun before the first has ended: a slow one holds nobody up.
AHEAD = 8

#: Objects of which mean elements and rates fill about so many bytes are searched in one block.
BLOCK_BYTES = 16_000_000

_LAZY = [*ELEMENTS, *(f"{name}_rate" for name in ELEMENTS)]
_NEEDED = [*_LAZY, "plane"]


def find_approaches(orbits: xr.Dataset, others: xr.Dataset | None = None, *, within_km: float | Volume) -> xr.Dataset:
    """Find every approach below a threshold between two sets of orbits, or inside one.

    An approach is a local minimum of distance. Where the pair stays within the threshold for longer than a tenth of the
    shorter period, all of that encounter is one approach at its smallest distance, with start and end; an encounter
    under way at the first or last node starts or ends there. Minima between which the distance rises by less than a
    metre count as one. The trajectory of an object that re-enters ends with its last node before.

    Parameters
    ----------
    orbits : Orbits (object, time)
        From `propagate`; satellites of one plane on one orbit, or nearly so, are searched as a train.
    others : Orbits (object, time), optional
        The other side, on the same nodes; left out, the orbits are searched against themselves. Lazy orbits are moved
        and searched chunk by chunk, and never held as a whole.
    within_km : float, Box or Ellipsoid
        Threshold of distance [km], or a volume about the first object that the second enters.

    Returns
    -------
    Approaches (approach)
        In order of time, then of identifiers. In a search of orbits against themselves the first object has the lower
        identifier, or its train the lower one.

    Raises
    ------
    SchemaError
        A Dataset does not meet its schema.
    InputError
        Threshold not positive, nodes of the two sides differ, an object on both sides, or too many approaches, by an
        estimate from the first blocks.
    """
    plan = _plan(orbits, others, within_km)
    # blocks from all over come first, so that they stand for all
    order = np.argsort(np.arange(len(plan.blocks)) * 0.5 * (np.sqrt(5.0) - 1.0) % 1.0, kind="stable")
    parts: list[_Found] = []
    count = 0
    for done, part in enumerate(_run(plan, [plan.blocks[number] for number in order]), start=1):
        parts.append(part)
        count += len(part.rows)
        refuse_too_many(count, within_km, done=done, blocks=len(plan.blocks))
    return _joined(plan.start, parts)


def approaches_by_block(
    orbits: xr.Dataset, others: xr.Dataset | None = None, *, within_km: float | Volume
) -> Iterator[xr.Dataset]:
    """Find approaches block by block of the other side, for more of them than fit in memory.

    Parameters
    ----------
    orbits, others, within_km
        As for `find_approaches`.

    Yields
    ------
    Approaches (approach)
        As from `find_approaches`, of one block after the other; any number of them.

    Raises
    ------
    SchemaError, InputError
        As from `find_approaches`.
    """
    plan = _plan(orbits, others, within_km)
    for part in _run(plan, plan.blocks):
        yield _joined(plan.start, [part])


@dataclass(frozen=True)
class _Found:
    """What one block gives: approaches, in the columns of `search_pairs`, and the identifiers of both objects."""

    rows: Floats
    first: Integers
    second: Integers


class _Others:
    """The other side of a search, of which parts are taken chunk by chunk.

    dask would look at the whole graph for each part, which takes longer than the search; here it is flattened once.
    """

    def __init__(self, orbits: xr.Dataset, sizes: tuple[int, ...]) -> None:
        self._orbits = orbits[["object", "time", "plane"]]
        self._edges = np.cumsum([0, *sizes])
        self._arrays = [orbits[name].chunk({"object": sizes, "time": -1}).data for name in _LAZY]
        self._graph: dict[Hashable, Any] = {}
        for array in self._arrays:
            self._graph.update(array.dask)

    def part(self, rows: Integers) -> xr.Dataset:
        """Return the orbits of some rows, in memory."""
        chunk_of = np.searchsorted(self._edges, rows, side="right") - 1
        parts = []
        for chunk in np.unique(chunk_of):
            keys = [(array.name, int(chunk), 0) for array in self._arrays]
            found = dask.get(cull(self._graph, keys)[0], keys)
            chosen = rows[chunk_of == chunk] - self._edges[chunk]
            parts.append(found if chosen.size == len(found[0]) else [values[chosen] for values in found])
        joined = parts[0] if len(parts) == 1 else [np.concatenate(columns) for columns in zip(*parts, strict=True)]
        lazy = {name: (("object", "time"), values) for name, values in zip(_LAZY, joined, strict=True)}
        return self._orbits.isel(object=rows).assign(lazy)


@dataclass(frozen=True)
class _Plan:
    """What all blocks of a search share.

    Parameters
    ----------
    first : Trains
        The first side.
    identifiers : ndarray
        Of its objects.
    prepared : tuple
        As `kernels.search` takes the first side.
    others : _Others or None
        The other side; None searches the first against itself.
    blocks : list of ndarray
        Rows of the other side, or trains of the first, that are searched together.
    start : datetime64
        First node in time.
    spacing, reach : float
        Of the nodes in time [s]; distance [km] that is searched.
    volume : Volume or None
        What an approach has to enter within that distance.
    field : tuple
        As kernels take it.
    workers : int
        Blocks searched side by side.
    """

    first: Trains
    identifiers: Integers
    prepared: tuple[Floats | Integers, ...]
    others: _Others | None
    blocks: list[Integers]
    start: np.datetime64
    spacing: float
    reach: float
    volume: Volume | None
    field: Field
    workers: int

    @property
    def end(self) -> float:
        """Last node in time [s]."""
        return self.spacing * float(self.first.values.shape[1] - 1)

    def ends(self, trains: Trains, rows: Floats) -> Floats:
        """Return the last node in time [s] at which each of some objects is up."""
        objects, which = np.unique(rows.astype(np.int64), return_inverse=True)
        return _last_nodes(trains.values[objects])[which].astype(np.float64) * self.spacing

    def search(self, block: Integers) -> _Found:
        """Search one block."""
        if self.others is None:
            second, identifiers, trains = self.first, self.identifiers, (int(block[0]), int(block[-1]) + 1)
        else:
            part = self.others.part(block)
            second, identifiers = trains_of(part, IN_ONE_TRAIN), part["object"].values
            trains = (0, second.leaders.size)
            mine = self.identifiers, self.first.values[:, 0]
            refuse_itself("find_approaches", *mine, identifiers, second.values[:, 0])
        rows, left = _search(self, second, trains)
        left = _pairs(self.first, second, left)
        if self.others is None and block[0] == 0:
            mates = _near_mates(self.first, self.reach)
            left = np.concatenate([left, np.column_stack([mates, np.zeros(len(mates)), np.full(len(mates), self.end)])])
        left = left[left[:, 2] < np.minimum(self.ends(self.first, left[:, 0]), self.ends(second, left[:, 1]))]
        values = self.first.values, self.first.rates, second.values, second.rates
        followed = search_pairs(*values, self.spacing, left, self.reach, self.field)
        rows = np.concatenate([np.pad(rows, ((0, 0), (0, 2)), constant_values=np.nan), followed])
        if self.volume is not None:
            rows = rows[entering(self.volume, rows, self.first, second, self.spacing, self.field)]
        return _Found(rows, self.identifiers[rows[:, 0].astype(np.int64)], identifiers[rows[:, 1].astype(np.int64)])


def _plan(orbits: xr.Dataset, others: xr.Dataset | None, within_km: float | Volume) -> _Plan:
    ORBITS.check(orbits, stage="find_approaches")
    if others is not None:
        ORBITS.check(others, stage="find_approaches")
    field = field_of(orbits) if others is None else field_of(orbits, others)
    faults = Faults("find_approaches")
    volume = within_km if isinstance(within_km, Volume) else None
    reach = within_km.reach_km if isinstance(within_km, Volume) else within_km
    faults.require(is_length(reach), f"within_km {within_km!r}; expected more than zero, and finite")
    if others is not None:
        require_same_nodes(faults, orbits, others)
    faults.raise_if_any()

    start, spacing, count = node_clock(orbits)
    orbits = orbits[_NEEDED].compute(scheduler="threads")
    if (np.diff(orbits["object"].values) < 0).any():
        orbits = orbits.sortby("object")
    first = trains_of(orbits, IN_ONE_TRAIN)
    workers = usable()
    size = max(1, int(BLOCK_BYTES / (count * 12 * 8)))
    second = None
    if others is None:
        number = first.leaders.size
        blocks = _cut(np.arange(number), min(size, -(-number // (BLOCKS_EACH * workers)))) if number else []
    else:
        # what is computed inside a block must not wait for a scheduler that waits for the block
        others = others[_NEEDED].assign(plane=others["plane"].compute(scheduler="threads"))
        chunks = others.chunksizes.get("object", ())
        if len(chunks) <= workers:
            others = others.compute(scheduler="threads")
            number = others.sizes["object"]
            chunks = tuple(
                piece.size for piece in _cut(np.arange(number), min(size, -(-number // (BLOCKS_EACH * workers))))
            )
        blocks = _blocks(others["plane"].values, chunks)
        second = _Others(others, chunks)
    prepared = _prepared(first, count, spacing, field)
    identifiers = orbits["object"].values
    return _Plan(first, identifiers, prepared, second, blocks, start, spacing, reach, volume, field, workers)


def _cut(rows: Integers, size: int) -> list[Integers]:
    return [rows[begin : begin + size] for begin in range(0, max(1, rows.size), max(1, size))]


def _blocks(plane: Integers, chunks: tuple[int, ...]) -> list[Integers]:
    """Return rows that are searched together: objects without plane by chunks, and whole planes."""
    edges = np.cumsum([0, *chunks])
    free = [np.flatnonzero(plane[low:high] < 0) + low for low, high in pairwise(edges)]
    return [rows for rows in free if rows.size] + [
        np.flatnonzero(plane == number) for number in np.unique(plane[plane >= 0])
    ]


def _prepared(first: Trains, nodes: int, spacing: float, field: Field) -> tuple[Floats | Integers, ...]:
    """Return the first side as `kernels.search` takes it."""
    mu, radius, zonals = field
    number, windows = first.leaders.size, -(-(nodes - 1) // kernels.WINDOW)
    tracks = np.empty((number, windows, kernels.FIELDS, kernels.WINDOW + 1))
    kernels.tracks(first.values, first.leaders, radius, zonals[2], tracks)
    summaries = np.empty((number, windows, kernels.SUMMARY))
    kernels.summaries(
        first.values, first.rates, first.leaders, spacing, first.departures, mu, radius, zonals, summaries
    )
    last = _last_nodes(first.values[first.leaders])
    low, high = summaries[..., kernels.LOW].T, summaries[..., kernels.HIGH].T
    order = np.argsort(low, axis=1, kind="stable").astype(np.int64)
    lows = np.take_along_axis(low, order, axis=1)
    longest = np.max(high - low, axis=1, where=np.isfinite(low), initial=0.0)
    return (*first.arrays(), *first.table(), tracks, summaries, first.departures, last, order, lows, longest)


def _last_nodes(values: Floats) -> Integers:
    """Return the last node in time at which each object (rows) is up, -1 for none."""
    up = np.isfinite(values[..., 0])
    return np.where(up.any(axis=1), up.shape[1] - 1 - np.argmax(up[:, ::-1], axis=1), -1).astype(np.int64)


def _search(plan: _Plan, second: Trains, trains: tuple[int, int]) -> tuple[Floats, Floats]:
    """Return approaches (n, COLUMNS) and what is left over (m, 4) of a block, as `kernels.search` gives them."""
    begin, until = trains
    found, left = np.empty((FIRST_CAPACITY, COLUMNS)), np.empty((FIRST_CAPACITY, 4))
    room = _room()
    rows, rest = [], []
    while begin < until:
        begin, approaches, over, more, more_over = kernels.search(
            plan.prepared,
            (*second.arrays(), second.departures),
            begin,
            until,
            plan.others is None,
            plan.spacing,
            plan.reach,
            plan.field,
            room,
            found,
            left,
        )
        rows.append(found[:approaches].copy())
        rest.append(left[:over].copy())
        if more > len(found):
            found = np.empty((more, COLUMNS))
        if more_over > len(left):
            left = np.empty((more_over, 4))
    return np.concatenate(rows), np.concatenate(rest)


def _room() -> tuple[Floats | Integers, ...]:
    return (
        np.empty((2, kernels.WINDOW + 1)),
        np.empty(kernels.WINDOW + 1),
        np.empty(kernels.WINDOW, dtype=np.int64),
        np.empty((2, kernels.FIELDS)),
        np.empty((3, kernels.GEOMETRY)),
        np.empty((2, kernels.STEEPNESS)),
        np.zeros((14, 6)),
        np.empty((kernels.FIELDS, kernels.WINDOW + 1)),
        np.empty(kernels.SUMMARY),
        np.empty(2, dtype=np.int64),
    )


def _run(plan: _Plan, blocks: list[Integers]) -> Iterator[_Found]:
    """Yield what blocks give, in their order; some are searched ahead side by side."""
    with ThreadPoolExecutor(plan.workers) as pool:
        ahead: deque[Future[_Found]] = deque()
        try:
            for block in blocks:
                ahead.append(pool.submit(plan.search, block))
                if len(ahead) > AHEAD * plan.workers:
                    yield ahead.popleft().result()
            while ahead:
                yield ahead.popleft().result()
        finally:
            for waiting in ahead:
                waiting.cancel()


def _pairs(first: Trains, second: Trains, left: Floats) -> Floats:
    """Spread rows of trains over the pairs of their members, adjoining times of a pair joined, shape (pairs, 4)."""
    left = left[np.lexsort((left[:, 2], left[:, 1], left[:, 0]))]
    if len(left):
        apart = (np.diff(left[:, :2], axis=0) != 0.0).any(axis=1) | (left[1:, 2] != left[:-1, 3])
        begins = np.flatnonzero(np.concatenate([[True], apart]))
        ends = np.append(begins[1:], len(left)) - 1
        left = np.column_stack([left[begins, :3], left[ends, 3]])
    spread = [np.empty((0, 4))]
    for a, b, begin, end in left.tolist():
        mine = first.members[first.starts[int(a)] : first.starts[int(a) + 1]]
        theirs = second.members[second.starts[int(b)] : second.starts[int(b) + 1]]
        pairs = np.stack(np.meshgrid(mine, theirs, indexing="ij"), axis=-1).reshape(-1, 2)
        spread.append(np.column_stack([pairs, np.full((len(pairs), 2), (begin, end))]))
    return np.concatenate(spread)


def _near_mates(trains: Trains, within_km: float) -> Integers:
    """Return the pairs of rows on one orbit that may come within the threshold, shape (pairs, 2).

    Satellites of one train keep their phases, but for their departures.
    """
    near = []
    for train in range(trains.leaders.size):
        span = slice(trains.starts[train], trains.starts[train + 1])
        rows, offsets = trains.members[span], trains.offsets[span]
        if rows.size < 2:
            continue
        chord = trains.chord(train)
        for shift in range(1, rows.size // 2 + 1):
            ahead = np.remainder(np.roll(offsets, -shift) - offsets, 2.0 * np.pi)
            least = np.minimum(ahead, 2.0 * np.pi - ahead) - 2.0 * trains.departures[train, 1]
            close = 2.0 * chord * np.sin(0.5 * np.maximum(least, 0.0)) < within_km
            if not close.any():
                break
            near.append(np.sort(np.column_stack([rows, np.roll(rows, -shift)])[close], axis=1))
    return np.unique(np.concatenate(near), axis=0) if near else np.empty((0, 2), dtype=np.int64)


def _joined(start: np.datetime64, parts: list[_Found]) -> xr.Dataset:
    """Return the approaches of blocks in order of time, then of identifiers."""
    first, second, seconds = (
        (np.concatenate(column) for column in zip(*((p.first, p.second, p.rows[:, 2]) for p in parts), strict=True))
        if parts
        else (np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))
    )
    order = np.argsort(seconds, kind="stable")
    if (np.diff(seconds[order]) == 0.0).any():
        order = np.lexsort((second, first, seconds))

    def column(number: int) -> Floats:
        whole: Floats = np.concatenate([part.rows[:, number] for part in parts])[order] if parts else np.empty(0)
        return whole

    return APPROACHES.build(
        {
            "first": first[order],
            "second": second[order],
            "time": after(start, seconds[order]),
            "start": after(start, column(COLUMNS)),
            "end": after(start, column(COLUMNS + 1)),
            "miss_distance": column(3),
            "radial": column(4),
            "in_track": column(5),
            "cross_track": column(6),
            "relative_velocity_radial": column(7),
            "relative_velocity_in_track": column(8),
            "relative_velocity_cross_track": column(9),
            "geocentric_latitude": np.degrees(column(10)),
            "radius_altitude": column(11) - constants.EQUATORIAL_RADIUS.value,
            "crossing_angle": np.degrees(column(12)),
        }
    )
