"""Sessions of a run directory: each call of a run, whole or a part, leaves one file of its own.

    sessions/00003.json   when, where and by which version, commit and packages
    log.jsonl             what happened; log-00003.jsonl for a part, since parts may run at the same time

Files are numbered in the order in which sessions begin; no order rests on the clock, which may jump. The end of a
session is its start and the time that passed.
"""

from __future__ import annotations

import json
import os
import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict

from shells.study import provenance

SESSIONS = "sessions"
LOG_FILE = "log.jsonl"


def _time(text: str) -> str:
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("no time zone")
    return text


class _Facts(BaseModel):
    """What the file of a session holds at least."""

    model_config = ConfigDict(strict=True, extra="allow")
    start: Annotated[str, AfterValidator(_time)]
    end: Annotated[str, AfterValidator(_time)] | None
    part: str
    version: str
    commit: str | None
    host: str


@dataclass(frozen=True)
class Session:
    """A session that is on.

    Parameters
    ----------
    path : Path
        Its file.
    log_file : Path
        Its log: one JSON object a line, one line an event.
    facts : dict
        What its file holds.
    begun : float
        When it began, on the steady clock of this process [s].
    """

    path: Path
    log_file: Path
    facts: dict[str, Any]
    begun: float

    def log(self, event: str, **facts: Any) -> None:
        """Write one line into the log.

        Parameters
        ----------
        event : str
            What happened.
        **facts
            Anything JSON can hold.
        """
        line = json.dumps({"time": provenance.now(), "event": event, **facts})
        with self.log_file.open("a", encoding="utf-8") as stream:
            stream.write(line + "\n")

    def note_end(self) -> None:
        """Write into its file that the session lasted until now."""
        passed = timedelta(seconds=round(time.monotonic() - self.begun))
        end = datetime.fromisoformat(self.facts["start"]) + passed
        text = json.dumps({**self.facts, "end": provenance.written(end)}, indent=2)
        draft = self.path.with_suffix(".draft")
        draft.write_text(text + "\n", encoding="utf-8")
        draft.replace(self.path)


def begin(directory: Path, part: str = "", **facts: Any) -> Session:
    """Begin a session.

    Parameters
    ----------
    directory : Path
        The run directory.
    part : str
        Which part of the run it is, empty for the whole.
    **facts
        Of this session: anything JSON can hold.

    Returns
    -------
    Session
        With a number of its own.
    """
    (directory / SESSIONS).mkdir(exist_ok=True)
    facts = {"start": provenance.now(), "end": None, "part": part, **facts}
    number = 1 + max((int(path.stem) for path in _files(directory)), default=0)
    while True:
        path = directory / SESSIONS / f"{number:05d}.json"
        try:
            with path.open("x", encoding="utf-8") as stream:
                stream.write(json.dumps(facts, indent=2) + "\n")
        except FileExistsError:  # parts may begin at once
            number += 1
            continue
        log_file = directory / (f"log-{path.stem}.jsonl" if part else LOG_FILE)
        _end_line(log_file)
        return Session(path, log_file, facts, time.monotonic())


def every(directory: Path) -> list[dict[str, Any]]:
    """Return what the sessions of a run directory were.

    Parameters
    ----------
    directory : Path
        The run directory.

    Returns
    -------
    list of dict
        In the order in which they began; "end" is None for one that died or is on.
    """
    found = []
    for path in sorted(_files(directory)):
        try:
            found.append(_Facts.model_validate_json(path.read_bytes()).model_dump())
        except ValueError:  # it died, or the disk was full, as it began
            continue
    return found


def _files(directory: Path) -> list[Path]:
    """Return the files of sessions; others, such as copies that somebody made, have other names."""
    return [path for path in (directory / SESSIONS).glob("*.json") if path.stem.isdecimal() and len(path.stem) < 10]


def _end_line(log_file: Path) -> None:
    """End the last line of a log: that of a session which died may be cut, and must not run into the next one."""
    try:
        with log_file.open("rb+") as stream:
            if stream.seek(0, os.SEEK_END) == 0:
                return
            stream.seek(-1, os.SEEK_END)
            if stream.read(1) != b"\n":
                stream.write(b"\n")
    except FileNotFoundError:
        return
