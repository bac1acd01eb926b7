"""What the approaches of the searched case mean: collisions by number and probability, and what asks for avoidance.

Each block weighs its own approaches with the error model of states; blocks have different objects, so that what they
found is added up at the end.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import xarray as xr

from shells.risk.aggregation import collision_risk
from shells.risk.completeness import share_found
from shells.risk.numbers import NUMBERS, encounter_numbers
from shells.risk.probability import collision_probability
from shells.risk.state_errors import encounter_errors
from shells.risk.workload import avoidance_workload, total_workload
from shells.study.configuration import Study


def weigh(study: Study, approaches: xr.Dataset, fleet: xr.Dataset, debris: xr.Dataset) -> dict[str, xr.Dataset]:
    """Weigh the approaches of a group of debris objects.

    Parameters
    ----------
    study : Study
        The study.
    approaches : Approaches (approach)
        Of the searched case.
    fleet, debris : Objects (object)
        Both sides.

    Returns
    -------
    dict of Dataset
        "numbers" (expected collisions by object, plane and year; what lies beyond the search made good) and "workload"
        (encounters of a satellite a year that ask for avoidance); none of both without approaches.
    """
    if not approaches.sizes["approach"]:
        return {}
    errors = encounter_errors(
        approaches,
        fleet,
        debris,
        age_first_days=study.avoidance.fleet_age_days,
        age_second_days=study.avoidance.debris_age_days,
    )
    known = {str(name): values.values for name, values in errors.data_vars.items()}
    probabilities = collision_probability(approaches, **known, seed=study.study.seed)
    workload = avoidance_workload(
        approaches,
        probabilities,
        **known,
        within_km=study.search_km,
        satellite_years=study.satellites * study.study.years,
        thresholds=study.avoidance.thresholds,
    )
    # old orbits spread a probability beyond the search; how many collide without avoidance does not hang on their age
    share = share_found(approaches, **known, within_km=study.search_km)
    inside = probabilities["collision_probability"]
    whole = inside.values / np.where(probabilities["short_encounter"], share, 1.0)
    probabilities = probabilities.assign(collision_probability=inside.copy(data=whole))
    return {
        "numbers": _by_object(encounter_numbers(approaches, probabilities, fleet, debris)),
        "workload": workload,
    }


def _by_object(numbers: xr.Dataset) -> xr.Dataset:
    """Return numbers added up by object, plane and year."""
    keys = np.stack([numbers[name].values for name in ("other", "plane", "year")])
    groups, row = np.unique(keys, axis=1, return_inverse=True)
    sums = {
        name: np.bincount(row.ravel(), weights=numbers[name].values, minlength=groups.shape[1])
        for name in ("number", "independent_number")
    }
    labels = dict(zip(("other", "plane", "year"), groups, strict=True))
    return NUMBERS.build({"encounter": np.arange(groups.shape[1]), **labels, **sums})


def conclude(study: Study, blocks: Iterable[dict[str, xr.Dataset]]) -> dict[str, xr.Dataset]:
    """Add up what the blocks have weighed.

    Parameters
    ----------
    study : Study
        The study.
    blocks : iterable of dict of Dataset
        Of `weigh`, in order.

    Returns
    -------
    dict of Dataset
        "risk_of_fleet", "risk_by_plane", "risk_by_year" (number and probability of collisions over the mission, without
        avoidance) and "workload"; nothing where no block had an approach.
    """
    met = [block for block in blocks if block]
    if not met:
        return {}
    numbers = xr.concat([block["numbers"] for block in met], "encounter")
    numbers = numbers.assign_coords(encounter=np.arange(numbers.sizes["encounter"]))
    groups: dict[str, Sequence[str]] = {"risk_of_fleet": (), "risk_by_plane": ("plane",), "risk_by_year": ("year",)}
    return {
        **{name: collision_risk(numbers, by=by, seed=study.study.seed) for name, by in groups.items()},
        "workload": total_workload([block["workload"] for block in met]),
    }
