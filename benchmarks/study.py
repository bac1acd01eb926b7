"""What it costs to run a study: beside the blocks themselves, with a second worker, and in memory.

Blocks are those of `configs/cluster.toml`, ten years of 500 objects in 12 layouts;
``python -m benchmarks study:100000`` takes 100,000 objects in place of 20,000.
"""

from __future__ import annotations

import re
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from shells.cores import one_core
from shells.study import engines
from shells.study.block import compute_debris_block
from shells.study.cases import layouts_of, scenarios_of
from shells.study.configuration import load_study
from shells.study.runner import run
from shells.study.store import RunDirectory
from shells.study.task import compute_block, debris_of

STUDY = Path(__file__).parents[1] / "configs" / "cluster.toml"

#: Blocks that are timed.
BLOCKS = 16


def study_of(count: int, directory: Path) -> Any:
    """Return the study for clusters with so many debris objects, without its cluster."""
    text = STUDY.read_text().partition("\n[cluster]")[0].replace("count = 20000", f"count = {count}")
    path = directory / "study.toml"
    path.write_text(text)
    return load_study(path)


def main(objects: int = 20_000) -> None:
    """Print overhead a block, speed of a second worker, and memory of a worker."""
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        study = study_of(objects, directory)
        seconds = {}
        for workers in (1, 2):
            processes = study.run.model_copy(update={"engine": "processes", "workers": workers})
            with engines.own(study.model_copy(update={"run": processes}), directory) as client:
                place = run(study, client, directory=directory / str(workers), blocks=range(0, 1 + workers))  # warm
                begun, own = time.perf_counter(), time.process_time()
                last = 1 + workers + BLOCKS
                run(study, client, directory=directory / str(workers), blocks=range(1 + workers, last))
                seconds[workers] = time.perf_counter() - begun
                led = (time.process_time() - own) / BLOCKS
                peak = max(client.run(peak_memory).values())
            print(
                f"{workers} worker(s): {seconds[workers]:6.1f} s for {BLOCKS} blocks of {study.run.objects_per_block} "
                f"objects, {study.study.years:g} years; peak {peak:.2f} GB a worker; leading and its start "
                f"{1e3 * led:.0f} ms a block"
            )
        print(f"a second worker: {seconds[1] / seconds[2]:.2f} times the speed")
        computed, whole = block_costs(study, place)
        print(f"a block: {computed:.2f} s of CPU, {whole - computed:.3f} s more to read and write: ", end="")
        print(f"{100.0 * (whole - computed + led) / computed:.1f} % with leading")


def block_costs(study: Any, place: RunDirectory) -> tuple[float, float]:
    """Return the CPU time of the computing of a block, and of the whole task [s]."""
    scenario, layout = scenarios_of(study)[0], layouts_of(study)[0]
    debris = debris_of(place, scenario)
    warm, *blocks = place.blocks(study, debris.sizes["object"])[-BLOCKS - 1 :]
    compute_block(place, study, replace(warm, number=90_000), layout)
    begun = time.process_time()
    with one_core():
        for block in blocks:
            compute_debris_block(study, scenario, debris.isel(object=slice(block.first, block.last)), layout)
    computed = time.process_time() - begun
    begun = time.process_time()
    for block in blocks:
        compute_block(place, study, replace(block, number=90_000 + block.number), layout)
    return computed / BLOCKS, (time.process_time() - begun) / BLOCKS


def peak_memory() -> float:
    """Return the greatest memory that this process has held [10^9 bytes]."""
    found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    return 1024 * int(found.group(1)) / 1e9 if found else float("nan")
