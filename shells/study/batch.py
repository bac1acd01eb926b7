"""Workers that are jobs of a batch system: submitted until it takes them, kept up in number, and what it answers."""

from __future__ import annotations

import asyncio
import logging
import shutil
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType
from typing import Any

from shells.errors import EngineError
from shells.study.configuration import ClusterTable
from shells.study.worker import KEEP_MEMORY

#: A worker ends by itself this share of the walltime before the system would kill it, give or take half of it, so that
#: blocks are handed back in good order and not all jobs queue again at once.
WALLTIME_MARGIN = 0.1

#: How long after a refusal a job is submitted again [s].
AGAIN_SECONDS = 10.0

#: How long a system may refuse all jobs before the run ends [s]: one that has taken none will not take them later, such
#: as an account that it does not know; one that has taken some may be in maintenance.
PATIENCE_SECONDS = 30.0
LONG_PATIENCE_SECONDS = 3600.0

#: How long a submission that is under way may take when the run ends, so that its job can be cancelled [s].
ANSWER_SECONDS = 10.0

#: How often to look whether a job still waits whose worker has not come [s], how to ask, and what says that it is gone.
LOOK_SECONDS = 300.0
LOOK = {"slurm": ["squeue", "-h", "-o", "%i", "-j"], "pbs": ["qstat"]}
GONE = ("Invalid job id", "Unknown Job", "has finished")


class Answers:
    """What a batch system answers to the jobs that are submitted: noted by the loop of dask, read by the run."""

    def __init__(self) -> None:
        self.held: set[str] = set()
        self._any = False
        self._refused: float | None = None
        self._words = ""
        self._told = ""

    def take(self, job: str) -> None:
        """Note that a job was taken."""
        self.held.add(job)
        self._any = True
        self._refused = None
        if self._words == self._told:
            self._words = self._told = ""

    def refuse(self, words: str) -> None:
        """Note that a job was refused or lost, in words."""
        self._words = words
        if self._refused is None:
            self._refused = time.monotonic()

    def news(self) -> str:
        """Return what has not been told yet; empty when there is nothing.

        Raises
        ------
        EngineError
            All jobs have been refused for so long that there is no hope.
        """
        refused, words = self._refused, self._words
        patience = LONG_PATIENCE_SECONDS if self._any else PATIENCE_SECONDS
        if refused is not None and not self.held and time.monotonic() - refused > patience:
            raise EngineError(
                f"[cluster]: no job was taken for {patience:.0f} s; {words}\nWhat is done is kept: "
                "mend the [cluster] table, or wait until the system is well, and run the same command again."
            )
        if words == self._told:
            return ""
        self._told = words
        return f"{words}\nIt is submitted again."


@contextmanager
def jobs(table: ClusterTable, logs: Path, answers: Answers) -> Iterator[Any]:
    """Lend a cluster of jobs whose number is kept up.

    Parameters
    ----------
    table : ClusterTable
        What the jobs are.
    logs : Path
        Directory for what they print.
    answers : Answers
        Takes note of what the batch system says.

    Yields
    ------
    dask_jobqueue.JobQueueCluster
        Whose jobs end with it.

    Raises
    ------
    EngineError
        The batch system cannot be used from here.
    """
    dask_jobqueue = _dask_jobqueue()
    kind = {"slurm": dask_jobqueue.SLURMCluster, "pbs": dask_jobqueue.PBSCluster}[table.system]
    command = kind.job_cls.submit_command
    if not shutil.which(command):
        raise EngineError(
            f"[cluster] system = '{table.system}' needs the command {command}, which is not here. Run on a node that "
            "submits jobs, or leave [cluster] out."
        )
    logs.mkdir(parents=True, exist_ok=True)
    about = {"answers": answers, "logs": logs, "kind": kind.job_cls, "look": LOOK[table.system]}
    walltime = round(3600.0 * table.walltime_hours)
    margin = WALLTIME_MARGIN * walltime
    with ExitStack() as stack:
        security = stack.enter_context(_credentials(logs))
        try:
            cluster = kind(
                job_cls=type("Job", (_Persistent, kind.job_cls), about),
                queue=table.queue,
                account=table.account,
                cores=table.cores,
                processes=table.processes,
                memory=f"{round(1e9 * table.memory_gb)}B",
                walltime=f"{walltime // 3600:02d}:{walltime // 60 % 60:02d}:{walltime % 60:02d}",
                interface=table.interface,
                local_directory=table.local_directory,
                job_extra_directives=list(table.directives),
                job_script_prologue=[*(f"export {name}={size}" for name, size in KEEP_MEMORY.items()), *table.prologue],
                worker_extra_args=[
                    "--lifetime",
                    f"{walltime - margin:.0f}s",
                    "--lifetime-stagger",
                    f"{margin / 2:.0f}s",
                ],
                log_directory=str(logs),
                security=security,
                scheduler_options={"dashboard_address": "127.0.0.1:0"},
                silence_logs=logging.CRITICAL,
            )
        except (OSError, RuntimeError, ValueError) as error:
            raise EngineError(f"[cluster]: no scheduler of dask can be started here: {error}") from None
        stack.enter_context(closed_quietly(cluster))
        # adapt and not scale: it replaces a job that was cancelled or has reached its walltime
        cluster.adapt(minimum_jobs=table.jobs, maximum_jobs=table.jobs)
        yield cluster


