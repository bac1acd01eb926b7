import json
import os
import socket
import subprocess
import sys
import threading
import uuid
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
import zarr

from shells import __version__
from shells.errors import SchemaError, StoreError
from shells.study import failures, groups, lock, provenance
from shells.study.cases import Block
from shells.study.configuration import study_hash
from shells.study.store import RunDirectory
from tests.study import fakes

BLOCK = Block(12, "debris", 0, 10, 20)


@pytest.fixture
def begun(tmp_path):
    run = RunDirectory(tmp_path / "runs" / "trial")
    run.make()
    run.begin(fakes.study(tmp_path), engine="threads")
    return run


@pytest.fixture
def session(begun, tmp_path):
    return begun.begin(fakes.study(tmp_path), engine="threads")[0]


def contents(study):
    return {
        "decision": fakes.decision(study),
        "planes": fakes.planes(study),
        "rates": fakes.fleet_rates(study),
        "approaches": fakes.approaches([0, 1], [2, 3], [1.0, 1.5], [0.1, 0.2]),
        "debris": fakes.debris(4),
    }


def test_blocks_come_back_as_they_were_written(begun, tmp_path):
    written = contents(fakes.study(tmp_path))
    assert not begun.is_done(BLOCK)
    begun.write_block(BLOCK, written, seconds=1.5)
    assert begun.is_done(BLOCK)
    read = begun.read_block(BLOCK)
    assert set(read) == set(written)
    for name, dataset in written.items():
        xr.testing.assert_identical(read[name], dataset)
        assert [read[name][key].dtype.kind for key in dataset.variables] == [
            dataset[key].dtype.kind for key in dataset.variables
        ], name
    attributes = begun.attributes(BLOCK)
    whose = {"study": study_hash(fakes.study(tmp_path)), "catalogue": None, "version": __version__}
    extent = {"group": "blocks/00012", "kind": "debris", "scenario": 0, "first": 10, "last": 20}
    assert attributes["written_for"] == whose | extent and attributes["seconds"] == 1.5
    assert attributes["checksums"] == {name: groups.checksum(dataset) for name, dataset in written.items()}
    assert set(begun.read_block(BLOCK, "rates", "planes")) == {"rates", "planes"}
    assert [path.name for path in (begun.store / "parts").iterdir()] == ["zarr.json"]


def test_empty_datasets_survive(begun):
    written = {
        "approaches": fakes.approaches([], [], [], []),
        "debris": fakes.debris(0),
    }
    begun.write_block(BLOCK, written)
    for name, dataset in begun.read_block(BLOCK).items():
        xr.testing.assert_identical(dataset, written[name])


def test_missing_times_and_text_survive(begun):
    written = fakes.debris(3)
    written["held_from"][1] = np.datetime64("2031-04-01T00:00:00.123456789", "ns")
    written["name"][1] = ""
    begun.write("inputs/debris", written)
    read = begun.read("inputs/debris")
    xr.testing.assert_identical(read, written)
    assert read["name"].values.tolist() == ["fragment № 0", "", "fragment № 2"]
    assert np.isnat(read["held_from"].values).tolist() == [True, False, True]
    assert begun.holds("inputs/debris") and not begun.holds("decision")


def test_whole_store_opens_as_a_tree(begun, tmp_path):
    begun.write_block(BLOCK, contents(fakes.study(tmp_path)))
    begun.write("decision", fakes.decision(fakes.study(tmp_path)))
    assert set(zarr.open_group(begun.store, mode="r").group_keys()) >= {"blocks", "decision"}
    with xr.open_dataset(begun.store, group="blocks/00012/planes", engine="zarr", consolidated=False) as planes:
        assert planes.sizes == {"plane": 4}


def test_checksum_is_of_data_only(tmp_path):
    one = contents(fakes.study(tmp_path))
    for dataset in one.values():
        same = dataset.assign_attrs(other="x")[list(dataset.variables)[::-1]]
        assert groups.checksum(same) == groups.checksum(dataset)
    wider = one["debris"].assign(name=one["debris"]["name"].astype("U99"))
    assert groups.checksum(wider) == groups.checksum(one["debris"])
    for name, variable in (("planes", "raan"), ("debris", "kind"), ("approaches", "time")):
        changed = one[name].copy(deep=True)
        changed[variable][0] = changed[variable][1]
        assert groups.checksum(changed) != groups.checksum(one[name]), variable


