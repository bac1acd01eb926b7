"""Thirty faults over one run: each ends in completion or in a clear message, and nothing done is lost or wrong."""

import os
import random
import signal
import subprocess
import time
from contextlib import contextmanager
from pathlib import Path

import pytest
from distributed import Client, LocalCluster

from shells.study.groups import attributes_of
from shells.study.runner import BlocksFailed, run
from tests.cluster.trial import Trial, finished, scheduler
from tests.study import fakes

pytestmark = pytest.mark.long

SEED = 20261126
FAULTS = 30
ROOM = 2**29  # of the small disk [bytes]


KINDS = (
    "worker_killed",
    "client_killed",
    "scheduler_lost",
    "disk_full",
    "read_only",
    "chunk_truncated",
    "chunk_flipped",
    "clock_jumps",
)


class Campaign:
    """One run on a small disk, and what is done to it. Every method is a fault, and tells how the run ended."""

    def __init__(self, home, disk, draw):
        self.trial = Trial(home)
        self.home = home
        self.disk = disk
        self.draw = draw
        self.damaged = set()

    def begin(self, *arguments, engine="threads", **options):
        """Start a run and wait until it has done some more blocks."""
        self.trial.write(('engine = "threads"', f'engine = "{engine}"'))
        process = self.trial.start(*arguments, **options)
        self.trial.wait_for(min(198, len(self.trial.done()) + self.draw.randint(1, 4)), process)
        return process

    def stop(self, process):
        """Stop a run in good order."""
        process.terminate()
        words = finished(process, 130)
        assert "and kept in runs/trial. Run the same command again to go on." in words
        return "stopped"

    def worker_killed(self):
        process = self.begin(engine="processes")
        workers = [pid for pid in _descendants(process.pid) if b"spawn_main" in _command(pid)]
        os.kill(self.draw.choice(workers), signal.SIGKILL)
        self.trial.wait_for(min(198, len(self.trial.done()) + 2), process)
        assert process.poll() is None
        return self.stop(process)

    def client_killed(self):
        process = self.begin(engine=self.draw.choice(["threads", "processes"]))
        workers = _descendants(process.pid)
        process.kill()
        finished(process, -signal.SIGKILL)
        _wait(lambda: not any(map(_command, workers)))  # workers end with it
        return "killed"

    def scheduler_lost(self):
        with scheduler(self.home) as (address, processes):
            process = self.begin("--scheduler", address)
            processes[0].kill()
            words = finished(process, 1)
        assert "the scheduler was lost" in words
        return "message"

    def disk_full(self):
        process = self.begin()
        room = self.draw.randint(2**12, 2**18)
        _wait(lambda: self.disk.remount(f"size={self.disk.used() + room}"))  # refused when more is used by then
        words = finished(process, 1)
        assert self.disk.remount(f"size={ROOM}")
        assert "cannot write the run directory: No space left on device" in words
        assert "free space, and run the same command again" in words
        return "message"

    def read_only(self):
        process = self.begin()
        _wait(lambda: self.disk.remount("ro"))  # refused while a file is open for writing
        words = finished(process, 1)
        assert self.disk.remount("rw")
        assert "cannot write the run directory: Read-only file system" in words
        return "message"

    def chunk_truncated(self):
        file = self.draw.choice(self.files())
        with file.open("r+b") as stream:
            stream.truncate(self.draw.randrange(file.stat().st_size))
        return self.found(file)

    def chunk_flipped(self):
        file = self.draw.choice(self.files())
        data = bytearray(file.read_bytes())
        data[self.draw.randrange(len(data))] ^= 1 << self.draw.randrange(8)
        file.write_bytes(data)
        return self.found(file)

    def clock_jumps(self):
        process = self.begin(program=("-m", "tests.cluster.clock"))
        time.sleep(8.0)
        assert process.poll() is None or process.returncode == 0
        return self.stop(process) if process.poll() is None else "completed"

    def files(self):
        """Return the files of a block that is done and whole, of metadata too."""
        number = self.draw.choice(sorted(self.trial.done() - self.damaged))
        block = self.trial.place.store / "blocks" / f"{number:05d}"
        return sorted(path for path in block.rglob("*") if path.is_file() and path.stat().st_size)

    def found(self, file):
        """Check that the damage of a file is found."""
        number = int(file.relative_to(self.trial.place.store / "blocks").parts[0])
        self.damaged.add(number)
        status, words = self.trial.check()
        assert status == 1 and "damaged" in words, file
        assert str(number) in words.partition("damaged")[0], (file, words)
        return "message"


