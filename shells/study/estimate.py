"""What a study will take before it runs: time, memory and disk, from a short calibration on this machine.

A few objects of the study's own debris are moved, averaged and searched for a short while. Time goes with objects and
years, and that of averages with layouts; memory with the nodes of the objects of one block; disk with the approaches
found.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.approaches.search import find_approaches
from shells.constants import DAY, YEAR
from shells.schema import APPROACHES
from shells.study import block, decision
from shells.study.cases import cut, expand, layouts_of, scenarios_of
from shells.study.configuration import Study
from shells.study.stacked import Stacked
from shells.study.stream import Workers

#: The calibration: so many debris objects for so long [Julian years], at most.
_OBJECTS, _YEARS = 300, 1.0

#: Numbers that one object has at one node while its block is worked on: elements, rates, and copies of both.
_NUMBERS_PER_NODE = 40

#: Numbers of an orbit at one node: elements and rates.
_NUMBERS_OF_ORBIT = 12

#: What a worker holds before it has any objects: Python, libraries and compiled kernels [GB].
_WORKER_GB = 0.45


@dataclass(frozen=True)
class Estimate:
    """What a study will take.

    Parameters
    ----------
    cases, blocks : int
        In all.
    satellites, debris : int
        Objects of one case.
    workers : Workers
        Who shares the blocks.
    core_seconds : float
        Time on one core of this machine [s].
    longest_block_seconds : float
        Of the longest block, which a walltime has to hold [s].
    worker_gb, disk_gb : float
        Memory of one worker, and of the store [GB].
    """

    cases: int
    blocks: int
    satellites: int
    debris: int
    workers: Workers
    core_seconds: float
    longest_block_seconds: float
    worker_gb: float
    disk_gb: float


def workers_of(study: Study) -> Workers:
    """Return the workers that a study asks for: those of its `[cluster]`, else of its `[run]` table.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    Workers
        A thread works on a block at a time.
    """
    if study.cluster:
        return Workers(study.cluster.jobs * study.cluster.processes, study.cluster.jobs * study.cluster.cores)
    return Workers(study.run.workers if study.run.engine == "processes" else 1, study.run.workers)


def estimate(study: Study, debris: xr.Dataset | None) -> Estimate:
    """Calibrate on a few objects and carry the result to the whole study.

    Parameters
    ----------
    study : Study
        The study.
    debris : Objects (object) or None
        Its debris.

    Returns
    -------
    Estimate
    """
    count = debris.sizes["object"] if debris is not None else 0
    cases, blocks, layouts = len(expand(study)), len(cut(study, count)), len(layouts_of(study))
    scenarios = len(scenarios_of(study))
    costs = _calibrated(study, debris)
    fleet = layouts * costs.layout + cases / scenarios * costs.assessment
    group = count * (costs.move + (layouts + 1) * costs.average)
    searched = costs.fleet_search + count * costs.search  # under the first scenario only
    own = (layouts * costs.layout + costs.fleet_move) * (count > 0)  # what each process moves for itself
    largest = min(study.run.objects_per_block, count)
    share = largest / count if count else 0.0
    workers = workers_of(study)
    nodes = study.study.years * YEAR.value / DAY.value
    leaders = study.fleet.planes * min(layouts + 1, block.LAYOUTS_KEPT) * (count > 0)
    kept = _NUMBERS_OF_ORBIT * leaders / block.AVERAGE_EVERY
    approaches = costs.fleet_found + count * costs.found
    rates = scenarios * count * (layouts + 1) * (len(study.approaches.within_km) + 2)
    return Estimate(
        cases=cases,
        blocks=blocks,
        satellites=study.satellites,
        debris=count,
        workers=workers,
        core_seconds=scenarios * (fleet + group + workers.processes * own) + searched,
        longest_block_seconds=max(fleet + costs.fleet_search, share * (group + count * costs.search) + own),
        worker_gb=_WORKER_GB + 8e-9 * nodes * (_NUMBERS_PER_NODE * (largest + study.satellites) + kept),
        disk_gb=8e-9 * (approaches * len(APPROACHES.variables) + rates),
    )


class _Costs(NamedTuple):
    """Core seconds over the whole study: of one layout, one case, the fleet, one object; and approaches found."""

    layout: float
    assessment: float
    fleet_move: float
    fleet_search: float
    fleet_found: float
    move: float
    average: float
    search: float
    found: float


def _calibrated(study: Study, debris: xr.Dataset | None) -> _Costs:
    """Measure on a few objects over a short while, once for the compiler and once for the clock."""
    years = min(study.study.years, _YEARS)
    trial = study.model_copy(update={"study": study.study.model_copy(update={"years": years})})
    longer = study.study.years / years
    layouts = layouts_of(trial)
    scenario, case = scenarios_of(trial)[0], expand(trial)[len(layouts) // 2]
    sample = None if debris is None else debris.isel(object=_evenly(debris.sizes["object"]))
    for _ in range(2):
        clock = _Clock()
        fleet = block.fleet_of(trial, case.layout, scenario)
        leaders = block.move(trial, scenario, block.leaders_of(fleet))
        stacked = Stacked.of(leaders, satellites=trial.fleet.satellites_per_plane, within_km=trial.search_km)
        layout = clock.lap()
        decision.assess(trial, case, stacked)
        assessment = clock.lap()
        orbits = block.move(trial, scenario, fleet)
        fleet_move = clock.lap()
        itself = find_approaches(orbits, within_km=trial.search_km).sizes["approach"]
        fleet_search = fleet_move + clock.lap()
        if sample is None:
            costs = _Costs(layout, assessment, fleet_move, fleet_search, itself, 0.0, 0.0, 0.0, 0.0)
            continue
        moved = block.move(trial, scenario, sample)
        move = clock.lap()
        block.averaged(trial, block.thinned(leaders), block.thinned(moved))
        average = clock.lap()
        found = find_approaches(orbits, moved, within_km=trial.search_km).sizes["approach"]
        objects = (cost / sample.sizes["object"] for cost in (move, average, clock.lap(), float(found)))
        costs = _Costs(layout, assessment, fleet_move, fleet_search, itself, *objects)
    return _Costs(*(longer * cost for cost in costs))


def _evenly(count: int) -> NDArray[np.int64]:
    """Return positions spread over so many objects."""
    return np.unique(np.linspace(0, count - 1, min(_OBJECTS, count)).astype(np.int64))


class _Clock:
    """Core seconds between laps."""

    def __init__(self) -> None:
        self.last = time.process_time()

    def lap(self) -> float:
        """Return the time since the last lap [s]."""
        before, self.last = self.last, time.process_time()
        return self.last - before
