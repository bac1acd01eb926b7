"""Errors of blocks that failed, one file each: `failed/00012.json` with error, traceback and time."""

from __future__ import annotations

import json
import uuid
from pathlib import Path

from shells.study import provenance


def keep(directory: Path, name: str, error: str, traceback: str) -> None:
    """Keep how a block failed.

    Parameters
    ----------
    directory : Path
        Directory of the failures of a run; made if it is not there.
    name : str
        The block.
    error, traceback : str
        What happened, in a line and in full.
    """
    directory.mkdir(exist_ok=True)
    facts = {"block": name, "time": provenance.now(), "error": error, "traceback": traceback}
    draft = directory / f"{name}.{uuid.uuid4().hex}.draft"  # parts that overlap may keep the same block at once
    draft.write_text(json.dumps(facts, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    draft.replace(directory / f"{name}.json")


def forget(directory: Path, name: str) -> None:
    """Remove what was kept of the failure of a block, if it failed."""
    (directory / f"{name}.json").unlink(missing_ok=True)


def errors(directory: Path) -> dict[str, str]:
    """Return the errors that were kept.

    Parameters
    ----------
    directory : Path
        Directory of the failures of a run; it need not exist.

    Returns
    -------
    dict of str to str
        By block.
    """
    found = {}
    for path in sorted(directory.glob("*.json")):
        try:
            found[path.stem] = str(json.loads(path.read_text(encoding="utf-8"))["error"])
        except (ValueError, KeyError, TypeError):
            found[path.stem] = f"of an error that is lost: {path} is damaged"
    return found
