"""What a run directory belongs to: one study, one content of its catalogue, one version of the library."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from shells.errors import StoreError
from shells.study import provenance
from shells.study.configuration import HOW, Study, study_hash

MANIFEST = "manifest.json"


def of_study(study: Study) -> dict[str, Any]:
    """Return the manifest of a run of a study.

    Parameters
    ----------
    study : Study
        What is run.

    Returns
    -------
    dict
        Study, hash, seeds, catalogue, configuration with defaults.
    """
    catalogue = study.catalogue and {"file": study.catalogue.name, "sha256": provenance.file_hash(study.catalogue)}
    return {
        "study": study.name,
        "hash": study_hash(study),
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
        The studies differ, or the contents of their catalogues.
    """
    if there["hash"] != here["hash"]:
        differing = _differences(there["configuration"], here["configuration"])
        raise StoreError(
            f"{path}: holds the run of another study (hash {there['hash'][:8]}; this study {here['hash'][:8]}). "
            f"They differ in {', '.join(differing)}. Give this study another name, or another place with "
            "--directory."
        )
    old, new = there["catalogue"], here["catalogue"]
    if old != new:
        raise StoreError(
            f"{path}: was begun with another content of the catalogue {old['file']} (hash {old['sha256'][:8]}; now "
            f"{new['sha256'][:8] if new else 'none'}). Put the old file back, give the study another name, or another "
            "place with --directory."
        )


def note_on_versions(path: Path, earlier: list[dict[str, Any]], session: Mapping[str, Any]) -> str:
    """Refuse blocks of another version of the library; return a note on those of another commit.

    Parameters
    ----------
    path : Path
        The run directory.
    earlier : list of dict
        Its sessions.
    session : mapping
        The one that begins.

    Returns
    -------
    str
        Empty where all are of this commit.

    Raises
    ------
    StoreError
        Sessions of another version.
    """
    others = sorted({one["version"] for one in earlier} - {session["version"]})
    if others:
        raise StoreError(
            f"{path}: holds blocks of version {', '.join(others)}, and this is {session['version']}; results of two "
            "versions are not mixed. Run the study in another place with --directory, or use that version."
        )
    commits = {one["commit"] for one in earlier} - {session["commit"]}
    return "earlier blocks were computed by another commit of this version" if commits else ""


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
