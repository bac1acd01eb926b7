"""Expected collisions, of found approaches or from rates: what aggregation starts from.

A pair that meets on successive revolutions meets each time with nearly the same errors: such approaches form a cluster.
For the expected number all of them count; for the probability the cluster counts once, by its most probable approach.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.errors import Faults
from shells.fleet.quantities import read_number
from shells.risk.encounter import places_of
from shells.risk.probability import PROBABILITIES
from shells.schema import APPROACHES, RATES, Schema, Variable

Floats = NDArray[np.float64]

#: Approaches of one pair nearer in time than so many revolutions belong together: both nodes of a revolution, and one
#: that falls just outside the threshold, do not part a cluster.
_REVOLUTIONS = 1.5

#: Largest probability whose number is finite.
_NEARLY_ONE = 1.0 - 2.0**-53

_ROW = ("encounter",)


def _label(dtype: str, units: str, long_name: str) -> Variable:
    return Variable(_ROW, dtype, units, long_name, required=False)


NUMBERS = Schema(
    "Collision numbers",
    "Expected collisions of each encounter (a cluster of approaches of one pair, or all of a rate), and what to add "
    "them up by.",
    {
        "encounter": Variable(_ROW, "int64", "", "number of the encounter"),
        "other": _label("int64", "", "identifier of the other object; left out where objects are no sample"),
        "satellite": _label("int64", "", "identifier of the satellite"),
        "plane": _label("int64", "1", "number of the orbital plane, -1 for none"),
        "other_plane": _label("int64", "1", "plane of the other object, -1 outside the fleet"),
        "phase": _label("str", "", "phase of life of the satellite: held or free"),
        "other_phase": _label("str", "", "phase of life of the other object, empty outside the fleet"),
        "year": _label("int64", "1", "year of the mission, from 0"),
        "approaches": _label("int64", "1", "approaches of the cluster"),
        "number": Variable(_ROW, "float64", "1", "expected collisions, every approach counted", (0.0, None)),
        "independent_number": Variable(
            _ROW, "float64", "1", "expected collisions, the cluster counted once", (0.0, None)
        ),
    },
    coordinates=("encounter",),
)


def encounter_numbers(
    approaches: xr.Dataset, probabilities: xr.Dataset, fleet: xr.Dataset, others: xr.Dataset | None = None
) -> xr.Dataset:
    """Return the expected collisions of each encounter.

    Parameters
    ----------
    approaches : Dataset
        APPROACHES of the fleet with others or with itself.
    probabilities : Dataset
        PROBABILITIES of these approaches.
    fleet : Dataset
        OBJECTS or ORBITS of the fleet. Years are counted from its epoch or first node.
    others : Dataset, optional
        OBJECTS or ORBITS of the second objects, as of `find_approaches`; left out, they are of the fleet.

    Returns
    -------
    Dataset
        NUMBERS, in the order of satellite, other object and time.

    Raises
    ------
    SchemaError
        A Dataset does not meet its schema.
    InputError
        Objects that are not in their population, approaches before the epoch of the fleet, Datasets of different
        length; all at once.
    """
    APPROACHES.check(approaches, stage="encounter_numbers")
    PROBABILITIES.check(probabilities, stage="encounter_numbers")
    start = np.min(fleet["time"].values[0] if "time" in fleet.dims else fleet["epoch"].values)
    first, second, time = (approaches[name].values for name in ("first", "second", "time"))
    faults = Faults("encounter_numbers: arguments cannot be used")
    counts = approaches.sizes["approach"], probabilities.sizes["approach"]
    faults.require(counts[0] == counts[1], f"probabilities: {counts[1]} found for {counts[0]} approaches")
    for name, ids, population in (("first", first, fleet), ("second", second, fleet if others is None else others)):
        strangers = np.setdiff1d(ids, population["object"].values)
        faults.require(strangers.size == 0, f"{name}: objects {strangers[:5].tolist()} are not in their population")
    faults.require(bool((time >= start).all()), f"time: approaches before {start}, the start of the fleet")
    faults.raise_if_any()

    order = np.lexsort([time, second, first])
    first, second, time = first[order], second[order], time[order]
    starts = cluster_starts(first, second, time, approaches["radius_altitude"].values[order])
    probability = probabilities["collision_probability"].values[order]
    largest = np.minimum(np.maximum.reduceat(probability, starts), _NEARLY_ONE) if starts.size else np.zeros(0)
    first, second, time_of = first[starts], second[starts], time[starts]
    plane, phase = _membership(fleet, first, time_of)
    if others is None:
        other_plane, other_phase = _membership(fleet, second, time_of)
    else:
        other_plane, other_phase = np.full(second.size, -1), np.full(second.size, "")
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


def rate_numbers(rates: xr.Dataset, *, within_km: float, years: float) -> xr.Dataset:
    """Return the expected collisions that phase-averaged rates stand for.

    Parameters
    ----------
    rates : Dataset
        RATES on some of the dimensions object, plane, other_plane, year, and within_km. Two planes stand once.
    within_km : float
        The threshold to take: a sum of hard-body radii [km].
    years : float
        Length of the mission [Julian years]; of a last year that is cut short only the part within it counts.

    Returns
    -------
    Dataset
        NUMBERS, one row for each positive rate: collisions of all satellites of a plane. Without an object there is no
        `other`: pairs of planes are the design, not a sample.

    Raises
    ------
    SchemaError
        The Dataset is not RATES.
    InputError
        A threshold that is not among those of the rates, other dimensions, a length that is none. All at once.
    """
    RATES.check(rates, stage="rate_numbers")
    faults = Faults("rate_numbers: arguments cannot be used")
    span = read_number(faults, "years", years, "yr", low=0.0)
    wanted = read_number(faults, "within_km", within_km, "km", low=0.0)
    allowed = ("object", "plane", "other_plane", "year", "within_km")
    faults.require(
        bool({"object", "plane"} & set(rates["rate"].dims)),
        "rates: neither by object nor by plane: nothing to add up",
    )
    strange = [str(dim) for dim in rates["rate"].dims if dim not in allowed]
    faults.require(not strange, f"rates: dimensions {', '.join(strange)} found; allowed: {', '.join(allowed)}")
    there = "within_km" in rates["rate"].dims and bool((rates["within_km"] == wanted).any())
    faults.require(there, f"within_km: {within_km} km is not among the thresholds of the rates; ask for it there")
    faults.raise_if_any()
    rate = rates["rate"].sel(within_km=wanted, drop=True)
    length = np.clip(span - rate["year"], 0.0, 1.0) if "year" in rate.dims else span
    number = (rate * length).stack(encounter=rate.dims)
    number = number[number.values > 0.0]
    labels = {str(dim): number[dim].values for dim in rate.dims}
    others = {"other": labels.pop("object")} if "object" in labels else {}
    return NUMBERS.build(
        {
            "encounter": np.arange(number.size),
            **others,
            **labels,
            "number": number.values,
            "independent_number": number.values,
        }
    )


def cluster_starts(
    first: NDArray[np.int64], second: NDArray[np.int64], time: NDArray[np.datetime64], altitude: Floats
) -> NDArray[np.int64]:
    """Return where clusters begin in approaches sorted by pair and time.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
        Identifiers.
    time : ndarray, shape (n,)
        Of closest approach.
    altitude : ndarray, shape (n,)
        Radius less 6378.137 km [km].

    Returns
    -------
    ndarray
        Places of the first approach of each cluster.
    """
    radius = altitude + constants.EQUATORIAL_RADIUS.value
    period = 2.0 * np.pi * np.sqrt(radius**3 / constants.GRAVITATIONAL_PARAMETER.value)
    gap = np.diff(time) / np.timedelta64(1, "s")
    begins = (np.diff(first) != 0) | (np.diff(second) != 0) | (gap > _REVOLUTIONS * period[:-1])
    return np.flatnonzero(np.append(time.size > 0, begins))[: time.size]


def _membership(
    fleet: xr.Dataset, ids: NDArray[np.int64], time: NDArray[np.datetime64]
) -> tuple[NDArray[np.int64], NDArray[np.str_]]:
    """Return plane and phase of life of satellites at given times."""
    place, _ = places_of(ids, fleet)
    held = (time >= fleet["held_from"].values[place]) & (time < fleet["held_until"].values[place])
    return fleet["plane"].values[place], np.where(held, "held", "free")
