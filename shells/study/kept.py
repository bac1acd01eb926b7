"""Keeping what all blocks of a process share: made once, whichever thread asks first."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from threading import Lock
from typing import Any, TypeVar

Made = TypeVar("Made")


def kept(make: Callable[..., Made]) -> Callable[..., Made]:
    """Keep what a function made last, and let threads that ask meanwhile wait for it.

    Parameters
    ----------
    make : callable
        Its arguments can be hashed.

    Returns
    -------
    callable
        The same function; other arguments take the place of what is kept.
    """
    last: dict[tuple[Any, ...], Made] = {}
    one_at_a_time = Lock()

    @wraps(make)
    def ask(*arguments: Any) -> Made:
        with one_at_a_time:
            if arguments not in last:
                last.clear()  # first, for there may be no room for two
                last[arguments] = make(*arguments)
            return last[arguments]

    return ask
