"""Schema-true Datasets and a fake of the computing part, for tests of what stores, runs, sums up and reports."""

import sys
import types

import numpy as np

from shells.schema import APPROACHES, DECISION, OBJECTS, PLANES, RATES, SENSITIVITY, provenance
from shells.study import population
from shells.study.cases import UNSTACKED, expand, layouts_of
from shells.study.configuration import load_study

TEXT = """\
# an invented study
[study]
name = "trial"
start = 2031-04-01T00:00:00Z
years = 2.0
seed = 7

[fleet]
pattern = "star"
planes = 4
satellites_per_plane = 3
altitude_km = 1120.0
inclination_deg = 87.2
mass_kg = 180.0
drag_area_m2 = 1.4
hard_body_radius_m = 2.0

[tolerances]
distribution = "bounded"
mean_radius_m = 150.0
eccentricity = 5.0e-5

[debris]
source = "demo"
count = 25

[sweep]
step_km = [1.0, 2.0, 3.0]
order = ["monotone", "interleaved"]

[target]
quantity = "collisions"
value = 1.0e-4
years = 10.0
scope = "fleet"

[run]
workers = 2
objects_per_block = 10
"""

#: What a study for a batch system has in place of its line "[run]".
BATCH = """\
[cluster]
system = "slurm"
jobs = 2
cores = 1
memory_gb = 1.0
walltime_hours = 0.5
interface = "lo"

[run]"""

KINDS = ("debris", "payload", "rocket body")


def study(directory, *changes):
    """Load the trial study, with pairs of text replaced."""
    text = TEXT
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    path = directory / "trial.toml"
    path.write_text(text)
    return load_study(path)


def debris(count):
    number = np.arange(count)
    return OBJECTS.build(
        {
            "object": 50000 + number,
            "epoch": np.datetime64("2031-04-01", "ns"),
            "semi_major_axis": 7400.0 + number,
            "eccentricity_x": np.full(count, 0.001),
            "eccentricity_y": np.full(count, 0.002),
            "inclination": np.full(count, 82.0),
            "raan": (37.0 * number) % 360.0,
            "mean_argument_of_latitude": (11.0 * number) % 360.0,
            "mass": np.full(count, np.nan),
            "drag_area": np.full(count, np.nan),
            "radiation_area": np.full(count, np.nan),
            "area_to_mass": np.full(count, 0.01),
            "drag_coefficient": np.full(count, 2.2),
            "reflectivity_coefficient": np.full(count, 1.3),
            "hard_body_radius": np.full(count, 0.1),
            "plane": np.full(count, -1),
            "slot": np.full(count, -1),
            "held_from": np.full(count, "NaT", "datetime64[ns]"),
            "held_until": np.full(count, "NaT", "datetime64[ns]"),
            "kind": [KINDS[k % 3] for k in range(count)],
            "name": [f"fragment № {k}" for k in range(count)],
        },
        attributes=provenance(source="demo", count=count),
    )


def approaches(first, second, days, miss):
    count = len(first)
    values = {
        name: np.full(count, 0.5) for name, variable in APPROACHES.variables.items() if variable.dtype == "float64"
    }
    times = np.datetime64("2031-04-01", "ns") + (np.asarray(days, float) * 86400e9).astype("timedelta64[ns]")
    return APPROACHES.build(
        {
            **values,
            "first": first,
            "second": second,
            "time": times,
            "start": np.full(count, "NaT", "datetime64[ns]"),
            "end": np.full(count, "NaT", "datetime64[ns]"),
            "miss_distance": miss,
        }
    )


def planes(study):
    number = np.arange(study.fleet.planes)
    altitude = study.fleet.altitude_km + 2.0 * (number - number.mean())
    return PLANES.build(
        {
            "plane": number,
            "mean_radius_altitude": altitude,
            "radius_low": altitude - 0.5,
            "radius_high": altitude + 0.5,
            "inclination": np.full(number.size, 87.2) + 0.001 * number,
            "raan": 180.0 * number / number.size,
            "raan_rate": np.full(number.size, -0.3),
            "eccentricity": np.full(number.size, 0.0009),
            "satellites": np.full(number.size, study.fleet.satellites_per_plane),
        }
    )


