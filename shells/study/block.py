"""What one block of a study computes: the fleet against itself in all layouts, or debris against the fleet.

A block moves its debris once for all layouts. It returns Datasets; whoever called it writes them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.approaches.rates import approach_rates
from shells.approaches.search import find_approaches
from shells.fleet.frozen import freeze
from shells.fleet.node_rates import match_node_rates
from shells.fleet.order import best_order
from shells.fleet.patterns import walker
from shells.fleet.stack import stack
from shells.motion.forces import Forces
from shells.motion.propagation import propagate
from shells.schema import OBJECTS, RATES
from shells.study import decision, encounters
from shells.study.cases import UNSTACKED, Layout, Scenario, expand, layouts_of, scenarios_of, searched_case
from shells.study.configuration import Study
from shells.study.price import price_of
from shells.study.sensitivity import sensitivity
from shells.study.stacked import Stacked
from shells.study.summary import start_of

#: Averages over phase need the orbits less often than the search: every so many nodes.
AVERAGE_EVERY = 4

#: So many layouts are averaged at once, and those of 8 times as many are kept in memory.
_LAYOUTS_AT_ONCE = 32

#: Collision rates with debris are scaled by area from this threshold [km], over which the geometry drifts anyway.
SMALL_KM = 0.1


def fleet_of(study: Study, layout: Layout, scenario: Scenario) -> xr.Dataset:
    """Build the fleet of one layout: pattern, stack, node rates, frozen eccentricity, in this order.

    Parameters
    ----------
    study : Study
        The study.
    layout : Layout
        Step and order of its planes.
    scenario : Scenario
        Whose forces the trims are for.

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
    fleet = stack(fleet, step_km=layout.step_km, order=_upwards(study, fleet, layout))
    if table.match_node_rates:
        fleet = match_node_rates(fleet, years=study.study.years, forces=_forces(scenario))
    return freeze(fleet) if table.frozen else fleet


def _upwards(study: Study, fleet: xr.Dataset, layout: Layout) -> Any:
    """Return the order of a layout; the best one is that under the tolerances and faults the study is decided under."""
    if layout.order != "best":
        return layout.order
    found = best_order(
        fleet,
        step_km=layout.step_km,
        tolerances=study.stated_tolerances,
        faults=study.stated_faults,
        drift_years=0.0 if study.fleet.match_node_rates else study.study.years,
        seed=study.study.seed,
    )
    return found["plane"].sel(order="best").values.tolist()


def _forces(scenario: Scenario) -> Forces:
    return Forces(solar_activity=scenario.solar_activity, solar_seed=scenario.solar_seed)


def move(study: Study, scenario: Scenario, objects: xr.Dataset) -> xr.Dataset:
    """Propagate over the study, on a number of nodes that averages can thin out.

    Parameters
    ----------
    study : Study
        The study.
    scenario : Scenario
        Whose forces act.
    objects : Objects (object)
        Whatever is moved.

    Returns
    -------
    Orbits (object, time)
        In memory.
    """
    days = study.study.years * constants.YEAR.value / constants.DAY.value
    windows = AVERAGE_EVERY * int(np.ceil(days / AVERAGE_EVERY))
    orbits = propagate(
        objects, start=start_of(study), years=study.study.years, forces=_forces(scenario), node_days=days / windows
    )
    # here and now: a block is a task itself, and must not hand tasks to the scheduler that runs it
    return orbits.compute(scheduler="synchronous")


def thinned(orbits: xr.Dataset) -> xr.Dataset:
    """Return orbits on the nodes that averages need.

    Parameters
    ----------
    orbits : Orbits (object, time)
        From `move`.

    Returns
    -------
    Orbits (object, time)
        Every fourth node.
    """
    return orbits.isel(time=slice(None, None, AVERAGE_EVERY))


def leaders_of(fleet: xr.Dataset) -> xr.Dataset:
    """Return one satellite of each plane, for rates and gaps are those of planes.

    Parameters
    ----------
    fleet : Objects (object)
        The fleet.

    Returns
    -------
    Objects (object)
        The satellites of slot 0.
    """
    return fleet.isel(object=np.flatnonzero(fleet["slot"].values == 0))


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
    return decision.together(study, [_decide(study, scenario)[0] for scenario in scenarios_of(study)])


def _decide(study: Study, scenario: Scenario) -> tuple[xr.Dataset, list[decision.Assessment]]:
    """Return the decision under a scenario, and the assessments that it rests on."""
    stacks, fleets = {}, {}
    for layout in layouts_of(study):
        fleets[layout] = fleet_of(study, layout, scenario)
        stacks[layout] = Stacked.of(
            move(study, scenario, leaders_of(fleets[layout])),
            satellites=study.fleet.satellites_per_plane,
            within_km=study.search_km,
        )
    cases = [case for case in expand(study) if case.scenario == scenario]
    assessments = [decision.assess(study, case, stacks[case.layout]) for case in cases]
    years, forces = study.study.years, _forces(scenario)
    # neither tolerances nor faults change the price
    prices = {
        layout: price_of(fleets[layout], stacked, study.fleet, years=years, forces=forces)
        for layout, stacked in stacks.items()
    }
    return decision.compare(study, assessments, [prices[case.layout] for case in cases]), assessments


