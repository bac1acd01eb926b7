"""The run directory: what is written where, when a block counts as done, and how it is read again.

    runs/NAME/  study.toml  manifest.json  summary.json  results.zarr/  log.jsonl  report/
                sessions/  failed/  damaged/  locks/  jobs/

A block is one group of the one zarr store, `results.zarr/blocks/00012`, written whole by the task that computes it. A
run directory belongs to one study, known by its hash; what it was cut into stays as the first run cut it. Of a block
that failed, `failed/00012.json` keeps the error; what was found damaged is moved to `damaged/`.
"""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import xarray as xr
from pydantic import ValidationError

from shells import __version__
from shells.errors import StoreError
from shells.study import failures, groups, lock, manifest, provenance, sessions
from shells.study.cases import Block, cut
from shells.study.configuration import Study
from shells.study.sessions import Session

DEFAULT_ROOT = Path("runs")

SUMMARY = "summary.json"

#: Blocks whose files are read at once when all are verified: reading them waits for the file system most of the time.
_READERS = 8


@dataclass(frozen=True)
class RunDirectory:
    """One run directory.

    Parameters
    ----------
    path : Path
        Where it is; it need not exist yet.
    """

    path: Path

    @property
    def store(self) -> Path:
        """The zarr store."""
        return self.path / "results.zarr"

    @property
    def report(self) -> Path:
        """Directory of the report."""
        return self.path / "report"

    @property
    def log_file(self) -> Path:
        """The log of whole runs: one JSON object a line, one line an event."""
        return self.path / sessions.LOG_FILE

    @property
    def failed(self) -> Path:
        """Directory of the errors of blocks that failed."""
        return self.path / "failed"

    @property
    def is_concluded(self) -> bool:
        """Whether a run has come to its end here: its summary, which is written last, is there."""
        return (self.path / SUMMARY).exists()

    def make(self) -> None:
        """Make the directory.

        Raises
        ------
        StoreError
            It cannot be made or written to, or something else is there.
        """
        with self.writing():
            self.path.mkdir(parents=True, exist_ok=True)
        # results first: who begins meanwhile writes a manifest before any
        if (self.store.exists() or self.log_file.exists()) and not (self.path / manifest.MANIFEST).exists():
            self._manifest()

    @contextmanager
    def locked(self, *, shared: bool = False) -> Iterator[str]:
        """Keep other runs out.

        Parameters
        ----------
        shared : bool
            Whether others that share it may work beside this one: parts of the run.

        Yields
        ------
        str
            A note when the lock of a dead process was removed, else empty.

        Raises
        ------
        StoreError
            Another run holds the lock, or it cannot be written.
        """
        with self.writing():
            held, note = lock.acquire(self.path, shared=shared)
        try:
            yield note
        finally:
            with suppress(OSError):  # what made the directory read-only is told; the lock ends with this process
                lock.release(held)

    def begin(self, study: Study, *, part: str = "", **facts: Any) -> tuple[Session, str]:
        """Take up a study: write its frozen copy and the manifest, or check that this is its run directory.

        Parameters
        ----------
        study : Study
            What is run.
        part : str
            Which part of the run this session computes, empty for the whole.
        **facts
            Further facts of this session, such as the engine.

        Returns
        -------
        session : Session
            Which logs, and notes its own end.
        note : str
            Where earlier blocks were computed by another commit of this version, else empty.

        Raises
        ------
        StoreError
            The directory belongs to another study or to another version of the library, or the catalogue has changed.
        """
        wanted = manifest.of_study(study, version=__version__)
        facts = {"version": __version__, "commit": wanted["commit"], "host": provenance.host(), **facts}
        with self.writing():
            self._take_up(study, wanted)
            there = self._manifest()
            manifest.refuse_others(self.path, there, wanted)  # also of parts that begin at once
            if not part:
                groups.clear_parts(self.store)
            groups.make(self.store, there)
            for group in ("blocks", "inputs", groups.PARTS):
                groups.make(self.store / group, {})
            # a part reads no other session, for there may be thousands
            earlier = [there, *([] if part else sessions.every(self.path))]
            session = sessions.begin(self.path, part, **facts, packages=provenance.packages())
        others = {one["commit"] for one in earlier} - {wanted["commit"]}
        return session, "earlier blocks were computed by another commit of this version" if others else ""

    def _take_up(self, study: Study, wanted: dict[str, Any]) -> None:
        """Write the manifest where there is none, or where it is damaged and the store has a copy or nothing yet."""
        file = self.path / manifest.MANIFEST
        try:
            manifest.read(file)
        except FileNotFoundError:
            self._write_text("study.toml", study.text)
            self._write_first(manifest.MANIFEST, self._manifest() if self.store.exists() else wanted)
        except ValueError:
            self.write_json(manifest.MANIFEST, self._manifest() if self.store.exists() else wanted)

    def manifest(self) -> dict[str, Any]:
        """Return the manifest.

        Returns
        -------
        dict
            Study, hash, version and commit of the first session, configuration with defaults, seeds, catalogue,
            sessions.

        Raises
        ------
        StoreError
            This is no run directory.
        """
        return {**self._manifest(), "sessions": sessions.every(self.path)}

    def _manifest(self) -> dict[str, Any]:
        """Return the manifest without the sessions: from its file, else its copy in the store."""
        file = self.path / manifest.MANIFEST
        try:
            return manifest.read(file)
        except (OSError, ValueError) as error:
            fault = _in_words(error)
        if not self.store.exists():
            raise StoreError(f"{file}: {fault}. This is no run directory; `shells run` makes one.")
        try:
            return manifest.read_copy(self.store / groups.HEAD)
        except (OSError, ValueError):
            raise StoreError(
                f"{file}: {fault}, and {self.store} has no copy of it either, so that it cannot be told whose results "
                "these are. Put the file back, or give another place with --directory."
            ) from None

    def summary(self) -> dict[str, Any]:
        """Return the summary of a finished run.

        Returns
        -------
        dict
            As `shells.study.summary.summarise` makes it.

        Raises
        ------
        StoreError
            The run is not finished, or its summary is damaged or that of another study.
        """
        file = self.path / SUMMARY
        mend = "Run the same study again: what is missing is computed, and the summary written anew."
        try:
            found = json.loads(file.read_bytes())
        except FileNotFoundError:
            raise StoreError(f"{file}: not there: this run is not finished. {mend}") from None
        except (OSError, ValueError, RecursionError) as error:
            raise StoreError(f"{file}: {_in_words(error)}. {mend}") from None
        if not isinstance(found, dict) or found.get("hash") != self._manifest()["hash"]:
            raise StoreError(f"{file}: damaged: not the summary of this study. {mend}")
        return found

    def study(self) -> Study:
        """Return the study as it was when the run directory was made, defaults filled in.

        Returns
        -------
        Study
            Without its file: paths in it are as the file gave them.

        Raises
        ------
        StoreError
            This is no run directory, or one of another version of the library.
        """
        try:
            return Study.model_validate_json(json.dumps(self._manifest()["configuration"]))
        except ValidationError as error:
            raise StoreError(
                f"{self.path / 'manifest.json'}: holds no configuration that this version of the library knows "
                f"({error.error_count()} faults). Use the version that made it, or run the study in another place."
            ) from None

    def blocks(self, study: Study, debris_count: int) -> tuple[Block, ...]:
        """Return the blocks of the run, as its first session cut them.

        Parameters
        ----------
        study : Study
            What is run.
        debris_count : int
            Number of debris objects.

        Returns
        -------
        tuple of Block
            All blocks, done or not.
        """
        size = self.study().run.objects_per_block
        return cut(
            study.model_copy(update={"run": study.run.model_copy(update={"objects_per_block": size})}), debris_count
        )

    def is_done(self, block: Block) -> bool:
        """Return whether a block is there; groups are renamed into place whole."""
        return self.holds(_group(block))

    def missing(self, blocks: Iterable[Block]) -> tuple[Block, ...]:
        """Return the blocks that are not there.

        Parameters
        ----------
        blocks : iterable of Block
            Which are asked for.

        Returns
        -------
        tuple of Block
            In the same order.
        """
        there = {path.name for path in (self.store / "blocks").glob("*")}  # one look, for a network answers slowly
        return tuple(block for block in blocks if _name(block) not in there)

    def damaged(self, blocks: Iterable[Block]) -> dict[Block, str]:
        """Verify the files of blocks that are there.

        Parameters
        ----------
        blocks : iterable of Block
            Which.

        Returns
        -------
        dict of Block to str
            What is wrong with those that are not as they were written.
        """
        blocks, run = list(blocks), self._run()
        with ThreadPoolExecutor(_READERS) as pool:
            faults = list(
                pool.map(lambda block: groups.damage(self.store, _group(block), run | _identity(block)), blocks)
            )
        return {block: fault for block, fault in zip(blocks, faults, strict=True) if fault}

    def fault_of(self, group: str) -> str:
        """Verify the files of a group that is there.

        Parameters
        ----------
        group : str
            Path in the store, such as "inputs/debris".

        Returns
        -------
        str
            What is wrong; empty when all is as it was written.
        """
        return groups.damage(self.store, group, self._run() | {"group": group})

    def set_aside(self, group: Block | str) -> Path:
        """Move a damaged group out of the store, where it is in nobody's way and is not lost either.

        Parameters
        ----------
        group : Block or str
            A block, or the path of a group in the store.

        Returns
        -------
        Path
            Where it is now.
        """
        name = group if isinstance(group, str) else _group(group)
        with self.writing():
            (self.path / "damaged").mkdir(exist_ok=True)
            number = 1
            while (place := self.path / "damaged" / f"{name.replace('/', '-')}-{number}").exists():
                number += 1
            return (self.store / name).rename(place)

    def keep_failure(self, block: Block, error: str, traceback: str) -> None:
        """Keep how a block failed.

        Parameters
        ----------
        block : Block
            Which.
        error, traceback : str
            What happened, in a line and in full.
        """
        with self.writing():
            failures.keep(self.failed, _name(block), error, traceback)

    def forget_failure(self, block: Block) -> None:
        """Remove what was kept of the failure of a block."""
        failures.forget(self.failed, _name(block))

    def failures(self, blocks: Iterable[Block]) -> dict[Block, str]:
        """Return which blocks have failed and have not been computed since.

        Parameters
        ----------
        blocks : iterable of Block
            Which are asked for.

        Returns
        -------
        dict of Block to str
            The error of each.
        """
        kept = failures.errors(self.failed)
        failed = self.missing(block for block in blocks if _name(block) in kept)
        return {block: kept[_name(block)] for block in failed}

    def write_block(self, block: Block, datasets: Mapping[str, xr.Dataset], **attributes: Any) -> None:
        """Write a block whole.

        Parameters
        ----------
        block : Block
            Which.
        datasets : mapping of str to Dataset
            What was computed: rates, approaches, …
        **attributes
            Further attributes of its group: anything JSON can hold.
        """
        groups.write(self.store, _group(block), datasets, self._run() | _identity(block), attributes)

    def read_block(self, block: Block, *only: str) -> dict[str, xr.Dataset]:
        """Return the Datasets of a block.

        Parameters
        ----------
        block : Block
            Which.
        *only : str
            Names of the Datasets to read, by default all.

        Returns
        -------
        dict of str to Dataset
            As they were written.

        Raises
        ------
        StoreError
            The block is missing or damaged.
        """
        return groups.read(self.store, _group(block), only or None)

    def attributes(self, block: Block) -> dict[str, Any]:
        """Return the attributes of a block that is whole: written_for, seconds, commit, host, checksums.

        Parameters
        ----------
        block : Block
            Which.

        Returns
        -------
        dict
            As they were written.
        """
        return groups.attributes_of(self.store / _group(block))

    def write(self, group: str, dataset: xr.Dataset) -> None:
        """Write one Dataset as a group of its own, in place of an older one.

        Parameters
        ----------
        group : str
            Path in the store, such as "decision".
        dataset : Dataset
            Meets the schema that belongs to the last part of the name.
        """
        groups.discard(self.store, group)
        self.write_once(group, dataset)

    def write_once(self, group: str, dataset: xr.Dataset) -> None:
        """Write one Dataset as a group of its own unless it is there: of several writers the first one wins.

        Parameters
        ----------
        group : str
            Path in the store, such as "inputs/debris".
        dataset : Dataset
            Meets the schema that belongs to the last part of the name.
        """
        groups.write(self.store, group, dataset, self._run() | {"group": group}, {})

    def read(self, group: str) -> xr.Dataset:
        """Return the one Dataset of a group.

        Parameters
        ----------
        group : str
            Path in the store, such as "decision".

        Returns
        -------
        Dataset
            As it was written.

        Raises
        ------
        StoreError
            The group is missing or damaged.
        """
        (dataset,) = groups.read(self.store, group).values()
        return dataset

    def size_of(self, group: str, dimension: str) -> int:
        """Return how many entries a dimension of a group that is whole has, without reading it.

        Parameters
        ----------
        group : str
            Path in the store, such as "inputs/debris".
        dimension : str
            One that has a coordinate.

        Returns
        -------
        int
            Its size.

        Raises
        ------
        StoreError
            The group is missing or damaged.
        """
        return groups.size_of(self.store / group, dimension)

    def holds(self, group: str) -> bool:
        """Return whether a group is there."""
        return (self.store / group).is_dir()

    def write_json(self, name: str, value: Any) -> None:
        """Write a JSON file of the run directory whole.

        Parameters
        ----------
        name : str
            Name of the file.
        value : Any
            What it holds.
        """
        self._write_text(name, json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n")

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Turn the system's refusal to write into a StoreError that names the place and the way out."""
        try:
            yield
        except OSError as error:
            place = error.filename or self.path
            raise StoreError(
                f"{place}: cannot write the run directory: {error.strerror or error}. Give a place that can be "
                "written to with --directory, or mend its permissions or free space, and run the same command again."
            ) from error

    def _run(self) -> dict[str, Any]:
        """Return what all groups of this run are written for."""
        known = self._manifest()
        catalogue = known["catalogue"]["sha256"] if known["catalogue"] else None
        return {"study": known["hash"], "catalogue": catalogue, "version": known["version"]}

    def _write_text(self, name: str, text: str) -> None:
        temporary = self.path / f"{name}.{uuid.uuid4().hex}"
        groups.write_through(temporary, text.encode())
        temporary.replace(self.path / name)

    def _write_first(self, name: str, value: Any) -> None:
        """Write a JSON file whole unless it is there already: of several writers the first one wins."""
        draft = f"{name}.draft-{uuid.uuid4().hex}"
        self.write_json(draft, value)
        try:
            os.link(self.path / draft, self.path / name)
        except FileExistsError:
            pass
        except OSError:  # a file system without hard links
            with suppress(FileExistsError), (self.path / name).open("xb", buffering=0) as stream:
                stream.write((self.path / draft).read_bytes())
        finally:
            (self.path / draft).unlink()


def _in_words(error: Exception) -> str:
    """Return what is wrong with a small file of the run directory."""
    if isinstance(error, OSError):
        return f"cannot be read: {error.strerror}"
    if isinstance(error, ValidationError):
        fault = error.errors()[0]
        return f"damaged: {'.'.join(map(str, fault['loc']))}: {fault['msg']}".replace(": : ", ": ")
    return f"damaged: {error}"


def _name(block: Block) -> str:
    return f"{block.number:05d}"


def _group(block: Block) -> str:
    return f"blocks/{_name(block)}"


def _identity(block: Block) -> dict[str, Any]:
    """Return what tells a block from the others of its run."""
    extent = {"kind": block.kind, "scenario": block.scenario, "first": block.first, "last": block.last}
    return {"group": _group(block), **extent}