def test_a_group_is_written_anew_in_place_of_an_older_one(begun, tmp_path):
    study = fakes.study(tmp_path)
    begun.write("decision", fakes.decision(study, met=False))
    begun.write("decision", fakes.decision(study))
    assert begun.read("decision")["chosen"].values.any()
    begun.begin(study, engine="threads")  # clears what was moved aside
    assert [path.name for path in (begun.store / "parts").iterdir()] == ["zarr.json"]


def test_what_does_not_meet_its_schema_is_not_stored(begun):
    with pytest.raises(SchemaError, match="storing blocks/00012: Dataset does not meet schema 'Planes'"):
        begun.write_block(BLOCK, {"planes": fakes.approaches([], [], [], [])})
    assert not begun.is_done(BLOCK)


def test_interrupted_writing_leaves_no_block(begun, tmp_path, monkeypatch):
    replace = Path.replace  # zarr uses it too, for its own files

    def die(self, target):
        if self.parent.name == "parts":
            raise KeyboardInterrupt
        return replace(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", die)
        with pytest.raises(KeyboardInterrupt):
            begun.write_block(BLOCK, contents(fakes.study(tmp_path)))
    assert not begun.is_done(BLOCK)
    with pytest.raises(StoreError, match=r"blocks/00012: not there\. Run the same study again"):
        begun.read_block(BLOCK)


@pytest.mark.parametrize("damage", ["flip", "truncate", "remove", "metadata"])
def test_damaged_blocks_are_refused(begun, tmp_path, damage):
    begun.write_block(BLOCK, contents(fakes.study(tmp_path)))
    array = begun.store / "blocks" / "00012" / "planes" / "raan"
    (chunk,) = (path for path in array.rglob("*") if path.is_file() and path.name != "zarr.json")
    if damage == "flip":
        other = begun.store / "blocks" / "00012" / "planes" / "inclination" / chunk.relative_to(array)
        chunk.write_bytes(other.read_bytes())
    elif damage == "truncate":
        chunk.write_bytes(chunk.read_bytes()[:5])
    elif damage == "remove":
        chunk.unlink()
    else:
        (array / "zarr.json").write_text("{")
    with pytest.raises(StoreError, match=r"blocks/00012: damaged.* Run the same study again: what is damaged is set"):
        begun.read_block(BLOCK)


def test_manifest_tells_where_results_come_from(begun, session, tmp_path):
    study = fakes.study(tmp_path)
    session.note_end()
    manifest = begun.manifest()
    assert manifest["study"] == "trial" and manifest["hash"] == study_hash(study)
    assert manifest["seeds"] == {"study": 7, "solar": 0} and manifest["catalogue"] is None
    assert manifest["configuration"]["faults"]["per_satellite_year"] == 0.01
    before, facts = manifest["sessions"]
    assert before["end"] is None and before["start"] <= facts["start"] <= facts["end"]
    assert facts["host"] == socket.gethostname() and facts["engine"] == "threads"
    assert {"python", "numpy", "numba", "zarr"} <= set(facts["packages"])
    assert (begun.path / "study.toml").read_text() == fakes.TEXT
    assert begun.study().model_dump() == study.model_dump()


def test_same_study_may_come_back_with_another_run_table(begun, tmp_path):
    again = fakes.study(tmp_path, ("workers = 2\nobjects_per_block = 10", "workers = 1\nobjects_per_block = 7"))
    begun.begin(again, engine="processes")
    assert len(begun.manifest()["sessions"]) == 2
    # blocks stay as they were cut: a change of size must not mix two cuts in one store
    assert [block.last for block in begun.blocks(again, 25)] == [0, 10, 20, 25]


def test_run_directory_of_another_study_is_refused(begun, tmp_path):
    study, other = fakes.study(tmp_path), fakes.study(tmp_path, ("planes = 4", "planes = 5"), ("seed = 7", "seed = 8"))
    with pytest.raises(StoreError) as caught:
        begun.begin(other, engine="threads")
    assert str(caught.value) == (
        f"{begun.path}: holds the run of another study (hash {study_hash(study)[:8]}; this study "
        f"{study_hash(other)[:8]}). They differ in fleet.planes (4 there, 5 here), study.seed (7 there, 8 here). "
        "Give this study another name, or another place with --directory."
    )


def test_changed_catalogue_is_refused(tmp_path):
    (tmp_path / "sets.txt").write_text("one")
    study = fakes.study(tmp_path, ('source = "demo"\ncount = 25', 'source = "catalogue"\npath = "sets.txt"'))
    run = RunDirectory(tmp_path / "runs" / "trial")
    run.make()
    run.begin(study, engine="threads")
    assert run.manifest()["catalogue"] == {"file": "sets.txt", "sha256": provenance.file_hash(tmp_path / "sets.txt")}
    (tmp_path / "sets.txt").write_text("two")
    with pytest.raises(StoreError, match=r"begun with another content of the catalogue: sets\.txt \(hash 7692"):
        run.begin(study, engine="threads")


def test_directory_that_cannot_be_used(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match=r"file/trial: cannot write the run directory: Not a directory.*--directory"):
        RunDirectory(tmp_path / "file" / "trial").make()
    foreign = RunDirectory(tmp_path / "foreign")
    foreign.store.mkdir(parents=True)
    with pytest.raises(StoreError, match=r"foreign/results\.zarr has no copy of it either, so .* --directory"):
        foreign.make()


def test_no_permission_to_write(begun, tmp_path, monkeypatch):
    def refuse(self, *arguments, **options):
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "write_text", refuse)
    with pytest.raises(StoreError, match=r"\.draft: cannot write the run directory: Permission denied"), begun.locked():
        pass


