"""What drives the decision: the step that just meets the target, and how it moves when one assumption is doubled.

The order of the planes is that of the searched case. The gaps of its planes at their nodes are moved as the step moves,
which leaves the rest of the geometry as it is: planes some kilometres higher turn by less than what the trims undo.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, fields, replace

import numpy as np
import xarray as xr

from shells.errors import InputError
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.risk.separation.solving import least_step
from shells.risk.separation.states import narrowest_km
from shells.schema import SENSITIVITY
from shells.study.cases import LARGEST_STEP_KM, Case
from shells.study.configuration import Study
from shells.study.decision import outcome_of
from shells.study.stacked import Stacked


@dataclass(frozen=True)
class Assumptions:
    """What the expected collisions rest on beside the layout.

    Parameters
    ----------
    tolerances : Tolerances
    faults : ControlFaults
    hard_body_radius_m : float
        Of one satellite [m].
    """

    tolerances: Tolerances
    faults: ControlFaults
    hard_body_radius_m: float

    @property
    def bodies_km(self) -> float:
        """Sum of two hard-body radii [km]."""
        return 2.0 * self.hard_body_radius_m / 1000.0

    def sizes(self) -> dict[str, float]:
        """Return the numbers among them that are not zero, by their name in the study file."""
        found = {
            f"{table}.{field.name}": getattr(holder, field.name)
            for table, holder in (("tolerances", self.tolerances), ("faults", self.faults))
            for field in fields(holder)
        }
        found["fleet.hard_body_radius_m"] = self.hard_body_radius_m
        return {name: value for name, value in found.items() if not isinstance(value, str) and value > 0.0}

    def with_size(self, name: str, value: float) -> Assumptions:
        """Return the assumptions with one number changed."""
        table, _, key = name.partition(".")
        if table == "fleet":
            return replace(self, hard_body_radius_m=value)
        return replace(self, **{table: replace(getattr(self, table), **{key: value})})


def target_quantity(study: Study, stacked: Stacked, assumptions: Assumptions) -> float:
    """Return what the target limits.

    Parameters
    ----------
    study : Study
        The study.
    stacked : Stacked
        The planes.
    assumptions : Assumptions
        In place of those of the study.

    Returns
    -------
    float
        Expected collisions or the probability of one, over years and scope of the target.
    """
    expected = stacked.expected(assumptions.tolerances, assumptions.faults, [assumptions.bodies_km])
    control, fault = float(expected.control.sum()), float(expected.fault.sum())
    return outcome_of(study, assumptions.faults, control, fault).limited(study.target)


def required_step(study: Study, stacked: Stacked, step_km: float, assumptions: Assumptions) -> float:
    """Return the smallest step from which on the target is met.

    Parameters
    ----------
    study : Study
        The study.
    stacked : Stacked
        The planes, some step apart.
    step_km : float
        That step [km].
    assumptions : Assumptions
        In place of those of the study.

    Returns
    -------
    float
        [km]; missing where not even the largest step looked at meets it.
    """
    return least_step(
        lambda step: target_quantity(study, stacked.moved_apart(step - step_km), assumptions),
        study.target.value,
        steps=stacked.steps,
        from_km=stacked.from_km,
        width_km=narrowest_km(stacked.states(assumptions.tolerances, assumptions.faults), assumptions.bodies_km),
        up_to_km=LARGEST_STEP_KM,
    )


def sensitivity(study: Study, case: Case, stacked: Stacked) -> xr.Dataset:
    """Double one assumption at a time and see how the step that just meets the target moves.

    Parameters
    ----------
    study : Study
        The study.
    case : Case
        The searched case, whose assumptions are doubled.
    stacked : Stacked
        Its planes.

    Returns
    -------
    Sensitivity (parameter)
        Largest change first. Left out are assumptions that are zero and stay so, and those that cannot be doubled, such
        as a share of faults of more than half the time.
    """
    step = case.layout.step_km
    stated = Assumptions(
        study.tolerance_sets[case.tolerances], study.fault_sets[case.faults], study.fleet.hard_body_radius_m
    )
    needed = required_step(study, stacked, step, stated)
    sizes, doubled = {}, []
    for name, value in stated.sizes().items():
        with suppress(InputError):
            doubled.append(stated.with_size(name, 2.0 * value))
            sizes[name] = value
    steps = np.array([required_step(study, stacked, step, one) for one in doubled])
    expected = np.array([target_quantity(study, stacked, one) for one in doubled])
    order = np.argsort(-np.nan_to_num(np.abs(steps - needed), nan=np.inf), kind="stable")
    return SENSITIVITY.build(
        {
            "parameter": np.array(list(sizes))[order],
            "stated": np.array(list(sizes.values()))[order],
            "expected": expected[order],
            "required_step": steps[order],
            "change": (steps - needed)[order],
            "stated_required_step": needed,
        }
    )
