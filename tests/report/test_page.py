import csv
import re
import shutil
from html.parser import HTMLParser

import numpy as np
import pytest

from shells.errors import StoreError
from shells.report import tables, wording
from shells.report.delivery import run
from shells.report.drawing import Chart
from shells.report.page import write_report
from shells.schema import provenance
from shells.study import population
from shells.study.caution import CAUTION
from shells.study.configuration import study_hash
from shells.study.store import RunDirectory
from tests.study import fakes


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    directory = tmp_path_factory.mktemp("page")
    with pytest.MonkeyPatch.context() as patch:
        fakes.install(patch)
        return run(fakes.study(directory, ('name = "trial"', 'name = "trial_1"')), directory=directory)


def read_csv(path):
    return list(csv.DictReader(path.read_text().splitlines()))


class Outside(HTMLParser):
    """Collects everything that a browser would load, and the open tags."""

    def __init__(self):
        super().__init__()
        self.loaded, self.ids = [], []

    def handle_starttag(self, tag, attributes):
        for name, value in attributes:
            if name in ("src", "href", "xlink:href", "data") and not value.startswith(("#", "data:")):
                self.loaded.append((tag, value))
            if name == "id":
                self.ids.append(value)


def test_page_stands_alone(finished):
    page = (finished.report / "report.html").read_text()
    outside = Outside()
    outside.feed(page)
    assert not outside.loaded
    assert len(outside.ids) == len(set(outside.ids))
    assert "<script" not in page and "@import" not in page
    assert not re.findall(r"url\((?!#)", page)


def test_page_says_all_that_is_needed(finished):
    page = re.sub(r"\s+", " ", (finished.report / "report.html").read_text())
    study = finished.study()
    for part in (
        "Stack the planes 2 km apart, in monotone order.",
        "at most 0.0001 expected collisions in 10 years, for the whole fleet, without avoidance",
        "factor 3.3 below the target",
        "0.800 km left between planes when all tolerances are used up; closest pair expected in 2 years, faults among",
        "kg of propellant a satellite in 2 years, approaches with debris within 5 km changed by -7 ± 4 a year",
        "eccentricity, 0.550 km",
        "eccentricity doubled: +0.80 km; per_satellite_year doubled: -0.30 km; hard_body_radius_m doubled: no step",
        "doubled: no step up to 50 km is enough",
        "33.3 % of the number is from control faults (assumed)",
        "4.0 × 10<sup>−7</sup> collisions a year of satellites in faults (assumed) that drift past others",
        "assumed: 0.01 per satellite-year, 5 km (1 sigma) off in mean radius for 7 days",
        "bounded, at most 150 m in mean radius and 5 × 10<sup>−5</sup> in eccentricity",
        "invented population of 25 objects, seed 7",
        "<dd>gravity EGM96, zonals to 15; Sun, Moon, sunlight; air NRLMSISE-00, solar activity mean</dd>",
        "350 ± 18",
        "ripple, λ terms",
        "25 objects at 2031-04-01T00:00:00 UTC.",
        study_hash(study),
        "Session 1",
        "numpy ",
    ):
        assert part in page, part
    assert page.count(CAUTION) == 1
    assert page.count("<figure") == 5
    # decision before charts before tables before provenance
    order = [
        page.index(part) for part in ("Stack the planes", "Decision and target", ">Charts<", ">Tables<", ">Provenance<")
    ]
    assert order == sorted(order)


def test_same_run_gives_the_same_bytes(finished):
    def contents():
        return {path: path.read_bytes() for path in finished.report.rglob("*") if path.is_file()}

    before = contents()
    names = {path.relative_to(finished.report).as_posix() for path in before}
    charts = {
        f"charts/{name}.{kind}"
        for name in ("planes", "sweep", "drivers", "found", "rates")
        for kind in ("svg", "pdf", "png")
    }
    assert names == {"report.html", *charts, *(name for name in names if name.startswith("tables/"))}
    assert write_report(finished) == finished.report / "report.html"
    assert contents() == before


