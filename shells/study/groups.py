"""Groups of the zarr store: written whole under a temporary name, renamed into place, checked when read.

The rename is the very last act, so a group that is present is complete. Each group carries checksums of two kinds: of
the data of each Dataset, not of metadata, so that equal results have equal checksums; and a seal over all its bytes,
which tells in a moment, without decoding anything, whether a file was damaged. What it was written for stands in its
attributes, so that a group which was copied to a wrong place is not taken for the one that belongs there.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import uuid
from collections.abc import Collection, Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
import zarr
from zarr.abc.buffer import Buffer
from zarr.storage import MemoryStore

from shells.errors import StoreError
from shells.risk.aggregation import COLLISION_RISK
from shells.risk.numbers import NUMBERS
from shells.risk.workload import WORKLOAD, WORKLOAD_OF_OBJECTS
from shells.schema import APPROACHES, DECISION, OBJECTS, PLANES, RATES, SENSITIVITY, Schema
from shells.study.found import FOUND

PARTS = "parts"
SCHEMA_OF: dict[str, Schema] = {
    "approaches": APPROACHES,
    "collisions": RATES,
    "debris": OBJECTS,
    "decision": DECISION,
    "found": FOUND,
    "numbers": NUMBERS,
    "planes": PLANES,
    "rates": RATES,
    "risk_by_plane": COLLISION_RISK,
    "risk_by_year": COLLISION_RISK,
    "risk_of_fleet": COLLISION_RISK,
    "sensitivity": SENSITIVITY,
    "workload": WORKLOAD,
    "workload_of_objects": WORKLOAD_OF_OBJECTS,
}

#: The codecs that `write` uses. Nothing packed by others is decoded: a store may come from anywhere.
CODECS = {"bytes", "vlen-utf8", "zstd"}

#: The file of a group that holds its attributes.
HEAD = "zarr.json"
_MEND = "Run the same study again: what is damaged is set aside and computed anew."


def make(place: Path, attributes: Mapping[str, Any]) -> None:
    """Make an empty group, unless it is there with the same attributes; several processes may do so at once.

    Parameters
    ----------
    place : Path
        Its directory.
    attributes : mapping of str to Any
        Of the group: anything JSON can hold.
    """
    place.mkdir(parents=True, exist_ok=True)
    head = json.dumps({"attributes": attributes, "zarr_format": 3, "node_type": "group"}).encode()
    if not (place / HEAD).exists() or (place / HEAD).read_bytes() != head:
        draft = place / uuid.uuid4().hex
        write_through(draft, head)
        draft.replace(place / HEAD)


def write_through(path: Path, data: bytes) -> None:
    """Write a file that outlives a power cut from here on, whatever is renamed to it.

    Parameters
    ----------
    path : Path
        The file.
    data : bytes
        What it holds.
    """
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def write(
    store: Path,
    group: str,
    content: xr.Dataset | Mapping[str, xr.Dataset],
    written_for: Mapping[str, Any],
    attributes: Mapping[str, Any],
) -> None:
    """Write a group whole, unless it is there already: what is computed twice is equal, and the first stays.

    Parameters
    ----------
    store : Path
        Directory of the zarr store.
    group : str
        Path of the group in the store.
    content : Dataset or mapping of str to Dataset
        One Dataset, named like the group, or several, each a subgroup of its name.
    written_for : mapping of str to Any
        What tells it from all other groups, for `damage`.
    attributes : mapping of str to Any
        Further attributes of the group: anything JSON can hold.

    Raises
    ------
    OSError
        It cannot be written; nothing of it is left.
    """
    single = isinstance(content, xr.Dataset)
    datasets = {group.rpartition("/")[2]: content} if isinstance(content, xr.Dataset) else dict(content)
    packed: dict[str, Buffer] = {}  # made in memory first: zarr takes twice as long to write its many small files
    memory = MemoryStore(packed)
    for name, dataset in datasets.items():
        SCHEMA_OF[name].check(dataset, stage=f"storing {group}")
        _texts(dataset.drop_encoding(), np.dtypes.StringDType()).to_zarr(
            memory,
            group=None if single else name,
            mode="a",
            zarr_format=3,
            consolidated=False,
            encoding=SCHEMA_OF[name].encoding(dataset),
        )
    checksums = {name: checksum(dataset) for name, dataset in datasets.items()}
    root = zarr.open_group(memory, mode="a")
    root.attrs.update({**attributes, "written_for": dict(written_for), "checksums": checksums})
    files = {name: data.to_bytes() for name, data in packed.items() if name != HEAD}
    root.attrs.update({"seal": _seal(root.attrs.asdict(), sorted(files.items()))})
    files[HEAD] = packed[HEAD].to_bytes()
    part = store / PARTS / uuid.uuid4().hex
    try:
        _write_files(part, files)
        _put_in_place(part, store / group)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def read(store: Path, group: str, only: Collection[str] | None = None) -> dict[str, xr.Dataset]:
    """Read a group and verify the checksums of its data.

    Parameters
    ----------
    store : Path
        Directory of the zarr store.
    group : str
        Path of the group in the store.
    only : collection of str, optional
        Names of the Datasets to read, those of them that the group has; by default all.

    Returns
    -------
    dict of str to Dataset
        In memory, by name.

    Raises
    ------
    StoreError
        The group is missing, damaged or not written by this library.
    """
    place = store / group
    _require(place)
    try:
        checksums = dict(attributes_of(place)["checksums"])
        names = [name for name in checksums if only is None or name in only]
        single = list(checksums) == [place.name]
        datasets = {name: _load(store, group if single else f"{group}/{name}", SCHEMA_OF[name]) for name in names}
        wrong = [name for name in names if checksum(datasets[name]) != checksums[name]]
    except Exception as error:  # decoders raise whatever damaged files make of them
        raise StoreError(f"{place}: damaged ({type(error).__name__}: {error}). {_MEND}") from error
    if wrong:
        raise StoreError(f"{place}: damaged: the data of {', '.join(wrong)} do not match their checksum. {_MEND}")
    return datasets


def damage(store: Path, group: str, expected: Mapping[str, Any]) -> str:
    """Return what is wrong with the files of a group, by its seal and by what it says of itself.

    Parameters
    ----------
    store : Path
        Directory of the zarr store.
    group : str
        Path of a group that is there.
    expected : mapping of str to Any
        What it must have been written for: another group may be whole too, and lie here by mistake.

    Returns
    -------
    str
        Empty when all is as it was written.
    """
    place = store / group
    try:
        attributes = attributes_of(place)
        seal = attributes.pop("seal")
        written_for = dict(attributes["written_for"])
        paths = (path for path in place.rglob("[!.]*") if path.is_file())
        files = {path.relative_to(place).as_posix(): path for path in paths}
        del files[HEAD]
        found = _seal(attributes, ((name, files[name].read_bytes()) for name in sorted(files)))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        return f"{type(error).__name__}: {error}"
    if found != seal:
        return "its files do not match their seal"
    other = [name for name, value in expected.items() if written_for.get(name) != value]
    return f"it was written for another {', '.join(other)}" if other else ""


def checksum(dataset: xr.Dataset) -> str:
    """Return the SHA-256 over the data of all variables.

    Parameters
    ----------
    dataset : Dataset
        Any Dataset.

    Returns
    -------
    str
        64 hexadecimal digits; independent of attributes, encoding and the order of variables.
    """
    digest = hashlib.sha256()
    for key in sorted(map(str, dataset.variables)):
        values = dataset[key].values
        kind = "U" if values.dtype.kind in "UTO" else values.dtype.str
        digest.update(f"{key} {dataset[key].dims} {values.shape} {kind}\n".encode())
        digest.update("\0".join(map(str, values.ravel())).encode() if kind == "U" else values.tobytes())
    return digest.hexdigest()


def attributes_of(place: Path) -> dict[str, Any]:
    """Return the attributes of a group, as its file holds them.

    Parameters
    ----------
    place : Path
        Directory of the group.

    Returns
    -------
    dict
        Checksums, seal and what its writer gave.
    """
    attributes: dict[str, Any] = json.loads((place / HEAD).read_bytes())["attributes"]
    return attributes


def size_of(place: Path, dimension: str) -> int:
    """Return how many entries a dimension has, from metadata alone.

    Parameters
    ----------
    place : Path
        Directory of a group of one Dataset.
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
    _require(place)
    try:
        (size,) = json.loads((place / dimension / HEAD).read_bytes())["shape"]
        return int(size)
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise StoreError(f"{place}: damaged ({type(error).__name__}: {error}). {_MEND}") from error


