"""How fast motion and search are, beside the everyday alternative of stepping everything."""

import resource
import time

import numpy as np

import shells
from benchmarks.stepping import brute_force
from shells.approaches.relative_motion.search import search_pairs
from shells.motion.propagation import element_array, field_of, node_clock, rate_array

DAYS = 30.0
SLICE_DAYS = 0.02


def timed(function, *arguments, **options):
    begun = time.perf_counter()
    result = function(*arguments, **options)
    return result, time.perf_counter() - begun


def main(count: int = 2000) -> None:
    """Time motion and search of a fleet among invented debris; compiled kernels are warmed up first."""
    fleet = shells.walker(total=320, planes=8, pattern="star", altitude_km=1060.0, inclination_deg=86.5)
    fleet = shells.freeze(shells.stack(fleet, step_km=3.0))
    debris = shells.demo_debris(count=count, seed=1, epoch=fleet["epoch"].values)
    few = [shells.propagate(objects.isel(object=slice(0, 4)), years=0.02) for objects in (fleet, debris)]
    shells.find_approaches(*few, within_km=5.0)

    orbits = shells.propagate(fleet, years=DAYS / 365.25)
    others, moving = timed(shells.propagate, debris, years=DAYS / 365.25)
    approaches, searching = timed(shells.find_approaches, orbits, others, within_km=5.0)
    _, stepping = timed(brute_force, orbits, others, within_km=5.0, days=SLICE_DAYS, step=10.0)
    baseline = stepping * DAYS / SLICE_DAYS
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"{count} debris objects, 320 satellites, {DAYS:g} days, one core, peak memory {memory:.2g} GB")
    print(f"motion    {moving:8.2f} s  {count * DAYS / 365.25 / moving:8.0f} object-years/s")
    print(f"search    {searching:8.2f} s  {approaches.sizes['approach']} approaches")
    ratio = baseline / (moving + searching)
    print(f"stepping  {baseline:8.0f} s  extrapolated from {SLICE_DAYS:g} days; {ratio:.0f} times as long")


def slow_pairs(years: float = 10.0) -> None:
    """Time the search on relative motion: a plane against itself, a derelict in it, an opposed plane, a shared slot."""
    fleet = shells.walker(total=120, planes=2, pattern="delta", altitude_km=1060.0, inclination_deg=86.5)
    fleet = shells.freeze(fleet)
    plane = fleet["plane"].values
    fleet["inclination"].values[plane == 1] = 180.0 - fleet["inclination"].values[0]
    fleet["raan"].values[plane == 1] = (fleet["raan"].values[0] + 180.0) % 360.0
    fleet["mean_argument_of_latitude"].values[1] = fleet["mean_argument_of_latitude"].values[0] + 0.02
    fleet["held_until"].values[59] = fleet["held_from"].values[59]
    fleet["semi_major_axis"].values[59] -= 0.5
    orbits = shells.propagate(fleet, years=years)
    values, rates, spacing = element_array(orbits), rate_array(orbits), node_clock(orbits)[1]
    end = (values.shape[1] - 1) * spacing
    cases = {
        "neighbours": [(a, b) for a in range(1, 59) for b in range(a + 1, 59)],
        "derelict": [(a, 59) for a in range(1, 59)],
        "counter-rotating": [(a, b) for a in range(1, 11) for b in range(60, 70)],
        "shared slot": [(0, 1)],
    }
    for name, pairs in cases.items():
        rows = np.column_stack([np.array(pairs, dtype=float), np.broadcast_to([0.0, end], (len(pairs), 2))])
        sides = (values, rates, values, rates, spacing)
        search_pairs(*sides, rows[:1] * [1.0, 1.0, 1.0, 1e-3], 5.0, field_of(orbits))
        begun = time.process_time()
        found = search_pairs(*sides, rows, 5.0, field_of(orbits))
        seconds = time.process_time() - begun
        lasting = np.isfinite(found[:, -1]).sum()
        print(
            f"{name:16} {len(pairs):5d} pairs, {years:g} years {seconds:8.3f} s of CPU  "
            f"{len(found)} approaches within 5 km, {lasting} lasting"
        )
