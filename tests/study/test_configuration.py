import pickle
import re
import tomllib
from pathlib import Path
from typing import get_args

import pytest

from shells.errors import ConfigError, InputError
from shells.motion.solar import ACTIVITIES
from shells.study import block, locator
from shells.study.cases import Layout, scenarios_of
from shells.study.configuration import (
    CatalogueDebris,
    ClusterTable,
    DemoDebris,
    ForcesTable,
    Study,
    load_study,
    study_hash,
)
from shells.study.template import write_template
from tests.study import fakes

ROOT = Path(__file__).parents[2]


def fault(directory, *changes):
    with pytest.raises(ConfigError) as caught:
        fakes.study(directory, *changes)
    return str(caught.value)


def test_values_and_defaults(tmp_path):
    study = fakes.study(tmp_path)
    assert study.name == "trial"
    assert study.satellites == 12
    assert study.search_km == 5.0
    assert study.fleet.phasing == "best" and study.fleet.frozen and study.fleet.match_node_rates
    assert study.faults.per_satellite_year == 0.01
    assert study.forces == ForcesTable(solar_activity="mean", solar_seed=0)
    assert study.run.engine == "threads"
    assert study.target.avoidance is False
    assert study.study.start.isoformat() == "2031-04-01T00:00:00+00:00"
    assert study.debris == DemoDebris(source="demo", count=25)
    assert study.catalogue is None


def test_solar_activity_is_any_that_the_forces_know_and_part_of_the_hash(tmp_path):
    assert get_args(ForcesTable.model_fields["solar_activity"].annotation) == ACTIVITIES
    studies = [
        fakes.study(tmp_path, ("[debris]", f'[forces]\nsolar_activity = "{activity}"\nsolar_seed = {seed}\n[debris]'))
        for activity, seed in ((ACTIVITIES[0], 0), ("mean", 0), ("high", 0), ("cycle", 0), ("drawn", 0), ("drawn", 41))
    ]
    assert [study.forces.solar_activity for study in studies] == [*ACTIVITIES, "drawn"]
    assert studies[-1].forces.solar_seed == 41
    assert len({study_hash(study) for study in studies}) == len(studies)
    assert study_hash(studies[1]) == study_hash(fakes.study(tmp_path))  # the default, written out


def test_all_faults_of_the_forces_at_once(tmp_path):
    text = fault(
        tmp_path,
        ("[debris]", '[forces]\nsolar_activity = "hihg"\nsolar_seed = 1.5\nsolar_activty = "low"\n[debris]'),
    )
    path = tmp_path / "trial.toml"
    # line numbers counted by hand in the text of fakes.py
    for expected in (
        f"{path}: 3 faults in the study file:",
        f"{path}, line 24: forces.solar_activity: found 'hihg', expected 'low' or 'mean' or 'high' or 'cycle' or",
        f"{path}, line 25: forces.solar_seed: found 1.5, expected a whole number: seed of the drawn cycles",
        f"{path}, line 26: forces.solar_activty: unknown key; did you mean 'solar_activity'? Allowed here: solar_activ",
    ):
        assert expected in text, expected


def test_times_become_utc(tmp_path):
    study = fakes.study(tmp_path, ("2031-04-01T00:00:00Z", "2031-04-01T02:00:00+02:00"))
    assert study_hash(study) == study_hash(fakes.study(tmp_path))
    assert study_hash(fakes.study(tmp_path, ("00:00:00Z", "00:00:00"))) == study_hash(study)


def test_whole_numbers_serve_as_floats_and_steps_are_sorted(tmp_path):
    study = fakes.study(tmp_path, ("[1.0, 2.0, 3.0]", "[3, 1, 2]"))
    assert study.sweep.step_km == (1.0, 2.0, 3.0)
    assert study_hash(study) == study_hash(fakes.study(tmp_path))