def test_tables_have_full_digits_and_name_their_run(finished):
    tables = {path.stem: read_csv(path) for path in (finished.report / "tables").iterdir()}
    assert set(tables) == {
        "cases",
        "drivers",
        "assumptions",
        "avoidance",
        "debris-risk-by-plane",
        "debris-risk-by-year",
        "terms",
        "planes",
        "found",
        "plane-rates",
    }
    for name, rows in tables.items():
        for row in rows:
            assert row["run"] == "trial_1" and row["study_hash"] == study_hash(finished.study()), name
            assert row["version"].startswith("0."), name
    decision = finished.read("decision")
    assert [float(row["target_quantity"]) for row in tables["cases"]] == decision["target_quantity"].values.tolist()
    assert [float(row["inclination_deg"]) for row in tables["planes"]] == finished.read("planes")[
        "inclination"
    ].values.tolist()
    assert len(tables["plane-rates"]) == 6 * 3  # pairs of planes, thresholds
    assert len(tables["terms"]) == 6 * 3  # cases, terms
    assert [row["kind"] for row in tables["found"]] == ["fleet", "debris", "payload", "rocket body"]


@pytest.fixture
def no_drawing(monkeypatch):
    monkeypatch.setattr(Chart, "save", lambda self, directory: "<svg></svg>")


def test_no_decision_and_no_debris(tmp_path, monkeypatch, no_drawing):
    fakes.install(
        monkeypatch, compute_fleet_block=lambda study, scenario: fakes.compute_fleet_block(study, scenario, met=False)
    )
    study = fakes.study(tmp_path, ('[debris]\nsource = "demo"\ncount = 25\n', ""))
    page = (run(study, directory=tmp_path).report / "report.html").read_text()
    assert "No case of this sweep meets the target; the exact search used the largest step, 3 km." in page
    assert "none: the target is not met" in page
    assert "Debris: none in this study." in page


def test_rejected_records_of_a_catalogue_are_listed(tmp_path, monkeypatch, no_drawing):
    (tmp_path / "sets.txt").write_text("")
    rejected = [
        [7, "12345", "TRIAL <B>", "1 12345U", "checksum", "found 3, expected 4"],
        [9, "", "", "x", "no line 2", ""],
    ]

    def load(study, seed):
        facts = provenance(read=30, rejected=rejected, rejected_by_reason={"checksum": 1, "no line 2": 1})
        return fakes.debris(25).assign_attrs(facts)

    fakes.install(monkeypatch)
    monkeypatch.setattr(population, "load", load)
    study = fakes.study(tmp_path, ('source = "demo"\ncount = 25', 'source = "catalogue"\npath = "sets.txt"'))
    place = run(study, directory=tmp_path)
    page = re.sub(r"\s+", " ", (place.report / "report.html").read_text())
    assert (
        "30 records read, 2 rejected (checksum 1, no line 2 1; each is listed in <code>tables/rejected.csv</code>)"
        in page
    )
    assert "sets.txt, SHA-256 <code>" in page
    rows = read_csv(place.report / "tables" / "rejected.csv")
    assert [(row["line"], row["name"], row["reason"]) for row in rows] == [
        ("7", "TRIAL <B>", "checksum"),
        ("9", "", "no line 2"),
    ]


def test_text_is_escaped(finished, tmp_path, no_drawing):
    copy = RunDirectory(shutil.copytree(finished.path, tmp_path / "copy"))
    summary = copy.summary()
    summary["decision"]["text"] = "a <b> & 2.0e-05"
    copy.write_json("summary.json", summary)
    assert "<p>a &lt;b&gt; &amp; 2.0 × 10<sup>−5</sup></p>" in write_report(copy).read_text()


def test_report_of_what_is_no_finished_run(tmp_path):
    with pytest.raises(StoreError, match=r"manifest\.json: cannot be read"):
        write_report(RunDirectory(tmp_path))


def test_assumptions_are_those_that_the_study_is_decided_under(tmp_path):
    swept = """
solar_activity = ["drawn", "low"]
solar_seed = [5, 6]
seed = [31, 32]
[[sweep.tolerances]]
name = "wide"
eccentricity = 1.0e-4
orbit_determination_m = 12.0
manoeuvre_m = 8.0
excursion_along_track_km = 3.0
cross_track_km = 0.7
[[sweep.tolerances]]
name = "narrow"
[[sweep.faults]]
name = "few"
per_satellite_year = 0.003
"""
    study = fakes.study(tmp_path, ("\n[target]", f"{swept}\n[target]"))
    words = wording.assumptions(study)
    assert words["Tolerances"] == (
        "bounded, at most 150 m in mean radius and 0.0001 in eccentricity, excursions of 3 km along track, orbital "
        "planes 0.7 km across track, orbit determination 12 m (1 sigma), manoeuvres 8 m (1 sigma)"
    )
    assert words["Faults"].startswith("assumed: 0.003 per satellite-year")
    assert words["Forces"].endswith("solar activity drawn from seed 5")
    assert words["Debris"].endswith("seed 31")


