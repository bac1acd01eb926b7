"""The separation budget: per pair of planes, at each mutual node, what eats the gap and how far apart they must be.

Two models of the tail stand side by side, with the same standard deviations: the model matters more than the deviation.
Under the normal one every departure is normal, and about five standard deviations are needed; under the bounded one
departures end, and so does the risk, until somebody leaves the tolerances (errors of orbit determination and
manoeuvres are normal in both). Control faults are an input of their own, and their share is always shown.

Expected collisions are those without avoidance. `separation` and `step` follow from phase averages along the real
orbits, the values called closed form from circles and one distribution; see `shells.risk.separation.phase_averaged` and
`shells.risk.separation.closed_form`. Satellites in a control fault that drift past the others of their own plane, which
no separation changes, are not counted; see `shells.risk.separation.own_plane`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.approaches.trains import trains_of
from shells.errors import Faults
from shells.fleet.elements import read_planes
from shells.fleet.quantities import read_number
from shells.fleet.tolerances import DISTRIBUTIONS, ControlFaults, Tolerances
from shells.motion.forces import Forces
from shells.motion.frozen import frozen_gap
from shells.motion.propagation import propagate
from shells.motion.shape import mean_radius
from shells.risk.separation.closed_form import Shells
from shells.risk.separation.phase_averaged import NodeGaps, node_gaps
from shells.risk.separation.solving import least_separation, least_step
from shells.risk.separation.states import State, narrowest_km, states_of
from shells.risk.separation.terms import TERMS, reaches, scales, worst_case
from shells.schema import ORBITS, Schema, Variable, provenance

Floats = NDArray[np.float64]

#: Two mean radii nearer than this are of one shell [km].
_SAME_SHELL_KM = 1e-3

_PAIR = ("pair",)
_AT_NODE = ("pair", "node")
_TAILED = ("tail", "pair")
_NO_SEPARATION = "none up to 1,000 km is enough"
_NO_STEP = f"{_NO_SEPARATION}, or all planes share one shell"


def _collisions(long_name: str) -> Variable:
    return Variable(_TAILED, "float64", "year-1", long_name, (0.0, None))


def _of_pair(long_name: str, missing: str = _NO_SEPARATION) -> Variable:
    return Variable(_TAILED, "float64", "km", long_name, missing=missing)


def _of_stack(units: str, long_name: str) -> Variable:
    return Variable(("tail",), "float64", units, long_name, missing=_NO_STEP)


BUDGET = Schema(
    "Separation budget",
    "What eats the gap of two shells at their mutual nodes, the chance that they overlap, and the separation that a "
    "target asks for. Collisions are those of the satellites of both planes, without avoidance.",
    {
        "pair": Variable(_PAIR, "int64", "", "running number of the pair of planes", (0, None)),
        "node": Variable(("node",), "int64", "", "mutual node, 0 and 1", (0, 1)),
        "term": Variable(("term",), "str", "", "what takes part of the gap"),
        "tail": Variable(("tail",), "str", "", "model of the tail: normal or bounded departures"),
        "lower_plane": Variable(_PAIR, "int64", "1", "number of the plane of the smaller mean radius", (0, None)),
        "upper_plane": Variable(_PAIR, "int64", "1", "number of the plane of the larger mean radius", (0, None)),
        "crossing_angle": Variable(_PAIR, "float64", "degree", "angle between the orbital planes", (0.0, 180.0)),
        "node_latitude": Variable(_AT_NODE, "float64", "degree", "geocentric latitude of the node", (-90.0, 90.0)),
        "separation_present": Variable(_PAIR, "float64", "km", "difference of the mean radii of the two planes"),
        "phase_locked": Variable(
            _PAIR,
            "bool",
            "",
            "the relative phase drifts by less than one slot over the mission: collisions are averages over unknown "
            "phases, and those on one shell are left out of the step",
        ),
        "gap": Variable(
            _AT_NODE, "float64", "km", "radius of the upper reference orbit at the node less that of the lower, start"
        ),
        "gap_frozen": Variable(
            _AT_NODE,
            "float64",
            "km",
            "the same between the frozen surfaces of these mean radii and inclinations, closed form",
            missing="no frozen orbit so near to a critical inclination or to the equator",
        ),
        "scale": Variable(
            (*_AT_NODE, "term"), "float64", "km", "standard deviation of the term, RMS for the ripple", (0.0, None)
        ),
        "reach": Variable(
            ("tail", *_AT_NODE, "term"),
            "float64",
            "km",
            "the most by which the term alone brings the two together; of normal departures 5 standard deviations",
        ),
        "driver_rank": Variable(
            ("tail", "pair", "term"),
            "int64",
            "1",
            "place of the term by reach at its worse node, 1 first",
            (1, None),
        ),
        "worst_case": Variable(
            ("tail", *_AT_NODE),
            "float64",
            "km",
            "separation that all terms at their worst use up: sum of supports, 5 combined standard deviations of what "
            "is normal",
        ),
        "overlap_chance": Variable(
            ("tail", *_AT_NODE),
            "float64",
            "1",
            "chance that the upper of two satellites is not above the lower at the node, faults among it",
            (0.0, 1.0),
        ),
        "collisions_control": _collisions("expected collisions of satellites inside their tolerances, phase-averaged"),
        "collisions_fault": _collisions("expected collisions with a satellite in a control fault, phase-averaged"),
        "collisions_closed_form": _collisions("expected collisions, closed form"),
        "separation": _of_pair("difference of mean radii at which the pair meets its share of the target"),
        "separation_closed_form": _of_pair("the same, closed form"),
        "difference_by_orbits": _of_pair(
            "part of separation less its closed form that is left without ripple: real radii, speeds and their motion"
        ),
        "difference_by_ripple": _of_pair("the rest: the ripple as it is against a sine or one more normal term"),
        "fault_share": Variable(
            _TAILED, "float64", "1", "share of control faults in the collisions there", (0.0, 1.0), _NO_SEPARATION
        ),
        "step": _of_stack(
            "km", "smallest step of the whole stack, in the order of its shells, from which on the target is met"
        ),
        "step_closed_form": _of_stack("km", "the same, closed form"),
        "step_fault_share": _of_stack("1", "share of control faults in the collisions of the stack at that step"),
    },
    coordinates=("pair", "node", "term", "tail"),
)


def separation_budget(
    fleet: xr.Dataset,
    tolerances: Tolerances,
    *,
    faults: ControlFaults | None = None,
    target_per_year: Any = 1e-3,
    years: Any = 10.0,
    forces: Forces | None = None,
) -> xr.Dataset:
    """Return what eats the gaps between the planes of a fleet, and the separation that a target asks for.

    Parameters
    ----------
    fleet : Dataset
        OBJECTS, every plane with as many satellites as the others.
    tolerances : Tolerances
        Of every satellite.
    faults : ControlFaults, optional
        How often a satellite leaves them; the assumed defaults of `ControlFaults` by default. ``ControlFaults(0.0)``
        for none.
    target_per_year : float or Quantity
        Expected collisions a year among the whole fleet, without avoidance [1/yr]; the default is assumed. A pair of
        planes gets an even share, so that the fleet meets the target where each pair does.
    years : float or Quantity
        Length of the mission over which the gaps are followed [Julian years], up to 100.
    forces : Forces, optional
        What acts; all forces by default.

    Returns
    -------
    Dataset
        BUDGET. Its attribute `text` says the result in sentences, for the model of the tail that the tolerances have.

    Raises
    ------
    SchemaError
        The Dataset is not OBJECTS.
    InputError
        Fewer than two planes, planes of different size or not of one orbit, that nearly coincide or oppose each other,
        or whose ripple is not known; bodies without size; a target or span out of range. Faults of one kind together.
    """
    planes = read_planes(fleet, stage="separation_budget")
    check = Faults("separation_budget: arguments cannot be used")
    span = read_number(check, "years", years, "yr", low=0.01, high=100.0)
    target = _read_target(check, target_per_year)
    sizes = np.bincount(planes.index)
    _require_bodies(check, fleet)
    check.require(
        bool((sizes == sizes[0]).all()),
        f"plane: {sizes.min()} to {sizes.max()} satellites a plane found; allowed: planes of equal size",
    )
    check.raise_if_any()
    # the first identifier of each plane leads it, whatever the order of the objects
    order = np.lexsort((fleet["object"].values, planes.index))
    leaders = fleet.isel(object=order[:: sizes[0]])
    orbits = propagate(leaders, years=span, forces=forces).compute(scheduler="threads")
    return budget_of_planes(orbits, tolerances, satellites=int(sizes[0]), faults=faults, target_per_year=target)


def budget_of_planes(
    leaders: xr.Dataset,
    tolerances: Tolerances,
    *,
    satellites: int,
    faults: ControlFaults | None = None,
    target_per_year: Any = 1e-3,
) -> xr.Dataset:
    """Return the budget of planes of which one satellite each has been moved.

    Parameters
    ----------
    leaders : Orbits (object, time)
        One satellite of each plane over the mission, its reference orbit.
    tolerances : Tolerances
        Of every satellite.
    satellites : int
        Of each plane.
    faults, target_per_year
        As of `separation_budget`.

    Returns
    -------
    Dataset
        BUDGET.

    Raises
    ------
    SchemaError
        The Dataset is not ORBITS.
    InputError
        As `separation_budget`.
    """
    ORBITS.check(leaders, stage="separation_budget")
    check = Faults("separation_budget: arguments cannot be used")
    target = _read_target(check, target_per_year)
    planes = leaders["plane"].values
    check.require(satellites > 0, f"satellites: {satellites} found; allowed: more than zero")
    check.require(
        planes.size > 1 and np.unique(planes).size == planes.size,
        f"plane: {np.unique(planes).size} planes of {planes.size} orbits found; allowed: two or more, one orbit each",
    )
    _require_bodies(check, leaders)
    check.raise_if_any()
    bodies_km = 2.0 * float(leaders["hard_body_radius"].values[0]) / 1000.0
    gaps = node_gaps(leaders, trains_of(leaders), satellites=satellites, within_km=bodies_km)
    _require_crossing(check, planes[gaps.pairs[~gaps.crossing]])
    check.raise_if_any()
    start = leaders.isel(time=0)
    radius = mean_radius(start["semi_major_axis"].values, start["inclination"].values)
    case = _Case(gaps, radius, start["inclination"].values, bodies_km, target, faults or ControlFaults())
    tails = [_tail(case, tolerances.reshaped(form)) for form in DISTRIBUTIONS]
    scale = scales(gaps, tolerances, case.middle_km)
    values: dict[str, Any] = {
        "pair": np.arange(len(gaps.pairs)),
        "node": [0, 1],
        "term": TERMS,
        "tail": DISTRIBUTIONS,
        "lower_plane": planes[gaps.pairs[:, 0]],
        "upper_plane": planes[gaps.pairs[:, 1]],
        "crossing_angle": gaps.crossing_angle_deg,
        "node_latitude": gaps.latitude_deg,
        "separation_present": gaps.separation_km,
        "phase_locked": gaps.locked,
        "gap": gaps.gap_km[:, 0],
        "gap_frozen": _frozen_gaps(case),
        "scale": scale,
        **{name: np.array([tail[name] for tail in tails]) for name in tails[0]},
    }
    tail = DISTRIBUTIONS.index(tolerances.distribution)
    return BUDGET.build(
        values,
        attributes={
            "text": _text(values, tail, case),
            **provenance(
                tolerances=str(tolerances),
                faults=str(case.faults),
                target_per_year=target,
                satellites_per_plane=satellites,
                avoidance=False,
            ),
        },
    )


@dataclass(frozen=True)
class _Case:
    """What the parts of a budget share; radii [km] and inclinations [deg] by orbit."""

    gaps: NodeGaps
    radius_km: Floats
    inclination_deg: Floats
    bodies_km: float
    target: float
    faults: ControlFaults

    @property
    def middle_km(self) -> float:
        """Mean radius of the stack, which the departures of all satellites are taken at [km]."""
        return float(self.radius_km.mean())

    @property
    def share(self) -> float:
        """Share of the target of one pair [1/year]."""
        return self.target / len(self.gaps.pairs)

    @property
    def steps(self) -> Floats:
        """How many steps apart the shells of each pair are, in units of the smallest difference of neighbours."""
        shells = np.sort(self.radius_km)
        between = np.diff(shells)
        apart = between[between > _SAME_SHELL_KM]
        steps: Floats = self.gaps.separation_km / apart.min(initial=np.inf)
        return np.where(self.gaps.separation_km > _SAME_SHELL_KM, steps, 0.0)

    @property
    def kept_by_phase(self) -> NDArray[np.bool_]:
        """Which pairs are of one shell and keep their phases: no step moves them, no average over phase holds."""
        kept: NDArray[np.bool_] = self.gaps.locked & (self.steps == 0.0)
        return kept

    @property
    def has_steps(self) -> bool:
        """Whether any two planes are of different shells."""
        return bool(self.steps.any())

    def of_stack(self, collisions: Floats) -> Floats:
        """Return collisions (pairs,) as they count for the step: those of pairs kept apart by phase do not.

        Missing ones stay missing.
        """
        return np.where(self.kept_by_phase & ~np.isnan(collisions), 0.0, collisions)

    def circles(self, gaps: NodeGaps) -> Shells:
        """Return the pairs as the closed form sees them: the largest motion of the gap is taken from it."""
        return Shells(
            satellites=gaps.satellites,
            radius_km=self.middle_km,
            bodies_km=self.bodies_km,
            crossing_angle_deg=gaps.crossing_angle_deg,
            steps=self.steps,
            taken_km=gaps.taken_km + gaps.drift_km.max(axis=1),
            ripple_km=gaps.ripple_rms_km,
            largest_ripple_km=-gaps.least_ripple_km.min(axis=1),
        )


def _read_target(check: Faults, target_per_year: Any) -> float:
    return read_number(check, "target_per_year", target_per_year, "1/yr", low=1e-30, high=1e6)


def _require_bodies(check: Faults, objects: xr.Dataset) -> None:
    bodies = np.unique(objects["hard_body_radius"].values)
    check.require(
        bodies.size == 1 and bool(bodies[0] > 0.0),
        f"hard_body_radius: {bodies.min(initial=0.0):g} to {bodies.max(initial=0.0):g} m found; allowed: one radius of "
        "all satellites, more than zero",
    )


def _require_crossing(check: Faults, flat: NDArray[np.int64]) -> None:
    check.require(
        len(flat) == 0,
        f"planes {', '.join(f'{a} and {b}' for a, b in flat)} lie in nearly one or opposed planes and have no mutual "
        "node; expected planes that cross: change nodes or inclinations, or leave one of each pair out",
    )


def _frozen_gaps(case: _Case) -> Floats:
    """Return the gaps of the frozen surfaces at the nodes in closed form, shape (pairs, 2) [km]."""
    found = np.full(case.gaps.latitude_deg.shape, np.nan)
    for k, (lower, upper) in enumerate(case.gaps.pairs):
        inclinations = case.inclination_deg[[lower, upper]]
        # rounding must not put a node beyond the apex of an orbit
        highest = np.minimum(inclinations, 180.0 - inclinations).min()
        if highest < 1.0:
            continue
        found[k] = frozen_gap(
            np.clip(case.gaps.latitude_deg[k], -highest, highest),
            lower_radius_km=float(case.radius_km[lower]),
            lower_inclination_deg=float(inclinations[0]),
            upper_radius_km=float(case.radius_km[upper]),
            upper_inclination_deg=float(inclinations[1]),
        )
    return found


def _tail(case: _Case, tolerances: Tolerances) -> dict[str, Any]:
    """Return what depends on the model of the tail."""
    gaps, bodies = case.gaps, case.bodies_km
    states = states_of(tolerances, case.faults, case.middle_km)
    control, fault = _parts(states)
    circles = case.circles(gaps)
    reach = reaches(gaps, tolerances, radius_km=case.middle_km, bodies_km=bodies)
    drivers = reach.max(axis=1)
    separation, closed = _separations(case, gaps, states)
    without_ripple = np.subtract(*_separations(case, gaps.without_ripple(), states))

    width = narrowest_km(states, bodies)

    def step_for(collisions: Callable[[Floats], Floats], from_km: Floats) -> float:
        if not case.has_steps:
            return np.nan
        return least_step(
            lambda step: float(case.of_stack(collisions(step * case.steps)).sum()),
            case.target,
            steps=case.steps,
            from_km=from_km,
            width_km=width,
        )

    step = step_for(lambda x: gaps.approaches(x, states, bodies), gaps.most_taken_km)
    return {
        "reach": reach,
        "driver_rank": np.argsort(np.argsort(-drivers, axis=-1, kind="stable"), axis=-1) + 1,
        "worst_case": worst_case(tolerances, reach),
        "overlap_chance": gaps.overlap(states, bodies),
        "collisions_control": gaps.approaches(gaps.separation_km, control, bodies),
        "collisions_fault": gaps.approaches(gaps.separation_km, fault, bodies),
        "collisions_closed_form": circles.collisions(gaps.separation_km, states),
        "separation": separation,
        "separation_closed_form": closed,
        "difference_by_orbits": without_ripple,
        "difference_by_ripple": separation - closed - without_ripple,
        "fault_share": _share(gaps.approaches(separation, fault, bodies), gaps.approaches(separation, control, bodies)),
        "step": step,
        "step_closed_form": step_for(lambda x: circles.collisions(x, states), circles.most_taken_km),
        "step_fault_share": _share(
            *(case.of_stack(gaps.approaches(step * case.steps, part, bodies)).sum() for part in (fault, control))
        ),
    }


def _parts(states: Sequence[State]) -> tuple[list[State], list[State]]:
    """Return the states inside the tolerances and those with a fault."""
    return [state for state in states if not state.fault], [state for state in states if state.fault]


def _separations(case: _Case, gaps: NodeGaps, states: Sequence[State]) -> tuple[Floats, Floats]:
    """Return the separation of each pair by phase averages and in closed form, shape (pairs,) [km]."""
    circles = case.circles(gaps)
    full = least_separation(
        lambda separation_km: gaps.approaches(separation_km, states, case.bodies_km), case.share, gaps.most_taken_km
    )
    closed = least_separation(
        lambda separation_km: circles.collisions(separation_km, states), case.share, circles.most_taken_km
    )
    return full, closed


def _share(fault: Any, control: Any) -> Any:
    """Return the share of faults; where there are no collisions at all, that of none is zero."""
    total = np.asarray(fault + control)
    return np.divide(fault, total, out=np.where(np.isnan(total), np.nan, 0.0), where=total > 0.0)


def _text(values: dict[str, Any], tail: int, case: _Case) -> str:
    sentences = [_decided(values, tail, case), _least_left(values, tail, case), _phases(case)]
    return " ".join(f"{sentence}." for sentence in sentences if sentence)


def _decided(values: dict[str, Any], tail: int, case: _Case) -> str:
    """Return what the target asks for."""
    if not case.has_steps:
        return "All planes share one shell, which no step takes apart"
    if np.isnan(values["step"][tail]):
        return f"No step up to 1,000 km meets {case.target:g} expected collisions a year"
    step, other, closed = (
        "none up to 1,000" if np.isnan(value) else format(value, ".3g")
        for value in (values["step"][tail], values["step"][1 - tail], values["step_closed_form"][tail])
    )
    return (
        f"{case.target:g} expected collisions a year among the fleet, without avoidance, ask for a step of {step} km "
        f"with {DISTRIBUTIONS[tail]} departures (closed form {closed} km), control faults making "
        f"{values['step_fault_share'][tail]:.0%} of them, and for {other} km with {DISTRIBUTIONS[1 - tail]} ones"
    )


def _least_left(values: dict[str, Any], tail: int, case: _Case) -> str:
    """Return which planes come nearest to each other, and why; nothing where their phases keep all apart."""
    left = case.gaps.separation_km - values["worst_case"][tail].max(axis=-1)
    left[case.kept_by_phase] = np.inf
    if np.isinf(left).all():
        return ""
    pair = int(left.argmin())
    order = np.argsort(values["driver_rank"][tail, pair])
    reach = values["reach"][tail, pair].max(axis=0)
    drivers = ", ".join(f"{TERMS[k]} {reach[k]:.3g} km" for k in order[:3])
    lower, upper = values["lower_plane"][pair], values["upper_plane"][pair]
    found = (
        f"Planes {lower} and {upper} have the least left when all goes wrong, {left[pair]:.3g} km; most is taken by "
        f"{drivers}"
    )
    orbits, ripple = (values[f"difference_by_{name}"][tail, pair] for name in ("orbits", "ripple"))
    if np.isnan(orbits + ripple):
        return found
    by_orbits, by_ripple = ("less than 1 m" if abs(x) < 1e-3 else f"{x:+.1g} km" for x in (orbits, ripple))
    return (
        f"{found}. The separation that this pair needs differs from its closed form by {by_orbits} through real radii, "
        f"speeds and their motion, and by {by_ripple} because the closed form takes the ripple for a sine or for one "
        "more normal departure"
    )


def _phases(case: _Case) -> str:
    """Return what averages over phase do not hold for."""
    locked, kept = int(case.gaps.locked.sum()), int(case.kept_by_phase.sum())
    if not locked:
        return ""
    pairs = "1 pair" if locked == 1 else f"{locked} pairs"
    found = (
        f"The phases of {pairs} of planes drift by less than one slot over the mission: collisions of these are "
        "averages over unknown phases"
    )
    return f"{found}, and {kept} of them, on one shell, left out of the step" if kept else found
