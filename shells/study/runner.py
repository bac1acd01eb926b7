"""Running a study: blocks on dask, each computed and written by one task, only what is missing.

Failures are data: a block that fails is written to the log with its error, the others go on, and the run ends with one
error that names them. What is done stays; the same call again goes on from there.
"""

from __future__ import annotations

import logging
import signal
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import FrameType
from typing import Any

import xarray as xr

from shells import __version__
from shells.errors import ShellsError
from shells.study import population, provenance
from shells.study.cases import Block, Layout, Scenario, expand, scenarios_of, searched_case
from shells.study.configuration import Study, load_study
from shells.study.found import count, total
from shells.study.store import DEFAULT_ROOT, RunDirectory
from shells.study.summary import start_of, summarise


def debris_group(scenario: Scenario) -> str:
    """Return where in the store the debris of a scenario is kept: by its seed, for the Sun moves all alike."""
    return f"inputs/{scenario.seed}/debris"


class BlocksFailed(ShellsError):
    """Some blocks of a run failed; the others are done and kept."""


class Stopped(KeyboardInterrupt):
    """A run was stopped by a signal; what is done is kept."""


@dataclass(frozen=True)
class Event:
    """Something that a run has to tell.

    Parameters
    ----------
    name : str
        "begin", "note", "block", "failed", "stopped" or "end".
    text : str
        What happened, in words.
    done, total : int
        Blocks done and blocks in all; both 0 before that is known.
    """

    name: str
    text: str
    done: int = 0
    total: int = 0


Progress = Callable[[Event], None]


def run(
    study: Study | str | Path,
    client: Any = None,
    *,
    directory: str | Path | None = None,
    progress: Progress | None = None,
) -> RunDirectory:
    """Run a study, or what is missing of it.

    Parameters
    ----------
    study : Study, str or Path
        The study or its file.
    client : dask.distributed.Client, optional
        Where to run the blocks; its workers must reach the run directory. By default workers on this machine as the
        study's `[run]` table says.
    directory : str or Path, optional
        Where run directories are kept, by default "runs".
    progress : callable, optional
        Called with each `Event`.

    Returns
    -------
    RunDirectory
        With decision, planes, counts and summary written.

    Raises
    ------
    StoreError
        The run directory cannot be used.
    BlocksFailed
        Some blocks failed.
    Stopped
        Ctrl-C or SIGTERM.
    """
    study = study if isinstance(study, Study) else load_study(study)
    place = RunDirectory(Path(directory or DEFAULT_ROOT) / study.name)
    place.make()
    with place.locked() as note:
        changed = place.begin(study, engine="client" if client is not None else study.run.engine)
        try:
            _Run(study, place, client, progress or (lambda event: None)).whole("; ".join(filter(None, (note, changed))))
        finally:
            place.end()
    return place