def decision(study, *, met=True, with_debris=False):
    """Return a decision: step 2 km, monotone, meets the target unless `met` is False."""
    cases = expand(study)
    step = np.array([case.layout.step_km for case in cases])
    within = np.array(study.approaches.within_km)
    control = np.where(step < 1.5, 3e-3, np.where(step < 2.5, 2e-6, 0.0))
    fault = 2e-6 / step
    quantity = 10.0 * (control + fault) * (1.0 if met else 1e3)
    meets = quantity <= study.target.value
    chosen = np.zeros(step.size, bool)
    if meets.any():
        chosen[np.argmin(np.where(meets, step, np.inf))] = True
    one = np.ones(step.size)
    fleet = np.where(step < 1.5, 5.0, np.where(step < 2.5, 1e-3, 0.0))[:, None] * within**2
    lit = (
        np.full((step.size, within.size), 14.0) * within**2
        if with_debris
        else np.full((step.size, within.size), np.nan)
    )
    order = [case.layout.order_name for case in cases]
    return DECISION.build(
        {
            "case": [case.number for case in cases],
            "within_km": within,
            "term": ["control of the mean radius", "eccentricity", "ripple, λ terms"],
            "step": step,
            "order": order,
            "layout": [case.layout.number for case in cases],
            "upwards": ["-".join(map(str, range(study.fleet.planes)))] * step.size,
            "tolerances": [case.tolerances for case in cases],
            "faults": [case.faults for case in cases],
            "scenario": [case.scenario.number for case in cases],
            "solar_activity": [case.scenario.solar_activity for case in cases],
            "solar_seed": [case.scenario.solar_seed for case in cases],
            "seed": [case.scenario.seed for case in cases],
            "locked_pairs": np.zeros(step.size, int),
            "band_width": step * (study.fleet.planes - 1),
            "smallest_gap": step - 0.1,
            "smallest_distance": np.maximum(0.0, step - 1.2),
            "closest_expected": 0.3 * step,
            "fleet_approaches": fleet,
            "debris_approaches": lit,
            "debris_approaches_error": 0.05 * lit,
            "extra_debris_approaches": -0.02 * lit,
            "extra_debris_approaches_error": 0.01 * lit,
            "collisions_control": control,
            "collisions_fault": fault,
            "collisions_own_plane": np.full(step.size, 4e-7),
            "collisions_debris": np.full(step.size, 3e-5 if with_debris else np.nan),
            "collisions_debris_error": np.full(step.size, 8e-6 if with_debris else np.nan),
            "fault_share": fault / (control + fault),
            "largest_trim": 0.01 * step,
            "untrimmed_node_spread": 0.5 * step,
            "phase_drift": 0.97 * step,
            "raising_velocity": 405.0 * one,
            "holding_velocity": 0.62 * one,
            "propellant": 4.9 + 0.01 * step,
            "number": quantity,
            "probability": -np.expm1(-quantity),
            "gap_term": np.tile([0.3, 0.55, 0.25], (step.size, 1)),
            "target_quantity": quantity,
            "meets_target": meets,
            "smallest": chosen,
            "chosen": chosen,
        },
        attributes={
            "text": "Step 2 km is the smallest that meets the target." if chosen.any() else "No case meets it."
        },
    )


def fleet_rates(study):
    layouts = layouts_of(study)
    number = np.arange(study.fleet.planes)
    within = np.array(study.approaches.within_km)
    near = np.maximum(number[None, :] - number[:, None], 0)  # each pair once, at plane < other_plane
    pair = np.where(near == 0, 0.0, np.where(near == 1, 1e-3, np.where(near == 2, 1e-6, 0.0)))
    return RATES.build(
        {
            "layout": [layout.number for layout in layouts],
            "plane": number,
            "other_plane": number,
            "within_km": within,
            "rate": np.array([layout.step_km for layout in layouts])[:, None, None, None] ** -2.0
            * pair[None, :, :, None]
            * within**2,
        },
        dims=("layout", "plane", "other_plane", "within_km"),
    )


def sensitivity():
    """Return the drivers of an invented decision; doubling the last is too much for any step."""
    return SENSITIVITY.build(
        {
            "parameter": ["tolerances.eccentricity", "faults.per_satellite_year", "fleet.hard_body_radius_m"],
            "stated": [5e-5, 0.01, 2.0],
            "expected": [3e-4, 2e-4, 4e-4],
            "required_step": [2.6, 1.5, np.nan],
            "change": [0.8, -0.3, np.nan],
            "stated_required_step": 1.8,
        }
    )


def compute_fleet_block(study, scenario, *, met=True):
    return {
        "decision": decision(study, met=met),
        "planes": planes(study),
        "rates": fleet_rates(study),
        "sensitivity": sensitivity(),
        "approaches": approaches([0, 1], [4, 5], [10.0, 400.0], [0.9, 2.5]),
    }


def compute_debris_block(study, scenario, debris, searched):
    layouts = [UNSTACKED, *(layout.number for layout in layouts_of(study))]
    objects = debris["object"].values
    within = np.array(study.approaches.within_km)
    met = objects[objects % 4 == 0]
    axes = {"layout": layouts, "object": objects}
    return {
        "rates": RATES.build(
            {**axes, "within_km": within, "rate": np.ones((len(layouts), objects.size, within.size))},
            dims=("layout", "object", "within_km"),
        ),
        "collisions": RATES.build(
            {**axes, "rate": np.full((len(layouts), objects.size), 1e-7)}, dims=("layout", "object")
        ),
        "approaches": approaches(np.full(met.size, 2), met, 30.0 * (met % 20), 0.001 * (met % 1000) + 0.2),
    }


def assemble(study, fleet_blocks, debris_blocks):
    met = bool(fleet_blocks[0]["decision"]["meets_target"].any())
    return decision(study, met=met, with_debris=sum(1 for _ in debris_blocks) > 0)


def install(monkeypatch, **others):
    """Put the fakes in the place of what computes; `others` replaces single ones."""
    block = types.ModuleType("shells.study.block")
    block.compute_fleet_block = others.get("compute_fleet_block", compute_fleet_block)
    block.compute_debris_block = others.get("compute_debris_block", compute_debris_block)
    conclusion = types.ModuleType("shells.study.decision")
    conclusion.assemble = others.get("assemble", assemble)
    monkeypatch.setitem(sys.modules, "shells.study.block", block)
    monkeypatch.setitem(sys.modules, "shells.study.decision", conclusion)
    monkeypatch.setattr(population, "load", lambda study, seed: debris(study.debris.count))