def discard(store: Path, group: str) -> None:
    """Remove a group, if it is there, at one stroke.

    Parameters
    ----------
    store : Path
        Directory of the zarr store.
    group : str
        Path of the group in the store.
    """
    if (store / group).exists():
        (store / group).rename(store / PARTS / uuid.uuid4().hex)


def clear_parts(store: Path) -> None:
    """Remove what interrupted writers have left; one that still writes fails, and puts nothing in place.

    Parameters
    ----------
    store : Path
        Directory of the zarr store.
    """
    if (store / PARTS).exists():
        (store / PARTS).rename(store / f"{PARTS}-{uuid.uuid4().hex}")
    for left in store.glob(f"{PARTS}-*"):
        shutil.rmtree(left, ignore_errors=True)


def _require(place: Path) -> None:
    if not place.is_dir():
        raise StoreError(f"{place}: not there. Run the same study again: what is missing is computed.")


def _write_files(part: Path, files: Mapping[str, bytes]) -> None:
    part.mkdir()
    # none with its parents: a directory that somebody clears away meanwhile must not come back half full
    for directory in sorted({parent for name in files for parent in Path(name).parents} - {Path()}):
        (part / directory).mkdir()
    for name, data in files.items():
        (part / name).write_bytes(data)


def _put_in_place(part: Path, final: Path) -> None:
    final.parent.mkdir(parents=True, exist_ok=True)
    try:
        part.replace(final)
    except OSError as error:
        if error.errno not in (errno.ENOTEMPTY, errno.EEXIST):
            raise
        shutil.rmtree(part, ignore_errors=True)


