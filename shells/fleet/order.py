"""The order of the planes in altitude: monotone, interleaved, and the one with the fewest expected collisions.

Two planes next to each other in altitude should meet at small angles, keep their angle while their nodes drift, and be
lifted alike by the tesserals. Which order does all of that best is found from the expected collisions of every pair of
planes at every distance (`pair_costs`), by a local search (`assignment`).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.errors import Faults
from shells.fleet.assignment import cheapest_order, cost_of
from shells.fleet.elements import Planes, read_planes, reshape
from shells.fleet.pair_costs import Costs, Stack, costs_of, node_between, node_drift, ripple_at
from shells.fleet.quantities import read_number
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.motion.shape import semi_major_axis
from shells.schema import PLANE_ORDERS, provenance

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Longest mission [Julian years]: as of a study.
_LONGEST_YEARS = 100.0

#: Share of the expected collisions that an order without a name must gain over one with a name.
_WORTHWHILE = 0.01

#: Instants of the mission over which the angle between neighbours is averaged.
_INSTANTS = 33


def best_order(
    fleet: xr.Dataset,
    *,
    step_km: Any,
    tolerances: Tolerances,
    faults: ControlFaults | None = None,
    drift_years: Any = 0.0,
    seed: int = 0,
) -> xr.Dataset:
    """Find the order of the planes in altitude with the fewest expected collisions among the fleet.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS. The first satellite of a plane stands for it.
    step_km : float or Quantity
        Difference of mean radius between neighbouring shells [km], from 0.
    tolerances : Tolerances
        How far each satellite strays from its plane's reference orbit.
    faults : ControlFaults, optional
        How often one leaves the tolerances; those of `ControlFaults` by default, which are assumed.
    drift_years : float or Quantity
        How long the nodes drift apart as their heights make them [Julian years], up to 100: the mission of a fleet
        that is left to drift. 0, the default, where node rates will be matched.
    seed : int
        Of the search. The same seed gives the same order.

    Returns
    -------
    Dataset
        PLANE_ORDERS: the orders "monotone", "interleaved" and "best" with their expected collisions by one closed form,
        what the best avoids of the others, and the terms behind it:

        - "spacing": all pairs alike, the same for every order;
        - "crossing angle": what the angle between the planes changes, which goes with 1 / cos(I / 2);
        - "surfaces": inclinations and eccentricity vectors that differ, so that gaps do too;
        - "node drift": nodes that drift apart over the mission;
        - "ripple": tesserals, which lift two satellites at one place differently.

    Raises
    ------
    SchemaError
        The Dataset is not OBJECTS.
    InputError
        A negative step, a mission out of range, bodies without a size: all together. An orbit near a resonance with
        the Earth of order 8 or less, above 3,900 km.

    See Also
    --------
    shells.fleet.pair_costs : the closed form.
    shells.fleet.stack.stack : takes ``best["plane"].sel(order="best").values`` as its order.

    Notes
    -----
    The best order is exact for up to eight planes; of more it is the best that a local search finds. One that gains
    less than 1 % over the better of the other two is not told apart from it by a closed form: that one is best then.
    Planes are told apart by inclination and node, not by their numbers; of orders that cost the same the one that
    begins with the smaller inclination, then node, is returned.

    Phases are taken as drifting against each other; with a step of 0 they do not, and every order is the same.
    """
    planes = read_planes(fleet, stage="best_order")
    faults = faults or ControlFaults()
    problems = Faults("best_order: arguments cannot be used")
    step = read_number(problems, "step_km", step_km, "km", low=0.0)
    years = read_number(problems, "drift_years", drift_years, "yr", low=0.0, high=_LONGEST_YEARS)
    bodies = fleet["hard_body_radius"].values
    problems.require(
        bool((bodies > 0.0).all()),
        f"hard_body_radius: 0 m or missing for {(~(bodies > 0.0)).sum()} of {bodies.size} satellites; allowed: more "
        "than 0 m; bodies without a size never collide",
    )
    problems.raise_if_any()
    stack, rows = _brought_together(fleet, planes, step, years)
    costs = costs_of(stack, tolerances, faults)
    orders = {name: np.argsort(rows)[order] for name, order in named_orders(planes.number.size).items()}
    # planes in the order of their nodes are a good guess where they are numbered otherwise
    starts = [np.arange(stack.count), *orders.values()]
    found = cheapest_order(costs.ripple, starts, np.random.default_rng(seed))
    named = min(orders.values(), key=lambda order: cost_of(costs.ripple, order))
    gains = cost_of(costs.ripple, found) < (1.0 - _WORTHWHILE) * cost_of(costs.ripple, named)
    orders["best"] = found if gains else named
    return PLANE_ORDERS.build(
        {
            "order": list(orders),
            "shell": np.arange(planes.number.size),
            "term": [name.replace("_", " ") for name in Costs._fields],
            "plane": [planes.number[rows[order]] for order in orders.values()],
            **_collisions(costs, list(orders.values())),
            **_neighbours(stack, np.array(list(orders.values()))),
        },
        attributes=provenance(
            best_order={
                "step_km": step,
                "tolerances": str(tolerances),
                "faults": str(faults),
                "drift_years": years,
                "seed": seed,
            }
        ),
    )


def named_orders(count: int) -> dict[str, Indices]:
    """Return the orders that have a name.

    Parameters
    ----------
    count : int
        Number of planes.

    Returns
    -------
    dict of str to ndarray, shape (count,)
        Ranks of the planes by number, from the lowest shell up.
    """
    rows = np.arange(count)
    return {"monotone": rows, "interleaved": np.concatenate([rows[::2], rows[1::2]])}


def _brought_together(fleet: xr.Dataset, planes: Planes, step: float, years: float) -> tuple[Stack, Indices]:
    """Return the planes at the middle of the stack, in an order of their own, and their rows in that order."""
    leaders = fleet.isel(object=np.unique(planes.index, return_index=True)[1])
    radius = float(planes.mean_radius_km.mean())
    together = reshape(leaders, radius, planes.inclination_deg, stage="best_order")
    rows = np.lexsort((planes.raan_deg, planes.inclination_deg))
    inclination = planes.inclination_deg[rows]
    return (
        Stack(
            mean_radius=radius,
            semi_major_axis=float(semi_major_axis(radius, inclination).mean()),
            inclination=np.radians(inclination),
            raan=np.radians(planes.raan_deg[rows]),
            eccentricity_x=together["eccentricity_x"].values[rows],
            eccentricity_y=together["eccentricity_y"].values[rows],
            satellites=np.bincount(planes.index).astype(np.float64)[rows],
            hard_body_radius=together["hard_body_radius"].values[rows] / 1000.0,
            step=step,
            drift_years=years,
        ),
        rows,
    )


def _collisions(costs: Costs, orders: list[Indices]) -> dict[str, Floats]:
    """Return the expected collisions of orders, the best last, the terms behind them, and what the best avoids."""
    collisions = np.array([[cost_of(term, order) for term in costs] for order in orders])
    total = collisions[:, -1]
    avoided = np.divide(total - total[-1], total, out=np.zeros_like(total), where=total > 0.0)
    return {
        "collisions_fleet": total,
        "contribution": np.diff(collisions, axis=1, prepend=0.0),
        "reduction": np.maximum(avoided, 0.0),
    }


def _neighbours(stack: Stack, orders: Indices) -> dict[str, Floats]:
    """Return how each plane stands to the next above, missing at the top, each of shape (orders, shells)."""
    lower, upper = orders[:, :-1], orders[:, 1:]
    at_start = stack.raan[upper] - stack.raan[lower]
    drift = node_drift(stack, lower, upper, np.array(-stack.step))
    course = at_start[..., None] + drift[..., None] * np.linspace(0.0, 1.0, _INSTANTS)
    node = node_between(stack, lower[..., None], upper[..., None], course)
    angle = np.arctan2(node.sine, node.cosine).mean(axis=-1)
    ripple = np.empty(lower.shape)
    for place in np.ndindex(*lower.shape):
        lift = ripple_at(stack, int(lower[place]), int(upper[place]), at_start[place])
        ripple[place] = np.sqrt(np.mean(lift**2))
    values = {
        "crossing_angle_above": np.degrees(angle),
        "node_drift_above": np.degrees(drift),
        "ripple_difference_above": ripple,
    }
    top = np.full((len(orders), 1), np.nan)
    return {name: np.concatenate([value, top], axis=1) for name, value in values.items()}