def test_all_faults_at_once_with_file_line_and_key(tmp_path):
    text = fault(
        tmp_path,
        ('name = "trial"', 'name = "a trial"'),
        ("planes = 4\n", 'planes = "4"\n'),
        ("altitude_km", "altitud_km"),
        ("inclination_deg = 87.2", "inclination_deg = 253.0"),
        ("hard_body_radius_m = 2.0\n", ""),
        ('"interleaved"]', '"interleavd"]'),
        ("[target]", "[targt]"),
    )
    path = tmp_path / "trial.toml"
    # line numbers counted by hand in the text of fakes.py
    for expected in (
        f"{path}: 9 faults in the study file:",
        f"{path}, line 3: study.name: found 'a trial', expected letters, digits, - and _ only",
        f"{path}, line 10: fleet.planes: found '4', expected a whole number: number of orbital planes",
        f"{path}, line 12: fleet.altitud_km: unknown key; did you mean 'altitude_km'? Allowed here: pattern, planes,",
        f"{path}, line 13: fleet.inclination_deg: found 253.0, expected a number below 180: mean inclination [degree]",
        f"{path}, line 8: fleet.altitude_km: missing; add it: ",
        f"{path}, line 8: fleet.hard_body_radius_m: missing; add it: ",
        f"{path}, line 28: sweep.order[1]: found 'interleavd', expected 'monotone' or 'interleaved' or 'best' or",
        f"{path}, line 30: targt: unknown table; did you mean 'target'? Allowed here: study, fleet,",
    ):
        assert expected in text, expected
    assert "target: missing; add it: table [target]: what is still acceptable" in text


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("years = 2.0", "years = 0"), "line 5: study.years: found 0, expected a number above 0"),
        (("years = 2.0", "years = nan"), "study.years: found nan, expected a finite number"),
        (("years = 2.0", "years = true"), "study.years: found true, expected a number"),
        (("2031-04-01T00:00:00Z", "2031-04-01"), "study.start: found 2031-04-01, expected a date and time such as"),
        (("seed = 7", "seed = -1"), "study.seed: found -1, expected a number of at least 0"),
        (('"star"', '"ring"'), "fleet.pattern: found 'ring', expected 'star' or 'delta'"),
        (("planes = 4", "planes = 4\nphasing = 4"), "fleet.phasing: found 4, expected a whole number from 0 to 3"),
        (("planes = 4", "planes = 4\nphasing = 1.5"), "found 1.5, expected a whole number or 'best'"),
        (("planes = 4", "planes = 4\nfrozen = 1"), "fleet.frozen: found 1, expected true or false"),
        (("[1.0, 2.0, 3.0]", "[1.0, 1.0]"), "sweep.step_km: found [1.0, 1.0], expected each value once"),
        (("[1.0, 2.0, 3.0]", "[]"), "sweep.step_km: found [], expected at least one entry"),
        (("[1.0, 2.0, 3.0]", "2.0"), "sweep.step_km: found 2.0, expected a list in brackets"),
        (
            ('"interleaved"]', "[0, 1, 1, 3]]"),
            "line 29: sweep.order: found ['monotone', [0, 1, 1, 3]], expected each plane number from 0 to 3 once, and "
            "[0, 1, 1, 3] does not name them so",
        ),
        (('"interleaved"]', "[0, 1.5]]"), "sweep.order[1][1]: found 1.5, expected a whole number"),
        (("count = 25", "count = 0"), "debris.count: found 0, expected a number of at least 1"),
        (("count = 25", 'path = "x"'), "debris.path: unknown key. Allowed here: source, count"),
        (('"demo"', '"moon"'), "debris.source: found 'moon', expected 'demo' or 'catalogue'"),
        (('source = "demo"\n', ""), "debris.source: missing; add it: where the debris comes from"),
        (('"collisions"', '"risk"'), "target.quantity: found 'risk', expected 'collisions' or 'probability'"),
        (
            (
                'order = ["monotone", "interleaved"]',
                'order = ["monotone"]\n[[sweep.tolerances]]\nname = "a"\nwidth = 1',
            ),
            "line 32: sweep.tolerances[0].width: unknown key. Allowed here: name, distribution, mean_radius_m, ecc",
        ),
        (
            ("[target]", '[[sweep.faults]]\nname = "a"\n[[sweep.faults]]\nname = "b"\nduration_days = -1.0\n[target]'),
            "line 35: sweep.faults[1].duration_days: found -1.0, expected a number above 0",
        ),
        (
            ('order = ["monotone", "interleaved"]', 'order = ["monotone"]\nsolar_seed = [3]'),
            "sweep.solar_seed: found [3], expected no seeds, for no solar activity of the study is 'drawn'",
        ),
        (
            (
                'order = ["monotone", "interleaved"]',
                'order = ["monotone"]\n[[sweep.faults]]\nname = "a"\nper_satellite_year = 90.0',
            ),
            "sweep.faults: found",
        ),
        (("value = 1.0e-4", "value = 1.0e-4\navoidance = true"), "target.avoidance: found true, expected false"),
        (("[debris]", "[forces]\nsolar_activity = 3\n[debris]"), "forces.solar_activity: found 3, expected 'low' or"),
        (("[debris]", "[forces]\nsolar_seed = -1\n[debris]"), "solar_seed: found -1, expected a number of at least 0"),
        (("[debris]", "[forces]\nsolar_seed = true\n[debris]"), "solar_seed: found true, expected a whole number"),
        (("[debris]", "[force]\n[debris]"), "force: unknown table; did you mean 'forces'? Allowed here: study,"),
        (("[run]", "[run.more]"), "run.more: unknown table. Allowed here: engine, workers, objects_per_block"),
        (
            ("[run]\nworkers = 2\nobjects_per_block = 10\n", "[[run]]\nworkers = 2\n"),
            "run: found [{'workers': 2}], expected a",
        ),
    ],
)
def test_single_faults(tmp_path, change, expected):
    assert expected in fault(tmp_path, change)