def test_what_is_no_run_directory(begun, tmp_path):
    with pytest.raises(StoreError, match=r"none/manifest\.json: cannot be read: No such file"):
        RunDirectory(tmp_path / "none").manifest()
    with pytest.raises(StoreError, match=r"summary\.json: not there: this run is not finished"):
        begun.summary()


DAMAGED = ("", "{", "{}", "[]", "[" * 100_000, "9" * 5000, '{"hash": 7}')


@pytest.mark.parametrize("text", DAMAGED)
def test_damaged_summary_is_told_and_not_the_end_of_a_run(begun, text):
    (begun.path / "summary.json").write_text(text)
    with pytest.raises(StoreError, match=r"summary\.json: damaged: .* Run the same study again") as caught:
        begun.summary()
    assert "emove" not in str(caught.value)


@pytest.mark.parametrize("text", [None, *DAMAGED])
def test_manifest_outlives_its_file(begun, tmp_path, text):
    before, file = begun.manifest(), begun.path / "manifest.json"
    whole = file.read_bytes()
    file.unlink() if text is None else file.write_text(text)
    assert begun.manifest() == before
    begun.make()
    begun.begin(fakes.study(tmp_path, ("objects_per_block = 10", "objects_per_block = 7")))
    assert file.read_bytes() == whole  # as the first session cut it
    (begun.store / "zarr.json").write_text(text or "")
    begun.begin(fakes.study(tmp_path))  # writes the copy anew too
    file.unlink()
    assert begun.manifest()["hash"] == before["hash"]


@pytest.mark.parametrize("text", [None, *DAMAGED])
def test_results_of_nobody_are_left_alone(begun, tmp_path, text):
    file = begun.path / "manifest.json"
    file.unlink() if text is None else file.write_text(text)
    (begun.store / "zarr.json").write_text(text or "")
    for use in (begun.study, lambda: begun.begin(fakes.study(tmp_path))):
        with pytest.raises(StoreError, match=r"manifest\.json: .*no copy .* --directory") as caught:
            use()
        assert "emove" not in str(caught.value)


