"""The task that a worker runs: one block, computed and written."""

from __future__ import annotations

import time
from contextlib import nullcontext

import xarray as xr
from distributed import get_worker

from shells.cores import one_core
from shells.errors import StoreError
from shells.study import engines, provenance
from shells.study.cases import Block, Layout, Scenario, scenarios_of
from shells.study.configuration import Study
from shells.study.engines import Version
from shells.study.found import count
from shells.study.kept import kept
from shells.study.store import RunDirectory
from shells.study.summary import start_of


def debris_group(scenario: Scenario) -> str:
    """Return where in the store the debris of a scenario is kept: by its seed, for the Sun moves all alike."""
    return f"inputs/{scenario.seed}/debris"


class RefusedHere(StoreError):
    """A worker cannot use the run directory: perhaps the fault of its host alone.

    Parameters
    ----------
    words : str
        What it found.
    """

    #: Where: the name of its host, and the address of the worker.
    host = worker = ""


def perform(version: Version, place: RunDirectory, study: Study, block: Block, searched: Layout | None) -> None:
    """Compute a block where a worker runs: what is handed to dask.

    Parameters
    ----------
    version : (str, str or None)
        Version and commit of the library where the run is led.
    place, study, block, searched
        As of `compute_block`.

    Raises
    ------
    EngineError
        The worker has another version of the library.
    RefusedHere
        Debris cannot be read, or the block cannot be written.
    """
    host = provenance.host()
    engines.refuse_other_versions(version, {host: engines.version()})
    if place.is_done(block):  # a worker that died took with it the news that it was
        return
    try:
        compute_block(place, study, block, searched)
    except StoreError as error:
        refused = RefusedHere(f"on {host}: {error}")
        refused.host, refused.worker = host, get_worker().address
        raise refused from error


def compute_block(place: RunDirectory, study: Study, block: Block, searched: Layout | None) -> None:
    """Compute one block and write it: the task that a worker runs.

    Parameters
    ----------
    place : RunDirectory
        Where it is written, and where debris is read.
    study : Study
        The study.
    block : Block
        Which block.
    searched : Layout or None
        The layout whose approaches are searched; None for the first block, which chooses it.

    Raises
    ------
    StoreError
        Debris cannot be read, or the block cannot be written.
    """
    from shells.study.block import compute_debris_block, compute_fleet_block

    begun = time.perf_counter()
    scenario = scenarios_of(study)[block.scenario]
    debris = None
    with nullcontext() if searched is None else one_core():  # the first block runs alone
        if block.kind == "fleet":
            datasets = compute_fleet_block(study, scenario)
        else:
            debris = debris_of(place, scenario).isel(object=slice(block.first, block.last))
            datasets = compute_debris_block(study, scenario, debris, searched if scenario.number == 0 else None)
        if "approaches" in datasets:
            datasets["found"] = count(datasets["approaches"], debris, start=start_of(study), years=study.study.years)
    with place.writing():
        place.write_block(
            block,
            datasets,
            seconds=time.perf_counter() - begun,
            commit=provenance.commit(),
            host=provenance.host(),
        )


def debris_of(place: RunDirectory, scenario: Scenario) -> xr.Dataset:
    """Return the debris of a scenario, read once by each process.

    Parameters
    ----------
    place : RunDirectory
        The run.
    scenario : Scenario
        Which.

    Returns
    -------
    Dataset
        OBJECTS.

    Raises
    ------
    StoreError
        It is missing or damaged.
    """
    group = debris_group(scenario)
    try:
        return _debris(place, group, (place.store / group / "zarr.json").read_bytes())
    except OSError:
        return place.read(group)  # says what is wrong


@kept
def _debris(place: RunDirectory, group: str, head: bytes) -> xr.Dataset:
    """Return the debris of a run; its checksum, in `head`, tells it from that of an older run in the same place."""
    return place.read(group)
