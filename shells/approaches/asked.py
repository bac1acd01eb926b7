"""Checks that all questions about two sides share."""

from __future__ import annotations

from collections.abc import Sequence
from numbers import Real

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.errors import Faults


def is_length(value: object) -> bool:
    """Return whether a value is a number above zero, and finite."""
    return isinstance(value, Real) and 0.0 < float(value) < np.inf


def thresholds_of(faults: Faults, within_km: Sequence[float]) -> NDArray[np.float64]:
    """Return ascending thresholds [km]; record a fault unless there are some, all of them positive and finite."""
    asked = np.asarray(within_km)
    found = asked.ndim == 1 and asked.size > 0 and all(is_length(value) for value in asked.tolist())
    faults.require(found, f"within_km {asked.tolist()!r}; expected thresholds > 0, and finite, one number or more")
    return np.sort(asked.astype(np.float64)) if found else np.empty(0)


def require_whole_planes(faults: Faults, planes: NDArray[np.int64]) -> None:
    """Record a fault unless each train has a plane of its own."""
    faults.require(planes.size > 0, "no satellites in the orbits; expected at least one plane")
    faults.require(
        bool((planes >= 0).all()) and np.unique(planes).size == planes.size,
        "satellites of a plane do not share one orbit, or have no plane; expected whole planes, as from `walker`, "
        "propagated without `control`: averages take departures from tolerances",
    )


def require_same_nodes(faults: Faults, orbits: xr.Dataset, others: xr.Dataset) -> None:
    """Record a fault unless both sides stand on the same nodes in time."""
    faults.require(
        np.array_equal(orbits["time"].values, others["time"].values),
        "the nodes of both sides differ; propagate both with the same start, years and node_days",
    )


def refuse_itself(
    stage: str,
    names: NDArray[np.int64],
    elements: NDArray[np.float64],
    other_names: NDArray[np.int64],
    other_elements: NDArray[np.float64],
) -> None:
    """Refuse two sides that share an object, which would be at no distance from itself for ever.

    Each side numbers its objects for itself, so that only equal identifiers of equal elements at the first node, of
    shape (objects, 6), are one object.

    Raises
    ------
    InputError
        Objects that are on both sides.
    """
    both, mine, theirs = np.intersect1d(names, other_names, return_indices=True)
    both = both[(elements[mine] == other_elements[theirs]).all(axis=1)]
    named = ", ".join(str(name) for name in both[:5]) + (" …" if both.size > 5 else "")
    faults = Faults(stage)
    faults.require(
        both.size == 0,
        f"on both sides: {named}; expected different objects: leave out the others to search orbits against "
        "themselves, or drop from the others what is on the first side",
    )
    faults.raise_if_any()
