"""The tables of a report: CSV files with full digits, every row traceable to its run."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from shells.report.drawing import Trace


def write_csv(path: Path, rows: Iterable[Mapping[str, Any]], trace: Trace) -> None:
    """Write a table; each row ends with run, study hash and version.

    Parameters
    ----------
    path : Path
        The file.
    rows : iterable of mapping
        One mapping a row, all with the same keys; units stand in the keys. Missing values are None.
    trace : Trace
        Where the numbers come from.
    """
    origin = {"run": trace.run, "study_hash": trace.study_hash, "version": trace.version}
    traced = [{**row, **origin} for row in rows]
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, fieldnames=list(traced[0]) if traced else list(origin))
        writer.writeheader()
        writer.writerows(traced)


def plane_rows(planes: xr.Dataset) -> list[dict[str, Any]]:
    """Return the table of planes.

    Parameters
    ----------
    planes : Dataset
        PLANES.

    Returns
    -------
    list of dict
        One dict a plane.
    """
    columns = {
        "plane": "plane",
        "satellites": "satellites",
        "mean_radius_altitude_km": "mean_radius_altitude",
        "radius_low_km": "radius_low",
        "radius_high_km": "radius_high",
        "inclination_deg": "inclination",
        "raan_deg": "raan",
        "raan_rate_deg_per_day": "raan_rate",
        "eccentricity": "eccentricity",
    }
    return [
        {column: planes[name].values[row].item() for column, name in columns.items()}
        for row in range(planes.sizes["plane"])
    ]


def term_rows(decision: xr.Dataset) -> list[dict[str, Any]]:
    """Return the terms of the gap of every case.

    Parameters
    ----------
    decision : Dataset
        DECISION.

    Returns
    -------
    list of dict
        One dict a case and term.
    """
    return [
        {"case": int(case), "term": str(term), "size_km": None if np.isnan(size) else float(size)}
        for case, sizes in zip(decision["case"].values, decision["gap_term"].values, strict=True)
        for term, size in zip(decision["term"].values, sizes, strict=True)
    ]


def found_rows(found: xr.Dataset) -> list[dict[str, Any]]:
    """Return the counts of approaches found.

    Parameters
    ----------
    found : Dataset
        FOUND.

    Returns
    -------
    list of dict
        One dict a population.
    """
    rows = []
    for kind in found["kind"].values:
        one = found.sel(kind=kind)
        years = {
            f"year_{year + 1}": int(count) for year, count in zip(one["year"].values, one["found"].values, strict=True)
        }
        miss = float(one["smallest_miss"])
        rows.append(
            {
                "kind": str(kind),
                **years,
                "all_years": int(one["found"].sum()),
                "smallest_miss_km": None if np.isnan(miss) else miss,
            }
        )
    return rows


def rate_rows(rates: xr.Dataset) -> list[dict[str, Any]]:
    """Return the expected approaches between planes.

    Parameters
    ----------
    rates : Dataset
        RATES over plane, other_plane and within_km: one case, each pair at plane below other_plane.

    Returns
    -------
    list of dict
        One dict a pair of planes and threshold.
    """
    return [
        {
            "plane": int(plane),
            "other_plane": int(other),
            "within_km": float(within),
            "approaches_per_year": float(rates["rate"].sel(plane=plane, other_plane=other, within_km=within)),
        }
        for plane in rates["plane"].values
        for other in rates["other_plane"].values
        if plane < other
        for within in rates["within_km"].values
    ]