@pytest.mark.parametrize(
    ("start", "years", "mission"),
    [
        ("1959-07-02T06:00:00Z", 2.0, "from 1959-07-02 to 1961-07-01"),
        ("2149-07-02T06:00:00Z", 51.0, "from 2149-07-02 to 2200-07-03"),
    ],
)
def test_drawn_cycles_cover_the_mission(tmp_path, start, years, mission):
    changes = ("2031-04-01T00:00:00Z", start), ("years = 2.0", f"years = {years}")
    drawn = ("[debris]", '[forces]\nsolar_activity = "drawn"\n[debris]')
    assert (
        f"line 24: forces.solar_activity: found 'drawn', expected another activity for a mission {mission}: "
        "cycles are drawn from 1960 to 2199"
    ) in fault(tmp_path, *changes, drawn)
    fakes.study(tmp_path, *changes)
    fakes.study(tmp_path, drawn)


def test_catalogue_path_is_relative_to_the_study(tmp_path):
    change = ('source = "demo"\ncount = 25', 'source = "catalogue"\npath = "sub/sets.txt"')
    text = fault(tmp_path, change)
    assert "debris.path: found 'sub/sets.txt', expected a file, and there is none at" in text
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "sets.txt").write_text("sets")
    study = fakes.study(tmp_path, change)
    assert study.debris == CatalogueDebris(source="catalogue", path="sub/sets.txt")
    assert study.catalogue == tmp_path / "sub" / "sets.txt"
    elsewhere = tmp_path / "elsewhere"
    (elsewhere / "sub").mkdir(parents=True)
    (elsewhere / "sub" / "sets.txt").write_text("sets")
    assert study_hash(fakes.study(elsewhere, change)) == study_hash(study)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[study]\nname = \n", ", line 2, column 8: not valid TOML: Invalid value."),
        ("[study]\nname = 'a'\nname = 'b'\n", ", line 3, column 11: not valid TOML: Cannot overwrite a value."),
        ("[study\n", ", line 1, column 7: not valid TOML: Expected ']' at the end of a table declaration."),
        ("[study]\nname = [1,\n", ", line 2: not valid TOML: "),
        ("", ": 5 faults in the study file:"),
    ],
)
def test_syntax_errors_name_the_line(tmp_path, text, expected):
    path = tmp_path / "broken.toml"
    path.write_text(text)
    with pytest.raises(ConfigError, match=re.escape(f"{path}{expected}")):
        load_study(path)


def test_file_that_cannot_be_read(tmp_path):
    with pytest.raises(ConfigError, match="cannot read the study file: No such file or directory"):
        load_study(tmp_path / "none.toml")
    with pytest.raises(ConfigError, match="cannot read the study file: Is a directory"):
        load_study(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b"# \xe4\n")
    with pytest.raises(ConfigError, match=r"not UTF-8 text \(byte 2\)"):
        load_study(tmp_path / "latin.toml")


