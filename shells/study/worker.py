"""What a worker process is told as it starts: to keep memory, and to leave Ctrl-C to the process that will stop it."""

from __future__ import annotations

import signal
from typing import Any

#: What the memory allocator of a worker process is told: keep what is freed, up to 1 GiB. A block frees and takes
#: arrays all the time, and workers of dask by default hand each back to the system, a sixth of a block's time.
KEEP_MEMORY = {"MALLOC_TRIM_THRESHOLD_": 2**30, "MALLOC_MMAP_THRESHOLD_": 2**25}


def dask_setup(worker: Any) -> None:
    """Ignore SIGINT, which a terminal sends to all processes of a run.

    Parameters
    ----------
    worker : distributed.Worker
        The worker that starts.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