def _seal(attributes: Mapping[str, Any], files: Iterable[tuple[str, bytes]]) -> str:
    """Return the SHA-256 over all bytes of a group: its own attributes, and its other files in the order of names."""
    digest = hashlib.sha256(json.dumps(attributes, sort_keys=True).encode())
    for name, data in files:
        digest.update(f"\n{name} {len(data)}\n".encode())
        digest.update(data)
    return digest.hexdigest()


def _load(store: Path, group: str, schema: Schema) -> xr.Dataset:
    for head in (store / group).glob(f"*/{HEAD}"):
        foreign = {codec["name"] for codec in json.loads(head.read_bytes())["codecs"]} - CODECS
        if foreign:
            raise StoreError(f"{head.parent.name} is packed by {', '.join(sorted(foreign))}, which is never used here")
    dataset = xr.open_zarr(
        store, group=group, zarr_format=3, consolidated=False, chunks=None, decode_timedelta=False
    ).load()
    dataset = _texts(dataset, np.dtype(np.str_))
    for name in ("written_for", "checksums", "seal"):
        dataset.attrs.pop(name, None)
    return dataset[[name for name in schema.variables if name in dataset.variables]]


def _texts(dataset: xr.Dataset, dtype: Any) -> xr.Dataset:
    """Return the Dataset with its strings as `dtype`: in the store of variable length, all that Zarr 3 specifies."""
    texts = {name: variable for name, variable in dataset.variables.items() if variable.dtype.kind in "UTO"}
    dataset = dataset.drop_indexes([name for name in texts if name in dataset.xindexes])
    for name, text in texts.items():
        # through a list: numpy cannot cast from StringDType to the width that fits
        values = np.array(text.values.tolist(), dtype=dtype).reshape(text.shape)
        dataset[name] = (text.dims, values, text.attrs)
    return dataset