@contextmanager
def closed_quietly(resource: Any) -> Iterator[Any]:
    """Lend what `with` would; errors of closing it hide neither what has ended a run nor that it is done."""
    lent = resource.__enter__()
    try:
        yield lent
    finally:
        with suppress(Exception):
            resource.__exit__(None, None, None)


class _Persistent:
    """A job of dask_jobqueue that is submitted until a worker comes of it.

    By itself it is submitted once; one that was refused, or has died before its worker came, counts as requested for
    ever.
    """

    answers: Answers
    logs: Path
    kind: Any  # what this is mixed into, which has all that follows
    look: list[str]
    name: str
    status: Any
    job_file: Any
    _call: Any
    _cluster: Any
    _submit_job: Any
    _job_id_from_submit_output: Any

    async def start(self) -> None:
        """Begin to submit; a job counts as running from now on."""
        from distributed.deploy.spec import ProcessInterface

        self.unwanted = asyncio.Event()
        self.submission = asyncio.ensure_future(self.submit())
        await ProcessInterface.start(self)

    async def submit(self) -> None:
        """Submit until a worker comes, or the job is not wanted any longer."""
        while not self.unwanted.is_set():
            try:
                with self.job_file() as script:
                    self.job_id = self._job_id_from_submit_output(await self._submit_job(script))
            except (OSError, RuntimeError, ValueError) as error:
                self.answers.refuse(f"the batch system has refused a job: {_words_of(error)}")
                await self.pause(AGAIN_SECONDS)
                continue
            self.answers.take(self.job_id)
            if not await self.dies_before_its_worker_comes():
                return
            self.answers.held.discard(self.job_id)
            self.answers.refuse(
                f"job {self.job_id} has ended before its worker came: what it printed is in {self.logs}"
            )
            self.job_id = None

    async def dies_before_its_worker_comes(self) -> bool:
        """Wait for the worker, or for the job to be gone or not wanted, and return whether it is gone."""
        while not await self.pause(LOOK_SECONDS):
            workers = self._cluster().scheduler_info["workers"].values()
            if any(f"{worker['name']}-".startswith(f"{self.name}-") for worker in workers):
                return False
            try:
                if not (await self._call([*self.look, self.job_id])).strip():
                    return True
            except OSError:
                return False
            except RuntimeError as error:  # or nobody answers, which says nothing
                if any(words in str(error) for words in GONE):
                    return True
        return False

    async def pause(self, seconds: float) -> bool:
        """Wait, and return whether the job is not wanted any longer."""
        with suppress(TimeoutError):
            await asyncio.wait_for(self.unwanted.wait(), seconds)
        return bool(self.unwanted.is_set())

    async def close(self) -> None:
        """End the job, waiting for one whose submission is under way."""
        from distributed.deploy.spec import ProcessInterface

        if self.status.name == "running":
            self.unwanted.set()
            await asyncio.wait([self.submission], timeout=ANSWER_SECONDS)
            self.submission.cancel()
        try:
            await self.kind.close(self)
        finally:
            self.answers.held.discard(self.job_id)
            await ProcessInterface.close(self)


def _words_of(error: Exception) -> str:
    """Return what the batch system itself has said, of the error that dask_jobqueue makes of it."""
    return (str(error).partition("stderr:\n")[2].strip() or str(error).strip()).replace("\n", "\n  ")


@contextmanager
def _credentials(place: Path) -> Iterator[Any]:
    """Lend certificate and key of one run, so that nobody else gives its workers work; None without cryptography."""
    from distributed.security import Security

    try:
        made = Security.temporary()
    except ImportError:
        yield None
        return
    with TemporaryDirectory(prefix=".tls-", dir=place) as directory:  # only its owner may look into it
        files = {"cert": Path(directory, "certificate.pem"), "key": Path(directory, "key.pem")}
        files["cert"].write_text(made.tls_client_cert)
        files["key"].write_text(made.tls_client_key)
        roles = ("client", "scheduler", "worker")
        names = {f"tls_{role}_{name}": str(file) for role in roles for name, file in files.items()}
        yield Security(require_encryption=True, tls_ca_file=str(files["cert"]), **names)


def _dask_jobqueue() -> ModuleType:
    """Import dask_jobqueue, which as it is imported lets Ctrl-C end the process at once; take that back."""
    before = signal.getsignal(signal.SIGINT)
    try:
        import dask_jobqueue
    except ImportError:
        raise EngineError(
            "[cluster] needs the package dask-jobqueue, which is not installed. Install it with: "
            "pip install 'shells[cluster]'"
        ) from None
    if signal.getsignal(signal.SIGINT) != before:
        signal.signal(signal.SIGINT, before)
    module: ModuleType = dask_jobqueue
    return module
