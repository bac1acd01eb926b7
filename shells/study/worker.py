"""What a worker process does as it starts: leave Ctrl-C to the process that started it and will stop it."""

from __future__ import annotations

import signal
from typing import Any


def dask_setup(worker: Any) -> None:
    """Ignore SIGINT, which a terminal sends to all processes of a run.

    Parameters
    ----------
    worker : distributed.Worker
        The worker that starts.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
