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


def require_apart(faults: Faults, orbits: xr.Dataset, others: xr.Dataset) -> None:
    """Record a fault unless both sides hold different objects: one is at no distance from itself, for ever."""
    both = np.intersect1d(orbits["object"].values, others["object"].values)
    named = ", ".join(str(name) for name in both[:5]) + (" …" if both.size > 5 else "")
    faults.require(
        both.size == 0,
        f"{both.size} identifiers on both sides ({named}); expected different objects: leave out the others to search "
        "orbits against themselves, drop those that are on the first side, or number them anew",
    )
