"""How many cores one computation uses: all that this process may have, or one where others run beside it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

import dask
from dask.system import CPU_COUNT

_alone = ContextVar("alone", default=True)


def usable() -> int:
    """Return how many threads a computation should start.

    Returns
    -------
    int
        1 within `one_core`; else dask's setting `num_workers`, else the cores that this process may use.
    """
    if not _alone.get():
        return 1
    return int(dask.config.get("num_workers", None) or CPU_COUNT)


@contextmanager
def one_core() -> Iterator[None]:
    """Keep what this thread computes to one core: workers of a run share a machine, and each has its own task."""
    before = _alone.set(False)
    try:
        yield
    finally:
        _alone.reset(before)
