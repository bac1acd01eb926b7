"""Locks of a run directory: a whole run has it for itself, parts of one (array jobs) share it.

Who comes puts a file of its own into `locks/` first and looks for others then: of two that come together at least one
sees the other, on any file system and with any clock. Each file names process and host, and its holder touches it every
few seconds. That of a process that is gone from this machine is removed at once; one from elsewhere (another host, or
another container) is watched, and removed when it has not been touched for a minute. No clocks are compared.
A holder that was frozen for longer and wakes up loses nothing: blocks are written whole, and the first writer wins.
"""

from __future__ import annotations

import json
import os
import threading
import time
import uuid
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from shells.errors import StoreError
from shells.study import provenance

LOCKS = "locks"

#: How often a holder touches its lock [s].
BEAT_SECONDS = 5.0

#: How long a lock from elsewhere may stand untouched before its holder is taken for dead [s].
DEAD_SECONDS = 60.0

Holders = dict[Path, dict[str, Any]]


@dataclass(frozen=True)
class Lock:
    """A lock that is held.

    Parameters
    ----------
    path : Path
        Its file.
    given_back : threading.Event
        Set when it is not held any longer.
    """

    path: Path
    given_back: threading.Event = field(default_factory=threading.Event)

    def beat(self) -> None:
        """Touch the file now and then until the lock is given back, or was taken away."""
        while not self.given_back.wait(BEAT_SECONDS):
            try:
                os.utime(self.path)
            except FileNotFoundError:
                return
            except OSError:  # a file system that is away for a while
                continue


def acquire(directory: Path, *, shared: bool = False) -> tuple[Lock, str]:
    """Take a lock of a run directory; waits a minute for a sign of life where one from elsewhere is in the way.

    Parameters
    ----------
    directory : Path
        An existing directory.
    shared : bool
        Whether other shared locks may stand beside this one.

    Returns
    -------
    lock : Lock
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
    lock = Lock(_announce(locks, shared))
    threading.Thread(target=lock.beat, name="lock", daemon=True).start()
    try:
        holders = {
            path: holder for path in sorted(locks.glob("*.json")) if path != lock.path and (holder := _read(path))
        }
        gone = {path: holder for path, holder in holders.items() if _is_gone(holder)}
        hindering = {
            path: holder for path, holder in holders.items() if path not in gone and not (shared and holder["shared"])
        }
        gone |= _without_life(directory, hindering)
        for path in gone:
            path.unlink(missing_ok=True)
    except BaseException:
        release(lock)
        raise
    return lock, "; ".join(f"removed the lock of {_name(holder)}, which is gone" for holder in gone.values())


def release(lock: Lock) -> None:
    """Give a lock back.

    Parameters
    ----------
    lock : Lock
        From `acquire`.
    """
    lock.given_back.set()
    lock.path.unlink(missing_ok=True)


def _announce(locks: Path, shared: bool) -> Path:
    own = {
        "pid": os.getpid(),
        "born": _born(os.getpid()),
        "host": provenance.host(),
        "machine": _machine(),
        "since": provenance.now(),
        "shared": shared,
    }
    lock = locks / f"{uuid.uuid4().hex}.json"
    draft = lock.with_suffix(".draft")
    draft.write_text(json.dumps(own), encoding="utf-8")
    return draft.rename(lock)  # whole from the moment that others see it


def _read(lock: Path) -> dict[str, Any]:
    """Return the holder that a lock names; nothing when it has just been released, nobody when it is damaged."""
    try:
        holder = json.loads(lock.read_text(encoding="utf-8"))
        return {name: holder[name] for name in ("pid", "born", "host", "machine", "since", "shared")}
    except FileNotFoundError:
        return {}
    except (ValueError, KeyError, TypeError):  # cut short as its host died
        return {"pid": None, "born": "", "host": "", "machine": None, "since": "", "shared": False}


def _without_life(directory: Path, holders: Holders) -> Holders:
    """Return those holders that show no sign of life; refuse as soon as one does, or is known to live."""
    here = {path: holder for path, holder in holders.items() if holder["machine"] == _machine()}
    if here:
        raise StoreError(_refusal(directory, holders))
    first = {path: _touched(path) for path in holders}
    watched = time.monotonic()
    while True:
        now = {path: _touched(path) for path in first}
        if any(now[path] not in (first[path], None) for path in first):
            raise StoreError(_refusal(directory, holders))
        first = {path: touched for path, touched in now.items() if touched is not None}  # others were given back
        if not first or time.monotonic() - watched > DEAD_SECONDS:
            return {path: holders[path] for path in first}
        time.sleep(BEAT_SECONDS / 5.0)


def _touched(lock: Path) -> int | None:
    """Return when a lock was touched, as its file system counts; None when it is not there any longer."""
    try:
        with lock.open("rb") as stream:  # a network file system asks its server when a file is opened
            return os.fstat(stream.fileno()).st_mtime_ns
    except FileNotFoundError:
        return None


def _refusal(directory: Path, hindering: Holders) -> str:
    lines = [
        f"  - {_name(holder)}, since {holder['since']}{', a part of the run' if holder['shared'] else ''}: {path}"
        for path, holder in hindering.items()
    ]
    return f"{directory}: another run holds this directory:\n" + "\n".join(lines) + "\nWait for it or stop it."


def _name(holder: dict[str, Any]) -> str:
    return f"process {holder['pid']} on {holder['host']}" if holder["pid"] else "a process whose lock is damaged"


def _is_gone(holder: dict[str, Any]) -> bool:
    """Return whether the process of a lock is known to be gone, which can be seen on its own machine only."""
    if holder["machine"] != _machine():
        return False
    try:
        os.kill(holder["pid"], 0)
    except ProcessLookupError:
        return True
    except PermissionError:
        return False
    return bool(_born(holder["pid"]) != holder["born"])


def _machine() -> str:
    """Return what numbers of processes belong to: host, its boot, and the namespace of a container (Linux)."""
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        return f"{provenance.host()} {boot} {Path('/proc/self/ns/pid').readlink()}"
    except OSError:
        return provenance.host()


def _born(pid: int) -> str:
    """Return the tick in which a process was started, so that a number used again is told apart (Linux)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[19]
    except OSError:
        return ""
