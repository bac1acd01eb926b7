"""What one block of a study computes: the fleet against itself in all cases, or a group of debris against the fleet.

A block moves its debris once for all cases. It returns Datasets; whoever called it writes them.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from shells import constants
from shells.approaches.rates import approach_rates
from shells.approaches.search import find_approaches
from shells.fleet.frozen import freeze
from shells.fleet.node_rates import match_node_rates
from shells.fleet.patterns import walker
from shells.fleet.stack import stack
from shells.motion.forces import Forces
from shells.motion.propagation import propagate
from shells.schema import OBJECTS, RATES
from shells.study import decision
from shells.study.cases import Case, expand, searched_case
from shells.study.configuration import Study
from shells.study.summary import start_of

#: Averages over phase need the orbits less often than the search: every so many nodes.
AVERAGE_EVERY = 4

#: Collision rates with debris are scaled by area from this threshold [km], over which the geometry drifts anyway.
SMALL_KM = 0.1


def fleet_of(study: Study, case: Case) -> xr.Dataset:
    """Build the fleet of one case: pattern, stack, node rates, frozen eccentricity, in this order.

    Parameters
    ----------
    study : Study
        The study.
    case : Case
        Step and order of its planes.

    Returns
    -------
    Objects (object)
        At the start of the study, held for its whole length.
    """
    table = study.fleet
    fleet = walker(
        total=study.satellites,
        planes=table.planes,
        phasing=table.phasing,
        pattern=table.pattern,
        altitude_km=table.altitude_km,
        inclination_deg=table.inclination_deg,
        epoch=start_of(study),
        mass_kg=table.mass_kg,
        drag_area_m2=table.drag_area_m2,
        hard_body_radius_m=table.hard_body_radius_m,
    )
    fleet = stack(fleet, step_km=case.step_km, order=case.order)
    if table.match_node_rates:
        fleet = match_node_rates(fleet, years=study.study.years, forces=_forces(study))
    return freeze(fleet) if table.frozen else fleet


def _forces(study: Study) -> Forces:
    return Forces(solar_activity=study.forces.solar_activity, solar_seed=study.forces.solar_seed)


def _move(study: Study, objects: xr.Dataset) -> xr.Dataset:
    """Propagate over the study, on a number of nodes that averages can thin out."""
    days = study.study.years * constants.YEAR.value / constants.DAY.value
    windows = AVERAGE_EVERY * int(np.ceil(days / AVERAGE_EVERY))
    orbits = propagate(
        objects, start=start_of(study), years=study.study.years, forces=_forces(study), node_days=days / windows
    )
    # here and now: a block is a task itself, and must not hand tasks to the scheduler that runs it
    return orbits.compute(scheduler="synchronous")


def _thinned(orbits: xr.Dataset) -> xr.Dataset:
    return orbits.isel(time=slice(None, None, AVERAGE_EVERY))


def choose_separation(study: Study) -> xr.Dataset:
    """Choose the smallest altitude step of a study's sweep that meets its target, the fleet against itself.

    Parameters
    ----------
    study : Study
        From `load_study`.

    Returns
    -------
    Decision (case, within_km, term)
        All cases compared; debris columns missing, `shells.run` fills them.

    Raises
    ------
    InputError
        A fleet that cannot be built: a stack below 160 km, a frozen orbit near the critical inclinations …
    """
    return decision.compare(study, expand(study), _assessments(study))


def _assessments(study: Study) -> list[decision.Assessment]:
    assessments = []
    for case in expand(study):
        fleet = fleet_of(study, case)
        # one satellite stands for its plane: rates and gaps are those of planes
        leaders = _move(study, fleet.isel(object=np.flatnonzero(fleet["slot"].values == 0)))
        assessments.append(decision.assess(study, case, leaders))
    return assessments


def compute_fleet_block(study: Study) -> dict[str, xr.Dataset]:
    """Compare all cases of the fleet against itself, decide, and search the chosen case.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    dict of Dataset
        "decision" (Decision, debris columns missing), "planes" (Planes of the searched case), "rates" (Rates by case,
        plane, other_plane, within_km), "approaches" of the searched case.
    """
    cases, assessments = expand(study), _assessments(study)
    decided = decision.compare(study, cases, assessments)
    number = searched_case(decided)
    orbits = _move(study, fleet_of(study, cases[number]))
    return {
        "decision": decided,
        "planes": decision.planes_of(study, orbits),
        "rates": decision.rates_by_case(study, cases, assessments),
        "approaches": find_approaches(orbits, within_km=study.search_km),
    }


def compute_debris_block(study: Study, debris: xr.Dataset, chosen_case: int) -> dict[str, xr.Dataset]:
    """Weigh a group of debris objects against the fleet in all cases, and search the chosen one.

    Parameters
    ----------
    study : Study
        The study.
    debris : Objects (object)
        The group.
    chosen_case : int
        Case whose approaches are searched.

    Returns
    -------
    dict of Dataset
        "rates" (Rates by case, object, year, within_km), "collisions" (Rates by case, object: within the sum of the
        hard-body radii), "approaches" of the chosen case.
    """
    OBJECTS.check(debris, stage="debris block")
    moved = _move(study, debris)
    coarse = _thinned(moved)
    cases = expand(study)
    thresholds = sorted({*study.approaches.within_km, SMALL_KM})
    rates, collisions = [], []
    for case in cases:
        orbits = _move(study, fleet_of(study, case))
        found = approach_rates(_thinned(orbits), coarse, within_km=thresholds, by=("object", "year"))
        rates.append(found["rate"].values)
        collisions.append(_collision_rate(study, debris, found))
        if case.number == chosen_case:
            approaches = find_approaches(orbits, moved, within_km=study.search_km)
    axes = {"case": [case.number for case in cases], "object": debris["object"].values}
    return {
        "rates": RATES.build(
            {
                **axes,
                "year": found["year"].values,
                "within_km": thresholds,
                "rate": np.stack(rates),
            },
            dims=("case", "object", "year", "within_km"),
        ),
        "collisions": RATES.build({**axes, "rate": np.stack(collisions)}, dims=("case", "object")),
        "approaches": approaches,
    }


def _collision_rate(study: Study, debris: xr.Dataset, rates: xr.Dataset) -> np.ndarray:
    """Return the expected collisions per year of each object: the small threshold scaled by area."""
    combined_km = (debris["hard_body_radius"].values + study.fleet.hard_body_radius_m) / 1000.0
    small = rates["rate"].sel(within_km=SMALL_KM)
    return decision.over_mission(study, small).values * (combined_km / SMALL_KM) ** 2
