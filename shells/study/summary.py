"""The summary of a run: a small JSON object with stable keys, for people and for other programs."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np
import xarray as xr

from shells.schema import GRAVITY_MODEL
from shells.study.cases import scenarios_of
from shells.study.caution import CAUTION
from shells.study.configuration import Study, study_hash

#: What the layouts of a study are compared under.
ASSUMPTIONS = ("tolerances", "faults", "solar_activity", "solar_seed", "seed")

#: What is expected within each threshold.
_BY_DISTANCE = (
    "fleet_approaches",
    "debris_approaches",
    "debris_approaches_error",
    "extra_debris_approaches",
    "extra_debris_approaches_error",
)

#: What a target limits, in words.
QUANTITY_IN_WORDS = {"collisions": "expected collisions", "probability": "as the probability of a collision"}

#: What a case costs beside risk, and in which units, as the keys say them.
PRICE_UNITS = {
    "largest_trim": "deg",
    "untrimmed_node_spread": "deg",
    "phase_drift": "deg_per_day",
    "raising_velocity": "m_per_s",
    "holding_velocity": "m_per_s_per_year",
    "propellant": "kg",
}


def start_of(study: Study) -> np.datetime64:
    """Return the start of the mission as the Datasets hold times.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    datetime64
        UTC, in nanoseconds.
    """
    return np.datetime64(study.study.start.replace(tzinfo=None), "ns")


def force_model(study: Study) -> str:
    """Return the forces that a study is decided under, in one line.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    str
        Gravity model, other forces, density of the air and solar activity.
    """
    stated = scenarios_of(study)[0]
    activity = stated.solar_activity
    seed = f" from seed {stated.solar_seed}" if activity == "drawn" else ""
    return f"gravity {GRAVITY_MODEL}; Sun, Moon, sunlight; air NRLMSISE-00, solar activity {activity}{seed}"


def summarise(
    study: Study,
    decision: xr.Dataset,
    sensitivity: xr.Dataset,
    found: xr.Dataset,
    debris_risk: Mapping[str, xr.Dataset],
    debris: xr.Dataset | None,
    manifest: dict[str, Any],
    *,
    searched: int,
) -> dict[str, Any]:
    """Make the summary of a run.

    Parameters
    ----------
    study : Study
        The study.
    decision : Dataset
        DECISION.
    sensitivity : Dataset
        SENSITIVITY of the searched case.
    found : Dataset
        FOUND.
    debris_risk : mapping of str to Dataset
        Of `shells.study.encounters.conclude`; empty without approaches of debris.
    debris : Dataset or None
        OBJECTS of the debris.
    manifest : dict
        The manifest of the run directory.
    searched : int
        Number of the case whose approaches were searched.

    Returns
    -------
    dict
        study, hash; force_model (one line);
        decision: text, step_km and order (null when no case meets the target), margin_factor (target over what is
        expected; null without a choice or when nothing is expected), required_step_km (the step that just meets the
        target), smallest_distance_km, closest_expected_km, target (quantity, value, years, scope, avoidance),
        target_quantity, number, probability, fault_share, collisions_own_plane_per_year (not limited by the target),
        largest_term (name, km) and terms (km by name), drivers
        (name, stated, required_step_km and change_km when doubled, the largest change first), price (trims, drift,
        velocity changes, propellant over the years of the study, band, extra approaches with debris within within_km,
        with their error), all of the searched case when none is chosen;
        under_other_assumptions: for each set of assumptions its names and the smallest step and order that meet the
        target (null for none);
        cases: one object a case; searched_case; years of the study;
        approaches: within_km, total, by_kind, smallest_miss_km;
        debris_collisions: number, probability and their errors, over the mission without avoidance, of the searched
        case, or null; share_found: the share of the probability that lies inside the search, over which the number is
        made good; by_plane and by_year: one object each;
        avoidance: for each threshold the encounters above it per satellite and year, by area, with error, by count and
        in closed form; decisions_counted with decisions_error, encounters of a pair on successive revolutions taken
        for one; reach_km, the largest miss distance above it; null without approaches of debris;
        debris: source, epoch, objects, by_kind, read (records that could be read, null for invented ones) and rejected
        (number of records by reason), or null;
        seconds: wall time of all sessions; caution.
    """
    return {
        "study": study.name,
        "hash": study_hash(study),
        "force_model": force_model(study),
        "decision": _decision(study, decision, sensitivity, searched),
        "under_other_assumptions": _under_other_assumptions(decision),
        "cases": cases(decision),
        "searched_case": searched,
        "years": study.study.years,
        "approaches": {
            "within_km": study.search_km,
            "total": int(found["found"].sum()),
            "by_kind": _by_kind(found["found"].sum("year")),
            "smallest_miss_km": _number(found["smallest_miss"].min()),
        },
        "debris_collisions": _debris_collisions(debris_risk),
        "avoidance": _avoidance(debris_risk),
        "debris": _debris(study, debris),
        "seconds": _seconds(manifest),
        "caution": CAUTION,
    }


def cases(decision: xr.Dataset) -> list[dict[str, Any]]:
    """Return the table of cases.

    Parameters
    ----------
    decision : Dataset
        DECISION.

    Returns
    -------
    list of dict
        One dict a case; the keys carry units, missing values are None.
    """
    rows = []
    for number in decision["case"].values:
        one = decision.sel(case=number)
        row: dict[str, Any] = {"case": int(number), "step_km": float(one["step"])}
        row |= {name: one[name].item() for name in ("order", "upwards", *ASSUMPTIONS)}
        for name in ("band_width", "smallest_gap", "smallest_distance", "closest_expected"):
            row[f"{name}_km"] = _number(one[name])
        row |= {f"{name}_{unit}": _number(one[name]) for name, unit in PRICE_UNITS.items()}
        for name in _BY_DISTANCE:
            for within in decision["within_km"].values:
                row[f"{name}_within_{within:g}_km_per_year"] = _number(one[name].sel(within_km=within))
        for name in (
            "collisions_control",
            "collisions_fault",
            "collisions_own_plane",
            "collisions_debris",
            "collisions_debris_error",
        ):
            row[f"{name}_per_year"] = _number(one[name])
        row |= {name: _number(one[name]) for name in ("fault_share", "number", "probability", "target_quantity")}
        row |= {name: bool(one[name]) for name in ("meets_target", "smallest", "chosen")}
        rows.append(row)
    return rows


def _decision(study: Study, decision: xr.Dataset, sensitivity: xr.Dataset, searched: int) -> dict[str, Any]:
    chosen = decision["chosen"].values
    any_chosen = bool(chosen.any())
    one = decision.isel(case=int(chosen.argmax())) if any_chosen else decision.sel(case=searched)
    expected = float(one["target_quantity"])
    terms = {str(term): _number(one["gap_term"].sel(term=term)) for term in decision["term"].values}
    known = {name: size for name, size in terms.items() if size is not None}
    largest = max(known, key=lambda name: known[name], default=None)
    return {
        "text": str(decision.attrs["text"]),
        "step_km": float(one["step"]) if any_chosen else None,
        "order": str(one["order"].item()) if any_chosen else None,
        "margin_factor": study.target.value / expected if any_chosen and expected > 0.0 else None,
        "required_step_km": _number(sensitivity["stated_required_step"]),
        "smallest_distance_km": _number(one["smallest_distance"]),
        "closest_expected_km": _number(one["closest_expected"]),
        "target": study.target.model_dump(mode="json"),
        **{name: _number(one[name]) for name in ("target_quantity", "number", "probability", "fault_share")},
        "collisions_own_plane_per_year": _number(one["collisions_own_plane"]),
        "largest_term": None if largest is None else {"name": largest, "km": known[largest]},
        "terms": terms,
        "drivers": _drivers(sensitivity),
        "price": _price(one),
    }


def _debris_collisions(debris_risk: Mapping[str, xr.Dataset]) -> dict[str, Any] | None:
    if not debris_risk:
        return None
    rows = {name: _risk_rows(debris_risk[name]) for name in ("risk_of_fleet", "risk_by_plane", "risk_by_year")}
    found = {"share_found": _number(debris_risk["workload"]["share_found"])}
    return {**rows["risk_of_fleet"][0], **found, "by_plane": rows["risk_by_plane"], "by_year": rows["risk_by_year"]}


def _risk_rows(risk: xr.Dataset) -> list[dict[str, Any]]:
    labels = [name for name in ("plane", "year") if name in risk]
    values = ("number", "number_error", "probability", "probability_error")
    groups = [risk.isel(group=k) for k in range(risk.sizes["group"])]
    return [{name: int(one[name]) for name in labels} | {name: _number(one[name]) for name in values} for one in groups]


def _avoidance(debris_risk: Mapping[str, xr.Dataset]) -> list[dict[str, Any]] | None:
    if not debris_risk:
        return None
    workload = debris_risk["workload"]
    names = {
        "encounters_above": "encounters_per_satellite_year",
        "encounters_above_error": "error",
        "encounters_above_counted": "counted",
        "encounters_above_small_body": "closed_form",
        "decisions_counted": "decisions_counted",
        "decisions_counted_error": "decisions_error",
        "reach": "reach_km",
    }
    return [
        {"threshold": float(level)} | {key: _number(workload[name].sel(threshold=level)) for name, key in names.items()}
        for level in workload["threshold"].values
    ]


def _drivers(sensitivity: xr.Dataset) -> list[dict[str, Any]]:
    return [
        {
            "name": str(name),
            "stated": float(one["stated"]),
            "required_step_km": _number(one["required_step"]),
            "change_km": _number(one["change"]),
        }
        for name, one in ((name, sensitivity.sel(parameter=name)) for name in sensitivity["parameter"].values)
    ]


def _price(one: xr.Dataset) -> dict[str, Any]:
    """Return what a case costs beside risk."""
    farthest = one.isel(within_km=-1)
    return {
        "band_km": _number(one["band_width"]),
        **{f"{name}_{unit}": _number(one[name]) for name, unit in PRICE_UNITS.items()},
        "within_km": float(farthest["within_km"]),
        "extra_debris_approaches_per_year": _number(farthest["extra_debris_approaches"]),
        "extra_debris_approaches_error_per_year": _number(farthest["extra_debris_approaches_error"]),
    }


def _under_other_assumptions(decision: xr.Dataset) -> list[dict[str, Any]]:
    rows: dict[tuple[Any, ...], dict[str, Any]] = {}
    for k in range(decision.sizes["case"]):
        one = decision.isel(case=k)
        names = {name: one[name].item() for name in ASSUMPTIONS}
        row = rows.setdefault(tuple(names.values()), {**names, "step_km": None, "order": None})
        if one["smallest"]:
            row |= {"step_km": float(one["step"]), "order": str(one["order"].item())}
    return list(rows.values())


def _debris(study: Study, debris: xr.Dataset | None) -> dict[str, Any] | None:
    if study.debris is None or debris is None:
        return None
    kinds = Counter(debris["kind"].values.tolist())
    facts = json.loads(debris.attrs["provenance"])
    return {
        "source": study.debris.source,
        "epoch": str(debris["epoch"].values.astype("datetime64[s]")),
        "objects": debris.sizes["object"],
        "by_kind": dict(sorted(kinds.items())),
        "read": facts.get("read"),
        "rejected": facts.get("rejected_by_reason", {}),
    }


def _by_kind(counts: xr.DataArray) -> dict[str, int]:
    return {str(kind): int(number) for kind, number in zip(counts["kind"].values, counts.values, strict=True)}


def _number(value: xr.DataArray) -> float | None:
    """Return a number for JSON, None where it is missing."""
    return float(value) if np.isfinite(value) else None


def _seconds(manifest: dict[str, Any]) -> float:
    """Return the wall time of all sessions that have ended, and of the present one up to now [s]."""
    now = datetime.now(UTC)
    ends = [(session["start"], session["end"]) for session in manifest["sessions"]]
    spans = [
        (datetime.fromisoformat(end) if end else now) - datetime.fromisoformat(start)
        for start, end in ends
        if end or start == ends[-1][0]
    ]
    return round(sum(span.total_seconds() for span in spans), 1)
