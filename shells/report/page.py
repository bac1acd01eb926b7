"""The report of a run: one page that opens anywhere, charts and tables as files of their own.

The page holds its charts as SVG and loads nothing from elsewhere. The same run directory gives the same bytes.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import jinja2
import xarray as xr
from markupsafe import Markup, escape

from shells.report import charts, tables, wording
from shells.report.drawing import Chart, Trace
from shells.report.rounding import significant, with_error
from shells.study.cases import expand, scenarios_of
from shells.study.configuration import Study
from shells.study.store import RunDirectory
from shells.study.task import debris_group


def write_report(run: RunDirectory) -> Path:
    """Write page, charts and tables of a finished run, in place of older ones.

    Parameters
    ----------
    run : RunDirectory
        A run that has its summary.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    StoreError
        The run is not finished, damaged, or cannot be written to.
    """
    study, summary, manifest = run.study(), run.summary(), run.manifest()
    names = ("decision", "planes", "sensitivity", "found")
    decision, planes, sensitivity, found = (run.read(name) for name in names)
    fleet_block = run.blocks(study, 0)[0]
    layout = expand(study)[summary["searched_case"]].layout
    rates = run.read_block(fleet_block, "rates")["rates"].sel(layout=layout.number)
    trace = wording.trace(study, summary, manifest)
    with run.writing():
        for directory in (run.report / "charts", run.report / "tables"):
            directory.mkdir(parents=True, exist_ok=True)
        drawn = [
            {"name": chart.name, "caption": chart.caption, "svg": Markup(chart.save(run.report / "charts"))}
            for chart in _charts(study, summary, decision, sensitivity, planes, found, rates, trace)
        ]
        for name, rows in _tables(summary, decision, planes, found, rates).items():
            tables.write_csv(run.report / "tables" / f"{name}.csv", rows, trace)
        if study.catalogue:
            rejected = _rejected(run.read(debris_group(scenarios_of(study)[0])))
            tables.write_csv(run.report / "tables" / "rejected.csv", rejected, trace)
        path = run.report / "report.html"
        path.write_text(_render(study, summary, manifest, drawn, planes, found), encoding="utf-8")
    return path


def _charts(
    study: Study,
    summary: dict[str, Any],
    decision: xr.Dataset,
    sensitivity: xr.Dataset,
    planes: xr.Dataset,
    found: xr.Dataset,
    rates: xr.Dataset,
    trace: Trace,
) -> list[Chart]:
    stated = [case["case"] for case in wording.stated_cases(summary)]
    fleet = trace.case.partition("; ")[2]
    reference_orbits = replace(trace, model=f"Forces: {summary['force_model']}.")
    every_layout = replace(trace, case=f"All {len(stated)} layouts under the stated assumptions; {fleet}")
    return [
        charts.sweep_chart(decision.sel(case=stated), study.target, every_layout),
        charts.sensitivity_chart(sensitivity, trace),
        charts.planes_chart(planes, trace),
        charts.rates_chart(rates.sel(within_km=study.search_km), trace),
        charts.found_chart(found, study.search_km, f"{study.study.start:%Y-%m-%d}", reference_orbits),
    ]


def _tables(
    summary: dict[str, Any], decision: xr.Dataset, planes: xr.Dataset, found: xr.Dataset, rates: xr.Dataset
) -> dict[str, list[dict[str, Any]]]:
    return {
        "cases": summary["cases"],
        "drivers": summary["decision"]["drivers"],
        "assumptions": summary["under_other_assumptions"],
        "avoidance": summary["avoidance"] or [],
        "debris-risk-by-plane": (summary["debris_collisions"] or {}).get("by_plane", []),
        "debris-risk-by-year": (summary["debris_collisions"] or {}).get("by_year", []),
        "terms": tables.term_rows(decision),
        "planes": tables.plane_rows(planes),
        "found": tables.found_rows(found),
        "plane-rates": tables.rate_rows(rates),
    }


def _rejected(debris: xr.Dataset) -> list[dict[str, Any]]:
    from shells.debris.catalogue import rejected_records

    return [dict(record._asdict()) for record in rejected_records(debris)]


def _render(
    study: Study,
    summary: dict[str, Any],
    manifest: dict[str, Any],
    drawn: list[dict[str, str]],
    planes: xr.Dataset,
    found: xr.Dataset,
) -> str:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("shells.report", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        number=lambda value, decimals: f"{value:.{decimals}f}",
        powers=_powers,
        significant=lambda value, digits=2: _powers(significant(value, digits)),
    )
    environment.globals.update(with_error=lambda value, error: _powers(with_error(value, error)))
    return environment.get_template("page.html.jinja").render(
        study=study,
        summary=summary,
        manifest=manifest,
        headline=wording.headline(summary),
        facts=wording.decision_facts(summary),
        assumptions=wording.assumptions(study),
        versions=wording.versions(manifest),
        charts=drawn,
        debris_lines=wording.debris_lines(summary),
        stated_cases=wording.stated_cases(summary),
        under_assumptions=wording.assumptions_table(summary),
        planes=tables.plane_rows(planes),
        found=tables.found_rows(found),
        mission_years=wording.years(study.study.years),
        target_years=wording.years(study.target.years),
        years=[int(year) + 1 for year in found["year"].values],
        within=f"{study.search_km:g}",
    )


def _powers(text: str) -> Markup:
    """Return text with numbers such as 3.0e-05 written with powers of ten."""
    return Markup(re.sub(r"(?<=[\d)])e([+-])0*(\d+)\b", _as_power, str(escape(text))))


def _as_power(match: re.Match[str]) -> str:
    sign = "−" if match.group(1) == "-" else ""
    return f" × 10<sup>{sign}{match.group(2)}</sup>"
