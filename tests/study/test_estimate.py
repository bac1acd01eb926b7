"""The estimate of a study: what it counts is exact, what it measures is not zero and grows with the work."""

from shells.study import population
from shells.study.cases import cut
from shells.study.estimate import estimate, workers_of
from tests.study import fakes

SMALL = (("years = 2.0", "years = 0.1"), ("count = 25", "count = 40"))


def test_counts_are_those_of_the_study(tmp_path):
    study = fakes.study(tmp_path, *SMALL)
    found = estimate(study, population.load(study, 7))
    assert (found.cases, found.satellites, found.debris) == (6, 12, 40)
    assert found.blocks == len(cut(study, 40)) == 5
    assert 0.0 < found.longest_block_seconds < found.core_seconds
    # a worker holds the libraries at least
    assert found.worker_gb > 0.3 and found.disk_gb > 0.0


def test_fleet_alone(tmp_path):
    study = fakes.study(tmp_path, SMALL[0], ('[debris]\nsource = "demo"\ncount = 25\n', ""))
    found = estimate(study, None)
    assert (found.blocks, found.debris) == (1, 0)
    assert found.longest_block_seconds == found.core_seconds


def test_who_shares_the_work(tmp_path):
    table = '[cluster]\nsystem = "slurm"\njobs = 5\ncores = 4\nprocesses = 2\nmemory_gb = 8\nwalltime_hours = 1\n'
    for changes, expected in (
        ((), (1, 2)),
        ((("workers = 2", 'workers = 3\nengine = "processes"'),), (3, 3)),
        ((("[run]", f"{table}\n[run]"),), (10, 20)),
    ):
        workers = workers_of(fakes.study(tmp_path, *changes))
        assert (workers.processes, workers.threads) == expected
