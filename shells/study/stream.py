"""Blocks through dask, a few in flight at a time: a study of any size holds no more tasks than its workers need."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from queue import Empty, SimpleQueue
from typing import Any

from shells.study.cases import Block

#: Blocks in flight for each thread of the workers: one that it computes and some that wait, so that none runs dry.
PER_THREAD = 3

#: How often the workers are counted, and how long to wait for a block before saying so [s].
BEAT_SECONDS = 1.0


@dataclass(frozen=True)
class Workers:
    """How many workers there are.

    Parameters
    ----------
    processes, threads : int
        Worker processes, and their threads in all.
    """

    processes: int = 0
    threads: int = 0


NOBODY = Workers()


class Stream:
    """Runs blocks on the workers of a client.

    Parameters
    ----------
    client : distributed.Client
        Whose workers.
    submit : callable
        Hands one block to the client and returns its future.
    """

    def __init__(self, client: Any, submit: Callable[[Block], Any]):
        self.client = client
        self.submit = submit
        self.workers = NOBODY
        self._counted = -BEAT_SECONDS

    def run(self, blocks: Iterable[Block], *, alone: bool = False) -> Iterator[tuple[Block, Any] | None]:
        """Run blocks and yield each as it ends.

        Parameters
        ----------
        blocks : iterable of Block
            Taken as the workers need them.
        alone : bool
            Whether to run one at a time.

        Yields
        ------
        (Block, distributed.Future) or None
            A block and its future, in the order in which they end; None at least once a second while none does.
        """
        waiting = iter(blocks)
        flight: dict[str, tuple[Block, Any]] = {}
        ended: SimpleQueue[Any] = SimpleQueue()
        try:
            while True:
                self._count()
                room = 1 if alone else max(1, PER_THREAD * self.workers.threads)
                for block in islice(waiting, max(0, room - len(flight))):
                    future = self.submit(block)
                    flight[future.key] = block, future
                    future.add_done_callback(ended.put)
                if not flight:
                    return
                try:
                    future = ended.get(timeout=BEAT_SECONDS)
                except Empty:
                    yield None
                    continue
                yield flight.pop(future.key)
        finally:
            if flight:
                self.client.cancel([future for _, future in flight.values()])

    def _count(self) -> None:
        """Count the workers, unless that was just done or the scheduler is lost, which the futures will tell."""
        if time.monotonic() - self._counted < BEAT_SECONDS or self.client.status != "running":
            return
        self._counted = time.monotonic()
        found = self.client.scheduler_info(n_workers=0)
        self.workers = Workers(found.get("n_workers", 0), found.get("total_threads", 0))
