"""Running a study: blocks on dask, each computed and written by one task, only what is missing.

Failures are data: the error of a block that fails is kept, the others go on, and the run ends with one error that names
them. What is done stays; the same call again goes on from there. A run ends by verifying every block: what is damaged
is set aside and computed anew before anything is concluded from it.
"""

from __future__ import annotations

import math
import time
import traceback
import uuid
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shells.errors import EngineError, InputError, ShellsError, StoreError
from shells.study import engines, population, provenance
from shells.study.batch import Answers
from shells.study.cases import Block, Layout, expand, scenarios_of, searched_case
from shells.study.configuration import Study, load_study
from shells.study.found import total
from shells.study.sessions import Session
from shells.study.stopping import Asked, signals_raise
from shells.study.store import DEFAULT_ROOT, RunDirectory
from shells.study.stream import NOBODY, Stream, Workers
from shells.study.summary import summarise
from shells.study.task import RefusedHere, debris_group, perform
from shells.study.words import by_reason, counted, numbers


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
        "begin", "note", "workers" when their number has changed, "block", "failed", "stopped", "end", or "wait" while
        nothing happens.
    text : str
        What happened, in words.
    done, total : int
        Blocks done and blocks in all; both 0 before that is known.
    failed : int
        Blocks that failed.
    cases : int
        Cases of the study.
    workers : Workers
        Who computes.
    """

    name: str
    text: str
    done: int = 0
    total: int = 0
    failed: int = 0
    cases: int = 0
    workers: Workers = NOBODY


Progress = Callable[[Event], None]

#: How often the workers of one host may be unable to use the run directory before they are sent away, and those of all
#: hosts before the run ends.
REFUSALS_OF_HOST = 3
REFUSALS = 30

#: How large a block is at most on a disk, about [bytes]: what is written to see whether one can be.
PROBE_BYTES = 2**20

#: How often a run that has no workers says so [s].
LACK_SECONDS = 60.0


def run(
    study: Study | str | Path,
    client: Any = None,
    *,
    directory: str | Path | None = None,
    progress: Progress | None = None,
    blocks: range | None = None,
    retry_failed: bool = False,
) -> RunDirectory:
    """Run a study, or what is missing of it.

    Parameters
    ----------
    study : Study, str or Path
        The study or its file.
    client : dask.distributed.Client, optional
        Where to run the blocks; its workers must reach the run directory. By default workers as the study's
        `[cluster]` or `[run]` table says.
    directory : str or Path, optional
        Where run directories are kept, by default "runs".
    progress : callable, optional
        Called with each `Event`.
    blocks : range, optional
        Compute only blocks of these numbers and conclude nothing. Such parts may run at the same time, on machines
        that know nothing of each other; a last whole run concludes. Without a client their workers are as `[run]`
        says, for a part is a job of a batch system itself.
    retry_failed : bool
        Whether to compute blocks again that failed in an earlier session.

    Returns
    -------
    RunDirectory
        With decision, planes, counts and summary written, unless only a part was run.

    Raises
    ------
    StoreError
        The run directory cannot be used.
    EngineError
        Workers cannot be had, or the scheduler was lost.
    InputError
        There are no blocks of these numbers.
    BlocksFailed
        Some blocks failed.
    Stopped
        Ctrl-C or SIGTERM.
    """
    study = study if isinstance(study, Study) else load_study(study)
    place = RunDirectory(Path(directory or DEFAULT_ROOT) / study.name)
    place.make()
    part = f"{blocks.start}:{blocks.stop}" if blocks is not None else ""
    if part:  # a batch job of its own, which is no place to submit others from
        study = study.model_copy(update={"cluster": None})
    engine = "client" if client is not None else study.cluster.system if study.cluster else study.run.engine
    with place.locked(shared=bool(part)) as note:
        session, changed = place.begin(study, part=part, engine=engine)
        try:
            _Run(study, place, session, client, progress or (lambda event: None), blocks).whole(
                "; ".join(filter(None, (note, changed))), retry_failed=retry_failed
            )
        finally:
            with suppress(OSError):  # a full disk has been told of
                session.note_end()
    return place


class _Run:
    """One session of a run."""

    def __init__(
        self,
        study: Study,
        place: RunDirectory,
        session: Session,
        client: Any,
        progress: Progress,
        part: range | None,
    ):
        self.study = study
        self.place = place
        self.session = session
        self.client = client
        self.progress = progress
        self.part = part
        self.far = client is not None or study.cluster is not None  # workers that come and go by themselves
        self.cases = len(expand(study))
        self.all_blocks: tuple[Block, ...] = ()
        self.blocks: tuple[Block, ...] = ()
        self.own: frozenset[Block] = frozenset()
        self.done = 0
        self.failures: dict[Block, str] = {}
        self.workers = NOBODY
        self.lack_told = -math.inf
        self.answers = Answers()
        self.refusals: Counter[str] = Counter()
        self.asked = Asked()

    def whole(self, note: str, *, retry_failed: bool) -> None:
        """Load, compute, conclude; always leave a true log."""
        try:
            self.tell("begin", f"run {self.study.name} in {self.place.path}")
            if note:
                self.tell("note", note)
            with signals_raise() as self.asked:
                self.work(retry_failed)
        except KeyboardInterrupt:
            self.take_stock()  # some may have ended while the workers were stopped
            text = f"{self.progress_text()} and kept in {self.place.path}. Run the same command again to go on."
            self.tell_if_possible("stopped", text)
            raise Stopped(f"stopped: {text}") from None
        except Exception as error:
            self.tell_if_possible("failed", str(error) if isinstance(error, ShellsError) else _in_words(error))
            raise
        if self.failures:
            raise BlocksFailed(self.failures_text())
        self.tell("end", self.progress_text())

    def work(self, retry_failed: bool) -> None:
        """Do all that is missing."""
        self.all_blocks = self.place.blocks(self.study, self.keep_debris())
        self.blocks = self.asked_for()
        self.own = frozenset(self.blocks)
        self.forget_failures_mended()
        self.failures = {} if retry_failed else self.place.failures({*self.blocks, self.all_blocks[0]})
        if self.failures:
            self.tell("note", f"{counted(len(self.failures))} failed earlier; --retry-failed computes them again")
        self.take_stock()
        self.compute()
        self.asked.check()
        if not self.failures and self.part is None:
            self.mend()
        if not self.failures and self.part is None:
            self.conclude()

    def forget_failures_mended(self) -> None:
        """Remove the errors of blocks that are done: a session may have died before it could."""
        kept = {path.stem for path in self.place.failed.glob("*.json")}
        if kept:
            for block in set(self.blocks).difference(self.place.missing(self.blocks)):
                self.place.forget_failure(block)

    def asked_for(self) -> tuple[Block, ...]:
        """Return the blocks of this session."""
        if self.part is None:
            return self.all_blocks
        blocks = self.all_blocks[self.part.start : self.part.stop]
        if not blocks:
            raise InputError(
                f"blocks {self.part.start}:{self.part.stop}: there are none; the study has those from 0 to "
                f"{len(self.all_blocks) - 1}."
            )
        return blocks

    def keep_debris(self) -> int:
        """See that the debris of each seed is kept with the run, read or drawn once; return how many objects it has."""
        if self.study.debris is None:
            return 0
        seeds = {debris_group(scenario): scenario.seed for scenario in scenarios_of(self.study)}
        for group, seed in seeds.items():
            fault = self.place.fault_of(group) if self.place.holds(group) else ""
            if fault:
                self.tell("note", f"the debris was damaged ({fault}): set aside as {self.place.set_aside(group)}")
            if not self.place.holds(group):
                debris = population.load(self.study, seed)
                with self.place.writing():
                    self.place.write_once(group, debris)
                self.tell("note", f"{debris.sizes['object']} debris objects")
        return self.place.size_of(next(iter(seeds)), "object")

    def take_stock(self) -> None:
        """Count the blocks that are done."""
        self.done = len(self.blocks) - len(self.place.missing(self.blocks))

    def compute(self) -> None:
        """Compute the missing blocks: first that of the fleet which chooses the case that the others search."""
        missing = [block for block in self.place.missing(self.blocks) if block not in self.failures]
        if not missing:
            return
        first = self.all_blocks[0]
        with self.lent_client() as client:
            self.compute_first(client, first)
            if first not in self.failures:
                layout = self.searched_layout()
                self.submit(client, {block: layout for block in missing if block != first})

    @contextmanager
    def lent_client(self) -> Iterator[Any]:
        """Lend the client that was given, or one with workers as the study asks for them."""
        with ExitStack() as stack:
            client = self.client or stack.enter_context(
                engines.own(self.study, self.place.path.absolute() / "jobs", self.answers)
            )
            if self.far and (dashboard := engines.dashboard_of(client)):
                self.tell("note", f"dashboard of the workers: {dashboard}")
            yield client

    def searched_layout(self) -> Layout:
        """Return the layout of the case that the first block has chosen."""
        decided = self.place.read_block(self.all_blocks[0], "decision")["decision"]
        return expand(self.study)[searched_case(decided)].layout

    def compute_first(self, client: Any, first: Block) -> None:
        """Compute the first block if it is not there; a part of a run does so too, for another part may never come."""
        if not self.place.missing([first]):
            self.set_damaged_aside([first])
        if first in self.failures or not self.place.missing([first]):
            return
        self.submit(client, {first: None})
        if first not in self.failures and self.place.missing([first]):
            raise EngineError(
                f"{self.place.path}: block {first.number} was computed, and is not here: the workers "
                "write to another file system. Keep the run directory where they and this machine reach it by the same "
                "path."
            )

    def submit(self, client: Any, searched: dict[Block, Layout | None]) -> None:
        """Run blocks on the workers; those that were put by are tried again, one at a time, to find the guilty."""
        place = RunDirectory(self.place.path.absolute())
        version = engines.version()
        stream = Stream(
            client,
            lambda block: client.submit(perform, version, place, self.study, block, searched[block], pure=False),
        )
        put_by = self.follow(stream, searched, alone=False)
        while put_by:
            put_by = self.follow(stream, put_by, alone=True)

    def follow(self, stream: Stream, blocks: Iterable[Block], *, alone: bool) -> list[Block]:
        """Take note of each block as it ends; return those put by: nobody knows yet whether they or others failed."""
        from distributed.scheduler import KilledWorker

        put_by = []
        for ended in stream.run(blocks, alone=alone):
            self.asked.check()
            self.note_workers(stream.workers)
            if ended is None:
                self.progress(self.event("wait", ""))
                continue
            block, error = ended[0], _error_of(ended[1])
            if isinstance(error, KilledWorker) and not alone:
                put_by.append(block)
                self.tell("note", f"block {block.number}: workers died under it; it is tried again by itself later")
            elif isinstance(error, RefusedHere) and self.far and error.host != provenance.host():
                put_by.append(block)
                self.put_by(stream.client, block, error)
            else:
                self.take_note(block, error)
        return put_by

    def put_by(self, client: Any, block: Block, error: RefusedHere) -> None:
        """Note that a host could not use the run directory; send it away when that goes on, stop if all are alike."""
        try:
            self.try_to_write()
        except StoreError:
            raise StoreError(f"block {block.number}: {error}") from None
        self.refusals[error.host] += 1
        if self.refusals.total() >= REFUSALS:
            raise StoreError(f"{error}\nWorkers could not use the run directory {REFUSALS} times: the last is above.")
        self.tell(
            "note", f"block {block.number}: {error} It can be written to from here: the block is tried again later."
        )
        if self.refusals[error.host] % REFUSALS_OF_HOST:
            return
        there, elsewhere = engines.neighbours(client, error.worker)
        if not there:  # those of before, which are on their way
            return
        if not elsewhere and self.client is not None:  # of a batch system others will come
            raise StoreError(f"{error}\nNo other host has workers.")
        client.retire_workers(there)
        self.tell("note", f"{error.host}: its {len(there)} workers are sent away, for it cannot use the run directory")

    def try_to_write(self) -> None:
        """Write what a block needs, and remove it; raises where that is refused here too."""
        probe = self.place.path / f"probe-{uuid.uuid4().hex}"
        with self.place.writing():
            try:
                probe.write_bytes(b"\1" * PROBE_BYTES)
            finally:
                probe.unlink(missing_ok=True)

    def take_note(self, block: Block, error: BaseException | None) -> None:
        """Log and keep how a block ended; stop where no block can be written."""
        if isinstance(error, StoreError | EngineError):
            raise (StoreError if isinstance(error, StoreError) else EngineError)(f"block {block.number}: {error}")
        if error is None:
            self.done += block in self.own
            self.place.forget_failure(block)
            self.tell("block", f"block {block.number}", block=block.number)
            return
        text = _in_words(error)
        self.failures[block] = text
        trace = "".join(traceback.format_exception(error))
        self.place.keep_failure(block, text, trace)
        self.tell("failed", f"block {block.number}: {text}", block=block.number, traceback=trace)

    def note_workers(self, workers: Workers) -> None:
        """Tell how many workers there are when that has changed, now and then that there are none, and why."""
        before, self.workers = self.workers, workers
        if not self.far:
            return
        if refusal := self.answers.news():
            self.tell("note", refusal)
        if workers.processes:
            self.lack_told = -math.inf
            if workers != before:
                self.tell("workers", f"{workers.processes} workers with {workers.threads} threads")
        elif time.monotonic() - self.lack_told >= LACK_SECONDS:
            self.lack_told = time.monotonic()
            self.tell("workers", self.lack_text())

    def lack_text(self) -> str:
        """Return that there are no workers, and where to look."""
        table = self.study.cluster
        if self.client is not None or table is None:
            return "no workers: the scheduler has none; start some with `dask worker ADDRESS`"
        return (
            f"no workers: the batch system holds {len(self.answers.held)} of {table.jobs} jobs; what they print is in "
            f"{self.place.path / 'jobs'}"
        )

    def mend(self) -> None:
        """Verify every block; compute those anew that are damaged."""
        damaged = self.set_damaged_aside(self.blocks)
        if not damaged:
            return
        self.take_stock()
        self.compute()
        again = {} if self.failures else self.place.damaged(damaged)
        if again:
            raise StoreError(
                f"{self.place.path}: {numbers(again)} came back damaged as soon as written ("
                f"{next(iter(again.values()))}). The disk or the file system is at fault: give another place with "
                "--directory."
            )

    def set_damaged_aside(self, blocks: Iterable[Block]) -> list[Block]:
        """Move blocks that are not as they were written out of the store, and return them."""
        damaged = self.place.damaged(blocks)
        for block, fault in damaged.items():
            aside = self.place.set_aside(block)
            self.tell("note", f"block {block.number} was damaged ({fault}): set aside as {aside}, computed anew")
        return list(damaged)

    def conclude(self) -> None:
        """Write what rests on all blocks: decision, planes, counts, summary."""
        from shells.study import encounters
        from shells.study.decision import assemble

        place = self.place
        kinds = {kind: [block for block in self.blocks if block.kind == kind] for kind in ("fleet", "debris")}
        fleet = [place.read_block(block, "decision", "planes", "sensitivity") for block in kinds["fleet"]]
        rates = ((block.scenario, place.read_block(block, "rates", "collisions")) for block in kinds["debris"])
        decision = assemble(self.study, fleet, rates)
        searched = [block for block in self.blocks if block.scenario == 0]
        found = total(place.read_block(block, "found")["found"] for block in searched)
        debris_risk = encounters.conclude(
            self.study, (place.read_block(block, "numbers", "workload_of_objects") for block in searched)
        )
        first = scenarios_of(self.study)[0]
        debris = place.read(debris_group(first)) if self.study.debris is not None else None
        with place.writing():
            for name, dataset in {**fleet[0], **debris_risk, "decision": decision, "found": found}.items():
                place.write(name, dataset)
            self.session.note_end()
            place.write_json(
                "summary.json",
                summarise(
                    self.study,
                    decision,
                    fleet[0]["sensitivity"],
                    found,
                    debris_risk,
                    debris,
                    place.manifest(),
                    searched=searched_case(fleet[0]["decision"]),
                ),
            )

    def event(self, name: str, text: str) -> Event:
        """Return an event with the state of the run."""
        return Event(name, text, self.done, len(self.blocks), len(self.failures), self.cases, self.workers)

    def tell(self, name: str, text: str, **facts: Any) -> None:
        """Write an event to the log and hand it on."""
        with self.place.writing():
            self.session.log(name, text=text, done=self.done, total=len(self.blocks), **facts)
        self.progress(self.event(name, text))

    def tell_if_possible(self, name: str, text: str) -> None:
        """Tell of the end of a run whose log may be what has failed."""
        with suppress(StoreError):
            self.tell(name, text)

    def progress_text(self) -> str:
        """Return how much is done, in words."""
        if not self.blocks:
            return "no block done yet"
        if self.part is None:
            return f"{self.done} of {len(self.blocks)} blocks done"
        return (
            f"{self.done} of {len(self.blocks)} blocks of the part {self.part.start}:{self.part.stop} done; when all "
            "parts are, run the study without --blocks to conclude"
        )

    def failures_text(self) -> str:
        """Return what is done and which blocks failed of what, blocks of one error together."""
        return (
            f"{self.place.path}: {self.progress_text()}, {len(self.failures)} failed:\n"
            + by_reason(self.failures)
            + f"\nThe whole errors are in {self.place.failed}. Mend the cause and run the same command again with "
            "--retry-failed: only what is missing is computed."
        )


def _error_of(future: Any) -> BaseException | None:
    """Return how a future ended: None for a block that was computed.

    Its result is not asked for: it would be computed again if its worker has died since.
    """
    if future.cancelled():
        raise EngineError(
            "the scheduler was lost or has dropped the work. What is done is kept: start a scheduler, or mend the "
            "connection, and run the same command again."
        )
    try:
        error: BaseException | None = future.exception()
    except Exception as unreadable:  # an error whose type this process cannot load
        return unreadable
    return error


def _in_words(error: BaseException) -> str:
    from distributed.scheduler import KilledWorker

    if isinstance(error, KilledWorker):
        return (
            "the process of its worker died each time that it was computed, with nothing beside it too: out of memory, "
            "or killed from outside. Give the workers more memory"
        )
    return f"{type(error).__name__}: {error}"