def test_hash_covers_all_but_the_run_table(tmp_path):
    study = fakes.study(tmp_path)
    assert study_hash(study) == study_hash(fakes.study(tmp_path, ("workers = 2", "workers = 1\nengine = 'processes'")))
    for change in (
        ("seed = 7", "seed = 8"),
        ("= 150.0", "= 151.0"),
        ("count = 25", "count = 26"),
        ("= 1120.0", "= 1121.0"),
    ):
        assert study_hash(fakes.study(tmp_path, change)) != study_hash(study)
    assert len(study_hash(study)) == 64


def test_study_is_frozen_and_travels(tmp_path):
    study = fakes.study(tmp_path)
    with pytest.raises(ValueError, match="frozen"):
        study.fleet.planes = 5
    twin = pickle.loads(pickle.dumps(study))
    assert twin == study and study_hash(twin) == study_hash(study)


def test_text_is_that_of_the_file_until_the_study_is_changed(tmp_path):
    study = fakes.study(tmp_path)
    assert study.text == fakes.TEXT
    changed = study.model_copy(update={"study": study.study.model_copy(update={"seed": 8})})
    path = tmp_path / "changed.toml"
    path.write_text(changed.text)
    assert load_study(path).model_dump() == changed.model_dump()
    from_json = Study.model_validate_json(study.model_dump_json())
    path.write_text(from_json.text)
    assert load_study(path).model_dump() == study.model_dump()


def test_template_names_every_key_and_is_the_quickstart(tmp_path):
    path = write_template("quickstart", tmp_path)
    assert path.read_text() == (ROOT / "configs" / "quickstart.toml").read_text()
    study = load_study(path)
    uncommented = re.sub(r"(?m)^# (?=\[\[|[a-z_]+ = )", "", path.read_text())
    tables = tomllib.loads(uncommented)
    assert set(tables) == set(Study.model_fields) - {"cluster"}
    for name, keys in tables.items():
        assert set(keys) == set(type(getattr(study, name)).model_fields), name
    # the template writes the defaults out: leaving them away changes nothing
    bare = re.sub(
        r"(?m)^(phasing|frozen|match|injec|specific|per_sat|offset|duration|within|solar|order|avoidance|thresholds|fleet_age|debris_age|engine|objects)"
        r".*\n",
        "",
        path.read_text(),
    )
    path.write_text(bare)
    assert load_study(path).model_dump() == study.model_dump()


def test_cluster_study_names_every_key_of_its_table():
    study = load_study(ROOT / "configs" / "cluster.toml")
    table = tomllib.loads((ROOT / "configs" / "cluster.toml").read_text())["cluster"]
    assert set(table) == set(ClusterTable.model_fields)
    bare = study.model_copy(update={"cluster": None, "run": study.run.model_copy(update={"workers": 77})})
    assert study_hash(study) == study_hash(bare)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("slurm", "lsf"), "cluster.system: found 'lsf', expected 'slurm' or 'pbs'"),
        (("cores = 4", "cores = 4\nprocesses = 3"), "cluster.processes: found 3, expected a divisor of the 4 cores"),
        (("cores = 4", 'cores = 4\nprologue = ["a\\nb"]'), "cluster.prologue: found ['a\\nb'], expected one line of"),
        (("walltime_hours = 1", "walltime_hours = 0"), "cluster.walltime_hours: found 0, expected a number above 0"),
    ],
)
def test_faults_of_the_cluster(tmp_path, change, expected):
    table = '[cluster]\nsystem = "slurm"\njobs = 2\ncores = 4\nmemory_gb = 8\nwalltime_hours = 1\n'
    study = fakes.study(tmp_path, ("[run]", f"{table}\n[run]"))
    assert study.cluster.processes == 1
    assert expected in fault(tmp_path, ("[run]", f"{table.replace(*change)}\n[run]"))


