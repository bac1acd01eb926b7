"""What ten years of close approaches cost: stage by stage, beside stepping, and how it grows.

``python -m benchmarks approaches:2500:2`` takes 2,500 objects and two years in place of 25,000 and ten.
"""

from __future__ import annotations

import resource
import tempfile
import threading
import time
from collections.abc import Iterator
from typing import Any

import dask
import numpy as np
import xarray as xr
from sgp4.api import SatrecArray

import shells
from benchmarks.motion import WORKERS, as_satellites
from benchmarks.stepping import brute_force, minimise, step_through
from shells import constants
from shells.approaches import search
from shells.approaches.kernels import COLUMNS
from shells.approaches.relative_motion.search import search_pairs
from shells.motion.propagation import element_array, field_of, node_clock, rate_array
from shells.schema import APPROACHES

DAY, YEAR = constants.DAY.value, constants.YEAR.value
WITHIN = 5.0
STEP = 10.0

#: Refinement and record of an approach [s], what is taken off to see the rest grow.
PER_APPROACH = 2e-6

#: Approaches are stored in chunks of so many rows.
CHUNK = 262_144


def held_fleet(planes: int = 10, satellites: int = 60) -> Any:
    """Return a stacked, frozen, held star fleet."""
    fleet = shells.walker(
        total=planes * satellites, planes=planes, pattern="star", altitude_km=1060.0, inclination_deg=86.5
    )
    fleet = shells.freeze(shells.stack(fleet, step_km=3.0))
    size = fleet.sizes["object"]
    return fleet.assign(
        held_from=fleet["held_from"].copy(data=np.full(size, fleet["epoch"].values)),
        held_until=fleet["held_until"].copy(data=np.full(size, np.datetime64("2200-01-01", "ns"))),
    )


def stored(blocks: Iterator[Any], path: str) -> tuple[int, float]:
    """Store approaches as they come, whole chunks at a time; return their number and the seconds that storing took."""
    waiting: list[Any] = []
    count = written = 0
    taken = 0.0

    def store(everything: bool) -> None:
        nonlocal written, waiting
        joined = xr.concat(waiting, "approach") if len(waiting) > 1 else waiting[0]
        size = joined.sizes["approach"] if everything else joined.sizes["approach"] // CHUNK * CHUNK
        part, waiting = joined.isel(approach=slice(0, size)), [joined.isel(approach=slice(size, None))]
        if written:
            part.to_zarr(path, append_dim="approach", consolidated=False)
        else:
            encoding = {name: {**kept, "chunks": (CHUNK,)} for name, kept in APPROACHES.encoding(part).items()}
            part.to_zarr(path, mode="w", encoding=encoding, consolidated=False)
        written += size

    for approaches in blocks:
        begun = time.perf_counter()
        waiting.append(approaches)
        count += approaches.sizes["approach"]
        if count - written >= CHUNK:
            store(everything=False)
        taken += time.perf_counter() - begun
    begun = time.perf_counter()
    if count > written:
        store(everything=True)
    return count, taken + time.perf_counter() - begun


class Gauge:
    """Adds up the time that threads spend in the stages of a block."""

    def __init__(self) -> None:
        self.seconds = {"motion": 0.0, "search and refinement": 0.0}
        self._lock = threading.Lock()

    def timed(self, stage: str, function: Any) -> Any:
        """Return the function, with its time of the calling thread added to a stage."""

        def called(*arguments: Any, **options: Any) -> Any:
            begun = time.thread_time()
            try:
                return function(*arguments, **options)
            finally:
                with self._lock:
                    self.seconds[stage] += time.thread_time() - begun

        return called


def run(fleet: Any, debris: Any, years: float, gauge: Gauge | None = None) -> tuple[int, float, float]:
    """Return the number of approaches, and seconds in all and for storing, debris against a fleet."""
    begun = time.perf_counter()
    orbits, others = shells.propagate(fleet, years=years), shells.propagate(debris, years=years)
    kept = search._Others.part, search._search
    if gauge is not None:
        search._Others.part = gauge.timed("motion", kept[0])  # type: ignore[method-assign]
        search._search = gauge.timed("search and refinement", kept[1])
    try:
        with tempfile.TemporaryDirectory() as folder, dask.config.set(num_workers=WORKERS):
            count, storing = stored(search.approaches_by_block(orbits, others, within_km=WITHIN), f"{folder}/a.zarr")
    finally:
        search._Others.part, search._search = kept  # type: ignore[method-assign]
    return count, time.perf_counter() - begun, storing


def searched(fleet: Any, debris: Any, years: float) -> tuple[int, float, float]:
    """Return the number of approaches, and processor seconds of the search and of laying out the orbits for it."""
    orbits = shells.propagate(fleet, years=years).compute(scheduler="threads")
    others = shells.propagate(debris, years=years).compute(scheduler="threads")
    times = [time.process_time()]
    search._plan(orbits, others, WITHIN)
    times.append(time.process_time())
    count = sum(a.sizes["approach"] for a in search.approaches_by_block(orbits, others, within_km=WITHIN))
    laying = times[1] - times[0]
    return count, time.process_time() - times[1] - laying, laying


