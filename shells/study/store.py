"""The run directory: what is written where, when a block counts as done, and how it is read again.

    runs/NAME/  study.toml  manifest.json  summary.json  results.zarr/  log.jsonl  report/

A block is one group of the one zarr store, `results.zarr/blocks/00012`, written whole by the task that computes it. A
run directory belongs to one study, known by its hash; what it was cut into stays as the first run cut it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import xarray as xr
import zarr
from pydantic import ValidationError

from shells import __version__
from shells.errors import StoreError
from shells.study import groups, lock, provenance
from shells.study.cases import Block, cut
from shells.study.configuration import Study, study_hash

DEFAULT_ROOT = Path("runs")


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
        """The log: one JSON object a line, one line an event."""
        return self.path / "log.jsonl"

    def make(self) -> None:
        """Make the directory.

        Raises
        ------
        StoreError
            It cannot be made or written to, or something else is there.
        """
        with self.writing():
            self.path.mkdir(parents=True, exist_ok=True)
        if not (self.path / "manifest.json").exists() and (self.store.exists() or self.log_file.exists()):
            raise StoreError(
                f"{self.path}: holds results but no manifest.json, so it cannot be told whose they are. Remove the "
                "directory, or give another place with --directory."
            )

    @contextmanager
    def locked(self) -> Iterator[str]:
        """Keep other runs out.

        Yields
        ------
        str
            A note when the lock of a dead process was taken over, else empty.

        Raises
        ------
        StoreError
            Another run holds the lock, or it cannot be written.
        """
        with self.writing():
            note = lock.acquire(self.path)
        try:
            yield note
        finally:
            lock.release(self.path)

    def begin(self, study: Study, **session: Any) -> str:
        """Take up a study: write its frozen copy and the manifest, or check that this is its run directory.

        Parameters
        ----------
        study : Study
            What is run.
        **session
            Facts of this session for the manifest, such as the engine.

        Returns
        -------
        str
            A note where earlier blocks were computed by another commit of this version, else empty.

        Raises
        ------
        StoreError
            The directory belongs to another study or to another version of the library, or the catalogue has changed.
        """
        manifest = self._manifest_of(study)
        session = {"version": __version__, "commit": provenance.commit(), "host": provenance.host(), **session}
        note = self._difference_of(manifest["sessions"], session)
        manifest["sessions"].append(
            {"start": provenance.now(), "end": None, **session, "packages": provenance.packages()}
        )
        with self.writing():
            if not (self.path / "study.toml").exists():
                self._write_text("study.toml", study.text)
            self.write_json("manifest.json", manifest)
            groups.clear_parts(self.store)
            for group in ("", "blocks", "inputs", groups.PARTS):
                zarr.open_group(self.store / group, mode="a", zarr_format=3)
        return note

    def _difference_of(self, earlier: list[dict[str, Any]], session: dict[str, Any]) -> str:
        """Refuse blocks of another version of the library; return a note on those of another commit."""
        others = sorted({one["version"] for one in earlier} - {session["version"]})
        if others:
            raise StoreError(
                f"{self.path}: holds blocks of version {', '.join(others)}, and this is "
                f"{session['version']}; results of two versions are not mixed. "
                "Run the study in another place with --directory, or use that version."
            )
        commits = {one["commit"] for one in earlier} - {session["commit"]}
        return "earlier blocks were computed by another commit of this version" if commits else ""

    def end(self) -> None:
        """Write the end of this session into the manifest."""
        manifest = self.manifest()
        manifest["sessions"][-1]["end"] = provenance.now()
        self.write_json("manifest.json", manifest)

    def manifest(self) -> dict[str, Any]:
        """Return the manifest.

        Returns
        -------
        dict
            Study, hash, configuration with defaults, seeds, catalogue, sessions.

        Raises
        ------
        StoreError
            This is no run directory.
        """
        return self._read_json("manifest.json", "`shells run` makes a run directory")

    def summary(self) -> dict[str, Any]:
        """Return the summary of a finished run.

        Returns
        -------
        dict
            As `shells.study.summary.summarise` makes it.

        Raises
        ------
        StoreError
            The run is not finished.
        """
        return self._read_json("summary.json", "run the same study again: what is missing is computed")

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
            return Study.model_validate_json(json.dumps(self.manifest().get("configuration")))
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
        size = self.manifest()["configuration"]["run"]["objects_per_block"]
        return cut(
            study.model_copy(update={"run": study.run.model_copy(update={"objects_per_block": size})}), debris_count
        )

    def is_done(self, block: Block) -> bool:
        """Return whether a block is there; groups are renamed into place whole."""
        return (self.store / _group(block) / "zarr.json").is_file()

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
        extent = {"kind": block.kind, "first": block.first, "last": block.last}
        groups.write(self.store, _group(block), datasets, {**extent, **attributes})

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

    def write(self, group: str, dataset: xr.Dataset) -> None:
        """Write one Dataset as a group of its own, in place of an older one.

        Parameters
        ----------
        group : str
            Path in the store, such as "decision".
        dataset : Dataset
            Meets the schema that belongs to the last part of the name.
        """
        groups.write(self.store, group, dataset, {})

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

    def holds(self, group: str) -> bool:
        """Return whether a group is there."""
        return (self.store / group / "zarr.json").is_file()

    def log(self, event: str, **facts: Any) -> None:
        """Write one line into the log.

        Parameters
        ----------
        event : str
            What happened.
        **facts
            Anything JSON can hold.
        """
        line = json.dumps({"time": provenance.now(), "event": event, **facts})
        with self.log_file.open("a", encoding="utf-8") as stream:
            stream.write(line + "\n")

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
                f"{place}: cannot write the run directory: {error.strerror}. Give a place that can be written to with "
                "--directory, or mend its permissions or free space."
            ) from error

    def _manifest_of(self, study: Study) -> dict[str, Any]:
        digest = study_hash(study)
        catalogue = study.catalogue and {"file": study.catalogue.name, "sha256": provenance.file_hash(study.catalogue)}
        if not (self.path / "manifest.json").exists():
            return {
                "study": study.name,
                "hash": digest,
                "seeds": {"study": study.study.seed, "solar": study.forces.solar_seed},
                "catalogue": catalogue,
                "configuration": study.model_dump(mode="json"),
                "sessions": [],
            }
        manifest = self.manifest()
        if manifest["hash"] != digest:
            differing = _differences(manifest["configuration"], study.model_dump(mode="json"))
            raise StoreError(
                f"{self.path}: holds the run of another study (hash {manifest['hash'][:8]}; this study {digest[:8]}). "
                f"They differ in {', '.join(differing)}. Give this study another name, or another place with "
                "--directory."
            )
        if manifest["catalogue"] != catalogue:
            raise StoreError(
                f"{self.path}: was begun with another content of the catalogue {manifest['catalogue']['file']} (hash "
                f"{manifest['catalogue']['sha256'][:8]}; now {catalogue['sha256'][:8] if catalogue else 'none'}). Put "
                "the old file back, give the study another name, or another place with --directory."
            )
        return manifest

    def _read_json(self, name: str, mend: str) -> dict[str, Any]:
        path = self.path / name
        try:
            value = json.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            raise StoreError(
                f"{path}: cannot be read: {error.strerror}. This is no finished run directory; {mend}."
            ) from None
        except ValueError as error:
            raise StoreError(f"{path}: damaged, not JSON ({error}). Remove the run directory; {mend}.") from None
        if not isinstance(value, dict):
            raise StoreError(f"{path}: damaged, not a JSON object. Remove the run directory; {mend}.")
        return value

    def _write_text(self, name: str, text: str) -> None:
        temporary = self.path / f"{name}.{os.getpid()}"
        temporary.write_text(text, encoding="utf-8")
        temporary.replace(self.path / name)


def _group(block: Block) -> str:
    return f"blocks/{block.number:05d}"


def _differences(there: Mapping[str, Any], here: Mapping[str, Any]) -> list[str]:
    """Return the keys, but those of `[run]`, in which two configurations differ, with both values."""
    flat = [
        {
            f"{table}.{key}": value
            for table, keys in side.items()
            if keys and table != "run"
            for key, value in keys.items()
        }
        for side in (there, here)
    ]
    keys = sorted(flat[0].keys() | flat[1].keys())
    return [
        f"{key} ({flat[0].get(key)} there, {flat[1].get(key)} here)"
        for key in keys
        if flat[0].get(key) != flat[1].get(key)
    ]