@pytest.mark.parametrize("name", ["../trial", "a/b", "/tmp/trial", "..", "a\\b", "", "trial.", "a b", "trial\\n", "é"])
def test_names_that_would_lead_elsewhere_are_refused(tmp_path, name):
    shown = name.replace("\\\\", "\\")
    assert "study.name: found '" in fault(tmp_path, ('name = "trial"', f"name = '{shown}'"))


def test_template_is_not_written_over_a_file(tmp_path):
    write_template("twice", tmp_path)
    with pytest.raises(ConfigError, match=r"twice\.toml: exists already"):
        write_template("twice", tmp_path)
    with pytest.raises(ConfigError, match="found 'a/b', expected letters, digits"):
        write_template("a/b", tmp_path)
    with pytest.raises(ConfigError, match="cannot be written: Not a directory"):
        write_template("fine", tmp_path / "twice.toml")


def test_catalogue_study_is_valid_but_for_its_file(tmp_path):
    text = (ROOT / "configs" / "catalogue.toml").read_text()
    (tmp_path / "study.toml").write_text(text)
    (tmp_path / "catalogue.3le.gz").write_bytes(b"")
    study = load_study(tmp_path / "study.toml")
    assert study.satellites == 320 and study.sweep.step_km == (3.0,)


def test_locator_finds_keys_in_all_spellings():
    text = """\
# [comment]
top = "a # b"  # [x]
[one]  # comment
a = [ # [two]
  "]", '[', 1,
]
b.c = { d = 1, e = [2, 3] }
"quoted key" = '''
[three]
f = 1 \\'''
g = \"\"\"
h = "\\\"\"\" ]
\"\"\"
[one.sub]
i = 2031-01-01T00:00:00Z
[[many]]
j = 1
[[many]]
j = 2
"""
    tomllib.loads(text)
    lines = locator.key_lines(text)
    assert lines == {
        ("top",): 2,
        ("one",): 3,
        ("one", "a"): 4,
        ("one", "b"): 7,
        ("one", "b", "c"): 7,
        ("one", "quoted key"): 8,
        ("one", "g"): 11,
        ("one", "sub"): 14,
        ("one", "sub", "i"): 15,
        ("many",): 16,
        ("many", 0): 16,
        ("many", 0, "j"): 17,
        ("many", 1): 18,
        ("many", 1, "j"): 19,
    }
    assert locator.line_of(lines, ("many", 1, "j")) == 19
    assert locator.line_of(lines, ("one", "b", "c", "e", 1)) == 7
    assert locator.line_of(lines, ("one", "missing")) == 3
    assert locator.line_of(lines, ("nowhere",)) == 19
    assert locator.line_of({}, ("nowhere",)) == 1


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        # times are kept in 64-bit nanoseconds, and would wrap to another date outside 1678 to 2262
        (
            ("2031-04-01T00:00:00Z", "1600-01-01T00:00:00Z"),
            "study.start: found 1600-01-01 00:00:00+00:00, expected a time",
        ),
        (("2031-04-01T00:00:00Z", "9999-12-31T23:00:00-05:00"), "expected a time from 1958-01-01 to 2150-01-01"),
        (("planes = 4", "planes = 100000000000000000000000"), "expected a number of at most 1000"),
        (("planes = 4", "planes = 1"), "expected a number of at least 2"),
        (("eccentricity = 5.0e-5", "eccentricity = 0.05"), "eccentricity: 0.05 found; allowed: 0 to 0.005"),
        (
            ("[debris]", "[faults]\nper_satellite_year = 100.0\n[debris]"),
            "allowed: up to 365.25 days of faults in a year",
        ),
    ],
)
def test_what_a_run_would_refuse_is_refused_here(tmp_path, change, expected):
    assert expected in fault(tmp_path, change)


def test_every_impossible_set_is_named(tmp_path):
    sets = """[[sweep.tolerances]]
name = "stated"
[[sweep.tolerances]]
name = "vast"
eccentricity = 0.9
[[sweep.tolerances]]
name = "far"
mean_radius_m = 2.0e6
[target]"""
    with pytest.raises(ConfigError) as caught:
        fakes.study(tmp_path, ("[target]", sets))
    text = str(caught.value)
    assert "in 'vast' other values (eccentricity: 0.9 found; allowed: 0 to 0.005)" in text
    assert "in 'far' other values (mean_radius_m: 2e+06 m found" in text
    assert "stated'" not in text.partition("expected")[2]


