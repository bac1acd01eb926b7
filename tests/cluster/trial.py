"""A real study of 200 cases and 200 blocks of some tenths of a second, and how it is run by processes of its own."""

import json
import os
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

from shells.study.configuration import load_study
from shells.study.groups import SCHEMA_OF, attributes_of
from shells.study.store import RunDirectory

ROOT = Path(__file__).parents[2]

_TEXT = """\
[study]
name = "trial"
start = 2031-04-01T00:00:00Z
years = 0.01
seed = 7

[fleet]
pattern = "star"
planes = 2
satellites_per_plane = 2
altitude_km = 1120.0
inclination_deg = 87.2
match_node_rates = false
mass_kg = 180.0
drag_area_m2 = 1.4
hard_body_radius_m = 2.0

[tolerances]
distribution = "bounded"
mean_radius_m = 150.0
eccentricity = 5.0e-5

[debris]
source = "demo"
count = 995

[sweep]
step_km = [2.0, 4.0]
order = ["monotone", "interleaved"]
[target]
quantity = "collisions"
value = 1.0e-4
years = 10.0
scope = "fleet"

[run]
engine = "threads"
workers = 2
objects_per_block = 5
"""

#: What changes in each set, by the table that it is of: five sets of tolerances under ten of faults.
SETS = {
    "tolerances": (
        "eccentricity = 5.0e-5",
        "eccentricity = 2.0e-5",
        "eccentricity = 1.0e-4",
        "mean_radius_m = 400.0",
        'distribution = "normal"',
    ),
    "faults": (
        *(f"per_satellite_year = {rate}" for rate in (0.01, 0.02, 0.03, 0.001)),
        *(f"offset_km = {offset}" for offset in (1.0, 10.0, 20.0)),
        *(f"duration_days = {days}" for days in (1.0, 30.0, 90.0)),
    ),
}

TEXT = _TEXT.replace(
    "[target]",
    "".join(
        f'[[sweep.{table}]]\nname = "set-{number}"\n{change}\n'
        for table, changes in SETS.items()
        for number, change in enumerate(changes)
    )
    + "\n[target]",
)

BLOCKS = 200

#: How long one command may take on a machine that has much else to do [s].
PATIENCE = 600.0


class Trial:
    """The study in a directory, its run directory, and commands on it."""

    def __init__(self, home, *changes):
        self.home = home
        self.file = home / "trial.toml"
        self.write(*changes)
        self.place = RunDirectory(home / "runs" / "trial")

    def write(self, *changes):
        """Write the study file, with pairs of text replaced: of how it is run, for else it is another study."""
        text = TEXT
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new)
        self.file.write_text(text)

    def start(self, *arguments, environment=None, program=("-m", "shells")):
        """Start `shells run` on the study."""
        return subprocess.Popen(
            [sys.executable, *program, "run", "trial.toml", *arguments],
            cwd=self.home,
            env=environment_with_sources(environment),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def run(self, *arguments, environment=None):
        """Run to the end and return what went to stderr."""
        process = self.start(*arguments, environment=environment)
        return finished(process, 0)

    def check(self):
        """Return exit status and words of `shells check` on the run directory."""
        done = subprocess.run(
            [sys.executable, "-m", "shells", "check", str(self.place.path)],
            env=environment_with_sources(None),
            capture_output=True,
            text=True,
            timeout=PATIENCE,
        )
        assert "Traceback" not in done.stderr, done.stderr
        return done.returncode, done.stdout + done.stderr

    def done(self):
        """Return the numbers of the blocks that are there."""
        names = (path.name for path in (self.place.store / "blocks").glob("0*"))
        return {int(name) for name in names}

    def wait_for(self, count, process):
        """Wait until so many blocks are done, or the process has ended."""
        waited = time.monotonic() + PATIENCE
        while len(self.done()) < count and process.poll() is None:
            assert time.monotonic() < waited
            time.sleep(0.02)

    def checksums(self):
        """Return the checksums of all data, by group."""
        study = load_study(self.file)
        found = {block.number: self.place.attributes(block)["checksums"] for block in self.place.blocks(study, 995)}
        for group in (*filter(self.place.holds, SCHEMA_OF), "inputs/7/debris"):
            found[group] = attributes_of(self.place.store / group)["checksums"]
        return found


def finished(process, status):
    """Wait for a process, whose exit status and lack of a traceback are checked, and return what went to stderr."""
    _, words = process.communicate(timeout=PATIENCE)
    assert "Traceback" not in words, words
    assert process.returncode == status, words
    return words


def environment_with_sources(environment):
    environment = dict(environment or os.environ)
    environment["PYTHONPATH"] = os.pathsep.join(filter(None, (str(ROOT), environment.get("PYTHONPATH"))))
    return environment


@contextmanager
def scheduler(home, workers=2, secured=()):
    """Run a scheduler of dask with workers, as an analyst would; yield its address and the processes."""
    file = home / "scheduler.json"
    file.unlink(missing_ok=True)
    dask = [sys.executable, "-m", "dask"]
    here = ["--host", "127.0.0.1", "--scheduler-file", str(file), "--no-dashboard", *secured]
    quiet = {"env": environment_with_sources(None), "cwd": home, "stdout": subprocess.DEVNULL}
    log = (home / "scheduler.log").open("w")
    processes = [subprocess.Popen([*dask, "scheduler", "--port", "0", *here], stderr=log, **quiet)]
    try:
        waited = time.monotonic() + PATIENCE
        while not file.exists():
            assert time.monotonic() < waited
            time.sleep(0.1)
        for _ in range(workers):
            worker = [*dask, "worker", "--nthreads", "1", "--no-nanny", *here]
            processes.append(subprocess.Popen(worker, stderr=log, **quiet))
        yield json.loads(file.read_text())["address"], processes
    finally:
        for process in reversed(processes):
            process.terminate()
        for process in processes:
            try:
                process.wait(timeout=20.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        log.close()
