"""Looking at a run directory: which blocks are whole, damaged, failed or missing, and whether its results are whole."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from shells.errors import StoreError
from shells.study.cases import Block, scenarios_of
from shells.study.groups import SCHEMA_OF
from shells.study.store import SUMMARY, RunDirectory
from shells.study.task import debris_group
from shells.study.words import by_reason, numbers

#: What every run concludes; those whose debris is ever met conclude more.
RESULTS = ("decision", "found", "planes", "sensitivity")


@dataclass(frozen=True)
class Inspection:
    """What a run directory holds.

    Parameters
    ----------
    place : Path
        The run directory.
    total : int
        Blocks in all.
    whole : int
        Blocks that are there as they were written.
    seconds : float
        Median of the time that a whole block took [s]; NaN without any.
    longest : float
        The longest of these times [s].
    damaged : dict of Block to str
        What is wrong with those that are there and are not as they were written.
    failed : dict of Block to str
        Errors of those that failed.
    missing : tuple of Block
        Those that were not computed yet.
    concluded : bool
        Whether the run has come to its end: there is a summary.
    results : dict of str to str
        What is wrong with what rests on all blocks, by its place in the run directory.
    """

    place: Path
    total: int
    whole: int
    seconds: float
    longest: float
    damaged: dict[Block, str]
    failed: dict[Block, str]
    missing: tuple[Block, ...]
    concluded: bool
    results: dict[str, str]

    @property
    def faults(self) -> str:
        """What stands between the run and its end, and what to do; empty for nothing."""
        lines = [by_reason({block: f"damaged: {fault}" for block, fault in self.damaged.items()})]
        lines.append(by_reason({block: f"failed: {error}" for block, error in self.failed.items()}))
        lines.append(f"  - {numbers(self.missing)}: not computed yet" if self.missing else "")
        lines += [f"  - {name}: damaged: {fault}" for name, fault in self.results.items()]
        if not any(lines):
            return ""
        retry = ", with --retry-failed for those that failed" if self.failed else ""
        return (
            f"{self.place}: {self.whole} of {self.total} blocks are whole:\n"
            + "\n".join(filter(None, lines))
            + f"\nRun the same study again{retry}: what is damaged is set aside, and what is missing computed."
        )


def inspect(place: RunDirectory) -> Inspection:
    """Verify every block of a run directory, and what was concluded from them.

    Parameters
    ----------
    place : RunDirectory
        A run, finished or not.

    Returns
    -------
    Inspection
        What was found.

    Raises
    ------
    StoreError
        This is no run directory, or its debris is missing or damaged, so that the number of blocks is not known.
    """
    study = place.study()
    groups = list(dict.fromkeys(map(debris_group, scenarios_of(study)))) if study.debris is not None else []
    for group in filter(place.holds, groups):
        if fault := place.fault_of(group):
            raise StoreError(
                f"{place.store / group}: damaged ({fault}), so that the number of blocks is not known. Run the same "
                "study again: what is damaged is set aside and made anew."
            )
    blocks = place.blocks(study, place.size_of(groups[0], "object") if groups else 0)
    missing = place.missing(blocks)
    present = sorted(set(blocks) - set(missing), key=lambda block: block.number)
    damaged = place.damaged(present)
    seconds = [place.attributes(block)["seconds"] for block in present if block not in damaged]
    failed = place.failures(missing)
    return Inspection(
        place.path,
        len(blocks),
        len(seconds),
        float(np.median(seconds)) if seconds else np.nan,
        max(seconds, default=np.nan),
        damaged,
        failed,
        tuple(block for block in missing if block not in failed),
        place.is_concluded,
        _faults_of_results(place) if place.is_concluded else {},
    )


def _faults_of_results(place: RunDirectory) -> dict[str, str]:
    """Return what is wrong with the results of a run that has come to its end."""
    there = {group for group in SCHEMA_OF if place.holds(group)}
    faults = {group: place.fault_of(group) if group in there else "missing" for group in sorted(there | {*RESULTS})}
    found = {f"results.zarr/{group}": fault for group, fault in faults.items() if fault}
    try:
        place.summary()
    except StoreError as error:
        found[SUMMARY] = str(error).partition(": damaged: ")[2].partition(". Run")[0]
    return found
