"""What the terminal and the page say of a run, in the same words."""

from __future__ import annotations

from typing import Any

from shells.report.drawing import Trace
from shells.report.rounding import significant, with_error
from shells.study.cases import LARGEST_STEP_KM, scenarios_of
from shells.study.configuration import CatalogueDebris, DemoDebris, Study
from shells.study.summary import ASSUMPTIONS, QUANTITY_IN_WORDS, force_model

#: How many of the drivers are named in one line.
_DRIVERS = 4

_SCOPE = {"fleet": "the whole fleet", "satellite": "one satellite (mean of the fleet)"}


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
    closest = decision["closest_expected_km"]
    limit = f"at most {target['value']:g} {QUANTITY_IN_WORDS[target['quantity']]}"
    facts = {
        "Target": f"{limit} in {years(target['years'])}, for "
        f"{_SCOPE[target['scope']]}, {'with' if target['avoidance'] else 'without'} avoidance, between planes, debris "
        "not counted",
        "Expected": f"number {significant(decision['number'])}, probability {significant(decision['probability'])}"
        + ("" if decision["step_km"] else " (searched case)"),
        "Share of faults": "no collision expected"
        if decision["fault_share"] is None
        else f"{100.0 * decision['fault_share']:.3g} % of the number is from control faults (assumed)",
        "Own planes": _own_planes(decision["collisions_own_plane_per_year"]),
        "Margin": _margin(decision),
        "Smallest distance": f"{_left(decision['smallest_distance_km'])}; closest pair expected in "
        f"{years(summary['years'])}, faults among it: "
        + ("farther than all thresholds" if closest is None else f"about {significant(closest, 1)} km (even chance)"),
    }
    if decision["largest_term"]:
        largest = decision["largest_term"]
        facts["Largest term of the gap"] = f"{largest['name']}, {significant(largest['km'], 3)} km"
    if decision["required_step_km"] is None:
        facts["Drivers"] = f"not known: no step up to {LARGEST_STEP_KM:g} km just meets the target"
    else:
        facts["Drivers"] = "; ".join(driver(one) for one in decision["drivers"][:_DRIVERS])
    facts["Price"] = price(decision["price"], summary["years"])
    return facts


def driver(one: dict[str, Any]) -> str:
    """Return what doubling an assumption does, in words.

    Parameters
    ----------
    one : dict
        One of the drivers of a summary.

    Returns
    -------
    str
        Name of the assumption and change of the step that just meets the target.
    """
    name, change = one["name"].partition(".")[2], one["change_km"]
    if change is None:
        return f"{name} doubled: no step up to {LARGEST_STEP_KM:g} km is enough"
    return f"{name} doubled: " + (f"{change:+.2f} km" if abs(change) >= 0.005 else "under 0.01 km")


def price(costs: dict[str, Any], span: float) -> str:
    """Return what a layout costs beside risk, in words.

    Parameters
    ----------
    costs : dict
        The price of a summary.
    span : float
        Years of the study.

    Returns
    -------
    str
        One line.
    """
    parts = [f"{significant(costs['band_km'], 3)} km of altitude"]
    apart = f"nodes part by {significant(costs['untrimmed_node_spread_deg'])} deg in {years(span)}"
    trim = costs["largest_trim_deg"]
    parts.append(apart if trim is None else f"trims up to {significant(trim)} deg (untrimmed, {apart})")
    parts.append(
        f"{significant(costs['raising_velocity_m_per_s'], 3)} m/s to raise and at most "
        f"{significant(costs['holding_velocity_m_per_s_per_year'])} m/s a year to hold (without trims, avoidance), "
        f"up to {significant(costs['propellant_kg'])} kg of propellant a satellite in {years(span)}"
    )
    extra, error = (costs[f"extra_debris_approaches_{name}per_year"] for name in ("", "error_"))
    if extra is not None:
        parts.append(
            f"approaches with debris within {costs['within_km']:g} km changed by {with_error(extra, error)} a year "
            "against one altitude"
        )
    return ", ".join(parts)


def debris_lines(summary: dict[str, Any]) -> list[str]:
    """Return what the approaches of debris mean, in sentences.

    Parameters
    ----------
    summary : dict
        The summary of a run.

    Returns
    -------
    list of str
        Nothing without such approaches.
    """
    risk, avoidance = summary["debris_collisions"], summary["avoidance"]
    if risk is None:
        return []
    lines = [
        f"Collisions of the whole fleet with debris in case {summary['searched_case']} over the mission, without "
        f"avoidance, from the approaches found: {with_error(risk['number'], risk['number_error'])} expected, "
        f"probability {with_error(risk['probability'], risk['probability_error'])} (errors: objects resampled)."
        + _made_good(risk["share_found"]),
        "Avoidance against debris, encounters above the action threshold per satellite and year: "
        + ", ".join(
            f"{with_error(one['encounters_per_satellite_year'], one['error'])} from {one['threshold']:g}"
            for one in avoidance
        )
        + " (errors: objects resampled). Decisions, one for the encounters of a pair on successive revolutions, as "
        "counted: "
        + ", ".join(
            f"{with_error(one['decisions_counted'], one['decisions_error'])} from {one['threshold']:g}"
            for one in avoidance
        )
        + ".",
    ]
    return lines + _beyond_search(summary)


