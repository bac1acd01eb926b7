"""How many approaches the exact search found, by mission year and population."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.constants import YEAR
from shells.schema import Schema, Variable

Counts = NDArray[np.int64]

_CELL = ("kind", "year")

FOUND = Schema(
    "Found approaches",
    "Approaches that the exact search found in the searched case, counted.",
    {
        "kind": Variable(("kind",), "str", "", "population of the other object: fleet, payload, debris, fragment …"),
        "year": Variable(("year",), "int64", "1", "year of the mission, from 0"),
        "found": Variable(_CELL, "int64", "1", "approaches found", (0, None)),
        "smallest_miss": Variable(
            ("kind",), "float64", "km", "smallest distance found", (0.0, None), "no approach found"
        ),
    },
    coordinates=_CELL,
)


def count(
    approaches: xr.Dataset,
    debris: xr.Dataset | None,
    *,
    start: np.datetime64,
    years: float,
) -> xr.Dataset:
    """Count the approaches of one block.

    Parameters
    ----------
    approaches : Dataset
        APPROACHES; fleet satellites come first in a pair, debris second.
    debris : Dataset or None
        OBJECTS of the debris, which tells the kind of each; None for the fleet against itself.
    start : datetime64
        Start of the mission, UTC.
    years : float
        Length of the mission [Julian years]; the last year may be a part of one.

    Returns
    -------
    Dataset
        FOUND.
    """
    kinds = ["fleet"] if debris is None else sorted(set(debris["kind"].values.tolist()))
    length = int(np.ceil(years))
    found = np.zeros((len(kinds), length), dtype=np.int64)
    smallest = np.full(len(kinds), np.nan)
    kind = _kind_number(approaches["second"].values, debris, kinds)
    elapsed = (approaches["time"].values - start) / np.timedelta64(1, "s") / YEAR.value
    year = np.clip(np.floor(elapsed).astype(np.int64), 0, length - 1)
    np.add.at(found, (kind, year), 1)
    np.fmin.at(smallest, kind, approaches["miss_distance"].values)
    return _built(kinds, found, smallest)


def total(blocks: Iterable[xr.Dataset]) -> xr.Dataset:
    """Add up the counts of all blocks.

    Parameters
    ----------
    blocks : iterable of Dataset
        FOUND of each block, the fleet's own first.

    Returns
    -------
    Dataset
        FOUND, the fleet first, then the kinds by name.
    """
    counts = list(blocks)
    every = {kind for block in counts for kind in block["kind"].values.tolist()}
    kinds = ["fleet", *sorted(every - {"fleet"})]
    found = np.zeros((len(kinds), counts[0].sizes["year"]), dtype=np.int64)
    smallest = np.full(len(kinds), np.nan)
    for block in counts:
        rows = [kinds.index(kind) for kind in block["kind"].values.tolist()]
        found[rows] += block["found"].values
        smallest[rows] = np.fmin(smallest[rows], block["smallest_miss"].values)
    return _built(kinds, found, smallest)


def _built(kinds: list[str], found: Counts, smallest: NDArray[np.float64]) -> xr.Dataset:
    return FOUND.build(
        {
            "kind": kinds,
            "year": np.arange(found.shape[1]),
            "found": found,
            "smallest_miss": smallest,
        }
    )


def _kind_number(second: Counts, debris: xr.Dataset | None, kinds: list[str]) -> Counts:
    """Return the position in `kinds` of each second object; all fleet (0) without debris."""
    if debris is None:
        return np.zeros(second.shape, dtype=np.int64)
    number_of = {kind: number for number, kind in enumerate(kinds)}
    numbers = np.array([number_of[kind] for kind in debris["kind"].values], dtype=np.int64)
    order = np.argsort(debris["object"].values)
    return numbers[order[np.searchsorted(debris["object"].values, second, sorter=order)]]
