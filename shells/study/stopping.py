"""Stopping a run: SIGTERM does as Ctrl-C, and neither is lost."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Asked:
    """Whether somebody has asked a run to stop."""

    def __init__(self) -> None:
        self.to_stop = False

    def stop(self, number: int, frame: FrameType | None) -> None:
        """Take note of a signal and interrupt what is going on."""
        self.to_stop = True
        raise KeyboardInterrupt

    def check(self) -> None:
        """Stop where an interruption got lost: Python drops one that comes up while it collects garbage."""
        if self.to_stop:
            raise KeyboardInterrupt


@contextmanager
def signals_raise() -> Iterator[Asked]:
    """Let SIGTERM stop a run as Ctrl-C does; only the main thread can set that up."""
    asked = Asked()
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return
    # what a shell has told a process in the background to ignore stays ignored
    numbers = [number for number in (signal.SIGINT, signal.SIGTERM) if signal.getsignal(number) != signal.SIG_IGN]
    before = {number: signal.signal(number, asked.stop) for number in numbers}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
