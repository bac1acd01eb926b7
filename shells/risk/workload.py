"""Avoidance workload: how many encounters a year pass an action threshold, and how large the threshold's area is.

Encounters come through the encounter plane as a uniform flux, as wide as the errors are: of those within d, the share
above a threshold is the area of the misses above it over pi d^2. Each encounter's own covariance and radius give an
area, whatever its own miss was; the number that really passed the threshold is counted beside it. For a body small
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
from shells.risk.encounter import Encounters
from shells.risk.probability import SHORT_FORM_ERROR, collision_probability, largest_change, read_encounters
from shells.risk.series.kernels import areas_above
from shells.risk.short_encounter import quadrature_rules
from shells.schema import APPROACHES, Schema, Variable

Floats = NDArray[np.float64]

_ACTION = ("threshold",)

#: Thresholds below have levels where the probability is no longer a double.
_LEAST_THRESHOLD = 1e-100


def _per_year(long_name: str, missing: str = "") -> Variable:
    return Variable(_ACTION, "float64", "year-1", long_name, (0.0, None), missing)


WORKLOAD = Schema(
    "Avoidance workload",
    "Encounters of one satellite a year whose collision probability passes an action threshold.",
    {
        "threshold": Variable(_ACTION, "float64", "1", "collision probability from which somebody acts", (0.0, 1.0)),
        "share": Variable(_ACTION, "float64", "1", "share of encounters above the threshold, by area", (0.0, None)),
        "manoeuvres": _per_year("encounters above the threshold per satellite and year, by area"),
        "manoeuvres_error": _per_year("standard error of these, second objects resampled", "a single second object"),
        "manoeuvres_counted": _per_year("encounters above the threshold per satellite and year, by count"),
        "manoeuvres_small_body": _per_year("encounters above the threshold per satellite and year, closed form"),
        "reach": Variable(_ACTION, "float64", "km", "largest miss distance above the threshold", (0.0, None)),
        "lasting": Variable((), "int64", "1", "encounters that last, which are counted instead of given an area"),
    },
    coordinates=("threshold",),
)


def avoidance_workload(
    approaches: xr.Dataset,
    *,
    covariance_first_m2: Any,
    covariance_second_m2: Any,
    hard_body_radius_m: Any,
    within_km: float,
    encounters_per_satellite_year: float,
    thresholds: Sequence[float] = (1e-4, 1e-5, 1e-6),
    seed: int = 0,
) -> xr.Dataset:
    """Return how many encounters of a satellite pass action thresholds in a year.

    Parameters
    ----------
    approaches : Dataset
        APPROACHES within `within_km`: a sample of the encounters, for their geometry.
    covariance_first_m2, covariance_second_m2, hard_body_radius_m : array_like or Quantity
        As of `collision_probability`: what is known at the time of the decision.
    within_km : float or Quantity
        Threshold of distance of the sample and of the rate [km].
    encounters_per_satellite_year : float
        Encounters of one satellite a year within that distance: counted, or from `approach_rates` [1/year].
    thresholds : sequence of float
        Action thresholds of the collision probability, from 1e-100 to below 1 [1].
    seed : int
        Of the draws for encounters that last.

    Returns
    -------
    Dataset
        WORKLOAD. Where `reach` exceeds `within_km` the count misses encounters beyond the search; the area does not.
        Errors are those of resampling second objects in the limit of many samples, of the geometry alone: not of the
        rate.

    Raises
    ------
    SchemaError
        The Dataset is not APPROACHES.
    InputError
        No approaches, thresholds or distances that are none, and all that `collision_probability` refuses. All at once.
    """
    APPROACHES.check(approaches, stage="avoidance_workload")
    faults = Faults("avoidance_workload: arguments cannot be used")
    faults.require(approaches.sizes["approach"] > 0, "approaches: none found; their geometry is needed")
    distance = read_number(faults, "within_km", within_km, "km", low=1e-6)
    rate = read_number(faults, "encounters_per_satellite_year", encounters_per_satellite_year, "1/yr", low=0.0)
    levels = np.sort(np.atleast_1d(array_in_units(thresholds, "")))[::-1]
    faults.require(
        levels.size > 0 and bool(((levels >= _LEAST_THRESHOLD) & (levels < 1.0)).all()),
        f"thresholds: {thresholds} found; allowed: numbers from {_LEAST_THRESHOLD:g} to below 1",
    )
    encounters = read_encounters(faults, approaches, covariance_first_m2, covariance_second_m2, hard_body_radius_m)
    found = collision_probability(
        approaches,
        covariance_first_m2=covariance_first_m2,
        covariance_second_m2=covariance_second_m2,
        hard_body_radius_m=hard_body_radius_m,
        seed=seed,
    )
    short = _is_short(encounters)
    covariance, searched = encounters.in_plane[1], np.pi * distance**2
    counted = found["collision_probability"].values >= levels[:, None]
    shares, small, reach = counted.astype(np.float64), counted.astype(np.float64), np.zeros(levels.size)
    # sums in the order of objects and time, so that they do not depend on that of the approaches
    order = np.lexsort([approaches[name].values for name in ("time", "second", "first")])
    for k, level in enumerate(levels):
        area, far = areas_above(covariance[short], encounters.radius[short], level, quadrature_rules())
        shares[k, short] = area / 1e6 / searched
        small[k, short] = small_body_area(covariance[short], encounters.radius[short], level) / 1e6 / searched
        reach[k] = far.max(initial=0.0) / 1000.0
    shares, small = shares[:, order], small[:, order]
    return WORKLOAD.build(
        {
            "threshold": levels,
            "share": shares.mean(axis=1),
            "manoeuvres": rate * shares.mean(axis=1),
            "manoeuvres_error": rate * _resampled_error(shares, approaches["second"].values[order]),
            "manoeuvres_counted": rate * counted.mean(axis=1),
            "manoeuvres_small_body": rate * small.mean(axis=1),
            "reach": reach,
            "lasting": np.count_nonzero(~short),
        }
    )


def total_workload(parts: Sequence[xr.Dataset]) -> xr.Dataset:
    """Add up workloads against different second objects.

    Parameters
    ----------
    parts : sequence of Dataset
        WORKLOAD with the same thresholds, each against objects of its own.

    Returns
    -------
    Dataset
        WORKLOAD: rates added, shares weighted with them, errors of different objects added in squares (those of a
        single object, which are missing, left out).

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
    stacked = {name: np.stack([part[name].values for part in parts]) for name in parts[0].data_vars}
    rates = stacked["manoeuvres"].sum(axis=0)
    # the encounters of a part, from which its share was taken
    met = np.divide(
        stacked["manoeuvres"], stacked["share"], out=np.zeros_like(stacked["share"]), where=stacked["share"] > 0.0
    ).max(axis=1)
    return WORKLOAD.build(
        {
            "threshold": levels,
            "share": rates / met.sum() if met.sum() > 0.0 else np.zeros(levels.size),
            "manoeuvres": rates,
            "manoeuvres_error": np.sqrt(np.nansum(stacked["manoeuvres_error"] ** 2, axis=0)),
            "manoeuvres_counted": stacked["manoeuvres_counted"].sum(axis=0),
            "manoeuvres_small_body": stacked["manoeuvres_small_body"].sum(axis=0),
            "reach": stacked["reach"].max(axis=0),
            "lasting": stacked["lasting"].sum(),
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


def _resampled_error(shares: Floats, second: NDArray[np.int64]) -> Floats:
    """Return the standard error of the mean share when second objects, each with all its encounters, are resampled.

    The linearised ratio of sums over objects (B. Efron 1979, Annals of Statistics 7, 1, section 2, in the limit of many
    samples). Missing for a single object.
    """
    objects, member = np.unique(second, return_inverse=True)
    if objects.size < 2:
        return np.full(len(shares), np.nan)
    excess = shares - shares.mean(axis=1, keepdims=True)
    sums = np.stack([np.bincount(member, weights=row) for row in excess])
    return np.asarray(np.sqrt((sums**2).sum(axis=1)) / second.size)
