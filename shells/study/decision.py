"""The separation decision: what each case costs, and the smallest step that meets the target.

The target limits collisions among the fleet's own satellites, which the step decides; what debris adds is beside it.
Between planes a collision needs both satellites at one radius, so the expected number is the phase-averaged rate within
the sum of the hard-body radii, with the radius difference spread by the tolerances: once for satellites inside them
(`control`), once with one or both in a control fault (`fault`), weighted with the shares of time spent so. Satellites
of one plane are not weighed against each other: their distance is that of their phases.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.approaches.averages.between import Crossings, crossings_of, rates_between_planes
from shells.approaches.kernels import REACH
from shells.approaches.rates import total_rate
from shells.approaches.trains import trains_of
from shells.errors import Faults
from shells.fleet.radius_difference import RadiusDifference, radius_difference
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.motion.shape import mean_radius
from shells.schema import DECISION, PLANES, RATES
from shells.study.cases import Case
from shells.study.configuration import Study

Floats = NDArray[np.float64]

TERMS = ("frozen surfaces", "eccentricity tolerance", "mean radius tolerance", "hard bodies")

#: Where a normal tolerance is taken to end, for bands and smallest distances [standard deviations].
NORMAL_REACH = 5.0


@dataclass(frozen=True)
class Assessment:
    """One case of the fleet against itself.

    Parameters
    ----------
    case : Case
        Step and order.
    band_width_km, smallest_gap_km, smallest_distance_km : float
        Highest less lowest mean radius; smallest gap of two reference orbits at a mutual node; the distance left there
        when both satellites use their whole tolerance.
    rates : ndarray, shape (planes, planes, thresholds)
        Expected approaches per year of each pair of planes, upper triangle.
    locked : ndarray, shape (planes, planes)
        Whether the relative phase of a pair drifts by less than one slot over the study: its rate is then an average
        over phases that are not known, not over time.
    control, fault : float
        Expected collisions per year of the fleet.
    terms : ndarray, shape (terms,)
        Sizes of the terms of the gap of the pair of planes that come nearest [km].
    """

    case: Case
    band_width_km: float
    smallest_gap_km: float
    smallest_distance_km: float
    rates: Floats
    locked: NDArray[np.bool_]
    control: float
    fault: float
    terms: Floats


def tolerances_of(study: Study) -> tuple[Tolerances, ControlFaults]:
    """Return the tolerances and control faults of a study."""
    return (
        Tolerances(study.tolerances.distribution, study.tolerances.mean_radius_m, study.tolerances.eccentricity),
        ControlFaults(study.faults.per_satellite_year, study.faults.offset_km, study.faults.duration_days),
    )


def assess(study: Study, case: Case, leaders: xr.Dataset) -> Assessment:
    """Weigh one case of the fleet against itself.

    Parameters
    ----------
    study : Study
        The study.
    case : Case
        The case.
    leaders : Orbits (object, time)
        One satellite of each plane, over the whole study.

    Returns
    -------
    Assessment
    """
    thresholds = study.approaches.within_km
    trains = trains_of(leaders)
    planes = leaders["plane"].values[trains.leaders]
    radius = mean_radius(
        leaders["semi_major_axis"].values[trains.leaders, 0], leaders["inclination"].values[trains.leaders, 0]
    )
    crossings = crossings_of(leaders, trains, within_km=max(thresholds), slots=study.fleet.satellites_per_plane)
    _require_crossing(crossings, planes, max(thresholds), float(radius.min()))
    tolerances, faults = tolerances_of(study)
    middle = float(radius.mean())
    inside = radius_difference(tolerances, tolerances, first_radius_km=middle, second_radius_km=middle)
    one, both = (
        radius_difference(
            tolerances, tolerances, first_radius_km=middle, second_radius_km=middle, faults=faults, faulty=number
        )
        for number in (1, 2)
    )
    share = faults.share_of_time
    bodies = [2.0 * study.fleet.hard_body_radius_m / 1000.0]
    satellites = study.fleet.satellites_per_plane**2  # crossings are of one satellite a plane
    control, with_one, with_both = (
        weight * satellites * rates_between_planes(crossings, difference, bodies).sum()
        for weight, difference in (
            ((1.0 - share) ** 2, inside),
            (2.0 * share * (1.0 - share), one),
            (share**2, both),
        )
    )

    rates = np.zeros((planes.size, planes.size, len(thresholds)))
    locked = np.zeros((planes.size, planes.size), dtype=bool)
    first, second = np.sort(planes[crossings.pairs], axis=1).T
    locked[first, second] = crossings.locked
    rates[first, second] = rates_between_planes(crossings, inside, thresholds) * satellites
    nearest, gap = _nearest_pair(crossings)
    nominal = abs(float(np.diff(radius[crossings.pairs[nearest]])[0])) if len(crossings.pairs) else np.inf
    return Assessment(
        case,
        float(np.ptp(radius)),
        gap,
        max(0.0, gap - _reach(inside)),
        rates,
        locked,
        float(control),
        float(with_one + with_both),
        _terms(study, middle, nominal - gap if np.isfinite(gap) else 0.0),
    )


def _require_crossing(crossings: Crossings, planes: NDArray[np.int64], within_km: float, radius_km: float) -> None:
    """Refuse planes that nearly coincide or oppose each other: their risk would count as none."""
    flat = planes[crossings.pairs[~crossings.crossing]]
    least = np.degrees(np.arcsin(min(1.0, within_km / (REACH * radius_km))))
    faults = Faults("choose_separation")
    faults.require(
        len(flat) == 0,
        f"planes {', '.join(f'{a} and {b}' for a, b in flat)} lie in nearly one or opposed planes, whose rates "
        f"at nodes are not known; expected planes at least {least:.2g} deg apart for a threshold of {within_km:g} km: "
        "change pattern, planes or inclination_deg, or lower approaches.within_km",
    )
    faults.raise_if_any()


def _nearest_pair(crossings: Crossings) -> tuple[int, float]:
    """Return the pair of trains whose reference orbits come nearest at a node, and that gap [km]."""
    if not len(crossings.pairs):
        return 0, np.inf
    gaps = np.abs(crossings.gap).min(axis=(1, 2))
    return int(gaps.argmin()), float(gaps.min())


def _reach(difference: RadiusDifference) -> float:
    """Return how far two satellites may depart towards each other [km]."""
    if np.isfinite(difference.support_km):
        return difference.support_km
    return NORMAL_REACH * difference.scale_km


def _terms(study: Study, radius_km: float, surfaces_km: float) -> Floats:
    """Return the terms that eat the gap of the nearest pair, in the order of `TERMS` [km]."""
    table = study.tolerances
    swing, radial = radius_km * table.eccentricity, table.mean_radius_m / 1000.0
    both = 2.0 if table.distribution == "bounded" else NORMAL_REACH * np.sqrt(2.0)
    return np.array([max(surfaces_km, 0.0), both * swing, both * radial, 2.0 * study.fleet.hard_body_radius_m / 1000.0])


def target_quantity(study: Study, collisions_per_year: Floats) -> Floats:
    """Return what the target limits.

    Parameters
    ----------
    study : Study
        The study.
    collisions_per_year : ndarray
        Expected collisions of the fleet against itself per year.

    Returns
    -------
    ndarray
        Expected number of collisions over the years of the target: of the fleet, or of one satellite (each collision
        has two).
    """
    number = collisions_per_year * study.target.years
    return number if study.target.scope == "fleet" else 2.0 * number / study.satellites


def compare(study: Study, cases: Sequence[Case], assessments: Sequence[Assessment]) -> xr.Dataset:
    """Compare the cases and choose the smallest step that meets the target.

    Parameters
    ----------
    study : Study
        The study.
    cases : sequence of Case
    assessments : sequence of Assessment
        One a case.

    Returns
    -------
    Decision (case, within_km, term)
        Debris columns missing. Of two cases with one step the one with fewer expected collisions is chosen.
    """
    control = np.array([a.control for a in assessments])
    fault = np.array([a.fault for a in assessments])
    steps = np.array([case.step_km for case in cases])
    quantity = target_quantity(study, control + fault)
    meets = quantity <= study.target.value
    chosen = np.zeros(len(cases), dtype=bool)
    if meets.any():
        candidates = np.flatnonzero(meets)
        chosen[candidates[np.lexsort((quantity[candidates], steps[candidates]))[0]]] = True
    unknown = np.full((len(cases), len(study.approaches.within_km)), np.nan)
    return DECISION.build(
        {
            "case": [case.number for case in cases],
            "within_km": study.approaches.within_km,
            "term": TERMS,
            "step": steps,
            "order": [case.order_name for case in cases],
            "band_width": [a.band_width_km for a in assessments],
            "smallest_gap": [a.smallest_gap_km for a in assessments],
            "smallest_distance": [a.smallest_distance_km for a in assessments],
            "fleet_approaches": [a.rates.sum(axis=(0, 1)) for a in assessments],
            "debris_approaches": unknown,
            "debris_approaches_error": unknown,
            "collisions_control": control,
            "collisions_fault": fault,
            "collisions_debris": np.full(len(cases), np.nan),
            "gap_term": [a.terms for a in assessments],
            "target_quantity": quantity,
            "meets_target": meets,
            "chosen": chosen,
        },
        attributes={"text": _text(study, cases, quantity, chosen) + _caveat(assessments)},
    )


def _text(study: Study, cases: Sequence[Case], quantity: Floats, chosen: NDArray[np.bool_]) -> str:
    target = study.target
    wanted = (
        f"at most {target.value:g} expected collisions in {target.years:g} years per {target.scope}, "
        f"{'with' if target.avoidance else 'without'} avoidance"
    )
    if not chosen.any():
        best = int(quantity.argmin())
        return (
            f"No step of the sweep meets the target ({wanted}); "
            f"the best, {cases[best].step_km:g} km, has {quantity[best]:.1g}."
        )
    case = cases[int(chosen.argmax())]
    return (
        f"A step of {case.step_km:g} km in {case.order_name} order is the smallest of the sweep that meets the target "
        f"({wanted}): {quantity[chosen][0]:.1g} expected."
    )


def _caveat(assessments: Sequence[Assessment]) -> str:
    """Return what the text adds where averages over phase are not averages over time."""
    pairs = max(int(a.locked.sum()) for a in assessments)
    if not pairs:
        return ""
    return (
        f" The phases of up to {pairs} pairs of planes drift by less than one slot over the study: their rates are "
        "averages over unknown phases."
    )


def rates_by_case(study: Study, cases: Sequence[Case], assessments: Sequence[Assessment]) -> xr.Dataset:
    """Return the rates of all pairs of planes in all cases.

    Parameters
    ----------
    study : Study
        The study.
    cases : sequence of Case
    assessments : sequence of Assessment
        One a case.

    Returns
    -------
    Rates (case, plane, other_plane, within_km)
        Each pair once, at plane < other_plane.
    """
    rates = np.stack([a.rates for a in assessments])
    planes = np.arange(rates.shape[1])
    return RATES.build(
        {
            "case": [case.number for case in cases],
            "plane": planes,
            "other_plane": planes,
            "within_km": study.approaches.within_km,
            "rate": rates,
            "phase_locked": np.stack([a.locked for a in assessments]),
        },
        dims=("case", "plane", "other_plane", "within_km"),
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
    table = study.tolerances
    reach = 1.0 if table.distribution == "bounded" else NORMAL_REACH
    stray = reach * (table.mean_radius_m / 1000.0 + radius * table.eccentricity)
    return PLANES.build(
        {
            "plane": numbers,
            "mean_radius_altitude": altitude,
            "radius_low": altitude - stray,
            "radius_high": altitude + stray,
            "inclination": start["inclination"].values,
            "raan": start["raan"].values % 360.0,
            "raan_rate": start["raan_rate"].values,
            "eccentricity": np.hypot(start["eccentricity_x"].values, start["eccentricity_y"].values),
            "satellites": satellites,
        }
    )


def over_mission(study: Study, rate: xr.DataArray) -> xr.DataArray:
    """Return the mean of yearly rates over the mission, the last year weighted with its length.

    Parameters
    ----------
    study : Study
        The study.
    rate : DataArray
        With a dimension `year`.

    Returns
    -------
    DataArray
        Without it.
    """
    length = np.minimum(study.study.years - np.arange(rate.sizes["year"]), 1.0)
    return rate.weighted(xr.DataArray(length, dims="year")).mean("year")


def assemble(
    study: Study, fleet_block: dict[str, xr.Dataset], debris_blocks: Iterable[dict[str, xr.Dataset]]
) -> xr.Dataset:
    """Add what debris costs to the decision.

    Parameters
    ----------
    study : Study
        The study.
    fleet_block : dict of Dataset
        Of `compute_fleet_block`.
    debris_blocks : iterable of dict of Dataset
        Of `compute_debris_block`, in order.

    Returns
    -------
    Decision (case, within_km, term)
        Complete; debris columns stay missing without debris.
    """
    decided = fleet_block["decision"]
    rates, collisions = [], []
    for block in debris_blocks:
        rates.append(over_mission(study, block["rates"]["rate"]).sel(within_km=decided["within_km"]))
        collisions.append(block["collisions"]["rate"])
    if not rates:
        return decided
    by_object = xr.concat(rates, "object").transpose("case", "object", "within_km")
    total = total_rate(by_object.to_dataset(name="rate"))
    struck = xr.concat(collisions, "object").sum("object")
    values = {name: decided[name].values for name in DECISION.variables}
    values["debris_approaches"] = total["rate"].values
    values["debris_approaches_error"] = total["standard_error"].values
    values["collisions_debris"] = struck.values
    return DECISION.build(values, attributes={"text": decided.attrs["text"]})
