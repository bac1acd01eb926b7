"""What the terminal and the page say of a run, in the same words."""

from __future__ import annotations

from typing import Any

from shells.report.drawing import Trace
from shells.report.rounding import significant
from shells.study.configuration import CatalogueDebris, DemoDebris, Study
from shells.study.summary import force_model

_SCOPE = {"fleet": "the whole fleet", "satellite": "one satellite"}


def headline(summary: dict[str, Any]) -> str:
    """Return the decision in one sentence.

    Parameters
    ----------
    summary : dict
        The summary of a run.

    Returns
    -------
    str
        A sentence.
    """
    decision = summary["decision"]
    if decision["step_km"] is None:
        step = summary["cases"][summary["searched_case"]]["step_km"]
        return f"No case of this sweep meets the target; the exact search used the largest step, {step:g} km."
    return f"Stack the planes {decision['step_km']:g} km apart, in {decision['order']} order."


def decision_facts(summary: dict[str, Any]) -> dict[str, str]:
    """Return what stands beside the decision: the target with all four parts, margin, gap.

    Parameters
    ----------
    summary : dict
        The summary of a run.

    Returns
    -------
    dict of str to str
        Value by label, in the order to show them.
    """
    decision = summary["decision"]
    target = decision["target"]
    left = significant(decision["smallest_distance_km"], 3)
    facts = {
        "Target": f"at most {target['value']:g} expected {target['quantity']} in {years(target['years'])}, for "
        f"{_SCOPE[target['scope']]}, {'with' if target['avoidance'] else 'without'} avoidance, debris not counted",
        "Expected": significant(decision["target_quantity"]) + ("" if decision["step_km"] else " (searched case)"),
        "Margin": _margin(decision),
        "Smallest distance": f"{left} km left when all tolerances are used up",
    }
    if decision["largest_term"]:
        largest = decision["largest_term"]
        facts["Largest term of the gap"] = f"{largest['name']}, {significant(largest['km'], 3)} km"
    return facts


def assumptions(study: Study) -> dict[str, str]:
    """Return what a run rests on.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    dict of str to str
        Value by label, in the order to show them.
    """
    fleet = study.fleet
    kept = [word for word, on in (("frozen", fleet.frozen), ("node rates matched", fleet.match_node_rates)) if on]
    return {
        "Fleet": f"{fleet.pattern} pattern, {fleet.planes} planes of {fleet.satellites_per_plane} satellites, phasing "
        + ", ".join([str(fleet.phasing), *kept]),
        "Orbit": f"{fleet.altitude_km:g} km mean altitude (middle of the stack), {fleet.inclination_deg:g} degrees",
        "Satellite": f"{fleet.mass_kg:g} kg, drag area {fleet.drag_area_m2:g} m2, hard-body radius "
        f"{fleet.hard_body_radius_m:g} m",
        "Mission": f"{years(study.study.years)} from {study.study.start:%Y-%m-%d %H:%M} UTC",
        "Tolerances": tolerances(study),
        "Faults": faults(study),
        "Debris": _debris(study),
        "Forces": force_model(study),
    }


def tolerances(study: Study) -> str:
    """Return the tolerances in words."""
    spread = study.tolerances
    what = "at most" if spread.distribution == "bounded" else "standard deviation"
    return (
        f"{spread.distribution}, {what} {spread.mean_radius_m:g} m in mean radius and {spread.eccentricity:g} in "
        "eccentricity"
    )


def faults(study: Study) -> str:
    """Return the assumed faults in words."""
    assumed = study.faults
    return (
        f"assumed: {assumed.per_satellite_year:g} per satellite-year, {assumed.offset_km:g} km (1 sigma) off in mean "
        f"radius for {assumed.duration_days:g} days"
    )


def trace(study: Study, summary: dict[str, Any], manifest: dict[str, Any]) -> Trace:
    """Return where the charts of a run come from.

    Parameters
    ----------
    study : Study
        The study.
    summary : dict
        Its summary.
    manifest : dict
        Its manifest.

    Returns
    -------
    Trace
        For the searched case.
    """
    case = summary["cases"][summary["searched_case"]]
    return Trace(
        run=manifest["study"],
        study_hash=manifest["hash"],
        version=versions(manifest),
        case=f"Case {case['case']}: step {case['step_km']:g} km, order {case['order']}; {_fleet(study)}.",
        model=f"Forces: {force_model(study)}; tolerances {tolerances(study)}; faults {faults(study)}.",
    )


def versions(manifest: dict[str, Any]) -> str:
    """Return the versions of the library that computed a run, each once.

    Parameters
    ----------
    manifest : dict
        The manifest of a run.

    Returns
    -------
    str
        Version and commit.
    """
    named = [
        session["version"]
        + (f" (commit {session['commit'][:12]}{_mark(session['commit'])})" if session["commit"] else "")
        for session in manifest["sessions"]
    ]
    return " and ".join(dict.fromkeys(named))


def years(number: float) -> str:
    """Return a number of years in words."""
    return f"{number:g} year{'' if number == 1.0 else 's'}"


def short(text: str, length: int) -> str:
    """Return a text cut to a length, with an ellipsis where something is left out."""
    return text if len(text) <= length else text[: length - 1] + "…"


def _mark(commit: str) -> str:
    return ", modified" if commit.endswith("-modified") else ""


def _fleet(study: Study) -> str:
    fleet = study.fleet
    return (
        f"{fleet.planes} planes of {fleet.satellites_per_plane} satellites, {fleet.altitude_km:g} km, "
        f"{fleet.inclination_deg:g} degrees, {years(study.study.years)}"
    )


def _margin(decision: dict[str, Any]) -> str:
    if decision["step_km"] is None:
        return "none: the target is not met"
    if decision["margin_factor"] is None:
        return "no collision expected within these assumptions"
    return f"factor {significant(decision['margin_factor'])} below the target"


def _debris(study: Study) -> str:
    if isinstance(study.debris, DemoDebris):
        return f"invented population of {study.debris.count} objects, seed {study.study.seed}"
    return f"catalogue {study.debris.path}" if isinstance(study.debris, CatalogueDebris) else "none"
