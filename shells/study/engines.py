"""Where blocks are run: workers of this machine, of a scheduler that is running, or of a batch system.

Each engine lends a client of dask for as long as it is needed.
"""

from __future__ import annotations

import logging
import signal
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from shells import __version__
from shells.errors import EngineError
from shells.study import batch, provenance
from shells.study.configuration import Study
from shells.study.worker import KEEP_MEMORY

#: How long a scheduler may take to answer [s].
ANSWER_SECONDS = 30.0

#: How many workers may die under a block before it is put by, to be tried again with nothing beside it.
DEATHS = 1


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
def own(study: Study, logs: Path, answers: batch.Answers | None = None) -> Iterator[Any]:
    """Lend workers as a study asks for them: of its `[cluster]`, else of this machine as its `[run]` says.

    Parameters
    ----------
    study : Study
        The study.
    logs : Path
        Directory for what the jobs of a batch system print.
    answers : Answers, optional
        Takes note of what a batch system says.

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
            lent = (
                batch.jobs(study.cluster, logs, answers or batch.Answers())
                if study.cluster
                else batch.closed_quietly(_local(study))
            )
            cluster = stack.enter_context(lent)
            client = stack.enter_context(batch.closed_quietly(Client(cluster)))
        yield client


def dashboard_of(client: Any) -> str:
    """Return the address of the dashboard that the scheduler of a client shows; empty without one."""
    services = client.scheduler_info(n_workers=0).get("services", {})
    return str(client.dashboard_link) if "dashboard" in services else ""


def neighbours(client: Any, worker: str) -> tuple[list[str], bool]:
    """Return the workers on the host of one of them, and whether there are any elsewhere.

    Parameters
    ----------
    client : distributed.Client
        Whose workers.
    worker : str
        Address of one.

    Returns
    -------
    there : list of str
        Their addresses.
    elsewhere : bool
        Whether there are others.
    """
    from distributed.comm import get_address_host

    known = client.scheduler_info(n_workers=-1)["workers"]
    there = [address for address in known if get_address_host(address) == get_address_host(worker)]
    return there, len(there) < len(known)


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


def _same_version(client: Any) -> None:
    """Refuse workers without this version of the library: every block would fail."""
    try:
        versions = client.run(version)
    except Exception as error:  # whatever a worker without the library makes of it
        raise EngineError(
            f"the workers cannot load this library ({type(error).__name__}: {error}). Install version {__version__} of "
            "shells where the workers run."
        ) from None
    refuse_other_versions(version(), versions)


Version = tuple[str, str | None]


def version() -> Version:
    """Return version and commit of the library where this runs; no commit where that is not known."""
    return __version__, provenance.commit()


def refuse_other_versions(wanted: Version, found: Mapping[str, Version]) -> None:
    """Refuse workers whose library is another one than that of the run.

    Parameters
    ----------
    wanted : (str, str or None)
        `version` where the run is led.
    found : mapping of str to (str, str or None)
        `version` of each worker. A commit is compared where both are known.

    Raises
    ------
    EngineError
        Some are of another version or commit.
    """
    others = [
        f"{_in_words(other)} at {place}"
        for place, other in sorted(found.items())
        if other[0] != wanted[0] or (None not in (other[1], wanted[1]) and other[1] != wanted[1])
    ]
    if others:
        raise EngineError(
            f"this run has {_in_words(wanted)} of shells, and workers have {', '.join(others)}; results of two are not "
            "mixed. Install the same there, and start the workers anew."
        )


def _in_words(version: Version) -> str:
    number, commit = version
    return f"version {number}" + (f" of commit {commit}" if commit else "")


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