CRITICAL = ("inclination_deg = 87.2", "inclination_deg = 63.43")


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        # the lowest of four planes lies one and a half steps below the middle: 1120 - 1050 km; (1120 - 160) / 1.5 = 640
        (
            [("[1.0, 2.0, 3.0]", "[1.0, 700.0, 800.0]")],
            "line 28: sweep.step_km: found [1.0, 700.0, 800.0], expected smaller steps than 700 km (lowest of 4 planes "
            "at 70 km; allowed: 160 km or more, which steps up to 640 km keep): altitude steps between neighbouring",
        ),
        # no frozen orbit so near to the zero of 4 - 5 sin^2 i, 63.4349 deg
        (
            [CRITICAL],
            "line 13: fleet.inclination_deg: found 63.43, expected another one, or frozen = false (inclination: "
            "[63.43] deg found for planes [0], which have no frozen orbit",
        ),
        # at 63.32 deg the frozen eccentricity is some 0.03, which takes the perigee of a low plane to the ground
        (
            [("inclination_deg = 87.2", "inclination_deg = 63.32"), ("[1.0, 2.0, 3.0]", "[1.0, 560.0]")],
            "line 28: sweep.step_km: found [1.0, 560.0], expected smaller steps than 560 km (altitude: frozen perigees",
        ),
        # rates go with a^-3.5 cos i: planes 45 km either side of 7498 km ask for cos i up to 1.02 times that of 1 deg
        (
            [("inclination_deg = 87.2", "inclination_deg = 1.0"), ("[1.0, 2.0, 3.0]", "[0.01, 30.0]")],
            "line 28: sweep.step_km: found [0.01, 30.0], expected smaller steps than 30 km (no inclinations turn the "
            "nodes of 4 planes at one rate so far apart;",
        ),
    ],
)
def test_fleets_that_cannot_be_built(tmp_path, changes, expected):
    assert expected in fault(tmp_path, *changes)


def test_fleets_that_can_be_built_after_all(tmp_path):
    fakes.study(tmp_path, ("[1.0, 2.0, 3.0]", "[1.0, 640.0]"))
    fakes.study(tmp_path, CRITICAL, ("planes = 4", "planes = 4\nfrozen = false"))
    fakes.study(
        tmp_path,
        ("inclination_deg = 87.2", "inclination_deg = 1.0"),
        ("[1.0, 2.0, 3.0]", "[0.01, 30.0]"),
        ("planes = 4", "planes = 4\nmatch_node_rates = false"),
    )


@pytest.mark.parametrize(("step", "possible"), [(640.0, True), (640.1, False)])
def test_stacks_are_refused_where_a_run_would_refuse_them(tmp_path, step, possible):
    # Other method: the fleet itself, whatever the checks of the file say.
    study = fakes.study(tmp_path, ("years = 2.0", "years = 0.02"))
    layout = Layout(0, step, "monotone")
    if possible:
        block.fleet_of(study, layout, scenarios_of(study)[0])
        fakes.study(tmp_path, ("[1.0, 2.0, 3.0]", f"[{step}]"))
        return
    with pytest.raises(InputError, match="under 160 km, the lowest at 159"):
        block.fleet_of(study, layout, scenarios_of(study)[0])
    assert "smaller steps than 640.1 km" in fault(tmp_path, ("[1.0, 2.0, 3.0]", f"[{step}]"))


def test_faults_of_the_sweep_against_other_tables_all_at_once(tmp_path):
    text = fault(
        tmp_path,
        ("years = 2.0", "years = 0.0"),
        ("[1.0, 2.0, 3.0]", "[1.0, 700.0]"),
        ('order = ["monotone", "interleaved"]', "order = [[0, 1, 1, 3]]\nsolar_seed = [3]"),
        ("[target]", '[[sweep.faults]]\nname = "a"\nper_satellite_year = 90.0\n[target]'),
    )
    assert "5 faults in the study file" in text
    for key in ("line 5: study.years", "sweep.step_km", "sweep.order", "sweep.solar_seed", "sweep.faults"):
        assert f"{key}: found" in text, key
