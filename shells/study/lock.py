"""Locks of a run directory: a whole run has it for itself, parts of one (array jobs) share it.

Who comes puts a file of its own into `locks/` first and looks for others then: of two that come together at least one
sees the other, on any file system and with any clock. Each file names process and host. That of a process that is gone
from this host is removed; whether a process on another host still lives cannot be known, so its file stands until
somebody removes it.
"""

from __future__ import annotations

import json
import os
import uuid
from pathlib import Path
from typing import Any

from shells.errors import StoreError
from shells.study import provenance

LOCKS = "locks"


def acquire(directory: Path, *, shared: bool = False) -> tuple[Path, str]:
    """Take a lock of a run directory.

    Parameters
    ----------
    directory : Path
        An existing directory.
    shared : bool
        Whether other shared locks may stand beside this one.

    Returns
    -------
    lock : Path
        For `release`.
    note : str
        A note when locks of dead processes were removed, else empty.

    Raises
    ------
    StoreError
        Another run holds the directory.
    """
    locks = directory / LOCKS
    locks.mkdir(exist_ok=True)
    lock = _announce(locks, shared)
    holders = {path: holder for path in sorted(locks.glob("*.json")) if path != lock and (holder := _read(path))}
    gone = {path: holder for path, holder in holders.items() if not _lives(holder)}
    hindering = {
        path: holder for path, holder in holders.items() if path not in gone and not (shared and holder["shared"])
    }
    if hindering:
        release(lock)
        raise StoreError(_refusal(directory, hindering))
    for path in gone:
        release(path)
    return lock, "; ".join(f"removed the lock of process {holder['pid']}, which is gone" for holder in gone.values())


def release(lock: Path) -> None:
    """Give a lock back.

    Parameters
    ----------
    lock : Path
        From `acquire`.
    """
    lock.unlink(missing_ok=True)


def _announce(locks: Path, shared: bool) -> Path:
    own = {
        "pid": os.getpid(),
        "born": _born(os.getpid()),
        "host": provenance.host(),
        "since": provenance.now(),
        "shared": shared,
    }
    lock = locks / f"{uuid.uuid4().hex}.json"
    draft = lock.with_suffix(".draft")
    draft.write_text(json.dumps(own), encoding="utf-8")
    return draft.rename(lock)  # whole from the moment that others see it


def _read(lock: Path) -> dict[str, Any]:
    """Return the holder that a lock names; nothing when it has just been released."""
    try:
        holder: dict[str, Any] = json.loads(lock.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    return holder


def _refusal(directory: Path, hindering: dict[Path, dict[str, Any]]) -> str:
    lines = [
        f"  - process {holder['pid']} on {holder['host']}, since {holder['since']}"
        f"{', a part of the run' if holder['shared'] else ''}: {path}"
        for path, holder in hindering.items()
    ]
    away = any(holder["host"] != provenance.host() for holder in hindering.values())
    stale = " Whether a process on another host still runs can be seen only there." if away else ""
    return (
        f"{directory}: another run holds this directory:\n" + "\n".join(lines) + "\n"
        f"Wait for it or stop it.{stale} If it is surely gone, remove its file and run the same command again."
    )


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
    """Return boot and tick of it in which a process was started, so that a number used again is told apart (Linux)."""
    try:
        tick = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[19]
        return f"{Path('/proc/sys/kernel/random/boot_id').read_text().strip()} {tick}"
    except OSError:
        return ""
