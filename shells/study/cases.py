"""The grid of cases of a study, and how its work is cut into blocks.

A block shares what is dear: debris moves the same in every case, so a block is a group of debris objects against all
cases. Block 0 is the fleet against itself. Results do not depend on the cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from shells.study.configuration import Study

if TYPE_CHECKING:
    import xarray as xr


@dataclass(frozen=True)
class Case:
    """One way to stack the planes.

    Parameters
    ----------
    number : int
        Number of the case, from 0.
    step_km : float
        Altitude step between neighbouring shells [km].
    order : str or tuple of int
        Order of the planes in altitude: its name, or the plane numbers from the lowest up.
    """

    number: int
    step_km: float
    order: str | tuple[int, ...]

    @property
    def order_name(self) -> str:
        """The order as one word, for tables and files."""
        return self.order if isinstance(self.order, str) else "-".join(map(str, self.order))


@dataclass(frozen=True)
class Block:
    """One piece of work: computed and written by one task.

    Parameters
    ----------
    number : int
        Number of the block, from 0.
    kind : str
        "fleet" against itself, or a group of "debris" objects against the fleet.
    first, last : int
        Positions of the debris objects, `last` not included; both 0 for the fleet.
    """

    number: int
    kind: Literal["fleet", "debris"]
    first: int
    last: int


def expand(study: Study) -> tuple[Case, ...]:
    """Return the cases of a study: for each order every step, the smallest step first.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    tuple of Case
        Numbered from 0.
    """
    grid = [(step, order) for order in study.sweep.order for step in study.sweep.step_km]
    return tuple(Case(number, step, order) for number, (step, order) in enumerate(grid))


def cut(study: Study, debris_count: int) -> tuple[Block, ...]:
    """Cut the work of a study into blocks.

    Parameters
    ----------
    study : Study
        The study.
    debris_count : int
        Number of debris objects.

    Returns
    -------
    tuple of Block
        Block 0 is the fleet; the others cover all debris objects once, in order.
    """
    size = study.run.objects_per_block
    groups = [(first, min(first + size, debris_count)) for first in range(0, debris_count, size)]
    debris = [Block(number, "debris", first, last) for number, (first, last) in enumerate(groups, start=1)]
    return (Block(0, "fleet", 0, 0), *debris)


def searched_case(decision: xr.Dataset) -> int:
    """Return the case whose approaches are searched exactly: the chosen one, or the largest step when none is chosen.

    Parameters
    ----------
    decision : Dataset
        DECISION.

    Returns
    -------
    int
        Number of the case.
    """
    chosen = decision["chosen"].values
    position = chosen.argmax() if chosen.any() else decision["step"].values.argmax()
    return int(decision["case"].values[position])
