"""The exact search: every approach below a threshold at the mutual nodes of crossing orbits."""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.approaches import kernels
from shells.approaches.trains import Trains, trains_of
from shells.errors import Faults
from shells.motion.arrays import Field
from shells.motion.propagation import after, field_of, node_clock
from shells.schema import APPROACHES, ORBITS, UNSEARCHED

#: Rows first set aside for approaches; more are taken when they do not suffice.
FIRST_CAPACITY = 65_536

#: A refusal is kinder than a full memory: no more approaches than this in one call.
LARGEST_NUMBER = 10_000_000


def find_approaches(
    orbits: xr.Dataset, others: xr.Dataset | None = None, *, within_km: float
) -> tuple[xr.Dataset, xr.Dataset]:
    """Find every approach below a threshold between two sets of orbits, or inside one.

    Parameters
    ----------
    orbits : Orbits (object, time)
        From `propagate`; satellites of one plane on one orbit are searched as a train.
    others : Orbits (object, time), optional
        The other side, on the same nodes; left out, the orbits are searched against themselves.
    within_km : float
        Threshold of distance [km].

    Returns
    -------
    approaches : Approaches (approach)
        In order of time, then of identifiers.
    unsearched : Unsearched pairs (pair)
        Pairs of which some window is not searched: it lies outside the linear picture at the node (planes nearly the
        same or nearly opposed), one of them re-enters in it, or both follow one orbit nearer to each other than the
        threshold. Their approaches in the other windows are in the first Dataset.

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
    faults.require(within_km > 0.0, f"within_km {within_km}; expected more than zero")
    if others is not None:
        faults.require(
            np.array_equal(orbits["time"].values, others["time"].values),
            "the nodes of both sides differ; propagate both with the same start, years and node_days",
        )
    faults.raise_if_any()

    start, spacing, count = node_clock(orbits)
    first = trains_of(orbits)
    second = first if others is None else trains_of(others)
    rows, windows = _search(first, second, others is None, spacing, within_km, field)
    first_ids = orbits["object"].values
    second_ids = first_ids if others is None else others["object"].values
    mates = _near_mates(first, within_km) if others is None else np.empty((0, 2), dtype=np.int64)
    unsearched = _unsearched(first, second, windows, first_ids, second_ids)
    if len(mates):
        together = {
            "first": np.concatenate([unsearched["first"].values, first_ids[mates[:, 0]]]),
            "second": np.concatenate([unsearched["second"].values, first_ids[mates[:, 1]]]),
            "windows": np.concatenate([unsearched["windows"].values, np.full(len(mates), count - 1)]),
        }
        unsearched = UNSEARCHED.build(together)
    return _approaches(rows, start, first_ids, second_ids), unsearched


def _search(
    first: Trains, second: Trains, same: bool, spacing: float, within_km: float, field: Field
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    capacity = FIRST_CAPACITY
    while True:
        found = np.empty((capacity, kernels.COLUMNS))
        windows = np.zeros((first.leaders.size, second.leaders.size), dtype=np.int64)
        count = kernels.search(first.arrays(), second.arrays(), same, spacing, within_km, field, found, windows)
        if count <= capacity:
            return found[:count], windows
        faults = Faults("find_approaches")
        faults.require(
            count <= LARGEST_NUMBER,
            f"{count:,} approaches within {within_km} km; expected at most {LARGEST_NUMBER:,}: "
            "lower the threshold, shorten the span or search fewer objects at a time",
        )
        faults.raise_if_any()
        capacity = count


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
    not_lasting = np.full(len(rows), np.datetime64("NaT", "ns"))
    return APPROACHES.build(
        {
            "first": first,
            "second": second,
            "time": after(start, rows[:, 2]),
            "start": not_lasting,
            "end": not_lasting,
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


def _unsearched(
    first: Trains,
    second: Trains,
    windows: NDArray[np.int64],
    first_ids: NDArray[np.int64],
    second_ids: NDArray[np.int64],
) -> xr.Dataset:
    """Spread the windows of trains over the pairs of their members."""
    columns: list[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]] = []
    for a, b in np.argwhere(windows > 0):
        left = first_ids[first.members[first.starts[a] : first.starts[a + 1]]]
        right = second_ids[second.members[second.starts[b] : second.starts[b + 1]]]
        pairs = np.stack(np.meshgrid(left, right, indexing="ij")).reshape(2, -1)
        columns.append((pairs[0], pairs[1], np.full(pairs.shape[1], windows[a, b])))
    empty = np.empty(0, dtype=np.int64)
    merged = [np.concatenate(column) for column in zip(*columns, strict=True)] if columns else [empty, empty, empty]
    return UNSEARCHED.build({"first": merged[0], "second": merged[1], "windows": merged[2]})
