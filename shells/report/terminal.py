"""What the command line prints: the progress of a run, and its summary at the end."""

from __future__ import annotations

import math
import sys
import time
from datetime import timedelta
from types import TracebackType
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
from rich.table import Table
from rich.text import Text

from shells.debris.summary import Band, Summary
from shells.report import wording
from shells.report.rounding import significant, with_error
from shells.study.runner import Event

if TYPE_CHECKING:
    from shells.study.estimate import Estimate

#: Without a terminal, at most one line of progress in this time [s].
QUIET_SECONDS = 30.0

#: Width of lines that do not go to a terminal.
FILE_WIDTH = 120


class ProgressLine:
    """Shows the events of a run on stderr: one live line on a terminal, few plain lines elsewhere."""

    def __init__(self) -> None:
        self.console = Console(stderr=True, highlight=False)
        self.bar = Progress(
            TextColumn("{task.fields[cases]}blocks"),
            BarColumn(complete_style="cyan", finished_style="cyan"),
            MofNCompleteColumn(),
            TextColumn("{task.fields[facts]}"),
            console=self.console,
            disable=not self.console.is_terminal,
        )
        self.task = self.bar.add_task("blocks", total=None, cases="", facts="")
        self.last = 0.0
        self.pace = _Pace()

    def __enter__(self) -> ProgressLine:
        self.bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.bar.stop()

    def __call__(self, event: Event) -> None:
        """Take in one event."""
        if event.name == "block":
            self.pace.count()
        if event.total:
            self.bar.update(
                self.task,
                completed=event.done,
                total=event.total,
                cases=f"{event.cases} cases, " if event.cases else "",
                facts=self._facts(event),
            )
        if event.name in ("begin", "note", "workers", "failed"):
            self.console.print(Text(event.text))
        elif event.name in ("block", "wait") and not self.console.is_terminal:
            self._plain(event)

    def _facts(self, event: Event) -> str:
        parts = [f"{event.failed} failed"] if event.failed else []
        parts += [f"{event.workers.processes} workers"] if event.workers.processes > 1 else []
        return ", ".join([*parts, *self.pace.facts(event.total - event.done - event.failed)])

    def _plain(self, event: Event) -> None:
        now = time.monotonic()
        if (event.name == "block" and event.done == event.total) or now - self.last >= QUIET_SECONDS:
            self.last = now
            facts = self._facts(event)
            print(f"{event.done} of {event.total} blocks done{', ' if facts else ''}{facts}", file=sys.stderr)


class _Pace:
    """How fast blocks end: counted from the end of the first, for compiling and the fleet come before it."""

    def __init__(self) -> None:
        self.ended = -1
        self.first = 0.0

    def count(self) -> None:
        """Count one block."""
        self.ended += 1
        if self.ended == 0:
            self.first = time.monotonic()

    def facts(self, left: int) -> list[str]:
        """Return rate and time left in words; nothing before two blocks have ended."""
        passed = time.monotonic() - self.first
        if self.ended < 1 or passed <= 0.0:
            return []
        seconds = passed / self.ended
        rate = f"{1.0 / seconds:.2g} blocks/s" if seconds < 1.0 else f"{seconds:.2g} s/block"
        return [rate, f"{timedelta(seconds=round(left * seconds))} left"] if left else [rate]


def _console() -> Console:
    """Return stdout; wide where it is no terminal, for then nothing breaks its lines."""
    return Console(highlight=False, width=None if sys.stdout.isatty() else FILE_WIDTH)


def print_summary(summary: dict[str, Any], page: str) -> None:
    """Print the decision of a run, its cases and what was found, on stdout.

    Parameters
    ----------
    summary : dict
        The summary of the run.
    page : str
        Where the report is.
    """
    console = _console()
    console.print()
    console.print(Text(wording.headline(summary), style="bold"))
    console.print(Text(summary["decision"]["text"]))
    facts = Table.grid(padding=(0, 2))
    for label, value in wording.decision_facts(summary).items():
        facts.add_row(Text(label, style="cyan"), Text(value))
    facts.add_row(Text("Forces", style="cyan"), Text(summary["force_model"]))
    console.print(facts)
    console.print()
    within = f"{summary['approaches']['within_km']:g}"
    console.print(
        Text(
            f"Each year, whole fleet, no avoidance: approaches within {within} km (a; of the fleet: "
            "inside tolerances), collisions (c)"
        )
    )
    console.print(_cases(summary, within))
    other = wording.assumptions_table(summary)
    if other:
        console.print(Text("Smallest step that meets the target under each set of assumptions"))
        console.print(_assumptions(other))
    console.print(Text(_found(summary)))
    for line in wording.debris_lines(summary):
        console.print(Text(line))
    if summary["debris"] and summary["debris"]["rejected"]:
        rejected = ", ".join(f"{reason} {count}" for reason, count in summary["debris"]["rejected"].items())
        console.print(Text(f"Catalogue records rejected: {rejected}."))
    console.print(Text(f"Report: {page}"), soft_wrap=True)
    console.print()
    console.print(Text(summary["caution"]))


