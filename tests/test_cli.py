import gzip
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from sgp4.api import WGS72, Satrec
from sgp4.exporter import export_tle

from shells.cli import main
from shells.report import terminal
from shells.report.drawing import Chart
from shells.study import estimate
from shells.study.caution import CAUTION
from shells.study.runner import Event
from shells.study.stream import Workers
from tests.study import fakes

ROOT = Path(__file__).parents[1]
HEAVY = (
    "numba",
    "numpy",
    "dask",
    "distributed",
    "xarray",
    "matplotlib",
    "astropy",
    "scipy",
    "pydantic",
    "zarr",
    "rich",
)


def call(*arguments):
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    return result


def shells(*arguments, **options):
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        [sys.executable, "-m", "shells", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
        **options,
    )


def element_sets(path, count, *, compress=False):
    """Write an invented catalogue."""
    lines = []
    for k in range(count):
        satellite = Satrec()
        # epoch 2031-04-01.0 in days since 1949-12-31; 13.35 revolutions a day is near 1120 km
        satellite.sgp4init(
            WGS72, "i", 70000 + k, 29676.0, 1e-5, 0.0, 0.0, 1e-3, 0.1 * k, 1.5, 0.2 * k, 13.35 * 6.28318 / 1440, 1.0
        )
        lines += [f"TRIAL {k} DEB", *export_tle(satellite)]
    data = ("\n".join(lines) + "\n").encode()
    path.write_bytes(gzip.compress(data) if compress else data)
    return path


@pytest.fixture
def trial(tmp_path, monkeypatch):
    fakes.install(monkeypatch)
    monkeypatch.setattr(Chart, "save", lambda self, directory: "<svg></svg>")  # tests/report looks at the charts
    fakes.study(tmp_path)
    monkeypatch.chdir(tmp_path)
    return Path("trial.toml")


