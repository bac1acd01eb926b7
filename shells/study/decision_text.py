"""What a decision comes to, in sentences."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from shells.study.configuration import Study
from shells.study.summary import ASSUMPTIONS, QUANTITY_IN_WORDS

#: So many sets of assumptions that a decision fails under are named in its text.
_NAMED = 4


def decision_in_words(study: Study, decided: xr.Dataset) -> str:
    """Return what a decision comes to, in sentences.

    Parameters
    ----------
    study : Study
        The study.
    decided : Decision (case, within_km, term)
        All its cases.

    Returns
    -------
    str
        The step, what it rests on, and what is not in it.
    """
    return _choice(study, decided) + _caveats(study, decided)


def _choice(study: Study, decided: xr.Dataset) -> str:
    target = study.target
    wanted = (
        f"at most {target.value:g} {QUANTITY_IN_WORDS[target.quantity]} in {target.years:g} years per {target.scope}, "
        f"{'with' if target.avoidance else 'without'} avoidance"
    )
    chosen = decided["chosen"].values
    if not chosen.any():
        first = decided.isel(case=0)
        stated = np.all([decided[name].values == first[name].values for name in ASSUMPTIONS], axis=0)
        best = decided.isel(case=int(np.where(stated, decided["target_quantity"].values, np.inf).argmin()))
        return (
            f"No step of the sweep meets the target ({wanted}); the best, {best['step']:g} km in "
            f"{best['order'].item()} order, has {best['target_quantity']:.1g}."
        ) + _beside(float(best["collisions_own_plane"]))
    one = decided.isel(case=int(chosen.argmax()))
    return (
        f"A step of {one['step']:g} km in {one['order'].item()} order is the smallest of the sweep that meets the "
        f"target ({wanted}): {one['target_quantity']:.1g}."
        + _causes(float(one["collisions_control"]), float(one["collisions_fault"]))
        + _under_other_assumptions(decided, one)
        + _beside(float(one["collisions_own_plane"]))
    )


def _causes(control: float, fault: float) -> str:
    """Return what the text says of where the expected collisions come from."""
    if control + fault == 0.0:
        return " No collision is expected under these assumptions."
    if control == 0.0:
        return (
            " Inside their tolerances satellites of different planes do not meet: all of it comes from control "
            "faults, which are assumed."
        )
    share = 100.0 * fault / (control + fault)
    made = "nearly all" if share >= 99.5 else f"{share:.2g} %"
    return f" Control faults, which are assumed, make {made} of it."


def _beside(own_plane: float) -> str:
    """Return what the text adds on collisions that no step changes."""
    if own_plane == 0.0:
        return " Satellites in faults are not expected to meet others of their own plane."
    return (
        f" Beside it, whatever the step, {own_plane:.1g} collisions a year are expected of satellites in faults that "
        "drift past others of their own plane."
    )


def _under_other_assumptions(decided: xr.Dataset, chosen: xr.Dataset) -> str:
    """Return what the text adds on the other sets of assumptions."""
    same = decided.isel(case=np.flatnonzero(decided["layout"].values == chosen["layout"].item()))
    count = same.sizes["case"]
    if count == 1:
        return ""
    meets = same["meets_target"].values
    if meets.all():
        return f" It meets it under all {count} sets of assumptions."
    names = _deciding({name: same[name].values.tolist() for name in ASSUMPTIONS}, meets.tolist())
    failing = [
        ", ".join(f"{name.replace('_', ' ')} {same[name].values[case]}" for name in names)
        for case in np.flatnonzero(~meets)
    ]
    named = list(dict.fromkeys(failing))
    more = [f"and {len(named) - _NAMED} more"] if len(named) > _NAMED else []
    return f" It fails under {len(failing)} of {count} sets of assumptions: {'; '.join(named[:_NAMED] + more)}."


def _deciding(assumptions: dict[str, list[Any]], meets: list[bool]) -> list[str]:
    """Return the names of the assumptions that tell the sets that meet the target from those that do not."""
    names = list(assumptions)
    for name in assumptions:
        others = [other for other in names if other != name]
        told: dict[tuple[Any, ...], bool] = {}
        if all(
            told.setdefault(tuple(assumptions[other][k] for other in others), met) == met for k, met in enumerate(meets)
        ):
            names = others
    return names


def _caveats(study: Study, decided: xr.Dataset) -> str:
    """Return what the text adds where averages over phase or over the study are not those over the target's time."""
    found = ""
    if study.target.years > study.study.years:
        found += (
            f" The {study.target.years:g} years of the target are taken to be like the {study.study.years:g} studied: "
            "what drifts on afterwards is not in it."
        )
    pairs = int(decided["locked_pairs"].max())
    if pairs:
        found += (
            f" The phases of up to {pairs} pairs of planes drift by less than one slot over the study: their rates are "
            "averages over unknown phases."
        )
    return found
