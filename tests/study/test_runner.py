import json
import os
import shutil
import signal
import threading

import numpy as np
import pytest
import xarray as xr
from distributed import Client, LocalCluster, Scheduler, SpecCluster, Worker, get_worker

from shells.errors import CatalogueError, EngineError, InputError, StoreError
from shells.study import engines, groups, inspection, population, provenance, runner, stream, task, words
from shells.study.cases import Block
from shells.study.runner import BlocksFailed, Stopped, run
from tests.study import fakes


@pytest.fixture(scope="module")
def client():
    with (
        LocalCluster(n_workers=1, threads_per_worker=1, processes=False, dashboard_address=":0") as cluster,
        Client(cluster) as own,
    ):
        yield own


def log(place):
    return [json.loads(line) for line in place.log_file.read_text().splitlines()]


def test_run_writes_all_results(tmp_path, monkeypatch):
    fakes.install(monkeypatch)
    study = fakes.study(tmp_path)
    events = []
    place = run(study, directory=tmp_path / "runs", progress=events.append)
    events = [event for event in events if event.name != "wait"]
    assert place.path == tmp_path / "runs" / "trial"
    assert [event.name for event in events] == ["begin", "note", "block", "block", "block", "block", "end"]
    assert (events[-1].done, events[-1].total) == (4, 4)
    xr.testing.assert_identical(place.read("inputs/7/debris"), fakes.debris(25))
    xr.testing.assert_identical(place.read("planes"), fakes.planes(study))
    xr.testing.assert_identical(place.read("decision"), fakes.decision(study, with_debris=True))
    assert int(place.read("found")["found"].sum()) == place.summary()["approaches"]["total"] == 9
    blocks = place.blocks(study, 25)
    assert [place.read_block(block)["rates"].sizes.get("object") for block in blocks] == [None, 10, 10, 5]
    assert [entry["event"] for entry in log(place)] == [event.name for event in events]
    assert not list((place.path / "locks").iterdir())
    assert place.manifest()["sessions"][0]["end"]


def test_running_again_computes_only_what_is_missing(tmp_path, monkeypatch, client):
    computed = []

    def debris_block(study, scenario, debris, searched):
        computed.append(int(debris["object"][0]))
        return fakes.compute_debris_block(study, scenario, debris, searched)

    fakes.install(monkeypatch, compute_debris_block=debris_block)
    study = fakes.study(tmp_path)
    place = run(study, client, directory=tmp_path)
    assert sorted(computed) == [50000, 50010, 50020]
    before = groups.checksum(place.read("decision"))
    (place.store / "blocks" / "00002").rename(tmp_path / "gone")
    (place.path / "summary.json").unlink()
    computed.clear()
    monkeypatch.setattr(population, "load", None)  # the debris is kept with the run
    again = run(study, client, directory=tmp_path)
    assert computed == [50010]
    assert groups.checksum(again.read("decision")) == before
    assert again.summary()["approaches"]["total"] == 9
    computed.clear()
    run(study, client, directory=tmp_path)
    assert not computed