def compute_fleet_block(study: Study, scenario: Scenario) -> dict[str, xr.Dataset]:
    """Compare all layouts of the fleet against itself under a scenario.

    Parameters
    ----------
    study : Study
        The study.
    scenario : Scenario
        Which; under the first the study is decided, and the chosen case looked at closely.

    Returns
    -------
    dict of Dataset
        "decision" (Decision of the cases of this scenario, debris columns missing), "rates" (Rates by layout, plane,
        other_plane, within_km); under the first scenario, of the searched case, also "planes" (Planes), "sensitivity"
        (Sensitivity) and "approaches".
    """
    decided, assessments = _decide(study, scenario)
    datasets = {
        "decision": decided,
        "rates": decision.rates_by_layout(study, assessments[: len(layouts_of(study))]),
    }
    if scenario.number > 0:
        return datasets
    searched = next(one for one in assessments if one.case.number == searched_case(decided))
    orbits = move(study, scenario, fleet_of(study, searched.case.layout, scenario))
    return datasets | {
        "planes": decision.planes_of(study, orbits),
        "sensitivity": sensitivity(study, searched.case, searched.stacked),
        "approaches": find_approaches(orbits, within_km=study.search_km),
    }


def compute_debris_block(
    study: Study, scenario: Scenario, debris: xr.Dataset, searched: Layout | None
) -> dict[str, xr.Dataset]:
    """Weigh a group of debris objects against the fleet in all layouts, and search one.

    Parameters
    ----------
    study : Study
        The study.
    scenario : Scenario
        What moves them.
    debris : Objects (object)
        The group.
    searched : Layout or None
        Layout whose approaches are searched; None for no search.

    Returns
    -------
    dict of Dataset
        "rates" (Rates by layout, object, within_km: means over the mission), "collisions" (Rates by layout, object:
        within the sum of the hard-body radii), and where asked for "approaches" and, if there are any, "numbers" and
        "workload" of `encounters.weigh`. Layout -1 has all planes at one altitude.
    """
    OBJECTS.check(debris, stage="debris block")
    moved = move(study, scenario, debris)
    rates = _rates_by_layout(study, scenario, thinned(moved))  # averages over phase are smooth
    axes = {name: rates[name].values for name in ("layout", "object")}
    datasets = {
        "rates": rates,
        "collisions": RATES.build({**axes, "rate": _collision_rate(study, debris, rates)}, dims=("layout", "object")),
    }
    if searched is not None:
        fleet, orbits = _searched_fleet(study, searched, scenario)
        found = find_approaches(orbits, moved, within_km=study.search_km)
        datasets |= {"approaches": found, **encounters.weigh(study, found, fleet, debris)}
    return datasets


def averaged(study: Study, leaders: xr.Dataset, debris: xr.Dataset) -> xr.Dataset:
    """Return the phase-averaged rates of debris with planes.

    Parameters
    ----------
    study : Study
        The study.
    leaders : Orbits (object, time)
        One satellite of each plane.
    debris : Orbits (object, time)
        On the same nodes.

    Returns
    -------
    Rates (object, plane, within_km)
        Means over the mission, with all satellites of a plane.
    """
    return approach_rates(
        leaders,
        debris,
        within_km=sorted({*study.approaches.within_km, SMALL_KM}),
        by=("object", "plane"),
        satellites=study.fleet.satellites_per_plane,
    )


def _rates_by_layout(study: Study, scenario: Scenario, debris: xr.Dataset) -> xr.Dataset:
    """Return the rates of debris with all layouts, Rates (layout, object, within_km)."""
    layouts = (Layout(UNSTACKED, 0.0, "monotone"), *layouts_of(study))
    groups = [layouts[first : first + _LAYOUTS_AT_ONCE] for first in range(0, len(layouts), _LAYOUTS_AT_ONCE)]
    rates = [averaged(study, _leaders(study, group, scenario), debris)["rate"] for group in groups]
    rate = xr.concat(rates, "plane").transpose("plane", "object", "within_km")  # those of a layout follow each other
    return RATES.build(
        {
            "layout": [layout.number for layout in layouts],
            "object": rate["object"].values,
            "within_km": rate["within_km"].values,
            "rate": rate.values.reshape(len(layouts), study.fleet.planes, *rate.shape[1:]).sum(axis=1),
        },
        dims=("layout", "object", "within_km"),
    )


@lru_cache(maxsize=8)
def _leaders(study: Study, layouts: tuple[Layout, ...], scenario: Scenario) -> xr.Dataset:
    """Return one satellite of each plane of some layouts over the mission, moved once by each worker.

    Side by side as planes of one fleet, so that one average does for all.
    """
    orbits = [thinned(move(study, scenario, leaders_of(fleet_of(study, layout, scenario)))) for layout in layouts]
    joined = xr.concat(orbits, "object", combine_attrs="override")
    number = np.arange(joined.sizes["object"])
    return joined.assign({name: joined[name].variable.copy(data=number) for name in ("object", "plane")})


@lru_cache(maxsize=1)
def _searched_fleet(study: Study, layout: Layout, scenario: Scenario) -> tuple[xr.Dataset, xr.Dataset]:
    """Return the fleet of the searched layout and its orbits, moved once by each worker."""
    fleet = fleet_of(study, layout, scenario)
    return fleet, move(study, scenario, fleet)


def _collision_rate(study: Study, debris: xr.Dataset, rates: xr.Dataset) -> NDArray[np.float64]:
    """Return the expected collisions per year of each object: the small threshold scaled by area."""
    combined_km = (debris["hard_body_radius"].values + study.fleet.hard_body_radius_m) / 1000.0
    return np.asarray(rates["rate"].sel(within_km=SMALL_KM).values * (combined_km / SMALL_KM) ** 2)
