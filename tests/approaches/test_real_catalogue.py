"""The main job on a real catalogue, against independent searches. Takes minutes.

The catalogue is not part of the repository: its path comes from the environment variable SHELLS_CATALOGUE.
"""

import os
from pathlib import Path

import numpy as np
import pytest
from sgp4 import exporter
from sgp4.api import WGS72, Satrec

from benchmarks.stepping import brute_force, brute_force_sgp4
from shells.approaches.search import find_approaches
from shells.debris.catalogue import read_catalogue
from shells.debris.element_sets import read_element_sets
from shells.fleet.frozen import freeze
from shells.fleet.patterns import walker
from shells.fleet.stack import stack
from shells.motion.elements import classical
from shells.motion.propagation import propagate
from tests.approaches.comparing import assert_same, table

CATALOGUE = os.environ.get("SHELLS_CATALOGUE", "")
START = np.datetime64("2021-10-01T00:00:00", "ns")
DAYS = 3.0

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not Path(CATALOGUE).is_file(), reason="SHELLS_CATALOGUE names no catalogue file"),
]


@pytest.fixture(scope="module")
def fleet():
    planned = walker(
        total=320, planes=8, pattern="star", phasing="best", altitude_km=1060.0, inclination_deg=86.5, epoch=START
    )
    return freeze(stack(planned, step_km=3.0))


def within_reach(objects):
    """Leave out what cannot come near 1,060 km in three days, by a wide margin."""
    e = np.hypot(objects["eccentricity_x"], objects["eccentricity_y"])
    perigee, apogee = (objects["semi_major_axis"] * (1.0 + sign * e) - 6378.137 for sign in (-1.0, 1.0))
    return objects.isel(object=np.flatnonzero((perigee < 1200.0) & (apogee > 920.0)))


def test_three_days_of_a_year_against_the_twin(fleet, capsys):
    debris = within_reach(read_catalogue(CATALOGUE, at=START))
    moved = [propagate(objects, years=1.0).isel(time=slice(0, 5)) for objects in (fleet, debris)]
    approaches = find_approaches(*moved, within_km=5.0)
    early = approaches.isel(approach=np.flatnonzero(approaches["time"].values < START + np.timedelta64(3, "D")))
    twin = brute_force(*moved, within_km=5.0, days=DAYS, step=10.0)
    ours = table(early, START)
    compared = assert_same(ours, twin)
    with capsys.disabled():
        print(f"\n{compared} approaches equal the twin's")
    assert compared > 100


def test_three_days_against_sgp4(fleet, tmp_path, capsys):
    """At least 95 % of what sgp4 itself sees within 4 km is found within 5 km, by pair and within 3 s."""
    file = tmp_path / "fleet.3le"
    file.write_text("\n".join(element_sets_of(fleet)) + "\n")
    ours = read_catalogue(file, at=START)
    debris = within_reach(read_catalogue(CATALOGUE, at=START))
    moved = [propagate(objects, years=DAYS / 365.25, node_days=1.0) for objects in (ours, debris)]
    approaches = find_approaches(*moved, within_km=5.0)

    sides = [satellites_of(path, objects) for path, objects in ((file, ours), (CATALOGUE, debris))]
    seen = brute_force_sgp4(sides[0], sides[1], START, within_km=4.0, days=DAYS)
    seen[:, 0] = ours["object"].values[seen[:, 0].astype(int)]
    seen[:, 1] = debris["object"].values[seen[:, 1].astype(int)]
    found = {}
    for first, second, time, *_ in table(approaches, START):
        found.setdefault((int(first), int(second)), []).append(time)
    matched, missed = 0, 0
    for first, second, time, _ in seen:
        pair = (int(first), int(second))
        if any(abs(time - other) < 3.0 for other in found.get(pair, [])):
            matched += 1
        else:
            missed += 1
    with capsys.disabled():
        share = matched / (matched + missed)
        print(f"\n{matched} of {matched + missed} ({share:.1%}) found")
    assert matched + missed > 100
    assert share >= 0.95


def element_sets_of(fleet):
    """Write the fleet as element sets at the start, numbered from 90001."""
    elements = classical(fleet)
    days = (START - np.datetime64("1949-12-31T00:00:00", "ns")) / np.timedelta64(1, "D")
    for j in range(fleet.sizes["object"]):
        one = elements.isel(object=j)
        satellite = Satrec()
        satellite.sgp4init(
            WGS72,
            "i",
            90001 + j,
            float(days),
            0.0,
            0.0,
            0.0,
            float(one["eccentricity"]),
            np.radians(float(one["argument_of_perigee"])),
            np.radians(float(one["inclination"])),
            np.radians(float(one["mean_anomaly"])),
            np.sqrt(398600.8 / float(one["semi_major_axis"]) ** 3) * 60.0,
            np.radians(float(one["raan"])),
        )
        satellite.intldesg = "21001A"
        yield from (f"0 FLEET {j}", *exporter.export_tle(satellite))


def satellites_of(path, objects):
    """Return the sgp4 satellites of a file in the order of the objects."""
    sets = read_element_sets(path).nearest_to(START)
    rows = {int(number): row for row, number in enumerate(sets.identifiers)}
    return [sets.satellites[rows[int(number)]] for number in objects["object"].values]
