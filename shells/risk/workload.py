"""Avoidance workload: how many encounters a year pass an action threshold, and how large the threshold's area is.

Encounters come through the encounter plane as a uniform flux, as wide as the errors are: of those within d, the share
above a threshold is the area of the misses above it over pi d^2. Each encounter's own covariance and radius give an
area, whatever its own miss was; the number that really passed the threshold is counted beside it, and that of the
decisions: a pair that meets on successive revolutions asks for one, by its most probable approach. For a body small
against the errors the probability is density times pi R^2, and the area in closed form
2 pi s1 s2 ln(R^2 / (2 s1 s2 threshold)).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.errors import Faults
from shells.fleet.quantities import array_in_units, read_number
from shells.risk.completeness import share_within
from shells.risk.encounter import Encounters
from shells.risk.numbers import cluster_starts
from shells.risk.probability import PROBABILITIES, SHORT_FORM_ERROR, largest_change, read_encounters
from shells.risk.series.kernels import areas_above
from shells.risk.short_encounter import quadrature_rules
from shells.schema import APPROACHES, Schema, Variable

Floats = NDArray[np.float64]

_ACTION = ("threshold",)

#: Thresholds below have levels where the probability is no longer a double.
_LEAST_THRESHOLD = 1e-100

#: So many approaches of an object at most are given an area: geometry varies little, while all of them are counted.
_SAMPLE = 4


def _per_year(long_name: str) -> Variable:
    return Variable(_ACTION, "float64", "year-1", long_name, (0.0, None))


WORKLOAD = Schema(
    "Avoidance workload",
    "Encounters of one satellite a year whose collision probability passes an action threshold. Standard errors are "
    "those of resampling second objects.",
    {
        "threshold": Variable(_ACTION, "float64", "1", "collision probability from which somebody acts", (0.0, 1.0)),
        "encounters": Variable((), "float64", "year-1", "encounters found per satellite and year", (0.0, None)),
        "share": Variable(_ACTION, "float64", "1", "share of encounters above the threshold, by area", (0.0, None)),
        "encounters_above": _per_year("encounters above the threshold per satellite and year, by area"),
        "encounters_above_error": _per_year("standard error of these"),
        "encounters_above_counted": _per_year("encounters above the threshold per satellite and year, by count"),
        "encounters_above_small_body": _per_year("encounters above the threshold per satellite and year, closed form"),
        "decisions_counted": _per_year(
            "decisions per satellite and year, by count: encounters above the threshold, those of a pair on successive "
            "revolutions taken for one"
        ),
        "decisions_counted_error": _per_year("standard error of these"),
        "reach": Variable(_ACTION, "float64", "km", "largest miss distance above the threshold", (0.0, None)),
        "share_found": Variable((), "float64", "1", "share of the probability of collision inside the search", (0, 1)),
        "lasting": Variable((), "int64", "1", "encounters that last, which are counted instead of given an area"),
    },
    coordinates=("threshold",),
)


_OBJECT = ("object",)


def _of_object(long_name: str) -> Variable:
    return Variable(("object", "threshold"), "float64", "1", long_name, (0.0, None))


WORKLOAD_OF_OBJECTS = Schema(
    "Avoidance workload of objects",
    "Encounters of a fleet with each of some objects whose collision probability passes an action threshold, in all.",
    {
        "object": Variable(_OBJECT, "int64", "", "identifier of the second object"),
        "threshold": WORKLOAD.variables["threshold"],
        "encounters": Variable(_OBJECT, "float64", "1", "encounters found", (0.0, None)),
        "above": _of_object("encounters above the threshold, by area"),
        "counted": _of_object("encounters above the threshold, by count"),
        "small_body": _of_object("encounters above the threshold, closed form"),
        "decisions": _of_object("encounters above the threshold, those of a pair on successive revolutions once"),
        "reach": Variable(
            ("object", "threshold"), "float64", "km", "largest miss distance above the threshold", (0.0, None)
        ),
        "found": Variable(
            _OBJECT, "float64", "1", "encounters, each by the share of its probability inside the search", (0.0, None)
        ),
        "lasting": Variable(_OBJECT, "int64", "1", "encounters that last, of those to be given an area", (0, None)),
    },
    coordinates=("object", "threshold"),
)


def avoidance_workload(
    approaches: xr.Dataset,
    probabilities: xr.Dataset,
    *,
    covariance_first_m2: Any,
    covariance_second_m2: Any,
    hard_body_radius_m: Any,
    within_km: float,
    satellite_years: float,
    thresholds: Sequence[float] = (1e-4, 1e-5, 1e-6),
) -> xr.Dataset:
    """Return how many encounters of a satellite pass action thresholds in a year.

    Parameters
    ----------
    approaches : Dataset
        APPROACHES: all of some satellites within `within_km` in some time.
    probabilities : Dataset
        PROBABILITIES of these approaches, from the covariances and radii that follow.
    covariance_first_m2, covariance_second_m2, hard_body_radius_m : array_like or Quantity
        As of `collision_probability`: what is known at the time of the decision.
    within_km : float or Quantity
        Distance of the search [km].
    satellite_years : float
        Satellites times years of the search; where the rate is known better, from `approach_rates`, the number of
        approaches over that of one satellite a year [year].
    thresholds : sequence of float
        Action thresholds of the collision probability, from 1e-100 to below 1 [1].

    Returns
    -------
    Dataset
        WORKLOAD. Where `reach` exceeds `within_km` counts miss encounters beyond the search; areas do not.

    Raises
    ------
    SchemaError
        A Dataset does not meet its schema.
    InputError
        No approaches, Datasets of different length, thresholds or distances that are none, and all that
        `collision_probability` refuses. All at once.

    Notes
    -----
    Areas are those of up to four approaches of each object, evenly from all in the order of satellites and time;
    `lasting` is of these.

    Errors are those of second objects that have a Poisson weight each, with all their encounters, in the limit of many
    draws: the root of the sum of squares over objects (the infinitesimal jackknife; B. Efron 1982, The Jackknife, the
    Bootstrap and Other Resampling Plans, SIAM, chapter 6, from memory). Both the number of encounters and their
    geometry are in it.
    """
    known = (covariance_first_m2, covariance_second_m2, hard_body_radius_m)
    by_object, years = _by_object(approaches, probabilities, known, within_km, thresholds, satellite_years)
    return total_workload(by_object, satellite_years=years)


def workload_of_objects(
    approaches: xr.Dataset,
    probabilities: xr.Dataset,
    *,
    covariance_first_m2: Any,
    covariance_second_m2: Any,
    hard_body_radius_m: Any,
    within_km: float,
    thresholds: Sequence[float],
) -> xr.Dataset:
    """Return how many encounters with each second object pass action thresholds.

    Parameters
    ----------
    approaches, probabilities, covariance_first_m2, covariance_second_m2, hard_body_radius_m, within_km, thresholds
        As of `avoidance_workload`.

    Returns
    -------
    Dataset
        WORKLOAD_OF_OBJECTS, in the order of identifiers. What stands for an object does not depend on the others.

    Raises
    ------
    SchemaError
        A Dataset does not meet its schema.
    InputError
        As of `avoidance_workload`.
    """
    known = (covariance_first_m2, covariance_second_m2, hard_body_radius_m)
    return _by_object(approaches, probabilities, known, within_km, thresholds, 1.0)[0]


def _by_object(
    approaches: xr.Dataset,
    probabilities: xr.Dataset,
    known: tuple[Any, Any, Any],
    within_km: float,
    thresholds: Sequence[float],
    satellite_years: float,
) -> tuple[xr.Dataset, float]:
    """Return the workload of objects, and the satellite years as a number: faults of both come together."""
    APPROACHES.check(approaches, stage="avoidance_workload")
    PROBABILITIES.check(probabilities, stage="avoidance_workload")
    faults = Faults("avoidance_workload: arguments cannot be used")
    count = approaches.sizes["approach"]
    faults.require(count > 0, "approaches: none found; their geometry is needed")
    others = probabilities.sizes["approach"]
    faults.require(count == others, f"probabilities: {others} found for {count} approaches")
    distance = read_number(faults, "within_km", within_km, "km", low=1e-6)
    years = read_number(faults, "satellite_years", satellite_years, "yr", low=1e-9)
    levels = np.sort(np.atleast_1d(array_in_units(thresholds, "")))[::-1]
    faults.require(
        levels.size > 0 and bool(((levels >= _LEAST_THRESHOLD) & (levels < 1.0)).all()),
        f"thresholds: {thresholds} found; allowed: numbers from {_LEAST_THRESHOLD:g} to below 1",
    )
    encounters = read_encounters(faults, approaches, *known)
    # in the order of objects, satellites and time, so that sums do not depend on that of the approaches
    first, second, time = (approaches[name].values for name in ("first", "second", "time"))
    order = np.lexsort([time, first, second])
    first, second, time = first[order], second[order], time[order]
    names, begins, member, counts = np.unique(second, return_index=True, return_inverse=True, return_counts=True)
    probability = probabilities["collision_probability"].values[order]
    counted = (probability >= levels[:, None]).astype(np.float64)
    starts = cluster_starts(first, second, time, approaches["radius_altitude"].values[order])
    decisions = (np.maximum.reduceat(probability, starts) >= levels[:, None]).astype(np.float64)

    rank = np.arange(count) - begins[member]
    some = np.flatnonzero(rank % -(-counts // _SAMPLE)[member] == 0)
    sample, its_object = encounters.some(order[some]), member[some]
    short = _is_short(sample)
    shares, small, reach = _shares_above(sample, short, levels, distance, counted[:, some])
    farthest = np.zeros((names.size, levels.size))
    np.maximum.at(farthest, its_object, reach.T)
    found = np.where(short, share_within(sample.in_plane[1], distance), 1.0)

    def sums(values: Floats, of: NDArray[np.int64]) -> Floats:
        return np.stack([np.bincount(of, weights=row, minlength=names.size) for row in np.atleast_2d(values)], axis=-1)

    for_all = (counts / np.bincount(its_object))[:, None]  # what is sampled stands for all of its object
    by_object = WORKLOAD_OF_OBJECTS.build(
        {
            "object": names,
            "threshold": levels,
            "encounters": counts.astype(np.float64),
            "above": for_all * sums(shares, its_object),
            "counted": sums(counted, member),
            "small_body": for_all * sums(small, its_object),
            "decisions": sums(decisions, member[starts]),
            "reach": farthest,
            "found": (for_all * sums(found, its_object))[:, 0],
            "lasting": np.bincount(its_object, weights=~short, minlength=names.size).astype(np.int64),
        }
    )
    return by_object, years


def total_workload(by_object: xr.Dataset, *, satellite_years: float) -> xr.Dataset:
    """Return the workload of a satellite a year from that of all objects.

    Parameters
    ----------
    by_object : Dataset
        WORKLOAD_OF_OBJECTS, of different objects, in any order.
    satellite_years : float
        Satellites times years of the search [year].

    Returns
    -------
    Dataset
        WORKLOAD.

    Raises
    ------
    SchemaError
        The Dataset does not meet its schema.
    """
    WORKLOAD_OF_OBJECTS.check(by_object, stage="total_workload")
    by_object = by_object.sortby("object")
    encounters = by_object["encounters"].values.sum()
    sums = {name: by_object[name].values.sum(axis=0) for name in ("above", "counted", "small_body", "decisions")}
    errors = {name: np.sqrt((by_object[name].values ** 2).sum(axis=0)) for name in ("above", "decisions")}
    return WORKLOAD.build(
        {
            "threshold": by_object["threshold"].values,
            "encounters": encounters / satellite_years,
            "share": sums["above"] / encounters,
            "encounters_above": sums["above"] / satellite_years,
            "encounters_above_error": errors["above"] / satellite_years,
            "encounters_above_counted": sums["counted"] / satellite_years,
            "encounters_above_small_body": sums["small_body"] / satellite_years,
            "decisions_counted": sums["decisions"] / satellite_years,
            "decisions_counted_error": errors["decisions"] / satellite_years,
            "reach": by_object["reach"].values.max(axis=0),
            "share_found": by_object["found"].values.sum() / encounters,
            "lasting": by_object["lasting"].values.sum(),
        }
    )


def small_body_area(covariance_m2: Floats, radius_m: Floats, threshold: float) -> Floats:
    """Return the area of the misses above a threshold in the limit of a body small against the errors.

    Parameters
    ----------
    covariance_m2 : ndarray, shape (n, 2, 2)
        In the encounter plane [m2].
    radius_m : ndarray, shape (n,)
        Combined radius [m].
    threshold : float
        Collision probability [1].

    Returns
    -------
    ndarray, shape (n,)
        [m2]; zero where not even a central encounter passes the threshold.
    """
    product = np.sqrt(np.maximum(np.linalg.det(covariance_m2), 0.0))
    peak = np.divide(radius_m**2, 2.0 * product, out=np.zeros_like(product), where=product > 0.0)
    return np.asarray(2.0 * np.pi * product * np.log(np.maximum(peak / threshold, 1.0)))


def _is_short(encounters: Encounters) -> NDArray[np.bool_]:
    """Return whether the bend of the path leaves the area as it is: whether a central encounter would be a short one.

    That the bend moves the whole set of misses changes nothing in its area.
    """
    central = replace(encounters, position=np.zeros_like(encounters.position))
    deviation = np.sqrt(np.maximum(np.linalg.eigvalsh(encounters.in_plane[1])[:, 0], 0.0))
    change = largest_change(central.bend(), central.radius, deviation, np.zeros(deviation.size))
    return np.asarray(change <= SHORT_FORM_ERROR)


def _shares_above(
    encounters: Encounters, short: NDArray[np.bool_], levels: Floats, distance_km: float, counted: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return areas above each level over that of the search, the same in closed form, and reaches [km].

    All have the shape (level, encounter); those that are not short stand as they count, and have no reach.
    """
    covariance, radius = encounters.in_plane[1][short], encounters.radius[short]
    searched = np.pi * (1000.0 * distance_km) ** 2
    shares, small, reach = counted.copy(), counted.copy(), np.zeros(counted.shape)
    for k, level in enumerate(levels):
        area, far = areas_above(covariance, radius, level, quadrature_rules())
        shares[k, short] = area / searched
        small[k, short] = small_body_area(covariance, radius, level) / searched
        reach[k, short] = far / 1000.0
    return shares, small, reach
