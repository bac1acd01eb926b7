"""The separation decision: what each case costs, and the smallest step that meets the target.

The target limits collisions between the fleet's planes, which the step decides. What debris adds is beside it, and so
is what no step changes: satellites in a control fault that drift past the others of their own plane (`own_plane`).
Between planes a collision needs both satellites at one radius, so the expected number is the phase-averaged rate within
the sum of the hard-body radii, with the radius difference spread by the tolerances and by the tesseral ripple that the
two do not have in common: once for satellites inside their tolerances (`control`), once with one or both in a control
fault (`fault`), weighted with the shares of time spent so. Satellites of one plane that are inside their tolerances are
not weighed against each other: their distance is that of their phases.

The study is decided under the first of each list of assumptions (scenario, tolerances, faults); the smallest step that
meets the target under each other combination stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.motion.shape import mean_radius
from shells.risk.separation.terms import NORMAL_REACH, TERMS
from shells.schema import DECISION, PLANES, RATES
from shells.study.cases import UNSTACKED, Case, expand
from shells.study.configuration import Study, TargetTable
from shells.study.decision_text import decision_in_words
from shells.study.price import Price
from shells.study.stacked import Clearance, Expected, Stacked

Floats = NDArray[np.float64]

#: What debris adds to a decision, each with an error.
_WITH_DEBRIS = ("debris_approaches", "extra_debris_approaches", "collisions_debris")

#: From hard bodies to the thresholds of a study, the number of approaches is looked at here too [km].
_BETWEEN_KM = 0.1


@dataclass(frozen=True)
class Assessment:
    """One case of the fleet against itself.

    Parameters
    ----------
    case : Case
        Layout and assumptions.
    stacked : Stacked
        Its layout.
    clearance : Clearance
        What is left between the planes that come nearest when all goes wrong.
    bodies_km : float
        Sum of two hard-body radii: an approach within it is a collision.
    thresholds_km : ndarray, shape (thresholds,)
        Ascending: this sum, those of the study, and one between.
    expected : Expected
        Approaches per year of each pair of planes within these.
    own_plane : float
        Expected collisions per year of satellites in a control fault with others of their own plane.
    faults : float
        Control faults of the fleet per year.
    """

    case: Case
    stacked: Stacked
    clearance: Clearance
    bodies_km: float
    thresholds_km: Floats
    expected: Expected
    own_plane: float
    faults: float

    @property
    def control(self) -> float:
        """Expected collisions per year of satellites inside their tolerances."""
        return self._within_bodies(self.expected.control)

    @property
    def fault(self) -> float:
        """Expected collisions per year with a satellite of another plane that has left its tolerances."""
        return self._within_bodies(self.expected.fault)

    def _within_bodies(self, expected: Floats) -> float:
        return float(expected[:, np.searchsorted(self.thresholds_km, self.bodies_km)].sum())

    def approaches(self, within_km: Sequence[float]) -> Floats:
        """Return the expected approaches per year inside tolerances of each pair, shape (pairs, thresholds)."""
        return np.asarray(self.expected.control[:, np.searchsorted(self.thresholds_km, within_km)])

    def even_chance_km(self, years: float) -> float:
        """Return the distance that some pair comes within in that time with an even chance, missing if beyond all.

        Good to a tenth: numbers rise with distance like powers of it between the thresholds, and with its square below
        the first. The approaches of one fault come together: they count as `independent` ones do.
        """
        control, fault = (expected.sum(axis=0) * years for expected in self.expected)
        number = control + independent(fault, self.faults * years)
        above = np.flatnonzero(number >= np.log(2.0))
        if not above.size:
            return np.nan
        k = above[0]
        if k == 0:
            return float(self.thresholds_km[0] * np.sqrt(np.log(2.0) / number[0]))
        low, high = np.log(np.maximum(number[k - 1 : k + 1], np.finfo(float).tiny))
        share = (np.log(np.log(2.0)) - low) / (high - low)
        return float(np.exp(np.interp(share, [0.0, 1.0], np.log(self.thresholds_km[k - 1 : k + 1]))))


def assess(study: Study, case: Case, stacked: Stacked) -> Assessment:
    """Weigh one case of the fleet against itself.

    Parameters
    ----------
    study : Study
        The study.
    case : Case
        The case.
    stacked : Stacked
        Its layout.

    Returns
    -------
    Assessment
    """
    tolerances, faults = study.tolerance_sets[case.tolerances], study.fault_sets[case.faults]
    body = 2.0 * study.fleet.hard_body_radius_m / 1000.0
    thresholds = np.array(sorted({body, _BETWEEN_KM, *study.approaches.within_km}))
    return Assessment(
        case,
        stacked,
        stacked.clearance(tolerances, body),
        body,
        thresholds,
        stacked.expected(tolerances, faults, thresholds.tolist()),
        stacked.collisions_in_own_planes(tolerances, faults, body),
        faults.per_satellite_year * study.satellites,
    )


def independent(number: Floats, faults: float) -> Floats:
    """Return how many independent events leave the same chance of none as events that come with faults.

    Parameters
    ----------
    number : ndarray
        Expected events.
    faults : float
        Expected faults, of which each brings an equal share of the events; given it these are Poisson.

    Returns
    -------
    ndarray
        Faults are Poisson too, so that no event happens with the chance exp(-faults (1 - exp(-number / faults))).
    """
    return faults * -np.expm1(-number / faults) if faults > 0.0 else np.zeros_like(number)


class Outcome(NamedTuple):
    """What the target may limit, over its years and scope.

    Parameters
    ----------
    number : float
        Expected collisions.
    probability : float
        Of at least one.
    """

    number: float
    probability: float

    def limited(self, target: TargetTable) -> float:
        """Return what the target limits."""
        return self.number if target.quantity == "collisions" else self.probability


def outcome_of(study: Study, faults: ControlFaults, control: float, fault: float) -> Outcome:
    """Return expected collisions, and the probability of at least one, over the years and scope of the target.

    Parameters
    ----------
    study : Study
        The study.
    faults : ControlFaults
        As they are assumed.
    control, fault : float
        Expected collisions of the fleet per year.

    Returns
    -------
    Outcome
        Of the whole fleet, or of one satellite, the mean of all (each collision has two). Faults come and go, and bring
        their collisions together: see `independent`.
    """
    years = study.target.years * (1.0 if study.target.scope == "fleet" else 2.0 / study.satellites)
    count = faults.per_satellite_year * study.satellites * years
    calm, troubled = control * years, fault * years
    return Outcome(calm + troubled, float(-np.expm1(-calm - independent(np.asarray(troubled), count))))


def compare(study: Study, assessments: Sequence[Assessment], prices: Sequence[Price]) -> xr.Dataset:
    """Compare cases and choose the smallest step that meets the target.

    Parameters
    ----------
    study : Study
        The study.
    assessments : sequence of Assessment
        Of whole sets of assumptions.
    prices : sequence of Price
        Of each of these.

    Returns
    -------
    Decision (case, within_km, term)
        Debris columns and text missing. Of two cases with one step the one with fewer expected collisions is chosen.
    """
    cases = [a.case for a in assessments]
    control = np.array([a.control for a in assessments])
    fault = np.array([a.fault for a in assessments])
    steps = np.array([case.layout.step_km for case in cases])
    outcomes = [outcome_of(study, study.fault_sets[a.case.faults], a.control, a.fault) for a in assessments]
    quantity = np.array([outcome.limited(study.target) for outcome in outcomes])
    meets = quantity <= study.target.value
    smallest = np.zeros(len(cases), dtype=bool)
    for assumptions in dict.fromkeys(case.assumptions for case in cases):
        mine = meets & np.array([case.assumptions == assumptions for case in cases])
        if mine.any():
            candidates = np.flatnonzero(mine)
            smallest[candidates[np.lexsort((quantity[candidates], steps[candidates]))[0]]] = True
    first = expand(study)[0].assumptions
    stated = np.array([case.assumptions == first for case in cases])
    unknown = np.full((len(cases), len(study.approaches.within_km)), np.nan)
    return DECISION.build(
        {
            "case": [case.number for case in cases],
            "within_km": study.approaches.within_km,
            "term": TERMS,
            "layout": [case.layout.number for case in cases],
            "step": steps,
            "order": [case.layout.order_name for case in cases],
            "upwards": ["-".join(map(str, a.stacked.planes[a.stacked.upwards])) for a in assessments],
            "tolerances": [case.tolerances for case in cases],
            "faults": [case.faults for case in cases],
            "scenario": [case.scenario.number for case in cases],
            "solar_activity": [case.scenario.solar_activity for case in cases],
            "solar_seed": [case.scenario.solar_seed for case in cases],
            "seed": [case.scenario.seed for case in cases],
            "locked_pairs": [int(a.stacked.gaps.locked.sum()) for a in assessments],
            "band_width": [float(np.ptp(a.stacked.radius_km)) for a in assessments],
            "smallest_gap": [a.stacked.smallest_gap_km for a in assessments],
            "smallest_distance": [a.clearance.left_km for a in assessments],
            "closest_expected": [a.even_chance_km(study.study.years) for a in assessments],
            "fleet_approaches": [a.approaches(study.approaches.within_km).sum(axis=0) for a in assessments],
            "debris_approaches": unknown,
            "debris_approaches_error": unknown,
            "extra_debris_approaches": unknown,
            "extra_debris_approaches_error": unknown,
            "collisions_control": control,
            "collisions_fault": fault,
            "collisions_own_plane": [a.own_plane for a in assessments],
            "fault_share": np.divide(
                fault, control + fault, out=np.full(len(cases), np.nan), where=control + fault > 0
            ),
            "collisions_debris": np.full(len(cases), np.nan),
            "collisions_debris_error": np.full(len(cases), np.nan),
            "gap_term": [a.clearance.terms_km for a in assessments],
            **{name: [getattr(price, name) for price in prices] for name in Price._fields},
            **{name: [getattr(outcome, name) for outcome in outcomes] for name in Outcome._fields},
            "target_quantity": quantity,
            "meets_target": meets,
            "smallest": smallest,
            "chosen": smallest & stated,
        },
    )


def together(study: Study, parts: Sequence[xr.Dataset]) -> xr.Dataset:
    """Put the decisions of all scenarios together, and say in words what they come to.

    Parameters
    ----------
    study : Study
        The study.
    parts : sequence of Decision (case, within_km, term)
        Of `compare`, one a scenario, in their order.

    Returns
    -------
    Decision (case, within_km, term)
        With the attribute `text`.
    """
    decided = xr.concat(parts, "case", combine_attrs="override")
    return decided.assign_attrs(text=decision_in_words(study, decided))


def rates_by_layout(study: Study, assessments: Sequence[Assessment]) -> xr.Dataset:
    """Return the rates of all pairs of planes in all layouts.

    Parameters
    ----------
    study : Study
        The study.
    assessments : sequence of Assessment
        One a layout, in their order.

    Returns
    -------
    Rates (layout, plane, other_plane, within_km)
        Each pair once, at plane < other_plane.
    """
    planes = np.sort(assessments[0].stacked.planes)
    thresholds = study.approaches.within_km
    rates = np.zeros((len(assessments), planes.size, planes.size, len(thresholds)))
    locked = np.zeros((len(assessments), planes.size, planes.size), dtype=bool)
    for k, assessment in enumerate(assessments):
        first, second = np.searchsorted(planes, assessment.stacked.pairs).T
        rates[k, first, second] = assessment.approaches(thresholds)
        locked[k, first, second] = assessment.stacked.gaps.locked
    return RATES.build(
        {
            "layout": [a.case.layout.number for a in assessments],
            "plane": planes,
            "other_plane": planes,
            "within_km": thresholds,
            "rate": rates,
            "phase_locked": locked,
        },
        dims=("layout", "plane", "other_plane", "within_km"),
    )


def planes_of(study: Study, orbits: xr.Dataset) -> xr.Dataset:
    """Return where each plane lies and how far its satellites may stray.

    Parameters
    ----------
    study : Study
        The study.
    orbits : Orbits (object, time)
        The fleet.

    Returns
    -------
    Planes (plane)
        At the start.
    """
    plane = orbits["plane"].values
    numbers, leaders, satellites = np.unique(plane, return_index=True, return_counts=True)
    start = orbits.isel(object=leaders, time=0)
    radius = mean_radius(start["semi_major_axis"].values, start["inclination"].values)
    altitude = radius - constants.EQUATORIAL_RADIUS.value
    stray = np.array([_farthest_km(study.stated_tolerances, r) for r in radius.tolist()])
    return PLANES.build(
        {
            "plane": numbers,
            "mean_radius_altitude": altitude,
            "radius_low": altitude - stray,
            "radius_high": altitude + stray,
            "inclination": start["inclination"].values,
            # twice, for the remainder of a node just below 0 rounds to 360
            "raan": start["raan"].values % 360.0 % 360.0,
            "raan_rate": start["raan_rate"].values,
            "eccentricity": np.hypot(start["eccentricity_x"].values, start["eccentricity_y"].values),
            "satellites": satellites,
        }
    )


def _farthest_km(tolerances: Tolerances, radius_km: float) -> float:
    """Return how far a satellite strays in radius: all it may when bounded, 5 standard deviations of what is normal."""
    held = [tolerances.mean_radius_m / 1000.0, tolerances.excursion_km, radius_km * tolerances.eccentricity]
    errors = [tolerances.orbit_determination_m / 1000.0, tolerances.manoeuvre_m / 1000.0]
    if tolerances.distribution == "bounded":
        return sum(held) + NORMAL_REACH * math.hypot(*errors)
    return NORMAL_REACH * math.hypot(*held, *errors)


class _Sum:
    """Sum over objects with its standard error, added one after another: the same whatever blocks they come in.

    The error is that of drawing the objects anew, in its limit of many draws: sqrt(sum (x - mean)^2), see `total_rate`.
    Departures from the first object are added up, not the numbers, so that small differences do not cancel.
    """

    def __init__(self) -> None:
        self.count = 0
        self._first = self._departure = self._squares = np.zeros(())

    def add(self, numbers: Floats) -> None:
        """Add the numbers of some objects, shape (objects, ...)."""
        if not self.count:
            self._first = numbers[0]
            self._departure = self._squares = np.zeros(numbers.shape[1:])
        self.count += len(numbers)
        departure = numbers - self._first
        self._departure = np.cumsum([self._departure, *departure], axis=0)[-1]
        self._squares = np.cumsum([self._squares, *departure**2], axis=0)[-1]

    @property
    def total(self) -> Floats:
        """The sum."""
        return np.asarray(self.count * self._first + self._departure)

    @property
    def error(self) -> Floats:
        """Standard error of the sum."""
        return np.asarray(np.sqrt(np.maximum(self._squares - self._departure**2 / self.count, 0.0)))


def assemble(
    study: Study,
    fleet_blocks: Sequence[dict[str, xr.Dataset]],
    debris_blocks: Iterable[tuple[int, dict[str, xr.Dataset]]],
) -> xr.Dataset:
    """Put the scenarios together and add what debris costs to the decision.

    Parameters
    ----------
    study : Study
        The study.
    fleet_blocks : sequence of dict of Dataset
        Of `compute_fleet_block`, one a scenario.
    debris_blocks : iterable of (int, dict of Dataset)
        Numbers of scenarios, and what `compute_debris_block` gave, in order.

    Returns
    -------
    Decision (case, within_km, term)
        Of all cases; debris columns stay missing without debris.
    """
    decided = together(study, [block["decision"] for block in fleet_blocks])
    sums: dict[int, dict[str, _Sum]] = {}
    row_of: dict[int, int] = {}  # of each layout, the same in all blocks
    for scenario, block in debris_blocks:
        rate = block["rates"]["rate"].sel(within_km=decided["within_km"]).transpose("object", "layout", "within_km")
        row_of = {number: row for row, number in enumerate(rate["layout"].values.tolist())}
        struck = block["collisions"]["rate"].transpose("object", "layout").sel(layout=rate["layout"])
        mine = sums.setdefault(scenario, {name: _Sum() for name in _WITH_DEBRIS})
        mine["debris_approaches"].add(rate.values)
        # object by object, for the same ones are met in both layouts: the difference is known far better than either
        mine["extra_debris_approaches"].add((rate - rate.sel(layout=UNSTACKED)).values)
        mine["collisions_debris"].add(struck.values)
    values = {name: decided[name].values for name in DECISION.variables}
    for scenario, found in sums.items():
        cases = np.flatnonzero(decided["scenario"].values == scenario)
        rows = [row_of[layout] for layout in decided["layout"].values[cases].tolist()]
        for name, added in found.items():
            values[name][cases] = added.total[rows]
            values[f"{name}_error"][cases] = added.error[rows]
    return DECISION.build(values, attributes={"text": decided.attrs["text"]})