def test_missing_terms_and_trims_are_said_to_be(tmp_path):
    decided = fakes.decision(fakes.study(tmp_path))
    decided["gap_term"][1] = np.nan
    assert tables.term_rows(decided)[3]["size_km"] is None
    costs = {
        "band_km": 6.0,
        "largest_trim_deg": None,
        "untrimmed_node_spread_deg": 0.27,
        "raising_velocity_m_per_s": 405.9,
        "holding_velocity_m_per_s_per_year": 0.62,
        "propellant_kg": 4.9,
        "extra_debris_approaches_per_year": None,
        "extra_debris_approaches_error_per_year": None,
    }
    assert wording.price(costs, 1.0) == (
        "6.00 km of altitude, nodes part by 0.27 deg in 1 year, 406 m/s to raise and at most 0.62 m/s a year to "
        "hold (without trims, avoidance), up to 4.9 kg of propellant a satellite in 1 year"
    )


def test_overlap_and_small_drivers_in_words(finished):
    summary = finished.summary()
    summary["decision"]["smallest_distance_km"] = -1.234
    facts = wording.decision_facts(summary)
    assert facts["Smallest distance"].startswith("tolerances used up overlap by 1.23 km between planes; closest pair")
    assert wording.driver({"name": "tolerances.manoeuvre_m", "change_km": -4e-4}).endswith("doubled: under 0.01 km")
    assert facts["Margin"].startswith("factor 3.3 below the target; ")
    assert facts["Margin"].endswith(" km just meets it in this order")


def test_drivers_without_a_required_step_are_not_known(finished):
    summary = finished.summary()
    summary["decision"]["required_step_km"] = None
    assert wording.decision_facts(summary)["Drivers"].startswith("not known: no step up to 50 km")
    summary["decision"]["collisions_own_plane_per_year"] = 0.0
    assert wording.decision_facts(summary)["Own planes"].startswith("no satellite in a fault is expected to meet")


def test_what_approaches_of_debris_mean():
    above = {
        "encounters_per_satellite_year": 0.12,
        "error": 0.026,
        "counted": 0.11,
        "closed_form": 0.12,
        "decisions_counted": 0.1,
        "decisions_error": 0.04,
    }
    summary = {
        "searched_case": 1,
        "approaches": {"within_km": 5.0},
        "debris_collisions": {
            "number": 2.0e-4,
            "number_error": 4.5e-5,
            "probability": 1.9e-4,
            "probability_error": 4.5e-5,
            "share_found": 1.0,
        },
        "avoidance": [
            {**above, "threshold": 1e-4, "reach_km": 0.7},
            {**above, "threshold": 1e-6, "reach_km": 4.9},
        ],
    }
    lines = wording.debris_lines(summary)
    assert lines == [
        "Collisions of the whole fleet with debris in case 1 over the mission, without avoidance, from the approaches "
        "found: 0.00020 ± 0.00005 expected, probability 0.00019 ± 0.00005 (errors: objects resampled).",
        "Avoidance against debris, encounters above the action threshold per satellite and year: 0.12 ± 0.03 from "
        "0.0001, 0.12 ± 0.03 from 1e-06 (errors: objects resampled). Decisions, one for the encounters of a pair on "
        "successive revolutions, as counted: 0.10 ± 0.04 from 0.0001, 0.10 ± 0.04 from 1e-06.",
    ]
    summary["debris_collisions"]["share_found"] = 0.654
    summary["avoidance"][1]["reach_km"] = 14.9
    old = wording.debris_lines(summary)
    assert old[0].endswith(
        "The errors of the orbits leave 65 % of the probability inside the search; the rest is made good in proportion."
    )
    assert old[2:] == [
        "Encounters above 1e-06 reach up to 15 km, beyond the 5 km of the search: counts leave those out, areas do not."
    ]
    assert wording.debris_lines(summary | {"debris_collisions": None}) == []
