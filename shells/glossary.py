"""Makes `glossary.md`, every quantity once and every Dataset: ``python -m shells.glossary``."""

from __future__ import annotations

from pathlib import Path

from shells.fleet.distances import DISTANCES
from shells.motion.elements import CLASSICAL
from shells.risk.aggregation import COLLISION_RISK
from shells.risk.numbers import NUMBERS
from shells.risk.probability import PROBABILITIES
from shells.risk.separation.budget import BUDGET
from shells.risk.state_errors import ENCOUNTER_ERRORS
from shells.risk.workload import WORKLOAD, WORKLOAD_OF_OBJECTS
from shells.schema import SCHEMAS
from shells.study.found import FOUND

FILE = Path(__file__).with_name("glossary.md")

#: Words of the trade as they are used here.
WORDS = {
    "mean elements": "single-averaged: all terms of the orbital period or shorter are removed, long-period ones kept",
    "mean radius": "radius averaged over argument of latitude; the place of a shell, with altitude r_m - 6378.137 km",
    "shell": "the surface that the orbits of one plane fill as their node turns",
    "step": "difference of mean radius between neighbouring shells",
    "gap": "difference of the radii of two reference orbits at their mutual node",
    "held, free": "following the plane's reference orbit within tolerances; moving under the forces alone",
    "mutual node": "where two orbits cross the line in which their planes meet",
    "approach": "a local minimum of distance below a threshold",
    "rate": "expected approaches per year",
    "short encounter": "one so fast that the relative path may be taken for straight while the errors matter",
    "cluster": "approaches of one pair on successive revolutions, which count once for a probability",
    "train": "satellites of a plane that share one orbit and differ only in phase",
    "target": "a number of collisions, per satellite or for the fleet, over a stated time, with or without avoidance",
}

SYMBOLS = {
    "semi_major_axis": "a",
    "eccentricity": "e",
    "eccentricity_x": "ex = e cos w",
    "eccentricity_y": "ey = e sin w",
    "inclination": "i",
    "raan": "Omega",
    "argument_of_perigee": "w",
    "mean_anomaly": "M",
    "mean_argument_of_latitude": "u = w + M",
    "mean_radius_altitude": "r_m - 6378.137",
    "crossing_angle": "I",
    "miss_distance": "d",
    "hard_body_radius": "R_hb",
    "drag_coefficient": "Cd",
    "reflectivity_coefficient": "Cr",
    "area_to_mass": "A/m",
}

ALL_SCHEMAS = (
    *SCHEMAS,
    CLASSICAL,
    DISTANCES,
    ENCOUNTER_ERRORS,
    PROBABILITIES,
    WORKLOAD,
    WORKLOAD_OF_OBJECTS,
    NUMBERS,
    COLLISION_RISK,
    BUDGET,
    FOUND,
)


def render() -> str:
    """Return the glossary as Markdown: words, quantities with symbol and unit, Datasets."""
    lines = ["# Glossary", "", "Made by `python -m shells.glossary`; a test keeps it true.", "", "## Words", ""]
    lines += [f"- **{word}**: {meaning}" for word, meaning in WORDS.items()]
    lines += ["", "## Quantities", "", "| name | symbol | unit | meaning |", "| --- | --- | --- | --- |"]
    quantities = {
        name: variable
        for schema in ALL_SCHEMAS
        for name, variable in schema.variables.items()
        if variable.dtype == "float64"
    }
    for name in sorted(quantities):
        variable = quantities[name]
        lines.append(f"| {name} | {SYMBOLS.get(name, '')} | {variable.units} | {variable.long_name} |")
    lines += ["", "## Datasets", ""]
    lines += ["\n\n".join(schema.table() for schema in ALL_SCHEMAS), ""]
    return "\n".join(lines)


if __name__ == "__main__":
    FILE.write_text(render(), encoding="utf-8")
