"""What a run directory belongs to: one study, one content of its catalogue, one version of the library.

Nothing in a run directory can be used without this, so it stands there twice: in `manifest.json`, and in the attributes
of the store itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict

from shells.errors import StoreError
from shells.study import provenance
from shells.study.configuration import HOW, Study, study_hash

MANIFEST = "manifest.json"


class _Catalogue(BaseModel):
    model_config = ConfigDict(strict=True)
    file: str
    sha256: str


class _Manifest(BaseModel):
    model_config = ConfigDict(strict=True)
    study: str
    hash: str
    version: str
    commit: str | None
    seeds: dict[str, int]
    catalogue: _Catalogue | None
    configuration: dict[str, dict[str, Any] | None]


class _Head(BaseModel):
    """The file of the store that holds its attributes."""

    attributes: _Manifest


def read(file: Path) -> dict[str, Any]:
    """Return a manifest.

    Parameters
    ----------
    file : Path
        `manifest.json` of a run directory.

    Returns
    -------
    dict
        As `of_study` makes it.

    Raises
    ------
    OSError
        The file is not there or cannot be read.
    ValueError
        It holds no manifest.
    """
    return _Manifest.model_validate_json(file.read_bytes()).model_dump()


def read_copy(head: Path) -> dict[str, Any]:
    """Return a manifest from the attributes of a store.

    Parameters
    ----------
    head : Path
        `zarr.json` of the store.

    Returns
    -------
    dict
        As `of_study` makes it.

    Raises
    ------
    OSError
        The file is not there or cannot be read.
    ValueError
        It holds no manifest.
    """
    return _Head.model_validate_json(head.read_bytes()).attributes.model_dump()


def of_study(study: Study, *, version: str) -> dict[str, Any]:
    """Return the manifest of a run of a study.

    Parameters
    ----------
    study : Study
        What is run.
    version : str
        Of the library.

    Returns
    -------
    dict
        Study, hash, version and commit, seeds, catalogue, configuration with defaults.
    """
    catalogue = study.catalogue and {"file": study.catalogue.name, "sha256": provenance.file_hash(study.catalogue)}
    return {
        "study": study.name,
        "hash": study_hash(study),
        "version": version,
        "commit": provenance.commit(),
        "seeds": {"study": study.study.seed, "solar": study.forces.solar_seed},
        "catalogue": catalogue,
        "configuration": study.model_dump(mode="json"),
    }


def refuse_others(path: Path, there: Mapping[str, Any], here: Mapping[str, Any]) -> None:
    """Refuse a run directory of another study.

    Parameters
    ----------
    path : Path
        The run directory.
    there, here : mapping
        Its manifest, and that of what is to be run.

    Raises
    ------
    StoreError
        The studies differ, the contents of their catalogues, or the versions of the library.
    """
    if there["version"] != here["version"]:
        raise StoreError(
            f"{path}: holds blocks of version {there['version']}, and this is {here['version']}; results of two "
            "versions are not mixed. Run the study in another place with --directory, or use that version."
        )
    if there["hash"] != here["hash"]:
        differing = _differences(there["configuration"], here["configuration"])
        raise StoreError(
            f"{path}: holds the run of another study (hash {there['hash'][:8]}; this study {here['hash'][:8]}). "
            f"They differ in {', '.join(differing)}. Give this study another name, or another place with "
            "--directory."
        )
    if there["catalogue"] != here["catalogue"]:
        old, new = (
            f"{side['catalogue']['file']} (hash {side['catalogue']['sha256'][:8]})" if side["catalogue"] else "none"
            for side in (there, here)
        )
        raise StoreError(
            f"{path}: was begun with another content of the catalogue: {old}; now {new}. Put the old file back, give "
            "the study another name, or another place with --directory."
        )


def _differences(there: Mapping[str, Any], here: Mapping[str, Any]) -> list[str]:
    """Return the keys, but those of how the work is done, in which two configurations differ, with both values."""
    flat = [
        {
            f"{table}.{key}": value
            for table, keys in side.items()
            if keys and table not in HOW
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
