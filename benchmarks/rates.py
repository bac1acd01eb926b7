"""How fast phase-averaged rates are: a fleet against itself, and against debris chunk by chunk."""

from __future__ import annotations

import resource
import time

import numpy as np

import shells

YEARS = 10.0
WITHIN_KM = [0.01, 1.0, 5.0]


def clocked(function, *arguments, **options):
    """Return the result, the seconds it took and those that all cores were busy."""
    begun, busy = time.perf_counter(), time.process_time()
    result = function(*arguments, **options)
    return result, time.perf_counter() - begun, time.process_time() - busy


def leaders_of(fleet):
    """Return one satellite of each plane, which moves as its plane does."""
    return fleet.isel(object=np.flatnonzero(fleet["slot"].values == 0))


def stacked(planes: int, satellites: int):
    fleet = shells.walker(
        total=planes * satellites, planes=planes, pattern="star", altitude_km=1060.0, inclination_deg=86.5
    )
    return shells.freeze(shells.stack(fleet, step_km=1.0))


def among_itself(fleet, satellites: int):
    """Move one satellite a plane and average; lazy orbits are moved where they are used."""
    orbits = shells.propagate(leaders_of(fleet), years=YEARS)
    return shells.approach_rates(orbits, within_km=WITHIN_KM, satellites=satellites)


def main(counts: tuple[int, ...] = (500, 1000, 2000)) -> None:
    """Time rates of stacked fleets over ten years; compiled kernels are warmed up first."""
    warm = shells.propagate(leaders_of(stacked(2, 4)), years=0.1)
    shells.approach_rates(warm, within_km=WITHIN_KM, satellites=4)
    print(f"{YEARS:g} years, within {', '.join(f'{d:g}' for d in WITHIN_KM)} km, motion included")
    for planes in (10, 25, 50):
        fleet = stacked(planes, 40)
        rates, taken, busy = min((clocked(among_itself, fleet, 40) for _ in range(3)), key=lambda run: run[1])
        number = rates["rate"].sum(["plane", "other_plane"]).values[-1]
        print(
            f"{planes:3d} planes x 40 against themselves {taken:7.2f} s, cores busy {busy:6.2f} s  {number:9.0f} a year"
        )

    fleet = stacked(50, 40)
    orbits = shells.propagate(leaders_of(fleet), years=YEARS).compute(scheduler="threads")
    debris = shells.demo_debris(count=max(counts), seed=1, epoch=fleet["epoch"].values)
    few = shells.propagate(debris.isel(object=slice(0, 20)), years=YEARS)
    shells.approach_rates(orbits, few, within_km=WITHIN_KM, satellites=40)
    print("50 planes x 40 against debris: motion in the same go, and rates alone")
    for count in counts:
        others = shells.propagate(debris.isel(object=slice(0, count)), years=YEARS)
        rates, taken, _ = clocked(shells.approach_rates, orbits, others, within_km=WITHIN_KM, satellites=40)
        moved = others.compute(scheduler="threads")
        _, alone, busy = clocked(shells.approach_rates, orbits, moved, within_km=WITHIN_KM, satellites=40)
        total = shells.total_rate(rates, over=("plane", "kind", "year"))
        print(
            f"{count:6d} objects {taken:7.2f} s, rates {alone:7.2f} s, cores busy {busy:7.2f} s, "
            f"25,000 would take {alone / count * 25_000:6.0f} s  {total['rate'].values[-1]:8.0f} "
            f"± {total['standard_error'].values[-1]:.0f} a year"
        )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2g} GB, moved debris included")
