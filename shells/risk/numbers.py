"""Expected collisions of found approaches, clusters of one pair gathered: what aggregation starts from.

A pair that meets on successive revolutions meets each time with nearly the same errors: such approaches form a cluster.
For the expected number all of them count; for the probability the cluster counts once, by its most probable approach.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.errors import Faults
from shells.risk.probability import PROBABILITIES
from shells.schema import APPROACHES, Schema, Variable

Floats = NDArray[np.float64]

#: Approaches of one pair nearer in time than so many revolutions belong together: both nodes of a revolution, and one
#: that falls just outside the threshold, do not part a cluster.
_REVOLUTIONS = 1.5

#: Largest probability whose number is finite.
_NEARLY_ONE = 1.0 - 2.0**-53

_ROW = ("encounter",)

NUMBERS = Schema(
    "Collision numbers",
    "Expected collisions of each encounter (a cluster of approaches of one pair), with what it may be added up by.",
    {
        "encounter": Variable(_ROW, "int64", "", "number of the encounter"),
        "satellite": Variable(_ROW, "int64", "", "identifier of the satellite"),
        "other": Variable(_ROW, "int64", "", "identifier of the other object"),
        "plane": Variable(_ROW, "int64", "1", "number of the orbital plane, -1 for none", (-1, None)),
        "other_plane": Variable(_ROW, "int64", "1", "plane of the other object, -1 outside the fleet", (-1, None)),
        "phase": Variable(_ROW, "str", "", "phase of life of the satellite: held or free"),
        "other_phase": Variable(_ROW, "str", "", "phase of life of the other object, empty outside the fleet"),
        "year": Variable(_ROW, "int64", "1", "year of the mission, from 0", (0, None)),
        "approaches": Variable(_ROW, "int64", "1", "approaches of the cluster", (1, None)),
        "number": Variable(_ROW, "float64", "1", "expected collisions, every approach counted", (0.0, None)),
        "independent_number": Variable(
            _ROW, "float64", "1", "expected collisions, the cluster counted once", (0.0, None)
        ),
    },
    coordinates=("encounter",),
)


def encounter_numbers(approaches: xr.Dataset, probabilities: xr.Dataset, fleet: xr.Dataset) -> xr.Dataset:
    """Return the expected collisions of each encounter.

    Parameters
    ----------
    approaches : Dataset
        APPROACHES whose first objects are of the fleet; the second may be.
    probabilities : Dataset
        PROBABILITIES of these approaches.
    fleet : Dataset
        OBJECTS or ORBITS of the fleet. Years are counted from its epoch or first node.

    Returns
    -------
    Dataset
        NUMBERS, in the order of satellite, other object and time.

    Raises
    ------
    SchemaError
        A Dataset does not meet its schema.
    InputError
        First objects that are not of the fleet, approaches before its epoch, Datasets of different length.
    """
    APPROACHES.check(approaches, stage="encounter_numbers")
    PROBABILITIES.check(probabilities, stage="encounter_numbers")
    start = np.min(fleet["time"].values[0] if "time" in fleet.dims else fleet["epoch"].values)
    first, second, time = (approaches[name].values for name in ("first", "second", "time"))
    faults = Faults("encounter_numbers: arguments cannot be used")
    counts = approaches.sizes["approach"], probabilities.sizes["approach"]
    faults.require(counts[0] == counts[1], f"probabilities: {counts[1]} found for {counts[0]} approaches")
    strangers = np.setdiff1d(first, fleet["object"].values)
    faults.require(strangers.size == 0, f"first: objects {strangers[:5].tolist()} are not of the fleet")
    faults.require(bool((time >= start).all()), f"time: approaches before {start}, the start of the fleet")
    faults.raise_if_any()

    order = np.lexsort([time, second, first])
    first, second, time = first[order], second[order], time[order]
    starts = _cluster_starts(first, second, time, approaches["radius_altitude"].values[order])
    probability = probabilities["collision_probability"].values[order]
    largest = np.minimum(np.maximum.reduceat(probability, starts), _NEARLY_ONE) if starts.size else np.zeros(0)
    first, second, time_of = first[starts], second[starts], time[starts]
    plane, phase = _membership(fleet, first, time_of)
    other_plane, other_phase = _membership(fleet, second, time_of)
    return NUMBERS.build(
        {
            "encounter": np.arange(starts.size),
            "satellite": first,
            "other": second,
            "plane": plane,
            "other_plane": other_plane,
            "phase": phase,
            "other_phase": other_phase,
            "year": ((time_of - start) / np.timedelta64(1, "s") // constants.YEAR.value).astype(np.int64),
            "approaches": np.diff(np.append(starts, time.size)),
            "number": np.add.reduceat(probability, starts) if starts.size else np.zeros(0),
            "independent_number": -np.log1p(-largest),
        }
    )


def _cluster_starts(
    first: NDArray[np.int64], second: NDArray[np.int64], time: NDArray[np.datetime64], altitude: Floats
) -> NDArray[np.int64]:
    """Return where clusters begin in approaches sorted by pair and time."""
    radius = altitude + constants.EQUATORIAL_RADIUS.value
    period = 2.0 * np.pi * np.sqrt(radius**3 / constants.GRAVITATIONAL_PARAMETER.value)
    gap = np.diff(time) / np.timedelta64(1, "s")
    begins = (np.diff(first) != 0) | (np.diff(second) != 0) | (gap > _REVOLUTIONS * period[:-1])
    return np.flatnonzero(np.append(time.size > 0, begins))[: time.size]


def _membership(
    fleet: xr.Dataset, ids: NDArray[np.int64], time: NDArray[np.datetime64]
) -> tuple[NDArray[np.int64], NDArray[np.str_]]:
    """Return plane and phase of life of objects at given times; -1 and empty for those outside the fleet."""
    known = fleet["object"].values
    sorter = np.argsort(known)
    place = sorter[np.minimum(np.searchsorted(known, ids, sorter=sorter), known.size - 1)]
    member = known[place] == ids
    held = (time >= fleet["held_from"].values[place]) & (time < fleet["held_until"].values[place])
    phase = np.where(member, np.where(held, "held", "free"), "")
    return np.where(member, fleet["plane"].values[place], -1), phase
