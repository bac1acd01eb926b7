"""Jobs on an invented batch system: two commands in a directory, so that what it answers can be chosen."""

import os
import shutil
import signal
import subprocess
import time

import pytest
from distributed import Client, LocalCluster
from distributed.security import Security

from shells.errors import EngineError
from shells.study import batch, engines
from shells.study.runner import run
from tests.study import fakes

REFUSAL = 'echo "sbatch: error: Invalid account" >&2; exit 1'
WORK = 'cp "$1" "$1.job"; setsid sh "$1.job" > /dev/null 2>&1 & echo "Submitted batch job $!"'


@pytest.fixture
def system(tmp_path, monkeypatch):
    """Return what makes the commands of the system, of the lines of a shell that sbatch is; calls go to `calls`."""
    pytest.importorskip("dask_jobqueue")
    commands = tmp_path / "bin"
    commands.mkdir()

    def make(*lines):
        texts = {"sbatch": [f"echo $$ >> {tmp_path / 'calls'}", *lines], "scancel": ["kill -- -$1"]}
        for name, text in texts.items():
            (commands / name).write_text("\n".join(["#!/bin/sh", *text, ""]))
            (commands / name).chmod(0o755)

    monkeypatch.setenv("PATH", f"{commands}:{os.environ['PATH']}")
    monkeypatch.setattr(batch, "AGAIN_SECONDS", 0.1)
    return make


def calls(directory):
    file = directory / "calls"
    return len(file.read_text().split()) if file.exists() else 0


def test_system_that_takes_no_job_ends_the_run_in_its_own_words(tmp_path, monkeypatch, system):
    system(REFUSAL)
    fakes.install(monkeypatch)
    monkeypatch.setattr(batch, "PATIENCE_SECONDS", 1.5)
    events = []
    with pytest.raises(
        EngineError,
        match=r"no job was taken for 2 s; the batch system has refused a job: sbatch: error: Invalid account\nWhat is",
    ):
        run(fakes.study(tmp_path, ("[run]", fakes.BATCH)), directory=tmp_path, progress=events.append)
    texts = [event.text for event in events]
    told = "the batch system has refused a job: sbatch: error: Invalid account\nIt is submitted again."
    assert texts.count(told) == 1
    assert any("no workers: the batch system holds 0 of 2 jobs; what they print is in" in text for text in texts)
    assert calls(tmp_path) > 4  # each job more than once


def test_jobs_refused_in_a_bad_moment_are_submitted_again(tmp_path, system):
    system(f"if [ $(wc -l < {tmp_path / 'calls'}) -lt 4 ]; then {REFUSAL}; fi", WORK)
    answers = batch.Answers()
    with engines.own(fakes.study(tmp_path, ("[run]", fakes.BATCH)), tmp_path / "jobs", answers) as client:
        client.wait_for_workers(2, timeout=60.0)
        assert len(answers.held) == 2
        assert answers.news() == (
            "the batch system has refused a job: sbatch: error: Invalid account\nIt is submitted again."
        )
        assert answers.news() == ""
        assert len({client.submit(os.getpid, pure=False).result()} | {os.getpid()}) == 2
        assert client.dashboard_link.startswith("http://127.0.0.1:")
    assert not answers.held


def test_job_that_dies_before_its_worker_comes_is_submitted_again(tmp_path, monkeypatch, system):
    monkeypatch.setattr(batch, "LOOK_SECONDS", 0.5)
    # two jobs are submitted at once: of them a directory can be made by one only
    system(f"if mkdir {tmp_path / 'lost'} 2> /dev/null; then echo Submitted batch job 4194305; exit; fi", WORK)
    squeue = tmp_path / "bin" / "squeue"
    squeue.write_text("#!/bin/sh\nkill -0 $5 && echo $5\nexit 0\n")
    squeue.chmod(0o755)
    answers = batch.Answers()
    with engines.own(fakes.study(tmp_path, ("[run]", fakes.BATCH)), tmp_path / "jobs", answers) as client:
        client.wait_for_workers(2, timeout=60.0)
        assert "job 4194305 has ended before its worker came: what it printed is in" in answers.news()
        assert "4194305" not in answers.held
        assert calls(tmp_path) == 3
    assert not answers.held