def test_results_do_not_depend_on_the_cut(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    summaries = []
    for size in (7, 25):
        study = fakes.study(tmp_path, ("objects_per_block = 10", f"objects_per_block = {size}"))
        summary = run(study, client, directory=tmp_path / str(size)).summary()
        summaries.append({name: value for name, value in summary.items() if name != "seconds"})
    assert summaries[0] == summaries[1]


def test_failed_blocks_are_told_and_the_others_go_on(tmp_path, monkeypatch, client):
    def debris_block(study, scenario, debris, searched):
        if int(debris["object"][0]) == 50010:
            raise ZeroDivisionError("no speed at the node")
        return fakes.compute_debris_block(study, scenario, debris, searched)

    fakes.install(monkeypatch, compute_debris_block=debris_block)
    study = fakes.study(tmp_path)
    with pytest.raises(BlocksFailed) as caught:
        run(study, client, directory=tmp_path)
    text = str(caught.value)
    assert text.startswith(
        f"{tmp_path / 'trial'}: 3 of 4 blocks done, 1 failed:\n  - block 2: ZeroDivisionError: no speed at"
    )
    assert "run the same command again with --retry-failed: only what is missing is computed" in text
    place = runner.RunDirectory(tmp_path / "trial")
    (failed,) = (entry for entry in log(place) if entry["event"] == "failed")
    assert failed["block"] == 2 and "ZeroDivisionError: no speed at the node" in failed["traceback"]
    assert not (place.path / "summary.json").exists()
    kept = json.loads((place.failed / "00002.json").read_text())
    assert kept["error"] == "ZeroDivisionError: no speed at the node" and kept["traceback"] == failed["traceback"]
    fakes.install(monkeypatch)
    with pytest.raises(BlocksFailed, match="3 of 4 blocks done, 1 failed:\n  - block 2: ZeroDivisionError: no speed"):
        run(study, client, directory=tmp_path)  # a failed block is not tried again unasked
    assert run(study, client, directory=tmp_path, retry_failed=True).summary()["approaches"]["total"] == 9
    assert not list(place.failed.iterdir())


def test_failure_of_the_fleet_block_ends_the_run(tmp_path, monkeypatch, client):
    def fleet_block(study, scenario):
        raise MemoryError("too many pairs")

    fakes.install(monkeypatch, compute_fleet_block=fleet_block)
    with pytest.raises(BlocksFailed, match="0 of 4 blocks done, 1 failed:\n  - block 0: MemoryError: too many pairs"):
        run(fakes.study(tmp_path), client, directory=tmp_path)


def test_block_that_does_not_meet_its_schema_fails(tmp_path, monkeypatch, client):
    def debris_block(study, scenario, debris, searched):
        block = fakes.compute_debris_block(study, scenario, debris, searched)
        return {**block, "approaches": block["approaches"].drop_vars("crossing_angle")}

    fakes.install(monkeypatch, compute_debris_block=debris_block)
    with pytest.raises(
        BlocksFailed, match=r"1 of 4 blocks done, 3 failed:\n  - block .: SchemaError: storing blocks/0000"
    ):
        run(fakes.study(tmp_path), client, directory=tmp_path)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signals_stop_a_run_cleanly(tmp_path, monkeypatch, number):
    def debris_block(study, scenario, debris, searched):
        if int(debris["object"][0]) == 50010:
            os.kill(os.getpid(), number)
        return fakes.compute_debris_block(study, scenario, debris, searched)

    fakes.install(monkeypatch, compute_debris_block=debris_block)
    study = fakes.study(tmp_path, ("workers = 2", "workers = 1"))
    with pytest.raises(Stopped, match=r"stopped: . of 4 blocks done and kept in .*trial\. Run the same command again"):
        run(study, directory=tmp_path)
    assert signal.getsignal(signal.SIGTERM) == signal.SIG_DFL
    place = runner.RunDirectory(tmp_path / "trial")
    assert log(place)[-1]["event"] == "stopped"
    assert place.manifest()["sessions"][-1]["end"]
    assert not list((place.path / "locks").iterdir())
    fakes.install(monkeypatch)
    assert run(study, directory=tmp_path).summary()["approaches"]["total"] == 9


def test_no_case_meets_the_target(tmp_path, monkeypatch, client):
    layouts = []

    def debris_block(study, scenario, debris, searched):
        layouts.append(searched)
        return fakes.compute_debris_block(study, scenario, debris, searched)

    fakes.install(
        monkeypatch,
        compute_fleet_block=lambda study, scenario: fakes.compute_fleet_block(study, scenario, met=False),
        compute_debris_block=debris_block,
    )
    place = run(fakes.study(tmp_path), client, directory=tmp_path)
    assert {layout.step_km for layout in layouts} == {3.0}  # the largest step
    assert place.summary()["decision"]["step_km"] is None
    assert place.summary()["searched_case"] == 2


def test_study_without_debris(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    study = fakes.study(tmp_path, ('[debris]\nsource = "demo"\ncount = 25\n', ""))
    place = run(study, client, directory=tmp_path)
    assert place.summary()["debris"] is None
    assert place.summary()["approaches"]["by_kind"] == {"fleet": 2}


def test_file_name_will_do_for_a_study(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    monkeypatch.chdir(tmp_path)
    fakes.study(tmp_path)
    assert run("trial.toml", client).summary()["study"] == "trial"
    assert (tmp_path / "runs" / "trial" / "summary.json").exists()


def test_debris_of_each_seed_is_made_once_and_not_read_for_its_size(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    made, read, load, read_once = [], [], population.load, runner.RunDirectory.read

    def draw(study, seed):
        made.append(seed)
        return load(study, seed)

    def look(self, group):
        read.append(group)
        return read_once(self, group)

    monkeypatch.setattr(population, "load", draw)
    monkeypatch.setattr(runner.RunDirectory, "read", look)
    suns = '[sweep]\nseed = [7, 8]\nsolar_activity = ["mean", "high"]'
    study = fakes.study(tmp_path, ("[sweep]", suns))
    run(study, client, directory=tmp_path, blocks=range(0, 1))
    assert made == [7, 8] and not read
    place = runner.RunDirectory(tmp_path / "trial")
    assert place.size_of("inputs/8/debris", "object") == 25
    assert inspection.inspect(place).total == 4 * (1 + 3)
    shutil.rmtree(place.store / "inputs" / "7")
    with pytest.raises(StoreError, match=r"inputs/7/debris: not there\. Run the same study again"):
        inspection.inspect(place)


def test_run_that_is_on_already(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    place = runner.RunDirectory(tmp_path / "trial")
    place.make()
    with place.locked(), pytest.raises(StoreError, match="another run holds this directory"):
        run(fakes.study(tmp_path), client, directory=tmp_path)


def test_debris_that_cannot_be_read_is_told(tmp_path, monkeypatch, client):
    def fail(study, seed):
        raise CatalogueError("sets.txt: empty")

    fakes.install(monkeypatch)
    monkeypatch.setattr(population, "load", fail)
    with pytest.raises(CatalogueError, match="empty"):
        run(fakes.study(tmp_path), client, directory=tmp_path)
    assert log(runner.RunDirectory(tmp_path / "trial"))[-1]["text"] == "sets.txt: empty"


def test_error_that_nobody_expects_is_logged(tmp_path, monkeypatch, client):
    def assemble(*arguments):
        raise ZeroDivisionError("no case")

    fakes.install(monkeypatch, assemble=assemble)
    with pytest.raises(ZeroDivisionError):
        run(fakes.study(tmp_path), client, directory=tmp_path)
    last = log(runner.RunDirectory(tmp_path / "trial"))[-1]
    assert (last["event"], last["text"]) == ("failed", "ZeroDivisionError: no case")


def test_workers_as_the_study_says(tmp_path):
    for engine in ("threads", "processes"):
        study = fakes.study(tmp_path, ("workers = 2", f'workers = 2\nengine = "{engine}"'))
        with engines.own(study, tmp_path) as client:
            workers = client.scheduler_info()["workers"].values()
            pids = set(client.run(os.getpid).values())
            ignored = set(client.run(lambda: signal.getsignal(signal.SIGINT) == signal.SIG_IGN).values())
        assert sum(worker["nthreads"] for worker in workers) == 2
        assert (len(pids), os.getpid() in pids) == ((1, True) if engine == "threads" else (2, False))
        assert ignored == {engine == "processes"}


def test_demo_debris_of_the_study(tmp_path):
    objects = population.load(fakes.study(tmp_path), 7)
    assert objects.sizes["object"] == 25
    assert objects["epoch"].values == np.datetime64("2031-04-01", "ns")
    other = population.load(fakes.study(tmp_path), 8)
    assert not np.array_equal(objects["raan"], other["raan"])


@pytest.mark.parametrize(
    ("median", "at"), [("2031-03-01T13", "2031-03-01"), ("2031-04-20T01", "2031-04-01"), ("2021-01-01", "2021-01-01")]
)
def test_catalogue_is_read_at_its_own_day_or_at_the_start(tmp_path, monkeypatch, median, at):
    study = catalogue_study(tmp_path, monkeypatch, median)
    assert population.load(study, 7) == np.datetime64(at, "ns")


def test_catalogue_long_after_the_start_is_refused(tmp_path, monkeypatch):
    study = catalogue_study(tmp_path, monkeypatch, "2031-05-02")
    with pytest.raises(CatalogueError, match=r"its median epoch 2031-05-02 is 31 days after the start of the study"):
        population.load(study, 7)


def catalogue_study(directory, monkeypatch, median):
    from shells.debris import catalogue, element_sets

    epochs = np.array(["1999-01-01", median, "2032-01-01"], "datetime64[ns]")
    monkeypatch.setattr(element_sets, "read_element_sets", lambda path: type("Sets", (), {"epochs": epochs}))
    monkeypatch.setattr(catalogue, "read_catalogue", lambda path, at: at)
    (directory / "sets.txt").write_text("")
    return fakes.study(directory, ('source = "demo"\ncount = 25', 'source = "catalogue"\npath = "sets.txt"'))


REAL = (
    ("years = 2.0", "years = 0.1"),
    ("planes = 4", "planes = 3"),
    ("[1.0, 2.0, 3.0]", "[2.0, 4.0]"),
    ('["monotone", "interleaved"]', '["monotone"]'),
    ("[debris]", '[forces]\nsolar_activity = "drawn"\nsolar_seed = 41\n\n[debris]'),
)


def test_real_blocks_are_the_same_for_any_engine_and_cut(tmp_path):
    one = run(fakes.study(tmp_path, *REAL), directory=tmp_path / "one")
    change = ("objects_per_block = 10", 'objects_per_block = 25\nengine = "processes"')
    other = run(fakes.study(tmp_path, *REAL, change), directory=tmp_path / "other")
    names = [name for name in groups.SCHEMA_OF if one.holds(name)]
    assert {"decision", "found", "planes", "sensitivity", "risk_by_plane", "workload"} <= set(names)
    for name in (*names, "inputs/7/debris"):
        assert groups.checksum(one.read(name)) == groups.checksum(other.read(name)), name


def test_parts_compute_their_blocks_and_a_whole_run_concludes(tmp_path, monkeypatch, client):
    computed = []

    def fleet_block(study, scenario):
        computed.append("fleet")
        return fakes.compute_fleet_block(study, scenario)

    fakes.install(monkeypatch, compute_fleet_block=fleet_block)
    study = fakes.study(tmp_path)
    events = []
    place = run(study, client, directory=tmp_path, blocks=range(2, 9), progress=events.append)
    assert (events[-1].done, events[-1].total) == (2, 2)
    assert "2 of 2 blocks of the part 2:9 done; when all parts are, run the study without --blocks" in events[-1].text
    blocks = place.blocks(study, 25)
    assert [block.number for block in place.missing(blocks)] == [1]  # a part that lacks the fleet's choice makes it
    assert not (place.path / "summary.json").exists()
    run(study, client, directory=tmp_path, blocks=range(0, 2))
    assert computed == ["fleet"]
    assert run(study, client, directory=tmp_path).summary()["approaches"]["total"] == 9
    sessions = place.manifest()["sessions"]
    assert [session["part"] for session in sessions] == ["2:9", "0:2", ""]
    assert sorted(path.name for path in place.path.glob("log*")) == ["log-00001.jsonl", "log-00002.jsonl", "log.jsonl"]
    with pytest.raises(InputError, match=r"blocks 4:5: there are none; the study has those from 0 to 3\."):
        run(study, client, directory=tmp_path, blocks=range(4, 5))


def test_parts_run_at_the_same_time(tmp_path, monkeypatch):
    fakes.install(monkeypatch)
    study = fakes.study(tmp_path, ("count = 25", "count = 150"))
    threads = [
        threading.Thread(target=run, args=(study,), kwargs={"directory": tmp_path, "blocks": range(first, first + 9)})
        for first in (0, 4, 9)  # the first two overlap
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    place = runner.RunDirectory(tmp_path / "trial")
    assert not place.missing(place.blocks(study, 150)) and not place.damaged(place.blocks(study, 150))
    assert len(place.manifest()["sessions"]) == 3
    assert run(study, directory=tmp_path).summary()["approaches"]["by_kind"]["debris"] == 13


def damage(place, number, kind):
    """Damage the largest chunk of a block."""
    chunks = (path for path in (place.store / "blocks" / f"{number:05d}").rglob("c/*") if path.is_file())
    chunk = max(chunks, key=lambda path: path.stat().st_size)
    data = bytearray(chunk.read_bytes())
    if kind == "flip":
        data[len(data) // 2] ^= 4
    chunk.write_bytes(data if kind == "flip" else data[:-1])


@pytest.mark.parametrize("kind", ["flip", "truncate"])
def test_damaged_blocks_are_found_and_computed_anew(tmp_path, monkeypatch, client, kind):
    fakes.install(monkeypatch)
    study = fakes.study(tmp_path)
    place = run(study, client, directory=tmp_path)
    before = {block: place.attributes(block)["checksums"] for block in place.blocks(study, 25)}
    damage(place, 0, kind)
    damage(place, 2, kind)
    found = inspection.inspect(place)
    assert [block.number for block in found.damaged] == [0, 2] and found.whole == 2
    assert "2 of 4 blocks are whole:\n  - blocks 0, 2: damaged: its files do not match their seal\n" in found.faults
    events = []
    run(study, client, directory=tmp_path, progress=events.append)
    assert {block: place.attributes(block)["checksums"] for block in before} == before
    assert sorted(path.name for path in (place.path / "damaged").iterdir()) == ["blocks-00000-1", "blocks-00002-1"]
    assert sum("was damaged (its files do not match their seal): set aside as" in event.text for event in events) == 2
    assert not inspection.inspect(place).faults


@pytest.mark.parametrize(
    ("source", "change", "named"),
    [
        (1, (), "group, first, last"),
        (2, ("inclination_deg = 87.2", "inclination_deg = 86.9"), "study"),
        (2, ("objects_per_block = 10", "objects_per_block = 8"), "first, last"),
    ],
)
def test_whole_block_of_another_place_is_not_taken_for_the_one_that_belongs_there(
    tmp_path, monkeypatch, client, source, change, named
):
    fakes.install(monkeypatch)
    study = fakes.study(tmp_path)
    place = run(study, client, directory=tmp_path / "here")
    before = place.attributes(place.blocks(study, 25)[2])["checksums"]
    other = run(fakes.study(tmp_path, *([change] if change else [])), client, directory=tmp_path / "there")
    shutil.rmtree(place.store / "blocks" / "00002")
    shutil.copytree(other.store / "blocks" / f"{source:05d}", place.store / "blocks" / "00002")
    shutil.rmtree(place.store / "inputs" / "7" / "debris")
    shutil.copytree(other.store / "inputs" / "7" / "debris", place.store / "inputs" / "7" / "debris")
    if named == "study":
        with pytest.raises(StoreError, match=r"debris: damaged \(it was written for another study\)"):
            inspection.inspect(place)
    else:
        assert f"block 2: damaged: it was written for another {named}\n" in inspection.inspect(place).faults
    run(study, client, directory=tmp_path / "here")
    assert not inspection.inspect(place).faults
    assert place.attributes(place.blocks(study, 25)[2])["checksums"] == before


def test_damaged_debris_is_made_anew(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    study = fakes.study(tmp_path)
    place = run(study, client, directory=tmp_path)
    (place.store / "inputs" / "7" / "debris" / "raan" / "c" / "0").unlink()
    with pytest.raises(StoreError, match=r"inputs/7/debris: damaged .* the number of blocks is not known"):
        inspection.inspect(place)
    run(study, client, directory=tmp_path)
    xr.testing.assert_identical(place.read("inputs/7/debris"), fakes.debris(25))
    assert not inspection.inspect(place).faults


def test_blocks_that_come_back_damaged_again_are_the_fault_of_the_disk(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    study = fakes.study(tmp_path)
    monkeypatch.setattr(groups, "damage", lambda store, group, expected: "rotten" if group == "blocks/00002" else "")
    with pytest.raises(StoreError, match=r"block 2 came back damaged as soon as written \(rotten\)\. The disk"):
        run(study, client, directory=tmp_path)


def test_inspection_of_what_is_not_finished(tmp_path, monkeypatch, client):
    def debris_block(study, scenario, debris, searched):
        if int(debris["object"][0]) == 50010:
            raise ZeroDivisionError("no speed at the node")
        return fakes.compute_debris_block(study, scenario, debris, searched)

    fakes.install(monkeypatch, compute_debris_block=debris_block)
    place = runner.RunDirectory(tmp_path / "trial")
    with pytest.raises(BlocksFailed):
        run(fakes.study(tmp_path), client, directory=tmp_path, blocks=range(0, 3))
    assert inspection.inspect(place).faults == (
        f"{place.path}: 2 of 4 blocks are whole:\n"
        "  - block 2: failed: ZeroDivisionError: no speed at the node\n"
        "  - block 3: not computed yet\n"
        "Run the same study again, with --retry-failed for those that failed: what is damaged is set aside, and what "
        "is missing computed."
    )


def test_full_disk_stops_a_run_at_once_and_is_no_failure_of_a_block(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    study = fakes.study(tmp_path)
    write_files = groups._write_files

    def full(part, files):
        if any(name.startswith("found") for name in files) and len(list((tmp_path / "trial").rglob("blocks/0*"))) > 1:
            raise OSError(28, "No space left on device")
        write_files(part, files)

    with monkeypatch.context() as patch:
        patch.setattr(groups, "_write_files", full)
        with pytest.raises(StoreError, match=r"block .: .*trial: cannot write the run directory: No space left"):
            run(study, client, directory=tmp_path)
    place = runner.RunDirectory(tmp_path / "trial")
    assert not place.failed.exists()
    assert [path.name for path in (place.store / "parts").iterdir()] == ["zarr.json"]
    assert run(study, client, directory=tmp_path).summary()["approaches"]["total"] == 9


def test_few_blocks_are_in_flight(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    held = []

    def progress(event):
        held.append(len(client.futures))

    run(fakes.study(tmp_path, ("count = 25", "count = 120")), client, directory=tmp_path, progress=progress)
    assert max(held) <= stream.PER_THREAD + 1


def test_workers_of_another_version_are_refused(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    here = threading.current_thread()
    versions = {True: ("0.1.0", "abc"), False: ("0.1.0", "def-modified")}
    monkeypatch.setattr(engines, "version", lambda: versions[threading.current_thread() is here])
    text = (
        r"block 0: this run has version 0\.1\.0 of commit abc of shells, and workers have version 0\.1\.0 of commit def"
    )
    with pytest.raises(EngineError, match=text):
        run(fakes.study(tmp_path), client, directory=tmp_path)


def test_versions_and_commits_that_mix():
    engines.refuse_other_versions(("1.0", "abc"), {"n1": ("1.0", "abc"), "n2": ("1.0", None)})  # one without git
    engines.refuse_other_versions(("1.0", None), {"n1": ("1.0", "abc")})
    with pytest.raises(
        EngineError, match=r"workers have version 1\.1 at n1, version 1\.0 of commit def at n3; results"
    ):
        engines.refuse_other_versions(("1.0", "abc"), {"n3": ("1.0", "def"), "n2": ("1.0", "abc"), "n1": ("1.1", None)})
    assert engines.version() == ("0.1.0", provenance.commit())


@pytest.fixture
def hosts(monkeypatch):
    """Return a client of workers on two hosts, of which "bad" cannot write; and how often it was asked to."""

    def host():
        try:
            return get_worker().name
        except ValueError:
            return "here"

    def compute_block(*arguments):
        if host() == "bad":
            asked.append(arguments[2].number)
            raise StoreError("/run: cannot write the run directory: Disk quota exceeded.")
        compute(*arguments)

    asked = []
    compute = task.compute_block
    fakes.install(monkeypatch)
    monkeypatch.setattr(task, "compute_block", compute_block)
    monkeypatch.setattr(provenance, "host", host)
    place = {"cls": Scheduler, "options": {"host": "127.0.0.1", "dashboard_address": ":0"}}
    workers = {
        name: {"cls": Worker, "options": {"host": address, "nthreads": 1, "name": name}}
        for name, address in {"bad": "127.0.0.2", "good": "127.0.0.1"}.items()
    }
    with SpecCluster(workers=workers, scheduler=place) as cluster, Client(cluster) as client:
        yield client, asked


def test_host_that_cannot_write_is_sent_away_and_the_others_go_on(tmp_path, hosts):
    client, asked = hosts
    texts = []
    study = fakes.study(tmp_path, ("count = 25", "count = 200"))
    place = run(study, client, directory=tmp_path, progress=lambda event: texts.append(event.text))
    assert place.summary()["approaches"]["total"] == 52
    assert len(asked) >= runner.REFUSALS_OF_HOST
    told = f"block {asked[0]}: on bad: /run: cannot write the run directory: Disk quota exceeded. It can be written to"
    assert any(text.startswith(told) for text in texts)
    assert "bad: its 1 workers are sent away, for it cannot use the run directory" in texts
    assert not place.failed.exists() and not list(place.path.glob("probe*"))


def test_nobody_can_write(tmp_path, monkeypatch, hosts):
    client, _ = hosts
    client.retire_workers([name for name in client.scheduler_info()["workers"] if "127.0.0.1" in name])
    with pytest.raises(
        StoreError, match=r"on bad: /run: cannot write.*Disk quota exceeded\.\nNo other host has workers"
    ):
        run(fakes.study(tmp_path), client, directory=tmp_path)
    monkeypatch.setattr("pathlib.Path.write_bytes", refuse)
    with pytest.raises(StoreError, match=r"block 0: on bad: /run: cannot write the run directory"):
        run(fakes.study(tmp_path), client, directory=tmp_path)


def refuse(path, data):
    raise OSError(28, "No space left on device")


def test_host_that_comes_again_and_again_ends_the_run(tmp_path, monkeypatch, hosts):
    client, asked = hosts
    monkeypatch.setattr(runner, "REFUSALS_OF_HOST", 1000)
    monkeypatch.setattr(runner, "REFUSALS", 4)
    with pytest.raises(StoreError, match=r"on bad: (.|\n)*Workers could not use the run directory 4 times"):
        run(fakes.study(tmp_path, ("count = 25", "count = 900")), client, directory=tmp_path)
    assert len(asked) >= 4


def test_error_of_a_block_that_is_done_is_removed(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    study = fakes.study(tmp_path)
    place = run(study, client, directory=tmp_path)
    place.keep_failure(place.blocks(study, 25)[2], "KilledWorker", "")  # as a session leaves it that dies too early
    run(study, client, directory=tmp_path)
    assert not list(place.failed.iterdir())


def test_workers_that_write_elsewhere_are_told_of(tmp_path, monkeypatch, client):
    fakes.install(monkeypatch)
    monkeypatch.setattr("shells.study.task.compute_block", lambda *arguments: None)
    with pytest.raises(EngineError, match=r"block 0 was computed, and is not here: the workers write to another"):
        run(fakes.study(tmp_path), client, directory=tmp_path)


def test_no_scheduler_there(monkeypatch):
    monkeypatch.setattr(engines, "ANSWER_SECONDS", 0.5)
    nobody = engines.connect("tcp://127.0.0.1:9")
    with pytest.raises(EngineError, match=r"tcp://127\.0\.0\.1:9: no scheduler of dask can be reached there"), nobody:
        pass


def test_batch_system_that_is_not_here(tmp_path, monkeypatch):
    table = '[cluster]\nsystem = "pbs"\njobs = 2\ncores = 4\nmemory_gb = 8\nwalltime_hours = 1.5\n'
    study = fakes.study(tmp_path, ("[run]", f"{table}\n[run]"))
    monkeypatch.setenv("PATH", "")
    with pytest.raises(EngineError, match=r"needs the (command qsub|package dask-jobqueue), which is not"):
        run(study, directory=tmp_path)


def test_words_for_blocks():
    blocks = [Block(number, "debris", 0, 0, 0) for number in (9, 2, 7, 5, 6, 8, 12, 13)]
    assert words.numbers(blocks) == "blocks 2, 5 to 9, 12, 13"
    assert words.numbers(blocks[:1]) == "block 9"
