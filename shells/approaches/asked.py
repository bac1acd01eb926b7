"""Checks that all questions about two sides share."""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.errors import Faults


def require_thresholds(faults: Faults, distances: NDArray[np.float64]) -> None:
    """Record a fault unless there are thresholds [km], all of them positive and finite."""
    faults.require(
        distances.size > 0 and bool(((distances > 0.0) & (distances < np.inf)).all()),
        f"within_km {distances.tolist()}; expected thresholds > 0, and finite",
    )


def require_same_nodes(faults: Faults, orbits: xr.Dataset, others: xr.Dataset) -> None:
    """Record a fault unless both sides stand on the same nodes in time."""
    faults.require(
        np.array_equal(orbits["time"].values, others["time"].values),
        "the nodes of both sides differ; propagate both with the same start, years and node_days",
    )
