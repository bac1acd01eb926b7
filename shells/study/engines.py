"""Where blocks are run: workers of this machine, of a scheduler that is running, or of a batch system.

Each engine lends a client of dask for as long as it is needed.
"""

from __future__ import annotations

import logging
import shutil
import signal
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from shells import __version__
from shells.errors import ShellsError
from shells.study.configuration import ClusterTable, Study

#: How long a scheduler may take to answer [s].
ANSWER_SECONDS = 30.0

#: A worker of a batch system ends by itself this share of the walltime before the system would kill it, spread over
#: half of it, so that blocks are handed back in good order and not all jobs queue again at once.
WALLTIME_MARGIN = 0.1

#: What the memory allocator of a worker process is told: keep what is freed, up to 1 GiB. A block frees and takes
#: arrays all the time, and workers of dask by default hand each back to the system, a sixth of a block's time.
KEEP_MEMORY = {"MALLOC_TRIM_THRESHOLD_": 2**30, "MALLOC_MMAP_THRESHOLD_": 2**25}

#: How many workers may die under a block before it is put by, to be tried again with nothing beside it.
DEATHS = 1


class EngineError(ShellsError):
    """Workers cannot be had or were lost; what is done is kept."""


@contextmanager
def connect(
    address: str, *, tls_ca: Path | None = None, tls_cert: Path | None = None, tls_key: Path | None = None
) -> Iterator[Any]:
    """Lend a client of a scheduler of dask that is running.

    Parameters
    ----------
    address : str
        Such as "tcp://10.0.0.5:8786" or "tls://…".
    tls_ca, tls_cert, tls_key : Path, optional
        Files with certificates and key, for a scheduler that asks for them.

    Yields
    ------
    distributed.Client
        Connected.

    Raises
    ------
    EngineError
        Nobody answers there, or its workers have another version of the library.
    """
    from distributed import Client
    from distributed.security import Security

    for name in ("distributed", "distributed.client"):  # a run says once, in words, what was lost
        logging.getLogger(name).setLevel(logging.CRITICAL)
    files = {"tls_ca_file": tls_ca, "tls_client_cert": tls_cert, "tls_client_key": tls_key}
    settings = {name: str(path) for name, path in files.items() if path}
    with ExitStack() as stack:
        try:
            with _interrupt_waits():
                security = Security(**settings, require_encryption=True) if settings else None
                client = stack.enter_context(Client(address, timeout=ANSWER_SECONDS, security=security))
        except (OSError, ValueError, TypeError, RuntimeError) as error:
            raise EngineError(
                f"{address}: no scheduler of dask can be reached there ({error}). Start one with `dask scheduler` and "
                "workers with `dask worker ADDRESS`, and give the address that it prints."
            ) from None
        _same_version(client)
        yield client


@contextmanager
def own(study: Study, logs: Path) -> Iterator[Any]:
    """Lend workers as a study asks for them: of its `[cluster]`, else of this machine as its `[run]` says.

    Parameters
    ----------
    study : Study
        The study.
    logs : Path
        Directory for what the jobs of a batch system print.

    Yields
    ------
    distributed.Client
        Of workers that end with it.

    Raises
    ------
    EngineError
        The batch system cannot be used from here.
    """
    import dask
    from distributed import Client

    with ExitStack() as stack:
        settings: dict[str, Any] = {
            "distributed.scheduler.allowed-failures": DEATHS,
            **{f"distributed.nanny.pre-spawn-environ.{name}": size for name, size in KEEP_MEMORY.items()},
        }
        if not study.cluster:
            # workers of this machine cannot be cut off, and a clock that jumps would seem like a long silence of them
            settings["distributed.scheduler.worker-ttl"] = None
        stack.enter_context(dask.config.set(settings))
        with _interrupt_waits():
            cluster = stack.enter_context(_batch(study.cluster, logs) if study.cluster else _local(study))
            client = stack.enter_context(Client(cluster))
        yield client


def dashboard_of(client: Any) -> str:
    """Return the address of the dashboard that the scheduler of a client shows; empty without one."""
    services = client.scheduler_info(n_workers=0).get("services", {})
    return str(client.dashboard_link) if "dashboard" in services else ""


def _local(study: Study) -> Any:
    from distributed import LocalCluster

    options: dict[str, Any] = (
        {"n_workers": 1, "threads_per_worker": study.run.workers, "processes": False, "memory_limit": 0}
        if study.run.engine == "threads"
        else {"n_workers": study.run.workers, "threads_per_worker": 1, "preload": "shells.study.worker"}
    )
    # without an address distributed takes port 8787 even when it shows nothing there, and warns when two runs meet
    quiet = {"dashboard_address": "127.0.0.1:0", "scheduler_kwargs": {"dashboard": False}}
    return LocalCluster(silence_logs=logging.CRITICAL, **quiet, **options)


@contextmanager
def _batch(table: ClusterTable, logs: Path) -> Iterator[Any]:
    """Lend a cluster of jobs whose number is kept up."""
    try:
        import dask_jobqueue
    except ImportError:
        raise EngineError(
            "[cluster] needs the package dask-jobqueue, which is not installed. Install it with: "
            "pip install 'shells[cluster]'"
        ) from None
    kind = {"slurm": dask_jobqueue.SLURMCluster, "pbs": dask_jobqueue.PBSCluster}[table.system]
    command = kind.job_cls.submit_command
    if not shutil.which(command):
        raise EngineError(
            f"[cluster] system = '{table.system}' needs the command {command}, which is not here. Run on a node that "
            "submits jobs, or leave [cluster] out."
        )
    walltime = round(3600.0 * table.walltime_hours)
    margin = WALLTIME_MARGIN * walltime
    with kind(
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
        worker_extra_args=["--lifetime", f"{walltime - margin:.0f}s", "--lifetime-stagger", f"{margin / 2:.0f}s"],
        log_directory=str(logs),
        scheduler_options={"dashboard_address": ":0"},
        silence_logs=logging.CRITICAL,
    ) as cluster:
        # adapt and not scale: it replaces a job that was cancelled or has reached its walltime
        cluster.adapt(minimum_jobs=table.jobs, maximum_jobs=table.jobs)
        yield cluster


def _same_version(client: Any) -> None:
    """Refuse workers without this version of the library: every block would fail."""
    try:
        versions = client.run(version)
    except Exception as error:  # whatever a worker without the library makes of it
        raise EngineError(
            f"the workers cannot load this library ({type(error).__name__}: {error}). Install version {__version__} of "
            "shells where the workers run."
        ) from None
    others = {f"{found} at {address}" for address, found in versions.items() if found != __version__}
    if others:
        raise EngineError(
            f"this is version {__version__} of shells and workers have {', '.join(sorted(others))}; results of two "
            "versions are not mixed. Install the same version there."
        )


def version() -> str:
    """Return the version of the library where this runs."""
    return __version__


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
