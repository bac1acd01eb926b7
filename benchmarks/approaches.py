"""How fast motion and search are, beside the everyday alternative of stepping everything."""

import resource
import time

import shells
from benchmarks.stepping import brute_force

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