def stated_cases(summary: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the cases under the assumptions that the study is decided under.

    Parameters
    ----------
    summary : dict
        The summary of a run.

    Returns
    -------
    list of dict
        As in the summary.
    """
    first = summary["cases"][0]
    return [case for case in summary["cases"] if all(case[name] == first[name] for name in ASSUMPTIONS)]


def assumptions_table(summary: dict[str, Any]) -> list[dict[str, str]]:
    """Return the smallest step under each set of assumptions, in words.

    Parameters
    ----------
    summary : dict
        The summary of a run.

    Returns
    -------
    list of dict
        One a set of assumptions, empty when there is only one: its names, and "decision".
    """
    rows = summary["under_other_assumptions"]
    if len(rows) == 1:
        return []
    varied = [name for name in ASSUMPTIONS if len({row[name] for row in rows}) > 1]
    return [
        {name: str(row[name]) for name in varied}
        | {"decision": "none" if row["step_km"] is None else f"{row['step_km']:g} km, {short(row['order'], 16)}"}
        for row in rows
    ]


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
    """Return the tolerances that a study is decided under in words."""
    spread = study.stated_tolerances
    what = "at most" if spread.distribution == "bounded" else "standard deviation"
    further = {
        f"excursions of {spread.excursion_along_track_km:g} km along track": spread.excursion_along_track_km,
        f"orbital planes {spread.cross_track_km:g} km across track": spread.cross_track_km,
        f"orbit determination {spread.orbit_determination_m:g} m (1 sigma)": spread.orbit_determination_m,
        f"manoeuvres {spread.manoeuvre_m:g} m (1 sigma)": spread.manoeuvre_m,
    }
    return (
        f"{spread.distribution}, {what} {spread.mean_radius_m:g} m in mean radius and {spread.eccentricity:g} in "
        + ", ".join(["eccentricity", *(words for words, size in further.items() if size > 0.0)])
    )


def faults(study: Study) -> str:
    """Return the assumed faults that a study is decided under in words."""
    assumed = study.stated_faults
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


def _made_good(share: float) -> str:
    """Return how much of the probability the search found, in a sentence; nothing where that is all."""
    if share > 0.995:
        return ""
    return (
        f" The errors of the orbits leave {100.0 * share:.0f} % of the probability inside the search; the rest is made "
        "good in proportion."
    )


def _beyond_search(summary: dict[str, Any]) -> list[str]:
    """Return which counts leave encounters out, in a sentence; nothing where the search reached far enough."""
    within = summary["approaches"]["within_km"]
    short_of = [one for one in summary["avoidance"] if one["reach_km"] > within]
    if not short_of:
        return []
    farthest = max(one["reach_km"] for one in short_of)
    levels = ", ".join(f"{one['threshold']:g}" for one in short_of)
    return [
        f"Encounters above {levels} reach up to {significant(farthest)} km, beyond the {within:g} km of the search: "
        "counts leave those out, areas do not."
    ]


def _margin(decision: dict[str, Any]) -> str:
    if decision["step_km"] is None:
        return "none: the target is not met"
    if decision["margin_factor"] is None:
        return "no collision expected within these assumptions"
    margin = f"factor {significant(decision['margin_factor'])} below the target"
    needed = decision["required_step_km"]
    return margin + ("" if needed is None else f"; {significant(needed, 3)} km just meets it in this order")


def _left(distance_km: float | None) -> str:
    if distance_km is not None and distance_km < 0.0:
        return f"tolerances used up overlap by {significant(-distance_km, 3)} km between planes"
    return f"{significant(distance_km, 3)} km left between planes when all tolerances are used up"


def _own_planes(per_year: float) -> str:
    if per_year == 0.0:
        return "no satellite in a fault is expected to meet another of its plane"
    return (
        f"{significant(per_year)} collisions a year of satellites in faults (assumed) that drift past others of their "
        "plane, whatever the step; not in the target"
    )


def _debris(study: Study) -> str:
    if isinstance(study.debris, DemoDebris):
        return f"invented population of {study.debris.count} objects, seed {scenarios_of(study)[0].seed}"
    return f"catalogue {study.debris.path}" if isinstance(study.debris, CatalogueDebris) else "none"
