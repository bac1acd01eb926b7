"""Stacked shells: each plane at its own mean radius, so that planes cross each other at different heights."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.errors import Faults
from shells.fleet.elements import Planes, note, read_planes, reshape
from shells.fleet.order import best_order, named_orders
from shells.fleet.quantities import read_number
from shells.fleet.tolerances import Tolerances

ORDERS = ("monotone", "interleaved", "best")

#: Assumed for the best order of a fleet of which no tolerances are known.
ASSUMED_TOLERANCES = Tolerances("bounded", mean_radius_m=50.0, eccentricity=1e-4)


def stack(fleet: xr.Dataset, *, step_km: Any, order: str | Sequence[int] = "monotone") -> xr.Dataset:
    """Give each plane its own mean radius, a step apart from the next shell.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS.
    step_km : float or Quantity
        Difference of mean radius between neighbouring shells [km], from 0.
    order : {"monotone", "interleaved", "best"} or sequence of int
        Which plane lies in which shell. "monotone": the altitude rises with the plane number. "interleaved": from the
        lowest shell up first the planes of even rank, then those of odd rank (0, 2, 4 … 1, 3, 5 …), so that neighbours
        in node are half the stack apart. "best": the fewest expected collisions that `best_order` finds under assumed
        tolerances (a bounded mean radius of +-50 m, an eccentricity disc of 1e-4) and control faults, with node rates
        that will be matched. Or the plane numbers themselves, from the lowest shell to the highest: those that
        `best_order` finds under tolerances of your own, for one.

    Returns
    -------
    Dataset
        OBJECTS. The middle of the stack lies at the mean of the planes' mean radii, so a fleet of one altitude keeps
        it as its centre, and stacking anew replaces the old stack. Inclinations and phases are kept, the semi-major
        axis follows the mean radius, and what was frozen stays frozen.

    Raises
    ------
    SchemaError
        The Dataset is not OBJECTS.
    InputError
        A negative step, an order that is not a permutation of the planes, a plane pushed under 160 km; for the best
        order, what `best_order` refuses.
    """
    planes = read_planes(fleet, stage="stack")
    faults = Faults("stack: arguments cannot be used")
    step = read_number(faults, "step_km", step_km, "km", low=0.0)
    upwards = _read_order(faults, order, planes)
    faults.raise_if_any()
    if isinstance(order, str) and order == "best":
        upwards = _best(fleet, step, planes)
    rank = np.empty(upwards.size)
    rank[upwards] = np.arange(upwards.size)
    shell_radius = planes.mean_radius_km.mean() + (rank - 0.5 * (rank.size - 1)) * step
    stacked = reshape(fleet, shell_radius[planes.index], fleet["inclination"].values, stage="stack")
    return note(stacked, stack={"step_km": step, "order": planes.number[upwards].tolist()})


def _best(fleet: xr.Dataset, step_km: float, planes: Planes) -> NDArray[np.intp]:
    found = best_order(fleet, step_km=step_km, tolerances=ASSUMED_TOLERANCES)
    return np.searchsorted(planes.number, found["plane"].sel(order="best").values)


def _read_order(faults: Faults, order: Any, planes: Planes) -> NDArray[np.intp]:
    """Return the rows of the planes from the lowest shell to the highest; of the best order they are found later."""
    rows = np.arange(planes.number.size)
    if isinstance(order, str):
        if order not in ORDERS:
            allowed = ", ".join(map(repr, ORDERS))
            faults.add(
                f"order: {order!r} found; allowed: {allowed}, or the plane numbers from the lowest to the highest"
            )
        return named_orders(rows.size).get(order, rows)
    listed = np.asarray(order)
    if listed.ndim != 1 or listed.dtype.kind not in "iu":
        faults.add(f"order: {order!r} found; allowed: {', '.join(map(repr, ORDERS))}, or whole plane numbers")
        return rows
    if sorted(listed.tolist()) != planes.number.tolist():
        seen, counts = np.unique(listed, return_counts=True)
        faults.add(
            f"order: unknown planes {np.setdiff1d(seen, planes.number).tolist()}, planes left out "
            f"{np.setdiff1d(planes.number, seen).tolist()}, planes given twice {seen[counts > 1].tolist()}; allowed: "
            f"each of the {planes.number.size} plane numbers once, from the lowest shell to the highest"
        )
        return rows
    return np.searchsorted(planes.number, listed)
