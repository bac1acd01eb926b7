"""Where results come from: version, commit, packages, host and input files."""

from __future__ import annotations

import hashlib
import platform
import socket
import subprocess
from datetime import UTC, datetime
from functools import cache
from importlib import metadata
from pathlib import Path

PACKAGES = ("numpy", "scipy", "numba", "astropy", "sgp4", "xarray", "zarr", "dask", "distributed", "matplotlib")

_HOME = Path(__file__).parent


def now() -> str:
    """Return the time, UTC, to the second: ISO 8601 with Z."""
    return written(datetime.now(UTC))


def written(time: datetime) -> str:
    """Return a time in UTC to the second: ISO 8601 with Z."""
    return time.strftime("%Y-%m-%dT%H:%M:%SZ")


@cache
def commit() -> str | None:
    """Return the commit of the library's own checkout, marked when files differ from it; None outside a checkout."""
    tracked = _git("ls-files", "--error-unmatch", Path(__file__).name)
    revision = _git("rev-parse", "HEAD") if tracked else None
    if not revision:
        return None
    return revision + ("-modified" if _git("status", "--porcelain", "--untracked-files=no", "--", "..") else "")


def packages() -> dict[str, str]:
    """Return the versions of Python and of the packages that results rest on."""
    return {"python": platform.python_version(), **{name: metadata.version(name) for name in PACKAGES}}


def host() -> str:
    """Return the name of this machine."""
    return socket.gethostname()


def file_hash(path: Path) -> str:
    """Return the SHA-256 of a file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _git(*arguments: str) -> str | None:
    try:
        done = subprocess.run(["git", "-C", str(_HOME), *arguments], capture_output=True, text=True, check=False)
    except OSError:
        return None
    return done.stdout.strip() if done.returncode == 0 else None