def test_run_of_unknown_configuration(begun):
    written = json.loads((begun.path / "manifest.json").read_text())
    written["configuration"]["run"]["objects_per_block"] = 0
    (begun.path / "manifest.json").write_text(json.dumps(written))
    with pytest.raises(StoreError, match=r"manifest\.json: holds no configuration that this version"):
        begun.blocks(fakes.study(begun.path), 25)


def test_what_is_no_session_is_passed_over(begun, tmp_path):
    sessions = begun.path / "sessions"
    first = (sessions / "00001.json").read_text()
    for name, text in (("00002", "{}"), ("00001 (copy)", first), ("9" * 200, first)):
        (sessions / f"{name}.json").write_text(text)
    (sessions / "00003.json").write_text(first.replace('"start": "', '"start": "12'))
    assert len(begun.manifest()["sessions"]) == 1
    begun.begin(fakes.study(tmp_path))
    assert (sessions / "00004.json").exists() and len(begun.manifest()["sessions"]) == 2


def test_part_that_begins_between_the_looks_of_another(tmp_path, monkeypatch):
    study, run, exists = fakes.study(tmp_path), RunDirectory(tmp_path / "trial"), Path.exists

    def slow(self, **options):
        found = exists(self, **options)
        monkeypatch.setattr(Path, "exists", exists)
        run.begin(study, part="0:1")[0].log("begin")
        return found

    monkeypatch.setattr(Path, "exists", slow)
    run.make()
    run.begin(study, part="1:2")


def test_parts_read_no_session_of_others(begun, tmp_path, monkeypatch):
    monkeypatch.setattr("shells.study.sessions.every", None)
    study = fakes.study(tmp_path)
    begun.begin(study, part="0:1")
    assert len(begun.blocks(study, 25)) == 4


def test_line_that_was_cut_stays_alone(begun, tmp_path):
    begun.log_file.write_text('{"event": "bl')
    begun.begin(fakes.study(tmp_path))[0].log("begin")
    begun.begin(fakes.study(tmp_path))[0].log("end")
    cut, *lines = begun.log_file.read_text().splitlines()
    assert cut == '{"event": "bl' and [json.loads(line)["event"] for line in lines] == ["begin", "end"]


def test_log_is_one_json_object_a_line(begun, session):
    session.log("note", text="a\nb", done=1)
    session.log("end", text="", done=2)
    lines = [json.loads(line) for line in begun.log_file.read_text().splitlines()]
    assert [line["event"] for line in lines] == ["note", "end"]
    assert lines[0]["text"] == "a\nb" and lines[0]["time"].endswith("Z")


def put_lock(run, **changes):
    """Put a lock where another process would have left one."""
    held, _ = lock.acquire(run.path)
    own = json.loads(held.path.read_text())
    lock.release(held)
    other = held.path.with_name("other.json")
    other.write_text(json.dumps({**own, "since": "2031-01-01T00:00:00Z", **changes}))
    return other


def test_lock_keeps_a_second_run_out(begun):
    for shared in (False, True):
        with begun.locked() as note:
            assert note == ""
            with (
                pytest.raises(StoreError, match=rf"another run holds this directory:\n  - process {os.getpid()} on "),
                begun.locked(shared=shared),
            ):
                pass
    with begun.locked() as note:
        assert note == ""
    assert not list((begun.path / "locks").iterdir())


def test_parts_of_a_run_share_it_and_keep_a_whole_run_out(begun):
    with begun.locked(shared=True), begun.locked(shared=True) as note:
        assert note == ""
        with pytest.raises(StoreError, match=r"(?s)since .*, a part of the run: .*, a part of the run"), begun.locked():
            pass
    with begun.locked():
        pass


