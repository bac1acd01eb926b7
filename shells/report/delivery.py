"""A study from file to report in one call: what the command line does."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from shells.report.page import write_report
from shells.study import runner
from shells.study.configuration import Study
from shells.study.runner import Progress
from shells.study.store import RunDirectory


def run(
    study: Study | str | Path,
    client: Any = None,
    *,
    directory: str | Path | None = None,
    progress: Progress | None = None,
    retry_failed: bool = False,
) -> RunDirectory:
    """Run a study, or what is missing of it, and write its report.

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
        Called with each `shells.study.runner.Event`.
    retry_failed : bool
        Whether to compute blocks again that failed in an earlier session.

    Returns
    -------
    RunDirectory
        With all results and the report.

    Raises
    ------
    ConfigError
        The study file has faults.
    StoreError
        The run directory cannot be used.
    EngineError
        Workers cannot be had, or the scheduler was lost.
    BlocksFailed
        Some blocks failed; the others are kept.
    """
    place = runner.run(study, client, directory=directory, progress=progress, retry_failed=retry_failed)
    write_report(place)
    return place
