"""Number and probability of collisions, added up by satellite, plane, year or phase of life, with resampled errors.

What is slow (a fault, a solar cycle, who is up there) is drawn as scenarios; given those, rare approaches are nearly
Poisson with number N. The average of N and the average of 1 - exp(-N) over scenarios differ, the second being far below
1 - exp(-average N) where few scenarios carry the risk: both are given.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.sparse import csr_array

from shells.errors import Faults
from shells.risk.numbers import NUMBERS
from shells.schema import Schema, Variable, provenance

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_GROUP = ("group",)
_ALONE = "one scenario and no sample of objects"

#: Labels of the other object, where that is of the fleet.
_PARTNER = {"satellite": "other", "plane": "other_plane", "phase": "other_phase"}

LABELS = ("satellite", "plane", "year", "phase", "encounter")


def _label(name: str) -> Variable:
    own = NUMBERS.variables[name]
    return Variable(_GROUP, own.dtype, own.units, own.long_name, required=False)


COLLISION_RISK = Schema(
    "Collision risk",
    "Expected number and probability of collisions of each group of encounters, averaged over scenarios.",
    {
        **{name: _label(name) for name in LABELS},
        "number": Variable(_GROUP, "float64", "1", "expected collisions", (0.0, None)),
        "number_error": Variable(_GROUP, "float64", "1", "standard error of the number", (0.0, None), _ALONE),
        "probability": Variable(_GROUP, "float64", "1", "probability of at least one collision", (0.0, 1.0)),
        "probability_error": Variable(_GROUP, "float64", "1", "standard error of the probability", (0.0, None), _ALONE),
    },
)


def collision_risk(*scenarios: xr.Dataset, by: Sequence[str] = (), samples: int = 200, seed: int = 0) -> xr.Dataset:
    """Return number and probability of collisions over the span of the scenarios.

    Parameters
    ----------
    *scenarios : Dataset
        NUMBERS, one for each draw of the slow variables, equally likely. One without encounters counts as zero. Other
        objects of one identifier are taken for one, in all scenarios; where not all have `other`, none is resampled.
    by : sequence of str
        What to add up by: "satellite", "plane", "year", "phase", or "encounter" in a single scenario. Nothing gives the
        fleet as a whole.
    samples : int
        Resamples for the standard errors, 2 or more; their own relative error is 1 / sqrt(2 samples).
    seed : int
        Of the resamples, 0 or more.

    Returns
    -------
    Dataset
        COLLISION_RISK, groups in the order of their labels; those without an encounter in any scenario do not appear.
        A collision between two satellites of the fleet counts for both their groups, and once where these are one.

    Raises
    ------
    SchemaError
        A Dataset is not NUMBERS.
    InputError
        No scenario, unknown labels, encounters of several scenarios asked one by one. All at once.

    Notes
    -----
    Other objects, each with all it does, and scenarios are resampled together (A. B. Owen 2007, Annals of Applied
    Statistics 1, 386-411): objects that return again and again are one draw each. Who is met is chance too, so that
    every object has a weight of its own, Poisson with mean 1 (the Poisson bootstrap; J. A. Hanley & B. MacGibbon 2006,
    Computer Methods and Programs in Biomedicine 83, 57-62, from memory): objects that nobody met add nothing whatever
    their weight, and need not be known. One scenario then has the error sqrt(sum of squares over objects) of a compound
    Poisson number, a little too large where most of a population is met. Scenarios are as many in every draw.
    """
    faults = Faults("collision_risk: arguments cannot be used")
    faults.require(len(scenarios) > 0, "scenarios: none found; give at least one Dataset of collision numbers")
    unknown = [name for name in by if name not in LABELS]
    faults.require(not unknown, f"by: {', '.join(unknown)} found; allowed: {', '.join(LABELS)}")
    faults.require(
        not ("encounter" in by and len(scenarios) > 1),
        "by: encounters of different scenarios are not the same; ask for them one scenario at a time",
    )
    for numbers in scenarios:
        NUMBERS.check(numbers, stage="collision_risk")
    absent = [name for name in by if name in LABELS and any(name not in numbers for numbers in scenarios)]
    faults.require(not absent, f"by: {', '.join(absent)} is not known in all scenarios")
    faults.require(samples >= 2, f"samples: {samples} found; allowed: from 2")
    faults.raise_if_any()
    labels, groups = _groups(scenarios, by)
    named = all("other" in numbers for numbers in scenarios)
    others = np.unique(np.concatenate([_others(numbers, named) for numbers in scenarios]))
    size = (next(iter(labels.values())).size if labels else 1, others.size)
    tables = [
        _tables(numbers, rows, np.searchsorted(others, _others(numbers, named)), size)
        for numbers, rows in zip(scenarios, groups, strict=True)
    ]
    every = np.ones(len(scenarios), dtype=np.int64)
    number, probability = _averages(tables, np.ones(others.size), every)
    errors = np.full((2, size[0]), np.nan)
    if len(scenarios) > 1 or (named and others.size):
        rng = np.random.default_rng(seed)
        drawn = [
            _averages(tables, _weights(rng, others.size, named), _redraw(rng, len(scenarios))) for _ in range(samples)
        ]
        errors = np.std(drawn, axis=0, ddof=1)
    return COLLISION_RISK.build(
        {
            **labels,
            "number": number,
            "number_error": errors[0],
            "probability": probability,
            "probability_error": errors[1],
        },
        attributes=provenance(seed=seed, samples=samples, scenarios=len(scenarios)),
    )


def _groups(scenarios: Sequence[xr.Dataset], by: Sequence[str]) -> tuple[dict[str, NDArray[Any]], list[Integers]]:
    """Return the labels of all groups, and of each scenario the groups of its rows, shape (rows, 2), -1 for none.

    The second column is the group of the other object, where it is of the fleet and its group is another.
    """
    if not by:
        return {}, [np.tile([0, -1], (numbers.sizes["encounter"], 1)) for numbers in scenarios]
    own = {name: [numbers[name].values for numbers in scenarios] for name in by}
    other = {name: [_of_other(numbers, name).values for numbers in scenarios] for name in by}
    codes, values = [], {}
    for name in by:
        values[name], code = np.unique(np.concatenate([*own[name], *other[name]]), return_inverse=True)
        codes.append(code)
    keys, group = np.unique(np.stack(codes, axis=1), axis=0, return_inverse=True)
    first, second = group.reshape(2, -1)
    member = np.concatenate([_other_is_of_fleet(numbers) for numbers in scenarios])
    rows = np.stack([first, np.where(member & (second != first), second, -1)], axis=1)
    # groups of objects outside the fleet were only met on the way
    used, compact = np.unique(rows, return_inverse=True)
    offset = int(used.size > 0 and used[0] == -1)
    labels = {name: values[name][keys[used[offset:], k]] for k, name in enumerate(by)}
    ends = np.cumsum([numbers.sizes["encounter"] for numbers in scenarios])[:-1]
    return labels, np.split(compact.reshape(rows.shape) - offset, ends)


def _of_other(numbers: xr.Dataset, name: str) -> xr.DataArray:
    """Return a label of the other objects; the rows' own where there is none."""
    return numbers[_PARTNER.get(name, name)] if _PARTNER.get(name, name) in numbers else numbers[name]