def test_help_imports_nothing_heavy():
    code = (
        "import sys; from click.testing import CliRunner; from shells.cli import main; "
        "print(CliRunner().invoke(main, ['--help']).output); "
        f"print('heavy:', [name for name in {HEAVY} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert "heavy: []" in done.stdout
    for command in ("new", "check", "run", "report", "catalogue"):
        assert f"\n  {command} " in done.stdout


@pytest.fixture
def measured(monkeypatch):
    """Put fixed numbers in the place of the calibration."""
    monkeypatch.setattr(
        estimate,
        "estimate",
        lambda study, debris: estimate.Estimate(
            8, 3, study.satellites, debris.sizes["object"], estimate.workers_of(study), 9000.0, 70.0, 0.61, 0.02
        ),
    )


def test_new_check_and_back(tmp_path, monkeypatch, measured):
    monkeypatch.chdir(tmp_path)
    result = call("new")
    assert result.exit_code == 0 and "shells check first-study.toml" in result.output
    Path("first-study.toml").write_text(Path("first-study.toml").read_text().replace("# workers = 2", "workers = 4"))
    result = call("check", "first-study.toml")
    assert result.exit_code == 0
    assert [line.rstrip() for line in result.output.splitlines()] == [
        "first-study.toml: valid",
        "cases    8",
        "objects  300 satellites, 600 debris objects",
        "blocks   3, the longest about 70 seconds",
        "time     about 38 minutes on 4 cores of this machine",
        "memory   about 0.61 GB a worker",
        "disk     about 0.020 GB",
    ]
    table = '[cluster]\nsystem = "pbs"\njobs = 2\ncores = 4\nprocesses = 2\nmemory_gb = 8\nwalltime_hours = 1\n'
    Path("large.toml").write_text(Path("first-study.toml").read_text() + table)
    result = call("check", "large.toml")
    assert "time     about 19 minutes on 8 cores of the cluster, if they are as fast as one here" in result.output
    assert call("new", "other_name").exit_code == 0
    assert 'name = "other_name"' in Path("other_name.toml").read_text()
    result = call("new")
    assert result.exit_code == 1 and "Error: first-study.toml: exists already." in result.output


def test_check_names_all_faults(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("bad.toml").write_text(fakes.TEXT.replace("planes = 4", "plane = 4").replace("seed = 7", "seed = 7.5"))
    result = call("check", "bad.toml")
    assert result.exit_code == 1
    assert result.output.startswith("Error: bad.toml: 3 faults in the study file:\n")
    assert "bad.toml, line 10: fleet.plane: unknown key; did you mean 'planes'?" in result.output
    assert "bad.toml, line 6: study.seed: found 7.5, expected a whole number" in result.output
    Path("bad.toml").write_text("[study\n")
    result = call("check", "bad.toml")
    assert result.exit_code == 1 and "bad.toml, line 1, column 7: not valid TOML" in result.output
    result = call("check", "missing.toml")
    assert result.exit_code == 1 and "missing.toml: cannot read the study file: No such file" in result.output


def test_wrong_usage():
    assert call("check").exit_code == 2
    assert call("runn").exit_code == 2


def test_run_prints_the_decision_and_makes_the_report(trial):
    result = call("run", trial)
    assert result.exit_code == 0, result.output
    for part in (
        "Stack the planes 2 km apart, in monotone order.",
        "at most 0.0001 expected collisions in 10 years, for the whole fleet, without avoidance",
        "factor 3.3 below the target",
        "eccentricity, 0.550 km",
        "Forces gravity EGM96, zonals to 15; Sun, Moon, sunlight; air NRLMSISE-00, solar activity mean",
        "350 ± 18",
        "9 approaches (fleet 2, debris 3, payload 2, rocket body 2), the closest at 0.200 km",
        "Report: runs/trial/report/report.html",
    ):
        assert part in " ".join(result.stdout.split()), part
    assert " ".join(result.stdout.split()).count(CAUTION) == 1
    assert "4 of 4 blocks done" in result.stderr
    assert Path("runs/trial/report/report.html").exists()
    rows = [line.split() for line in result.stdout.splitlines() if line.split()[:1] in (["0"], ["1"], ["2"])]
    assert [row[-1] for row in rows] == ["met", "chosen", "met"]  # "not met" ends in "met"


def test_report_again(trial):
    call("run", trial)
    page = Path("runs/trial/report/report.html")
    before = page.read_bytes()
    page.unlink()
    result = call("report", "runs/trial")
    assert result.exit_code == 0 and result.output == "runs/trial/report/report.html: written\n"
    assert page.read_bytes() == before
    result = call("report", "runs/none")
    assert result.exit_code == 1 and "runs/none/manifest.json: cannot be read" in result.output


def test_run_directory_of_another_study(trial, tmp_path):
    call("run", trial)
    fakes.study(tmp_path, ("seed = 7", "seed = 8"))
    result = call("run", trial)
    assert result.exit_code == 1
    assert "runs/trial: holds the run of another study (hash " in result.output
    assert "differ in study.seed (7 there, 8 here). Give this study another name, or another place" in result.output
    assert call("run", trial, "--directory", "others").exit_code == 0


def test_failed_block_is_an_error_at_the_end(trial, monkeypatch):
    def debris_block(study, scenario, debris, searched):
        raise ZeroDivisionError("no speed at the node")

    fakes.install(monkeypatch, compute_debris_block=debris_block)
    result = call("run", trial)
    assert result.exit_code == 1
    assert "Error: runs/trial: 1 of 4 blocks done, 3 failed:\n" in result.output
    assert "ZeroDivisionError: no speed at the node" in result.output


def test_stop_by_ctrl_c(trial, monkeypatch):
    def debris_block(study, scenario, debris, searched):
        os.kill(os.getpid(), signal.SIGINT)
        return fakes.compute_debris_block(study, scenario, debris, searched)

    fakes.install(monkeypatch, compute_debris_block=debris_block)
    result = call("run", trial)
    assert result.exit_code == 130
    assert "blocks done and kept in runs/trial. Run the same command again to go on." in result.stderr


def test_place_that_cannot_be_written(trial):
    result = call("run", trial, "--directory", trial)
    assert result.exit_code == 1
    assert "trial.toml/trial: cannot write the run directory: Not a directory" in result.output
    result = call("run", trial, "--directory", "/proc")
    assert result.exit_code == 1 and "/proc/trial: cannot write the run directory: " in result.output


def test_disk_that_fills_up(trial, monkeypatch):
    def full(self, *arguments, **options):
        raise OSError(28, "No space left on device", str(self))

    monkeypatch.setattr(Path, "write_text", full)
    result = call("run", trial)
    assert result.exit_code == 1 and "No space left on device" in result.output


def test_catalogue(tmp_path):
    path = element_sets(tmp_path / "sets.txt", 5)
    text = path.read_text().splitlines()
    text[1] = text[1][:-1] + str((int(text[1][-1]) + 1) % 10)
    path.write_text("\n".join(text) + "\n")
    result = call("catalogue", path)
    assert result.exit_code == 0, result.output
    words = [line.split() for line in result.output.splitlines()]
    assert ["file", "sets.txt,", "TLE"] in words
    assert ["read", "4", "element", "sets", "of", "4", "objects"] in words
    assert ["rejected", "1"] in words
    assert ["debris", "4"] in words
    assert ["1000", "to", "1200", "4"] in words


def test_catalogues_that_cannot_be_read(tmp_path):
    whole = element_sets(tmp_path / "whole.gz", 5, compress=True)
    (tmp_path / "cut.gz").write_bytes(whole.read_bytes()[:-40])
    (tmp_path / "empty.txt").write_text("")
    for name in ("cut.gz", "empty.txt", "none.txt"):
        result = call("catalogue", tmp_path / name)
        assert result.exit_code == 1, name
        assert result.output.startswith("Error: ") and name in result.output


def test_catalogue_that_is_cut_stops_a_run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    whole = element_sets(tmp_path / "whole.gz", 5, compress=True)
    (tmp_path / "cut.gz").write_bytes(whole.read_bytes()[:-40])
    fakes.study(tmp_path, ('source = "demo"\ncount = 25', 'source = "catalogue"\npath = "cut.gz"'))
    for command in ("check", "run"):
        result = call(command, "trial.toml")
        assert result.exit_code == 1 and "cut.gz" in result.output


def test_process_ends_with_the_codes_of_the_shell(tmp_path):
    fakes.study(tmp_path)
    done = shells("check", "trial.toml", cwd=tmp_path)
    out, err = done.communicate(timeout=60)
    assert (done.returncode, err) == (0, "") and "trial.toml: valid" in out
    done = shells("check", "none.toml", cwd=tmp_path)
    out, err = done.communicate(timeout=60)
    assert done.returncode == 1 and out == "" and err.startswith("Error: none.toml: cannot read the study file")


def test_ctrl_c_on_a_real_run_with_processes(tmp_path):
    fakes.study(
        tmp_path,
        ("workers = 2", 'workers = 2\nengine = "processes"'),
        ("count = 25", "count = 4000"),
        ("planes = 4", "planes = 3"),
        ("[1.0, 2.0, 3.0]", "[2.0, 4.0]"),
        ('["monotone", "interleaved"]', '["monotone"]'),
    )
    process = shells("run", "trial.toml", cwd=tmp_path, start_new_session=True)
    log = tmp_path / "runs" / "trial" / "log.jsonl"
    waited = time.monotonic() + 120.0
    while not (log.exists() and '"event": "block"' in log.read_text()) and process.poll() is None:
        assert time.monotonic() < waited
        time.sleep(0.1)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to all processes of the run
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130, err
    assert "Traceback" not in err and "of 401 blocks done and kept in runs/trial. Run the same command again" in err
    assert out == ""


def test_progress_without_a_terminal_is_sparse(capsys):
    with terminal.ProgressLine() as progress:
        progress(Event("begin", "run trial in runs/trial"))
        for done in range(1, 101):
            progress(Event("block", f"block {done}", done, 100))
        progress(Event("failed", "block 7: [oh] no", 100, 101))
    err = capsys.readouterr().err.splitlines()
    assert err[:2] == ["run trial in runs/trial", "1 of 100 blocks done"] and err[3:] == ["block 7: [oh] no"]
    assert re.fullmatch(r"100 of 100 blocks done, [0-9.e+]+ blocks/s", err[2])


def test_progress_tells_rate_time_left_and_failures(monkeypatch):
    clock = iter([100.0, 104.0, 104.0, 108.0, 108.0])
    monkeypatch.setattr(terminal.time, "monotonic", lambda: next(clock))
    pace = terminal._Pace()
    pace.count()
    assert pace.facts(9) == []
    pace.count()
    assert pace.facts(9) == ["4 s/block", "0:00:36 left"]
    monkeypatch.undo()
    progress = terminal.ProgressLine()
    progress(Event("block", "", 3, 10, failed=2, cases=12, workers=Workers(4, 16)))
    assert progress.bar.tasks[0].fields == {"cases": "12 cases, ", "facts": "2 failed, 4 workers"}


def test_options_of_a_run(trial):
    for arguments, words in (
        (("--blocks", "3"), "found '3', expected two numbers such as 0:50"),
        (("--blocks", "5:5"), "found '5:5', expected two numbers such as 0:50, the second one larger"),
        (("--blocks", "-1:5"), "found '-1:5'"),
        (("--blocks", "0:" + "9" * 5000), "found '0:99"),
        (("--tls-ca", "x"), "--tls-ca, --tls-cert and --tls-key go with --scheduler"),
    ):
        result = call("run", trial, *arguments)
        assert result.exit_code == 2 and words in result.output, arguments
    result = call("run", trial, "--blocks", "9:12")
    assert result.exit_code == 1 and "blocks 9:12: there are none; the study has those from 0 to 3." in result.output


def test_parts_and_check_of_a_run_directory(trial):
    result = call("run", trial, "--blocks", "0:2")
    assert result.exit_code == 0 and result.stdout == ""
    result = call("check", "runs/trial")
    assert result.exit_code == 1
    assert "Error: runs/trial: 2 of 4 blocks are whole:\n  - blocks 2, 3: not computed yet\n" in result.output
    assert re.search(r"runs/trial: [0-9.e-]+ s for a block \(median\), [0-9.e-]+ s for the longest\n", result.output)
    assert call("run", trial, "--blocks", "2:4").exit_code == 0
    result = call("check", "runs/trial")
    assert result.exit_code == 0 and "all 4 blocks are whole\nruns/trial: not concluded yet" in result.output
    assert call("run", trial).exit_code == 0
    result = call("check", "runs/trial")
    assert result.exit_code == 0 and "runs/trial: all 4 blocks are whole, and all results\n" in result.output
    for damage, words in (
        (lambda: Path("runs/trial/summary.json").write_text("{"), "  - summary.json: damaged: Expecting property"),
        (lambda: shutil.rmtree("runs/trial/results.zarr/planes"), "  - results.zarr/planes: damaged: missing\n"),
        (
            lambda: Path("runs/trial/results.zarr/decision/step/c/0").write_bytes(b""),
            "  - results.zarr/decision: damaged: its files do not match their seal\n",
        ),
    ):
        damage()
        result = call("check", "runs/trial")
        assert result.exit_code == 1 and words in result.output
        assert call("run", trial).exit_code == 0
        assert "all 4 blocks are whole, and all results" in call("check", "runs/trial").output
    result = call("check", "runs")
    assert result.exit_code == 1 and "runs/manifest.json: cannot be read" in result.output
