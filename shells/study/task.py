"""The task that a worker runs: one block, computed and written."""

from __future__ import annotations

import time
from functools import lru_cache

import xarray as xr

from shells import __version__
from shells.study import provenance
from shells.study.cases import Block
from shells.study.configuration import Study
from shells.study.engines import EngineError
from shells.study.found import count
from shells.study.store import RunDirectory
from shells.study.summary import start_of

DEBRIS = "inputs/debris"


def perform(version: str, place: RunDirectory, study: Study, block: Block, case: int | None) -> None:
    """Compute a block where a worker runs: what is handed to dask.

    Parameters
    ----------
    version : str
        Version of the library where the run is led.
    place, study, block, case
        As of `compute_block`.

    Raises
    ------
    EngineError
        The worker has another version of the library.
    """
    if version != __version__:
        raise EngineError(
            f"the worker on {provenance.host()} has version {__version__} of shells, and this run {version}; results "
            "of two versions are not mixed. Install the same version there."
        )
    if not place.is_done(block):  # a worker that died took with it the news that it was
        compute_block(place, study, block, case)


def compute_block(place: RunDirectory, study: Study, block: Block, case: int | None) -> None:
    """Compute one block and write it: the task that a worker runs.

    Parameters
    ----------
    place : RunDirectory
        Where it is written, and where debris is read.
    study : Study
        The study.
    block : Block
        Which block.
    case : int or None
        The case whose approaches are searched; None for the fleet block, which chooses it.

    Raises
    ------
    StoreError
        Debris cannot be read, or the block cannot be written.
    """
    from shells.study.block import compute_debris_block, compute_fleet_block

    begun = time.perf_counter()
    debris = None
    if case is None:
        datasets = compute_fleet_block(study)
    else:
        debris = debris_of(place).isel(object=slice(block.first, block.last))
        datasets = compute_debris_block(study, debris, case)
    found = count(datasets["approaches"], debris, start=start_of(study), years=study.study.years)
    with place.writing():
        place.write_block(
            block,
            {**datasets, "found": found},
            seconds=time.perf_counter() - begun,
            version=__version__,
            commit=provenance.commit(),
            host=provenance.host(),
        )


def debris_of(place: RunDirectory) -> xr.Dataset:
    """Return the debris of a run, read once by each worker.

    Parameters
    ----------
    place : RunDirectory
        The run.

    Returns
    -------
    Dataset
        OBJECTS.

    Raises
    ------
    StoreError
        It is missing or damaged.
    """
    try:
        return _debris(place, (place.store / DEBRIS / "zarr.json").read_bytes())
    except OSError:
        return place.read(DEBRIS)  # says what is wrong


@lru_cache(maxsize=1)
def _debris(place: RunDirectory, head: bytes) -> xr.Dataset:
    """Return the debris of a run; its checksum, in `head`, tells it from that of an older run in the same place."""
    return place.read(DEBRIS)