def test_scheduler_and_workers_share_a_certificate(tmp_path, monkeypatch, system):
    certificate, key = tmp_path / "certificate.pem", tmp_path / "key.pem"
    request = "openssl req -x509 -newkey rsa:2048 -nodes -subj /CN=trial -days 2"
    if not shutil.which("openssl"):
        pytest.skip("no openssl to make a certificate with")
    subprocess.run([*request.split(), "-keyout", key, "-out", certificate], capture_output=True, check=True)
    made = Security(tls_client_cert=certificate.read_text(), tls_client_key=key.read_text())
    monkeypatch.setattr(Security, "temporary", lambda: made)
    system(WORK)
    with engines.own(fakes.study(tmp_path, ("[run]", fakes.BATCH)), tmp_path / "jobs") as client:
        assert client.scheduler.address.startswith("tls://")
        (kept,) = (tmp_path / "jobs").glob(".tls-*")
        assert kept.stat().st_mode & 0o077 == 0
        assert client.submit(os.getpid, pure=False).result(timeout=60.0) != os.getpid()
    assert not list((tmp_path / "jobs").glob(".tls-*"))


def test_stopped_before_the_system_has_answered(tmp_path, system):
    before = signal.getsignal(signal.SIGINT)
    system("sleep 1", WORK)
    answers = batch.Answers()
    lent = engines.own(fakes.study(tmp_path, ("[run]", fakes.BATCH)), tmp_path / "jobs", answers)
    with pytest.raises(KeyboardInterrupt), lent:
        while not calls(tmp_path):
            time.sleep(0.05)
        raise KeyboardInterrupt
    assert not answers.held  # what was submitted meanwhile is cancelled
    assert signal.getsignal(signal.SIGINT) is before  # though dask_jobqueue sets a handler of its own


def test_system_in_maintenance_is_waited_for(monkeypatch):
    answers = batch.Answers()
    answers.take("1")
    answers.held.discard("1")
    answers.refuse("down")
    monkeypatch.setattr(batch, "PATIENCE_SECONDS", -1.0)
    assert answers.news() == "down\nIt is submitted again."
    assert answers.news() == ""
    monkeypatch.setattr(batch, "LONG_PATIENCE_SECONDS", -1.0)
    answers.held.add("2")  # one that waits in the queue is hope
    assert answers.news() == ""
    answers.held.clear()
    with pytest.raises(EngineError, match="down"):
        answers.news()


def test_errors_of_closing_do_not_hide_what_has_ended_a_run():
    class Stuck:
        def __enter__(self):
            return self

        def __exit__(self, *error):
            raise AssertionError("Status.created")

    with pytest.raises(KeyboardInterrupt), batch.closed_quietly(Stuck()):
        raise KeyboardInterrupt


def test_interface_that_is_not_there(tmp_path, system):
    system(REFUSAL)
    study = fakes.study(tmp_path, ("[run]", fakes.BATCH.replace('"lo"', '"none9"')))
    with (
        pytest.raises(EngineError, match=r"no scheduler of dask can be started here: .*none9"),
        engines.own(study, tmp_path),
    ):
        pass


def test_parts_submit_no_jobs(tmp_path, monkeypatch, system):
    system(REFUSAL)
    fakes.install(monkeypatch)
    study = fakes.study(tmp_path, ("[run]", fakes.BATCH))
    place = run(study, directory=tmp_path, blocks=range(0, 2))
    assert not calls(tmp_path)
    assert place.manifest()["sessions"][0]["engine"] == study.run.engine


def test_scheduler_without_workers_is_told_of(tmp_path, monkeypatch):
    fakes.install(monkeypatch)
    texts = []

    def progress(event):
        texts.append(event.text)
        if event.text.startswith("no workers: the scheduler has none; start some with"):
            cluster.scale(1)

    with (
        LocalCluster(n_workers=0, threads_per_worker=1, processes=False, dashboard_address=":0") as cluster,
        Client(cluster) as client,
    ):
        run(fakes.study(tmp_path), client, directory=tmp_path, progress=progress)
    assert "1 workers with 1 threads" in texts