def _other_is_of_fleet(numbers: xr.Dataset) -> NDArray[np.bool_]:
    if "other_plane" in numbers:
        return np.asarray(numbers["other_plane"].values >= 0)
    return np.zeros(numbers.sizes["encounter"], dtype=bool)


def _others(numbers: xr.Dataset, named: bool) -> Integers:
    """Return the other objects, or one that stands for all."""
    return numbers["other"].values if named else np.zeros(numbers.sizes["encounter"], dtype=np.int64)


def _tables(numbers: xr.Dataset, rows: Integers, place: Integers, size: tuple[int, int]) -> tuple[csr_array, csr_array]:
    """Return the sums of both numbers by group and other object, added in an order that the rows have no part in."""
    column, row = np.repeat(place[:, None], 2, axis=1)[rows >= 0], rows[rows >= 0]

    def sums(name: str) -> csr_array:
        value = np.repeat(numbers[name].values[:, None], 2, axis=1)[rows >= 0]
        order = np.lexsort([value, column, row])
        cells, cell = np.unique(row[order] * size[1] + column[order], return_inverse=True)
        found = np.bincount(cell, weights=value[order], minlength=cells.size)
        return csr_array((found, np.divmod(cells, max(size[1], 1))), shape=size)

    return sums("number"), sums("independent_number")


def _weights(rng: np.random.Generator, count: int, sampled: bool) -> Floats | Integers:
    """Return the weights of so many objects, all 1 where they are no sample."""
    return rng.poisson(1.0, count) if sampled else np.ones(count)


def _redraw(rng: np.random.Generator, count: int) -> Integers:
    """Return how often each of so many is drawn when as many are drawn from them."""
    return np.bincount(rng.integers(0, count, count), minlength=count)


def _averages(
    tables: list[tuple[csr_array, csr_array]], weights: Floats | Integers, scenarios: Integers
) -> tuple[Floats, Floats]:
    """Return average number and average probability of each group, objects and scenarios weighted."""
    share = scenarios / scenarios.sum()
    number = sum(part * (all_of @ weights) for part, (all_of, _) in zip(share, tables, strict=True))
    chance = sum(part * -np.expm1(-(once @ weights)) for part, (_, once) in zip(share, tables, strict=True))
    return np.asarray(number), np.asarray(chance)
