"""The exact search: every approach below a threshold, at mutual nodes or, where these are blunt, on relative motion."""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.approaches import kernels
from shells.approaches.capacity import refuse_too_many
from shells.approaches.relative_motion.search import search_pairs
from shells.approaches.trains import Trains, trains_of
from shells.approaches.volumes import Volume, entering
from shells.errors import Faults
from shells.motion.arrays import Field
from shells.motion.propagation import after, field_of, node_clock
from shells.schema import APPROACHES, ORBITS

#: Rows first set aside for approaches; more are taken when they do not suffice.
FIRST_CAPACITY = 65_536

#: Approaches of a pair nearer in time [s] than this are one, found by both searches.
SAME_APPROACH = 1.0


def find_approaches(orbits: xr.Dataset, others: xr.Dataset | None = None, *, within_km: float | Volume) -> xr.Dataset:
    """Find every approach below a threshold between two sets of orbits, or inside one.

    An approach is a local minimum of distance. Where the pair stays within the threshold for longer than a tenth of the
    shorter period, all of that encounter is one approach at its smallest distance, with start and end; an encounter
    under way at the first or last node starts or ends there. Minima between which the distance rises by less than a
    metre count as one. The trajectory of an object that re-enters ends with its last node before.

    Parameters
    ----------
    orbits : Orbits (object, time)
        From `propagate`; satellites of one plane on one orbit are searched as a train.
    others : Orbits (object, time), optional
        The other side, on the same nodes; left out, the orbits are searched against themselves.
    within_km : float, Box or Ellipsoid
        Threshold of distance [km], or a volume about the first object that the second enters.

    Returns
    -------
    Approaches (approach)
        In order of time, then of identifiers.

    Raises
    ------
    SchemaError
        A Dataset does not meet its schema.
    InputError
        Threshold not positive, nodes of the two sides differ, or too many approaches.
    """
    ORBITS.check(orbits, stage="find_approaches")
    if others is not None:
        ORBITS.check(others, stage="find_approaches")
        others = others.compute(scheduler="threads")
    orbits = orbits.compute(scheduler="threads")
    field = field_of(orbits) if others is None else field_of(orbits, others)
    faults = Faults("find_approaches")
    reach = within_km.reach_km if isinstance(within_km, Volume) else within_km
    faults.require(reach > 0.0, f"within_km {within_km}; expected more than zero")
    if others is not None:
        faults.require(
            np.array_equal(orbits["time"].values, others["time"].values),
            "the nodes of both sides differ; propagate both with the same start, years and node_days",
        )
    faults.raise_if_any()

    start, spacing, count = node_clock(orbits)
    first = trains_of(orbits)
    second = first if others is None else trains_of(others)
    rows, aside = _search(first, second, others is None, spacing, reach, field)
    spans = _spans(first, second, aside, spacing)
    if others is None:
        mates = _near_mates(first, reach)
        whole = np.broadcast_to([0.0, (count - 1) * spacing], mates.shape)
        spans = np.concatenate([spans, np.column_stack([mates, whole])])
    followed = search_pairs(first.values, first.rates, second.values, second.rates, spacing, spans, reach, field)
    rows = _merged(rows, followed)
    if isinstance(within_km, Volume):
        rows = rows[entering(within_km, rows, first, second, spacing, field)]
    first_ids = orbits["object"].values
    return _approaches(rows, start, first_ids, first_ids if others is None else others["object"].values)


