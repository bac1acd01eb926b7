"""A lock file that keeps a second run out of a run directory.

It names process and host. The lock of a process that is gone from this host is taken over; whether a process on another
host still lives cannot be known, so its lock stands until somebody removes the file.
"""

from __future__ import annotations

import fcntl
import json
import os
from pathlib import Path
from typing import Any, TextIO

from shells.errors import StoreError
from shells.study import provenance

LOCK_FILE = "lock"


def acquire(directory: Path) -> str:
    """Take the lock of a run directory.

    Parameters
    ----------
    directory : Path
        An existing directory.

    Returns
    -------
    str
        A note when the lock of a dead process was taken over, else empty.

    Raises
    ------
    StoreError
        Another run holds the lock.
    """
    path = directory / LOCK_FILE
    while True:
        # "a+" makes the file or opens the one that is there; the kernel's lock is held while the content is settled
        with path.open("a+", encoding="utf-8") as stream:
            fcntl.flock(stream, fcntl.LOCK_EX)
            if os.fstat(stream.fileno()).st_nlink == 0:  # its holder has just finished and removed it
                continue
            stream.seek(0)
            holder = _parsed(stream.read())
            if holder and _lives(holder):
                raise StoreError(
                    f"{directory}: another run holds this directory: process {holder['pid']} on {holder['host']}, "
                    f"since {holder['since']}. Wait for it or stop it; if it is surely gone, remove {path}."
                )
            _write(stream)
        return f"took over the lock of process {holder['pid']}, which is gone" if holder else ""


def release(directory: Path) -> None:
    """Give the lock of a run directory back.

    Parameters
    ----------
    directory : Path
        The directory.
    """
    (directory / LOCK_FILE).unlink(missing_ok=True)


def _write(stream: TextIO) -> None:
    own = {"pid": os.getpid(), "born": _born(os.getpid()), "host": provenance.host(), "since": provenance.now()}
    stream.truncate(0)
    stream.write(json.dumps(own))


def _parsed(text: str) -> dict[str, Any]:
    """Return the holder that a lock names; nothing for a lock whose writer died before it wrote."""
    try:
        holder = json.loads(text)
    except json.JSONDecodeError:
        return {}
    return holder if isinstance(holder, dict) else {}


def _lives(holder: dict[str, Any]) -> bool:
    if holder["host"] != provenance.host():
        return True
    try:
        os.kill(holder["pid"], 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return bool(_born(holder["pid"]) == holder["born"])


def _born(pid: int) -> str:
    """Return when a process was started, in ticks since boot, so that a number used again is told apart (Linux)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[19]
    except OSError:
        return ""
