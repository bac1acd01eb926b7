"""A real SLURM of one node on this machine, for tests: no systemd, no cgroups, all daemons on loopback.

Needs root, for the daemons run jobs for others, and Debian's packages, which are installed where they are absent.
"""

import os
import shutil
import signal
import socket
import subprocess
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

PACKAGES = ("slurmctld", "slurmd", "slurm-client", "munge")
COMMANDS = ("slurmctld", "slurmd", "munged", "sbatch")
WAIT_SECONDS = 60.0

# cgroup plugins leave the cluster idle and let every job fail where there is no systemd, hence linuxproc and none;
# the intervals are short so that tests are
CONFIGURATION = """\
ClusterName=trial
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={port}
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket={home}/munge/socket
CredType=cred/munge
SlurmctldPidFile={home}/slurmctld.pid
SlurmctldLogFile={home}/slurmctld.log
StateSaveLocation={home}/state
SlurmdPidFile={home}/slurmd.pid
SlurmdLogFile={home}/slurmd.log
SlurmdSpoolDir={home}/spool
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/linux
JobAcctGatherFrequency=1
AccountingStorageType=accounting_storage/none
MpiDefault=none
SwitchType=switch/none
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU_Memory
SchedulerType=sched/backfill
SchedulerParameters=sched_interval=2,bf_interval=2,sched_min_interval=100000
ReturnToService=2
SlurmdTimeout=10
KillWait=5
NodeName=n1 NodeHostname={host} NodeAddr=127.0.0.1 Port={node_port} CPUs={cores} RealMemory={memory} State=UNKNOWN
PartitionName=main Nodes=n1 Default=YES MaxTime=INFINITE State=UP
"""


@contextmanager
def slurm(home):
    """Run SLURM in a directory and yield the environment in which its commands work; skip where it cannot run."""
    _provide()
    (home / "munge").mkdir(parents=True)
    (home / "munge").chmod(0o711)
    for name in ("state", "spool"):
        (home / name).mkdir()
    key = home / "munge" / "key"
    key.write_bytes(os.urandom(1024))
    key.chmod(0o600)
    port, node_port = _free_ports()
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2**20
    configuration = home / "slurm.conf"
    configuration.write_text(
        CONFIGURATION.format(
            home=home,
            host=socket.gethostname().partition(".")[0],
            port=port,
            node_port=node_port,
            cores=os.cpu_count(),
            memory=memory * 9 // 10,
        )
    )
    environment = {**os.environ, "SLURM_CONF": str(configuration)}
    munge = [f"--{name}={home / 'munge' / file}" for name, file in _MUNGE.items()]
    try:
        for command in (
            ["munged", *munge],
            ["slurmctld", "-c", "-f", str(configuration)],
            ["slurmd", "-N", "n1", "-f", str(configuration)],
        ):
            subprocess.run(command, env=environment, check=True, capture_output=True, timeout=WAIT_SECONDS)
        _wait(lambda: "idle" in ask(environment, "sinfo", "-h", "-o", "%t"), "the node of SLURM to be idle")
        yield environment
    finally:
        _stop(home, environment)


_MUNGE = {
    "key-file": "key",
    "socket": "socket",
    "pid-file": "pid",
    "log-file": "log",
    "seed-file": "seed",
}


def ask(environment, *command):
    """Return what a command of SLURM prints."""
    return subprocess.run(command, env=environment, capture_output=True, text=True, timeout=WAIT_SECONDS).stdout


def _provide():
    if os.getuid() != 0:
        pytest.skip("SLURM's daemons need root here")
    if all(map(shutil.which, COMMANDS)):
        return
    if not shutil.which("apt-get"):
        pytest.skip("SLURM is not installed, and there is no apt-get to install it")
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for command in (["update", "-qq"], ["install", "-y", "-qq", "--no-install-recommends", *PACKAGES]):
        done = subprocess.run(["apt-get", *command], env=quiet, capture_output=True, text=True)
        if done.returncode:
            pytest.skip(f"SLURM cannot be installed: {done.stderr.strip()[-200:]}")


def _free_ports():
    with socket.socket() as one, socket.socket() as other:
        for found in (one, other):
            found.bind(("127.0.0.1", 0))
        return one.getsockname()[1], other.getsockname()[1]


def _wait(ready, what):
    waited = time.monotonic() + WAIT_SECONDS
    while not ready():
        assert time.monotonic() < waited, f"waited in vain for {what}"
        time.sleep(0.1)


def _stop(home, environment):
    ask(environment, "scancel", "--user=root")
    _wait(lambda: not ask(environment, "squeue", "-h"), "the jobs of SLURM to end")
    for name in ("slurmd.pid", "slurmctld.pid", "munge/pid"):
        _end(Path(home / name))


def _end(file):
    """End the process that a file names, by force after a while."""
    if not file.exists() or not file.read_text().strip():
        return
    pid = int(file.read_text())
    for number in (signal.SIGTERM, signal.SIGKILL):
        waited = time.monotonic() + 10.0
        while Path(f"/proc/{pid}").exists() and time.monotonic() < waited:
            os.kill(pid, number)
            time.sleep(0.2)