def _search(
    first: Trains, second: Trains, same: bool, spacing: float, within_km: float, field: Field
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return approaches at mutual nodes, and the windows (train, train, window) that the linear picture leaves."""
    capacity, room = FIRST_CAPACITY, FIRST_CAPACITY
    while True:
        found, aside = np.empty((capacity, kernels.COLUMNS)), np.empty((room, 3), dtype=np.int64)
        count, left = kernels.search(first.arrays(), second.arrays(), same, spacing, within_km, field, found, aside)
        if count <= capacity and left <= room:
            return found[:count], aside[:left]
        refuse_too_many(count, within_km)
        capacity, room = max(count, capacity), max(left, room)


def _spans(first: Trains, second: Trains, aside: NDArray[np.int64], spacing: float) -> NDArray[np.float64]:
    """Return rows of first and second, from and until [s]: windows in a row as one, spread over members of trains.

    An approach may lie in the window beside that of the passage through the node which the search at nodes counts it
    to: spans reach out by as much.
    """
    aside = aside[np.lexsort((aside[:, 2], aside[:, 1], aside[:, 0]))]
    breaks = np.any(np.diff(aside, axis=0) != [0, 0, 1], axis=1)
    begins = np.concatenate([[True], breaks])[: len(aside)]
    ends = np.concatenate([breaks, [True]])[: len(aside)]
    spans = [np.empty((0, 4))]
    for (a, b, begin), end in zip(aside[begins], aside[ends, 2], strict=True):
        left = first.members[first.starts[a] : first.starts[a + 1]]
        right = second.members[second.starts[b] : second.starts[b + 1]]
        pairs = np.stack(np.meshgrid(left, right, indexing="ij"), axis=-1).reshape(-1, 2)
        span = [begin * spacing - kernels.LARGEST_DELAY, (end + 1) * spacing + kernels.LARGEST_DELAY]
        spans.append(np.column_stack([pairs, np.broadcast_to(span, pairs.shape)]))
    return np.concatenate(spans)


def _merged(crossing: NDArray[np.float64], followed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the approaches of both searches, in the columns of `search_pairs`, each once."""
    rows: NDArray[np.float64] = np.concatenate([np.pad(crossing, ((0, 0), (0, 2)), constant_values=np.nan), followed])
    rows = rows[np.lexsort((rows[:, 2], rows[:, 1], rows[:, 0]))]
    again = np.all(rows[1:, :2] == rows[:-1, :2], axis=1) & (np.diff(rows[:, 2]) < SAME_APPROACH)
    once: NDArray[np.float64] = rows[np.concatenate([[True], ~again])[: len(rows)]]
    return once


def _near_mates(trains: Trains, within_km: float) -> NDArray[np.int64]:
    """Return the pairs of rows on one orbit that may come within the threshold, shape (pairs, 2).

    Satellites of one train keep their phases; on the orbit they are nearest at apogee, where the distance is that of
    the phases times a sqrt((1 - e) / (1 + e)); 2 % is left for the short-period terms.
    """
    near = []
    for train, lead in enumerate(trains.leaders):
        span = slice(trains.starts[train], trains.starts[train + 1])
        rows, offsets = trains.members[span], trains.offsets[span]
        a, ex, ey = trains.values[lead, 0, :3]
        e = np.hypot(ex, ey)
        scale = 2.0 * 0.98 * a * np.sqrt((1.0 - e) / (1.0 + e))
        for shift in range(1, rows.size // 2 + 1):
            apart = scale * np.abs(np.sin(0.5 * (np.roll(offsets, -shift) - offsets)))
            close = apart < within_km
            if not close.any():
                break
            near.append(np.sort(np.column_stack([rows, np.roll(rows, -shift)])[close], axis=1))
    return np.unique(np.concatenate(near), axis=0) if near else np.empty((0, 2), dtype=np.int64)


def _approaches(
    rows: NDArray[np.float64], start: np.datetime64, first_ids: NDArray[np.int64], second_ids: NDArray[np.int64]
) -> xr.Dataset:
    first = first_ids[rows[:, 0].astype(np.int64)]
    second = second_ids[rows[:, 1].astype(np.int64)]
    order = np.lexsort((second, first, rows[:, 2]))
    rows, first, second = rows[order], first[order], second[order]
    return APPROACHES.build(
        {
            "first": first,
            "second": second,
            "time": after(start, rows[:, 2]),
            "start": after(start, rows[:, kernels.COLUMNS]),
            "end": after(start, rows[:, kernels.COLUMNS + 1]),
            "miss_distance": rows[:, 3],
            "radial": rows[:, 4],
            "in_track": rows[:, 5],
            "cross_track": rows[:, 6],
            "relative_velocity_radial": rows[:, 7],
            "relative_velocity_in_track": rows[:, 8],
            "relative_velocity_cross_track": rows[:, 9],
            "geocentric_latitude": np.degrees(rows[:, 10]),
            "radius_altitude": rows[:, 11] - constants.EQUATORIAL_RADIUS.value,
            "crossing_angle": np.degrees(rows[:, 12]),
        }
    )
