"""The grid of cases of a study, and how its work is cut into blocks.

A case is a way to stack the planes (layout) under assumptions: tolerances, control faults, and a scenario, which is
all that moves debris: solar activity and seeds. A block shares what is dear: debris moves the same in every layout, so
a block is a group of debris objects of one scenario against all layouts. The first block of each scenario is the fleet
against itself. Results do not depend on the cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Literal

from shells.study.configuration import Study

if TYPE_CHECKING:
    import xarray as xr


#: Stands for a layout with all planes at one altitude, which others are compared with.
UNSTACKED = -1

#: The step that just meets the target is looked for up to here [km].
LARGEST_STEP_KM = 50.0


@dataclass(frozen=True)
class Scenario:
    """What moves everything: solar activity and seeds.

    Parameters
    ----------
    number : int
        Number of the scenario, from 0.
    solar_activity : str
        As in the study's `[forces]`.
    solar_seed : int
        Seed of drawn cycles.
    seed : int
        Seed of invented debris.
    """

    number: int
    solar_activity: Literal["low", "mean", "high", "cycle", "drawn"]
    solar_seed: int
    seed: int


@dataclass(frozen=True)
class Layout:
    """One way to stack the planes.

    Parameters
    ----------
    number : int
        Number of the layout, from 0.
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
class Case:
    """One layout under one set of assumptions.

    Parameters
    ----------
    number : int
        Number of the case, from 0.
    scenario : Scenario
    layout : Layout
    tolerances, faults : str
        Names of the sets of tolerances and control faults.
    """

    number: int
    scenario: Scenario
    layout: Layout
    tolerances: str
    faults: str

    @property
    def assumptions(self) -> tuple[int, str, str]:
        """What the case shares with all layouts that it may be compared with: scenario, tolerances, faults."""
        return self.scenario.number, self.tolerances, self.faults


@dataclass(frozen=True)
class Block:
    """One piece of work: computed and written by one task.

    Parameters
    ----------
    number : int
        Number of the block, from 0.
    kind : str
        "fleet" against itself, or a group of "debris" objects against the fleet.
    scenario : int
        Number of the scenario.
    first, last : int
        Positions of the debris objects, `last` not included; both 0 for the fleet.
    """

    number: int
    kind: Literal["fleet", "debris"]
    scenario: int
    first: int
    last: int


def scenarios_of(study: Study) -> tuple[Scenario, ...]:
    """Return the scenarios of a study; the first is the one that it is decided under.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    tuple of Scenario
        Every solar activity with every seed; seeds of cycles count for drawn ones only.
    """
    sweep = study.sweep
    suns = [
        (activity, seed)
        for activity in sweep.solar_activity or (study.forces.solar_activity,)
        for seed in (sweep.solar_seed if activity == "drawn" else ()) or (study.forces.solar_seed,)
    ]
    grid = product(suns, sweep.seed or (study.study.seed,))
    return tuple(Scenario(number, *sun, seed) for number, (sun, seed) in enumerate(grid))


def layouts_of(study: Study) -> tuple[Layout, ...]:
    """Return the layouts of a study: for each order every step, the smallest step first.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    tuple of Layout
        Numbered from 0.
    """
    grid = product(study.sweep.order, study.sweep.step_km)
    return tuple(Layout(number, step, order) for number, (order, step) in enumerate(grid))


def expand(study: Study) -> tuple[Case, ...]:
    """Return the cases of a study: every layout under all assumptions.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    tuple of Case
        Numbered from 0; the layouts of one set of assumptions follow each other, those of the first of each list,
        which the study is decided under, at the beginning.
    """
    grid = product(scenarios_of(study), study.tolerance_sets, study.fault_sets, layouts_of(study))
    return tuple(
        Case(number, scenario, layout, tolerances, faults)
        for number, (scenario, tolerances, faults, layout) in enumerate(grid)
    )


def cut(study: Study, debris_count: int) -> tuple[Block, ...]:
    """Cut the work of a study into blocks.

    Parameters
    ----------
    study : Study
        The study.
    debris_count : int
        Number of debris objects of each scenario.

    Returns
    -------
    tuple of Block
        Of each scenario the fleet first, then groups that cover all debris objects once, in order.
    """
    size = study.run.objects_per_block
    extents = [(0, 0), *((first, min(first + size, debris_count)) for first in range(0, debris_count, size))]
    grid = product(scenarios_of(study), extents)
    return tuple(
        Block(number, "debris" if last else "fleet", scenario.number, first, last)
        for number, (scenario, (first, last)) in enumerate(grid)
    )


def searched_case(decision: xr.Dataset) -> int:
    """Return the case whose approaches are searched exactly.

    Parameters
    ----------
    decision : Dataset
        DECISION, of the first scenario at least.

    Returns
    -------
    int
        Number of the chosen case, or when none is chosen of the one with the largest step.
    """
    chosen = decision["chosen"].values
    position = chosen.argmax() if chosen.any() else decision["step"].values.argmax()
    return int(decision["case"].values[position])
