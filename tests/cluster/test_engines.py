"""The same study on every engine: all data must be equal to the last bit (one type of CPU)."""

import importlib.util
import signal
import subprocess
import sys
import time

import pytest

from tests.cluster.slurm import ask, slurm
from tests.cluster.trial import BLOCKS, Trial, environment_with_sources, finished, scheduler
from tests.study.fakes import BATCH

pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def expected(tmp_path_factory):
    """Return the checksums of a run in one go, with threads."""
    trial = Trial(tmp_path_factory.mktemp("threads"))
    words = trial.run()
    assert f"{BLOCKS} of {BLOCKS} blocks done" in words
    status, words = trial.check()
    assert status == 0 and f"all {BLOCKS} blocks are whole" in words
    return trial.checksums()


@pytest.fixture(scope="module")
def batch(tmp_path_factory):
    """Run SLURM and return the environment of its commands."""
    home = tmp_path_factory.mktemp("slurm")
    for directory in (home, *home.parents[:2]):  # munge asks that others may pass through
        directory.chmod(directory.stat().st_mode | 0o011)
    with slurm(home) as environment:
        yield environment


def test_two_processes(tmp_path, expected):
    trial = Trial(tmp_path, ('engine = "threads"', 'engine = "processes"'))
    trial.run()
    assert trial.checksums() == expected


def test_scheduler(tmp_path, expected):
    trial = Trial(tmp_path)
    with scheduler(tmp_path) as (address, processes):
        process = trial.start("--scheduler", address)
        trial.wait_for(10, process)
        processes[1].kill()  # the other worker goes on
        words = finished(process, 0)
    assert "2 workers with 2 threads" in words and "1 workers with 1 threads" in words
    assert trial.checksums() == expected


def test_scheduler_that_is_lost(tmp_path, expected):
    trial = Trial(tmp_path)
    with scheduler(tmp_path) as (address, processes):
        process = trial.start("--scheduler", address)
        trial.wait_for(10, process)
        processes[0].kill()
        words = finished(process, 1)
    assert "the scheduler was lost or has dropped the work. What is done is kept" in words
    with scheduler(tmp_path) as (address, processes):
        trial.run("--scheduler", address)
    assert trial.checksums() == expected


def test_scheduler_that_asks_for_certificates(tmp_path):
    certificate, key = tmp_path / "certificate.pem", tmp_path / "key.pem"
    request = "openssl req -x509 -newkey rsa:2048 -nodes -subj /CN=trial -days 2"
    made = subprocess.run([*request.split(), "-keyout", key, "-out", certificate], capture_output=True)
    if made.returncode:
        pytest.skip("no openssl to make a certificate with")
    trial = Trial(tmp_path)
    names = ("--tls-ca-file", certificate, "--tls-cert", certificate, "--tls-key", key)
    with scheduler(tmp_path, workers=1, secured=[*map(str, names), "--protocol", "tls"]) as (address, _):
        assert address.startswith("tls://")
        own = ("--tls-ca", certificate, "--tls-cert", certificate, "--tls-key", key)
        process = trial.start("--scheduler", address, "--blocks", "0:5", *map(str, own))
        finished(process, 0)
        assert trial.done() == {0, 1, 2, 3, 4}
        words = finished(trial.start("--scheduler", address), 1)
        assert f"{address}: no scheduler of dask can be reached there" in words


def test_array_jobs(tmp_path, expected):
    trial = Trial(tmp_path, ("workers = 2", "workers = 1"))
    # as an array would: nothing is said of the fleet, all begin at once, and two overlap
    parts = [trial.start("--blocks", f"{first}:{first + 80}") for first in (0, 60, 140)]
    time.sleep(3.0)
    refused = finished(trial.start(), 1)
    assert "another run holds this directory" in refused and "a part of the run" in refused
    for process in parts:
        assert "of the part" not in finished(process, 0)
    trial.run()
    assert trial.checksums() == expected


def test_kills(tmp_path, expected):
    trial = Trial(tmp_path, ('engine = "threads"', 'engine = "processes"'))
    for count, number in ((20, signal.SIGKILL), (60, signal.SIGTERM), (100, signal.SIGKILL), (140, signal.SIGINT)):
        process = trial.start()
        trial.wait_for(count, process)
        process.send_signal(number)
        finished(process, -9 if number == signal.SIGKILL else 130)
    words = trial.run()
    assert trial.checksums() == expected
    assert "removed the lock of process" not in words  # the last one ended in good order


def test_slurm_with_a_job_cancelled(tmp_path, expected, batch):
    if importlib.util.find_spec("dask_jobqueue") is None:
        pytest.skip("dask-jobqueue is not installed")
    trial = Trial(tmp_path, ("[run]", BATCH))
    process = trial.start(environment=batch)
    trial.wait_for(20, process)
    jobs = ask(batch, "squeue", "-h", "-o", "%i").split()
    assert len(jobs) == 2
    ask(batch, "scancel", jobs[0])
    words = finished(process, 0)
    assert "2 workers with 2 threads" in words
    assert trial.checksums() == expected
    assert trial.place.manifest()["sessions"][-1]["engine"] == "slurm"


def test_slurm_array(tmp_path, expected, batch):
    trial = Trial(tmp_path, ("workers = 2", "workers = 1"))
    script = tmp_path / "array.sh"
    script.write_text(
        "#!/bin/sh\n#SBATCH --array=0-3\n#SBATCH --cpus-per-task=1\n#SBATCH --mem=1G\n"
        "first=$((50 * SLURM_ARRAY_TASK_ID))\n"
        f"exec {sys.executable} -m shells run trial.toml --blocks $first:$((first + 50))\n"
    )
    environment = environment_with_sources(batch)
    subprocess.run(["sbatch", "--wait", script], cwd=tmp_path, env=environment, check=True, timeout=600)
    assert trial.done() == set(range(BLOCKS))
    trial.run()
    assert trial.checksums() == expected
