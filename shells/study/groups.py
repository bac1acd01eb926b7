"""Groups of the zarr store: written whole under a temporary name, renamed into place, checked when read.

The rename is the very last act, so a group that is present is complete. The checksum of each of its Datasets
is over the bytes of the data, not over metadata, so that equal results have equal checksums.
"""

from __future__ import annotations

import hashlib
import shutil
import uuid
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
import zarr
from zarr.abc.buffer import Buffer
from zarr.storage import MemoryStore

from shells.errors import StoreError
from shells.schema import APPROACHES, DECISION, OBJECTS, PLANES, RATES, SENSITIVITY, Schema
from shells.study.found import FOUND

PARTS = "parts"
SCHEMA_OF: dict[str, Schema] = {
    "approaches": APPROACHES,
    "collisions": RATES,
    "debris": OBJECTS,
    "decision": DECISION,
    "found": FOUND,
    "planes": PLANES,
    "rates": RATES,
    "sensitivity": SENSITIVITY,
}


def write(
    store: Path, group: str, content: xr.Dataset | Mapping[str, xr.Dataset], attributes: Mapping[str, Any]
) -> None:
    """Write a group whole, in place of one of that name.

    Parameters
    ----------
    store : Path
        Directory of the zarr store.
    group : str
        Path of the group in the store.
    content : Dataset or mapping of str to Dataset
        One Dataset, named like the group, or several, each a subgroup of its name.
    attributes : mapping of str to Any
        Further attributes of the group: anything JSON can hold.
    """
    single = isinstance(content, xr.Dataset)
    datasets = {group.rpartition("/")[2]: content} if isinstance(content, xr.Dataset) else dict(content)
    files: dict[str, Buffer] = {}  # made in memory first: zarr takes twice as long to write its many small files
    memory = MemoryStore(files)
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
    zarr.open_group(memory, mode="a").attrs.update({**attributes, "checksums": checksums})
    part = store / PARTS / uuid.uuid4().hex
    for name, data in files.items():
        path = part / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data.to_bytes())
    final = store / group
    final.parent.mkdir(parents=True, exist_ok=True)
    if final.exists():
        final.rename(store / PARTS / uuid.uuid4().hex)
    part.replace(final)


def read(store: Path, group: str, only: Collection[str] | None = None) -> dict[str, xr.Dataset]:
    """Read a group and verify its checksums.

    Parameters
    ----------
    store : Path
        Directory of the zarr store.
    group : str
        Path of the group in the store.
    only : collection of str, optional
        Names of the Datasets to read, by default all.

    Returns
    -------
    dict of str to Dataset
        In memory, by name.

    Raises
    ------
    StoreError
        The group is missing or damaged.
    """
    place = store / group
    if not (place / "zarr.json").is_file():
        raise StoreError(f"{place}: not there. Run the same study again: what is missing is computed.")
    try:
        found = zarr.open_group(place, mode="r")
        checksums: Any = found.attrs["checksums"]
        names = [name for name in checksums if only is None or name in only]
        single = next(iter(found.array_keys()), None) is not None
        datasets = {name: _load(store, group if single else f"{group}/{name}", SCHEMA_OF[name]) for name in names}
    except (OSError, ValueError, KeyError, TypeError, RuntimeError) as error:
        raise StoreError(f"{place}: damaged ({error}). {_MEND}") from error
    wrong = [name for name in names if checksum(datasets[name]) != checksums[name]]
    if wrong:
        raise StoreError(f"{place}: damaged: the data of {', '.join(wrong)} do not match their checksum. {_MEND}")
    return datasets


_MEND = "Remove this directory and run the same study again: what is missing is computed."


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


def clear_parts(store: Path) -> None:
    """Remove what interrupted writers have left.

    Parameters
    ----------
    store : Path
        Directory of the zarr store.
    """
    shutil.rmtree(store / PARTS, ignore_errors=True)


def _load(store: Path, group: str, schema: Schema) -> xr.Dataset:
    dataset = xr.open_zarr(store, group=group, consolidated=False, chunks=None, decode_timedelta=False)
    dataset = _texts(dataset.load(), np.dtype(np.str_))
    dataset.attrs.pop("checksums", None)
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
