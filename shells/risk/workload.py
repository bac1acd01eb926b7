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

#: So many approaches at most are given an area: the geometry varies little, while all of them are counted.
_SAMPLE = 2000


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
    Areas are those of 2000 approaches at most, evenly from all in the order of satellites, objects and time; `lasting`
    is of these.

    Errors are those of second objects that have a Poisson weight each, with all their encounters, in the limit of many
    draws: the root of the sum of squares over objects, of each object's influence on the number (the infinitesimal
    jackknife; B. Efron 1982, The Jackknife, the Bootstrap and Other Resampling Plans, SIAM, chapter 6, from memory).
    Both the number of encounters and their geometry are in it.
    """
    APPROACHES.check(approaches, stage="avoidance_workload")
    PROBABILITIES.check(probabilities, stage="avoidance_workload")
    faults = Faults("avoidance_workload: arguments cannot be used")
    count = approaches.sizes["approach"]
    faults.require(count > 0, "approaches: none found; their geometry is needed")
    known = probabilities.sizes["approach"]
    faults.require(count == known, f"probabilities: {known} found for {count} approaches")
    distance = read_number(faults, "within_km", within_km, "km", low=1e-6)
    years = read_number(faults, "satellite_years", satellite_years, "yr", low=1e-9)
    levels = np.sort(np.atleast_1d(array_in_units(thresholds, "")))[::-1]
    faults.require(
        levels.size > 0 and bool(((levels >= _LEAST_THRESHOLD) & (levels < 1.0)).all()),
        f"thresholds: {thresholds} found; allowed: numbers from {_LEAST_THRESHOLD:g} to below 1",
    )
    encounters = read_encounters(faults, approaches, covariance_first_m2, covariance_second_m2, hard_body_radius_m)
    # sums in the order of objects and time, so that they do not depend on that of the approaches
    first, second, time = (approaches[name].values for name in ("first", "second", "time"))
    order = np.lexsort([time, second, first])
    first, second, time = first[order], second[order], time[order]
    probability = probabilities["collision_probability"].values[order]
    counted = (probability >= levels[:, None]).astype(np.float64)
    starts = cluster_starts(first, second, time, approaches["radius_altitude"].values[order])
    decisions = (np.maximum.reduceat(probability, starts) >= levels[:, None]).astype(np.float64)

    some = np.arange(0, count, -(-count // _SAMPLE))
    sample = encounters.some(order[some])
    short = _is_short(sample)
    shares, small, reach = _shares_above(sample, short, levels, distance, counted[:, some])
    found = np.where(short, share_within(sample.in_plane[1], distance), 1.0)
    share = shares.mean(axis=1)
    return WORKLOAD.build(
        {
            "threshold": levels,
            "encounters": count / years,
            "share": share,
            "encounters_above": count * share / years,
            "encounters_above_error": _error_of_share(shares, second, some) / years,
            "encounters_above_counted": counted.sum(axis=1) / years,
            "encounters_above_small_body": count * small.mean(axis=1) / years,
            "decisions_counted": decisions.sum(axis=1) / years,
            "decisions_counted_error": _resampled_error(decisions, second[starts]) / years,
            "reach": reach,
            "share_found": found.mean(),
            "lasting": np.count_nonzero(~short),
        }
    )


def total_workload(parts: Sequence[xr.Dataset]) -> xr.Dataset:
    """Add up workloads of the same satellites and years against different second objects.

    Parameters
    ----------
    parts : sequence of Dataset
        WORKLOAD with the same thresholds, each against objects of its own.

    Returns
    -------
    Dataset
        WORKLOAD: numbers added, shares weighted with the encounters, errors of different objects added in squares.

    Raises
    ------
    InputError
        No part, or different thresholds.
    """
    faults = Faults("total_workload: arguments cannot be used")
    faults.require(len(parts) > 0, "parts: none found; give at least one workload")
    faults.raise_if_any()
    levels = parts[0]["threshold"].values
    faults.require(
        all(np.array_equal(part["threshold"].values, levels) for part in parts),
        "threshold: different ones found in the parts; expected the same in all",
    )
    faults.raise_if_any()
    stacked = {str(name): np.stack([part[name].values for part in parts]) for name in parts[0].data_vars}
    total = {name: values.sum(axis=0) for name, values in stacked.items()}
    weight = stacked["encounters"] / total["encounters"]
    return WORKLOAD.build(
        total
        | {name: np.hypot.reduce(values, axis=0) for name, values in stacked.items() if name.endswith("_error")}
        | {
            "threshold": levels,
            "share": weight @ stacked["share"],
            "share_found": weight @ stacked["share_found"],
            "reach": stacked["reach"].max(axis=0),
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
    """Return areas above each level over that of the search, the same in closed form, and the reach of each level [km].

    Areas have the shape (level, encounter); those that are not short stand as they count.
    """
    covariance, radius = encounters.in_plane[1][short], encounters.radius[short]
    searched = np.pi * (1000.0 * distance_km) ** 2
    shares, small, reach = counted.copy(), counted.copy(), np.zeros(levels.size)
    for k, level in enumerate(levels):
        area, far = areas_above(covariance, radius, level, quadrature_rules())
        shares[k, short] = area / searched
        small[k, short] = small_body_area(covariance, radius, level) / searched
        reach[k] = far.max(initial=0.0) / 1000.0
    return shares, small, reach


def _error_of_share(shares: Floats, second: NDArray[np.int64], some: NDArray[np.int64]) -> Floats:
    """Return the standard error of the number of all encounters times the mean share of some of them.

    With a weight w of each object this is sum(w n) sum(w S) / sum(w m): n encounters of an object, m in the sample, S
    their shares. An object's influence is its derivative by w.
    """
    share = shares.mean(axis=1, keepdims=True)
    values = np.repeat(share, second.size, axis=1)
    values[:, some] += second.size / some.size * (shares - share)
    return _resampled_error(values, second)


def _resampled_error(values: Floats, second: NDArray[np.int64]) -> Floats:
    """Return the standard error of sums when second objects, each with all its values, have Poisson weights."""
    member = np.unique(second, return_inverse=True)[1]
    sums = np.stack([np.bincount(member, weights=row) for row in values])
    return np.asarray(np.sqrt((sums**2).sum(axis=1)))