def _cases(summary: dict[str, Any], within: str) -> Table:
    table = Table(box=None, padding=(0, 1, 0, 0))
    for name in ("case", "step km", "order", "a fleet", "a debris", "c held", "c fault", "c debris", "target"):
        table.add_column(
            name, justify="left" if name in ("order", "target") else "right", header_style="cyan", no_wrap=True
        )
    for case in wording.stated_cases(summary):
        table.add_row(
            str(case["case"]),
            f"{case['step_km']:g}",
            wording.short(case["order"], 11),
            significant(case[f"fleet_approaches_within_{within}_km_per_year"]),
            with_error(
                case[f"debris_approaches_within_{within}_km_per_year"],
                case[f"debris_approaches_error_within_{within}_km_per_year"],
            ),
            significant(case["collisions_control_per_year"]),
            significant(case["collisions_fault_per_year"]),
            with_error(case["collisions_debris_per_year"], case["collisions_debris_error_per_year"]),
            "chosen" if case["chosen"] else "met" if case["meets_target"] else "not met",
            style="bold" if case["chosen"] else "",
        )
    return table


def _assumptions(rows: list[dict[str, str]]) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0))
    for name in rows[0]:
        table.add_column(name.replace("_", " "), header_style="cyan")
    for row in rows:
        table.add_row(*map(Text, row.values()))
    return table


def _found(summary: dict[str, Any]) -> str:
    found = summary["approaches"]
    kinds = ", ".join(f"{kind} {count}" for kind, count in found["by_kind"].items())
    closest = found["smallest_miss_km"]
    nearest = "" if closest is None else f", the closest at {significant(closest, 3)} km"
    return (
        f"Found in case {summary['searched_case']} within {found['within_km']:g} km, the fleet on its reference "
        f"orbits: {found['total']} approaches ({kinds}){nearest}."
    )


def print_estimate(found: Estimate, workers: int) -> None:
    """Print how much work a study is, on stdout.

    Parameters
    ----------
    found : shells.study.estimate.Estimate
        From the calibration.
    workers : int
        Workers that share the blocks.
    """
    facts = {
        "cases": f"{found.cases}",
        "objects": f"{found.satellites} satellites, {found.debris} debris objects",
        "blocks": f"{found.blocks}, the longest about {_duration(found.longest_block_seconds)}",
        "time": f"about {_duration(found.core_seconds / workers)} on {workers} workers of this machine",
        "memory": f"about {significant(found.worker_gb)} GB a worker",
        "disk": f"about {significant(found.disk_gb)} GB",
    }
    grid = Table.grid(padding=(0, 2))
    for label, value in facts.items():
        grid.add_row(Text(label, style="cyan"), Text(value))
    _console().print(grid)


def _duration(seconds: float) -> str:
    """Return a time with two significant digits, in the unit that suits it."""
    for name, size in (("hours", 3600.0), ("minutes", 60.0)):
        if seconds >= 2.0 * size:
            return f"{significant(seconds / size)} {name}"
    return f"{significant(seconds)} seconds"


def print_catalogue(summary: Summary) -> None:
    """Print the counts of a catalogue file on stdout.

    Parameters
    ----------
    summary : shells.debris.summary.Summary
        The counts.
    """
    console = _console()
    first, last = (np.datetime_as_string(epoch, unit="m") for epoch in (summary.first_epoch, summary.last_epoch))
    facts = {
        "file": f"{summary.file}, {summary.format}",
        "read": f"{summary.read} element sets of {summary.objects} objects",
        "epochs": f"{first} to {last} UTC",
        "Alpha-5": f"{summary.alpha5}",
        "rejected": f"{sum(summary.rejected.values())}",
    }
    grid = Table.grid(padding=(0, 2))
    for label, value in facts.items():
        grid.add_row(Text(label, style="cyan"), Text(value))
    console.print(grid)
    bands = {_band(band): band.count for band in summary.bands}
    for title, counts in (
        ("rejected because", summary.rejected),
        ("kind", summary.kinds),
        ("perigee altitude km", bands),
    ):
        if counts:
            console.print()
            console.print(_counts(title, counts))


def _band(band: Band) -> str:
    if math.isinf(band.low_km):
        return f"below {band.high_km:g}"
    return f"from {band.low_km:g}" if math.isinf(band.high_km) else f"{band.low_km:g} to {band.high_km:g}"


def _counts(title: str, counts: dict[str, int]) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column(title, header_style="cyan")
    table.add_column("element sets", justify="right", header_style="cyan")
    for name, count in counts.items():
        table.add_row(Text(name), str(count))
    return table