def test_lock_of_a_dead_process_is_removed(begun):
    done = subprocess.run(
        [sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, text=True, check=True
    )
    put_lock(begun, pid=int(done.stdout))
    with begun.locked() as note:
        assert note == f"removed the lock of process {int(done.stdout)} on {socket.gethostname()}, which is gone"
        assert len(list((begun.path / "locks").iterdir())) == 1


def test_lock_of_a_number_used_again(begun):
    put_lock(begun, born="1")
    with begun.locked() as note:
        assert note.startswith("removed the lock")


@pytest.fixture
def hasty(monkeypatch):
    monkeypatch.setattr(lock, "BEAT_SECONDS", 0.1)
    monkeypatch.setattr(lock, "DEAD_SECONDS", 1.0)


@pytest.mark.parametrize("machine", ["elsewhere", None], ids=["host", "container"])
def test_lock_from_elsewhere_is_removed_when_nobody_touches_it(begun, hasty, machine):
    # another host; or a container of the same host name, in which a process of this number lives or not
    name = machine or f"{socket.gethostname()} {uuid.uuid4()} pid:[1]"
    other = put_lock(begun, machine=name, host="elsewhere", pid=2**22 + 1)
    with begun.locked(shared=True) as note:
        assert note == f"removed the lock of process {2**22 + 1} on elsewhere, which is gone"
    assert not other.exists()


def test_lock_from_elsewhere_that_is_touched_keeps_others_out(begun, hasty):
    other = put_lock(begun, machine="elsewhere", host="elsewhere", pid=2**22 + 1)
    beating = threading.Thread(target=lock.Lock(other).beat)
    beating.start()
    with pytest.raises(StoreError) as caught, begun.locked():
        pass
    assert f"process {2**22 + 1} on elsewhere, since 2031-01-01T00:00:00Z: {other}" in str(caught.value)
    assert list((begun.path / "locks").iterdir()) == [other]
    other.unlink()  # its holder notices
    beating.join(timeout=10.0)
    assert not beating.is_alive()


def test_parts_do_not_wait_for_parts_from_elsewhere(begun):
    other = put_lock(begun, machine="elsewhere", shared=True)
    with begun.locked(shared=True) as note:
        assert note == "" and other.exists()


@pytest.mark.parametrize("text", ["", '{"pid": 1', "[]", "{}"])
def test_damaged_lock_is_no_hindrance_for_long(begun, hasty, text):
    put_lock(begun).write_text(text)
    with begun.locked() as note:
        assert note == "removed the lock of a process whose lock is damaged, which is gone"
        assert len(list((begun.path / "locks").iterdir())) == 1


def test_own_lock_does_not_stay_when_others_cannot_be_read(begun, monkeypatch):
    def fail(path):
        raise OSError(5, "Input/output error")

    put_lock(begun)
    monkeypatch.setattr(lock, "_read", fail)
    with pytest.raises(StoreError, match="Input/output error"), begun.locked():
        pass
    assert [path.name for path in (begun.path / "locks").iterdir()] == ["other.json"]


def test_blocks_of_another_version_are_not_mixed(tmp_path, monkeypatch):
    study = fakes.study(tmp_path)
    place = RunDirectory(tmp_path / "runs" / study.name)
    place.make()
    assert place.begin(study)[1] == ""
    monkeypatch.setattr("shells.study.provenance.commit", lambda: "another")
    assert place.begin(study)[1] == "earlier blocks were computed by another commit of this version"
    monkeypatch.setattr("shells.study.store.__version__", "9.9.9")
    with pytest.raises(StoreError, match=r"holds blocks of version 0\.1\.0, and this is 9\.9\.9"):
        place.begin(study)


def test_errors_of_one_block_kept_by_several_at_once(tmp_path):
    def keep(number):
        for _ in range(100):
            failures.keep(tmp_path / "failed", "00012", f"error {number}", "")

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(keep, range(4)))
    assert failures.errors(tmp_path / "failed")["00012"] in {f"error {number}" for number in range(4)}
    assert [path.name for path in (tmp_path / "failed").iterdir()] == ["00012.json"]


def test_file_system_without_hard_links(tmp_path, monkeypatch):
    def refuse(source, target):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr("os.link", refuse)
    study = fakes.study(tmp_path)
    place = RunDirectory(tmp_path / "runs" / study.name)
    place.make()
    place.begin(study)
    written = (place.path / "manifest.json").read_bytes()
    place._write_first("manifest.json", {"second": "writer"})
    assert (place.path / "manifest.json").read_bytes() == written
    assert place.manifest()["study"] == study.name
    assert not list(place.path.glob("*draft*"))