def test_thirty_faults(tmp_path):
    (tmp_path / "expected").mkdir()
    trial = Trial(tmp_path / "expected")
    trial.run()
    expected = trial.checksums()
    draw = random.Random(SEED)
    home = tmp_path / "faults"
    home.mkdir()
    with _small_disk(home / "runs") as disk:
        campaign = Campaign(home, disk, draw)
        faults = [KINDS[k % len(KINDS)] for k in range(FAULTS)]
        draw.shuffle(faults)
        finished(campaign.trial.start("--blocks", "0:3"), 0)  # something to damage
        for fault in faults:
            outcome = getattr(campaign, fault)()
            print(fault, outcome, len(campaign.trial.done()))
            for number in campaign.trial.done() - campaign.damaged:
                block = campaign.trial.place.store / "blocks" / f"{number:05d}"
                assert attributes_of(block)["checksums"] == expected[number], (fault, number)
        campaign.trial.write()
        words = campaign.trial.run("--retry-failed")
        assert campaign.trial.checksums() == expected
        assert campaign.trial.check()[0] == 0
        assert "Traceback" not in words
        aside = {int(path.name.split("-")[1]) for path in (campaign.trial.place.path / "damaged").iterdir()}
        assert aside == campaign.damaged


def test_block_that_always_kills_its_worker(tmp_path, monkeypatch):
    fakes.install(monkeypatch)
    study = fakes.study(tmp_path)
    poison = tmp_path / "poison.py"
    poison.write_text(
        "import os, signal, pytest\n"
        "from tests.study import fakes\n"
        "def kill(study, scenario, debris, searched):\n"
        "    if int(debris['object'][0]) == 50010:\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return fakes.compute_debris_block(study, scenario, debris, searched)\n"
        "def dask_setup(worker):\n"
        "    fakes.install(pytest.MonkeyPatch(), compute_debris_block=kill)\n"
    )
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[2]))
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, preload=str(poison), dashboard_address=":0") as cluster,
        Client(cluster) as client,
        pytest.raises(BlocksFailed) as caught,
    ):
        run(study, client, directory=tmp_path)
    text = str(caught.value)
    assert "3 of 4 blocks done, 1 failed:\n  - block 2: the process of its worker died each time" in text


@contextmanager
def _small_disk(place):
    """Mount a small file system of memory; skip where that is not allowed."""
    place.mkdir()
    size = f"size={ROOM}"
    if subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", place], capture_output=True).returncode:
        pytest.skip("no small disk can be mounted here")
    try:
        yield _Disk(place)
    finally:
        subprocess.run(["umount", "-l", place], check=True)


class _Disk:
    def __init__(self, place):
        self.place = place

    def remount(self, options):
        """Mount it again with other options; return whether that was allowed."""
        done = subprocess.run(["mount", "-o", f"remount,{options}", self.place], capture_output=True)
        return done.returncode == 0

    def used(self):
        state = os.statvfs(self.place)
        return (state.f_blocks - state.f_bfree) * state.f_frsize


def _descendants(pid):
    """Return the processes that a process has started, and those that these have."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            words = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(words[1]) == pid:
            child = int(stat.parent.name)
            found += [child, *_descendants(child)]
    return found


def _command(pid):
    """Return the command line of a process, nothing when it is gone."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def _wait(ready):
    waited = time.monotonic() + 60.0
    while not ready():
        assert time.monotonic() < waited
        time.sleep(0.01)