def stepping(fleet: Any, debris: Any, steps: int = 30) -> tuple[float, float, int]:
    """Return seconds a step of sgp4 and of the k-d tree with refinement, and the approaches of the slice."""
    sides = [as_satellites(objects) for objects in (fleet, debris)]
    moving = [0.0]

    def states_of(satellites: SatrecArray) -> Any:
        def at(seconds: float) -> np.ndarray:
            begun = time.perf_counter()
            _, r, v = satellites.sgp4(np.array([2_433_281.5 + 28_000.5]), np.array([seconds / DAY]))
            moving[0] += time.perf_counter() - begun
            return np.concatenate([r[:, 0], v[:, 0]], axis=1)

        return at

    first, second = (states_of(SatrecArray(side)) for side in sides)
    end = steps * STEP
    begun = time.perf_counter()
    candidates = np.concatenate(list(step_through(first, second, end=end, step=STEP, within_km=WITHIN)))

    def distance(rows: np.ndarray, columns: np.ndarray, times: np.ndarray) -> np.ndarray:
        apart = []
        for row, column, seconds in zip(rows, columns, times, strict=True):
            day, rest = 2_433_281.5 + 28_000.5, seconds / DAY
            apart.append(np.subtract(sides[1][int(column)].sgp4(day, rest)[1], sides[0][int(row)].sgp4(day, rest)[1]))
        return np.linalg.norm(np.array(apart).reshape(-1, 3), axis=1)

    never = np.full(len(candidates), np.inf)  # nothing counts as lasting
    found = minimise(distance, candidates, end=end, step=STEP, within_km=WITHIN, periods=never)
    taken = time.perf_counter() - begun
    return moving[0] / (steps + 1), (taken - moving[0]) / (steps + 1), len(found)


def slice_agrees(fleet: Any, debris: Any, days: float = 0.02) -> tuple[int, int]:
    """Return how many approaches the search finds in a slice, and how many of them stepping finds at the same times."""
    orbits, others = (shells.propagate(o, years=1.0 / 365.25) for o in (fleet, debris))
    ours = shells.find_approaches(orbits, others, within_km=WITHIN)
    seconds = (ours["time"].values - orbits["time"].values[0]).astype(np.int64) * 1e-9
    mine = sorted(
        (int(a), int(b), float(t))
        for a, b, t in zip(ours["first"].values, ours["second"].values, seconds, strict=True)
        if t < days * DAY
    )
    stepped = brute_force(orbits, others, within_km=WITHIN, days=days)
    twin = sorted((int(a), int(b), float(t)) for a, b, t, *_ in stepped)
    agree = sum(m[:2] == t[:2] and abs(m[2] - t[2]) < 1e-3 for m, t in zip(mine, twin, strict=False))
    return len(mine), agree if len(mine) == len(twin) else -1


def growth(count: int, years: float) -> None:
    """Print how the search grows with satellites, debris, years and planes."""
    debris = shells.demo_debris(count=count, seed=1, epoch=held_fleet(1, 1)["epoch"].values)
    fleets = {number: held_fleet(10, number) for number in (10, 30, 100)}
    print(f"search alone, {count} debris objects, {years:g} years, 10 planes; processor seconds")
    for number, fleet in fleets.items():
        found, taken, laying = searched(fleet, debris, years)
        rest = taken - PER_APPROACH * found
        print(
            f"    {number:4d} satellites a plane {found:9d} approaches {taken:8.2f} s, "
            f"less {1e6 * PER_APPROACH:g} us an approach {rest:8.2f} s; laying out orbits {laying:8.2f} s",
            flush=True,
        )
    for what, cases in (
        ("debris", [(10, count // share, years) for share in (4, 2, 1)]),
        ("years", [(10, count, years / share) for share in (4, 2, 1)]),
        ("planes", [(planes, count, years) for planes in (5, 10, 20)]),
    ):
        for planes, objects, span in cases:
            found, taken, _ = searched(held_fleet(planes, 60), debris.isel(object=slice(0, objects)), span)
            print(
                f"    {what:8s} {planes:3d} planes {objects:6d} objects {span:6.2f} years "
                f"{found:9d} approaches {taken:8.2f} s",
                flush=True,
            )


def main(count: int = 25_000, years: int = 10) -> None:
    """Print the table."""
    fleet = held_fleet()
    debris = shells.demo_debris(count=count, seed=1, epoch=fleet["epoch"].values)
    run(fleet.isel(object=slice(0, 2)), debris.isel(object=slice(0, 4)), 0.1)

    gauge = Gauge()
    begun = time.process_time()
    found, taken, storing = run(fleet, debris, years, gauge)
    busy = time.process_time() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"{count} debris objects, 10 x 60 satellites held, {years} years, within {WITHIN:g} km, {WORKERS} threads")
    print(
        f"    in all                     {taken:10.1f} s   {busy:.1f} core seconds, {found} approaches stored, "
        f"peak memory {peak:.2f} GB"
    )
    for stage, seconds in gauge.seconds.items():
        print(f"    {stage:26s} {seconds / WORKERS:10.1f} s   {seconds:.1f} core seconds")
    print(f"    storing                    {storing:10.1f} s   {1e6 * storing / max(found, 1):.2f} us an approach")
    nodes = years * YEAR / DAY
    print(
        f"    cannot be avoided: {count * nodes * 12 * 8 / 1e9:.1f} GB of orbits written and read once, "
        f"{found * (COLUMNS + 2) * 8 / 1e9:.2f} GB of approaches, {found * 4 / 1e6:.0f} million states"
    )

    move, tree, near = stepping(fleet, debris)
    whole = (move + tree) * years * YEAR / STEP
    print(f"stepping with sgp4 and a k-d tree every {STEP:g} s, measured slice extrapolated")
    print(f"    {1e3 * move:.1f} ms + {1e3 * tree:.1f} ms a step, {near} approaches in the slice: {whole:.0f} s")
    print(f"    {whole / taken:.0f} times as long")
    mine, agree = slice_agrees(fleet, debris)
    print(f"    slice on our own trajectories: {mine} approaches, {agree} of them found by stepping to 1 ms")
    growth(max(count // 25, 100), min(years, 2))


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