class _Run:
    """One session of a run."""

    def __init__(self, study: Study, place: RunDirectory, client: Any, progress: Progress):
        self.study = study
        self.place = place
        self.client = client
        self.progress = progress
        self.blocks: tuple[Block, ...] = ()
        self.done = 0
        self.failures: list[str] = []

    def whole(self, note: str) -> None:
        """Load, compute, conclude; always leave a true log."""
        self.tell("begin", f"run {self.study.name} in {self.place.path}")
        if note:
            self.tell("note", note)
        try:
            with _signals_raise():
                populations = [self.load_debris(scenario) for scenario in scenarios_of(self.study)]
                debris = populations[0]
                count = debris.sizes["object"] if debris is not None else 0
                self.blocks = self.place.blocks(self.study, count)
                self.done = sum(map(self.place.is_done, self.blocks))
                self.compute()
                if not self.failures:
                    self.conclude(debris)
        except KeyboardInterrupt:
            self.done = sum(map(self.place.is_done, self.blocks))  # some may have ended while the workers were stopped
            text = f"{self.progress_text()} and kept in {self.place.path}. Run the same command again to go on."
            self.tell("stopped", text)
            raise Stopped(f"stopped: {text}") from None
        except ShellsError as error:
            self.tell("failed", str(error))
            raise
        if self.failures:
            raise BlocksFailed(
                f"{self.place.path}: {self.progress_text()}, {len(self.failures)} failed:\n"
                + "\n".join(f"  - {failure}" for failure in self.failures)
                + f"\nThe whole errors are in {self.place.log_file}. Mend the cause and run the same command again: "
                "only what is missing is computed."
            )
        self.tell("end", self.progress_text())

    def load_debris(self, scenario: Scenario) -> xr.Dataset | None:
        """Return the debris of a scenario, read or drawn once and then kept with the run."""
        if self.study.debris is None:
            return None
        group = debris_group(scenario)
        if not self.place.holds(group):
            debris = population.load(self.study, scenario.seed)
            self.place.write(group, debris)
            self.tell("note", f"{debris.sizes['object']} debris objects")
        return self.place.read(group)

    def compute(self) -> None:
        """Compute the missing blocks: first that of the fleet which chooses the case that the others search."""
        missing = [block for block in self.blocks if not self.place.is_done(block)]
        if not missing:
            return
        with _workers(self.study, self.client) as client:
            self.submit(client, [block for block in missing if block.number == 0], None)
            if not self.failures:
                self.submit(client, [block for block in missing if block.number > 0], self.searched_layout())

    def searched_layout(self) -> Layout:
        """Return the layout of the case that the first block chose."""
        decided = self.place.read_block(self.blocks[0], "decision")["decision"]
        return expand(self.study)[searched_case(decided)].layout

    def submit(self, client: Any, blocks: list[Block], searched: Layout | None) -> None:
        """Run blocks on the workers and take note of each as it ends."""
        from distributed import as_completed

        place = RunDirectory(self.place.path.absolute())
        futures = {
            client.submit(compute_block, place, self.study, block, searched, pure=False): block for block in blocks
        }
        try:
            for future in as_completed(futures):
                self.take_note(future, futures[future])
                future.release()
        finally:
            client.cancel(list(futures))

    def take_note(self, future: Any, block: Block) -> None:
        """Log how a block ended."""
        error = future.exception()
        if error is None:
            self.done += 1
            self.tell("block", f"block {block.number}: {future.result():.2g} s", block=block.number)
            return
        text = f"block {block.number}: {type(error).__name__}: {error}"
        self.failures.append(text)
        self.tell("failed", text, block=block.number, traceback="".join(traceback.format_exception(error)))

    def conclude(self, debris: xr.Dataset | None) -> None:
        """Write what rests on all blocks: decision, planes, counts, summary."""
        from shells.study.decision import assemble

        place = self.place
        kinds = {kind: [block for block in self.blocks if block.kind == kind] for kind in ("fleet", "debris")}
        fleet = [place.read_block(block, "decision", "planes", "sensitivity") for block in kinds["fleet"]]
        rates = ((block.scenario, place.read_block(block, "rates", "collisions")) for block in kinds["debris"])
        decision = assemble(self.study, fleet, rates)
        found = total(place.read_block(block, "found")["found"] for block in self.blocks if block.scenario == 0)
        for name, dataset in {**fleet[0], "decision": decision, "found": found}.items():
            place.write(name, dataset)
        place.write_json(
            "summary.json",
            summarise(
                self.study,
                decision,
                fleet[0]["sensitivity"],
                found,
                debris,
                place.manifest(),
                searched=searched_case(fleet[0]["decision"]),
            ),
        )

    def tell(self, event: str, text: str, **facts: Any) -> None:
        """Write an event to the log and hand it on."""
        self.place.log(event, text=text, done=self.done, total=len(self.blocks), **facts)
        self.progress(Event(event, text, self.done, len(self.blocks)))

    def progress_text(self) -> str:
        """Return how much is done, in words."""
        return f"{self.done} of {len(self.blocks)} blocks done" if self.blocks else "no block done yet"


def compute_block(place: RunDirectory, study: Study, block: Block, searched: Layout | None) -> float:
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

    Returns
    -------
    float
        Time it took [s].
    """
    from shells.study.block import compute_debris_block, compute_fleet_block

    begun = time.perf_counter()
    scenario = scenarios_of(study)[block.scenario]
    debris = None
    if block.kind == "fleet":
        datasets = compute_fleet_block(study, scenario)
    else:
        group = debris_group(scenario)
        written = (place.store / group / "zarr.json").stat().st_mtime_ns
        debris = _debris(place, group, written).isel(object=slice(block.first, block.last))
        datasets = compute_debris_block(study, scenario, debris, searched if scenario.number == 0 else None)
    if "approaches" in datasets:
        datasets["found"] = count(datasets["approaches"], debris, start=start_of(study), years=study.study.years)
    seconds = time.perf_counter() - begun
    place.write_block(
        block, datasets, seconds=seconds, version=__version__, commit=provenance.commit(), host=provenance.host()
    )
    return seconds


@lru_cache(maxsize=1)
def _debris(place: RunDirectory, group: str, written: int) -> xr.Dataset:
    """Return the debris of a run, read once by each worker; when it was written tells it from that of an older run."""
    return place.read(group)


@contextmanager
def _workers(study: Study, client: Any) -> Iterator[Any]:
    """Lend a client, or make one with workers on this machine."""
    if client is not None:
        yield client
        return
    from distributed import Client, LocalCluster

    options: dict[str, Any] = (
        {"n_workers": 1, "threads_per_worker": study.run.workers, "processes": False, "memory_limit": 0}
        if study.run.engine == "threads"
        else {"n_workers": study.run.workers, "threads_per_worker": 1, "preload": "shells.study.worker"}
    )
    # without an address distributed takes port 8787 even when it shows nothing there, and warns when two runs meet
    quiet = {"dashboard_address": "127.0.0.1:0", "scheduler_kwargs": {"dashboard": False}}
    with ExitStack() as stack:
        with _interrupt_waits():
            cluster = stack.enter_context(LocalCluster(silence_logs=logging.CRITICAL, **quiet, **options))
            own = stack.enter_context(Client(cluster))
        yield own


@contextmanager
def _interrupt_waits() -> Iterator[None]:
    """Keep Ctrl-C until the end: a client interrupted while it starts cannot be closed.

    Threads and processes begun meanwhile inherit that they are not interrupted: the run stops them in good order.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _signals_raise() -> Iterator[None]:
    """Let SIGTERM stop a run as Ctrl-C does; only the main thread can set that up."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
