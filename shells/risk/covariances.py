"""Covariances and radii that are handed in: read, checked, and every fault named with the approaches concerned."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shells.errors import Faults, InputError
from shells.fleet.quantities import array_in_units

#: A covariance counts as symmetric when its halves agree to this share of its largest entry, and as positive
#: semidefinite when its correlation matrix has no eigenvalue under minus this: printed messages carry fewer digits.
_ROUNDING = 1e-9

#: How many approaches a message names.
_NAMED = 5


def smallest_correlation_eigenvalue(covariance: ArrayLike) -> NDArray[np.float64]:
    """Return the smallest eigenvalue of the correlation matrix of a covariance: negative where it is none.

    Parameters
    ----------
    covariance : array_like, shape (..., k, k)
        Symmetric, finite; rows may have different units.

    Returns
    -------
    ndarray, shape (...)
        Smallest eigenvalue [1]. A zero variance counts with scale one, a negative variance gives a negative value.
    """
    matrix = np.asarray(covariance, dtype=np.float64)
    scale = np.sqrt(np.abs(np.diagonal(matrix, axis1=-2, axis2=-1)))
    scale = np.where(scale == 0.0, 1.0, scale)
    correlation = matrix / scale[..., :, None] / scale[..., None, :]
    return np.asarray(np.linalg.eigvalsh(correlation)[..., 0])


def read_covariance(faults: Faults, name: str, value: Any, count: int, size: int = 3) -> NDArray[np.float64]:
    """Return covariances, or record why they are none.

    Parameters
    ----------
    faults : Faults
        Where faults are recorded: wrong shape, not finite, not symmetric, not positive semidefinite. Nothing is mended:
        a covariance that is none says that its maker erred, and no nearest valid one is more right than another.
    name : str
        Name of the argument.
    value : array_like or Quantity, shape (size, size) or (count, size, size)
        [m2].
    count : int
        Number of approaches.
    size : int
        Rows of one covariance.

    Returns
    -------
    ndarray, shape (count, size, size)
        [m2]; without meaning after a fault.
    """
    empty = np.zeros((count, size, size))
    try:
        matrix = array_in_units(value, "m2")
    except InputError as error:
        faults.add(f"{name}: {error}")
        return empty
    if matrix.shape not in ((size, size), (count, size, size)):
        faults.add(f"{name}: shape {matrix.shape} found; allowed: ({size}, {size}) or ({count}, {size}, {size})")
        return empty
    matrix = np.broadcast_to(matrix, empty.shape)
    lost = np.logical_not(np.isfinite(matrix).all(axis=(1, 2)))
    faults.require(not lost.any(), f"{name}: not finite at {named(lost)}; only finite numbers are allowed")
    usable = np.where(lost[:, None, None], 0.0, matrix)
    largest = np.abs(usable).max(axis=(1, 2), initial=0.0)
    skew = np.abs(usable - usable.swapaxes(1, 2)).max(axis=(1, 2), initial=0.0) > _ROUNDING * largest
    faults.require(not skew.any(), f"{name}: not symmetric at {named(skew)}; give both halves of the matrix")
    symmetric = 0.5 * (usable + usable.swapaxes(1, 2))
    smallest = smallest_correlation_eigenvalue(symmetric)
    negative = smallest < -_ROUNDING
    faults.require(
        not negative.any(),
        f"{name}: not positive semidefinite at {named(negative)}: smallest eigenvalue of the correlation matrix "
        f"{smallest.min(initial=0.0):.3g}, allowed: from 0; correct the covariance or leave these approaches out",
    )
    return np.ascontiguousarray(symmetric)


def read_radius(faults: Faults, value: Any, count: int) -> NDArray[np.float64]:
    """Return combined hard-body radii [m], or record why they are none; see `read_from_zero`."""
    return read_from_zero(faults, "hard-body radius", value, count, "m", "m")


def read_from_zero(faults: Faults, name: str, value: Any, count: int, unit: str, spelled: str) -> NDArray[np.float64]:
    """Return what each approach has of something that is never negative, or record why it is none.

    Parameters
    ----------
    faults : Faults
        Where faults are recorded: wrong shape, not finite, negative.
    name : str
        Of the thing, for messages.
    value : array_like or Quantity, shape () or (count,)
        In the unit.
    count : int
        Number of approaches.
    unit, spelled : str
        Unit, and how messages spell it.

    Returns
    -------
    ndarray, shape (count,)
        In the unit; without meaning after a fault.
    """
    try:
        found = array_in_units(value, unit)
    except InputError as error:
        faults.add(f"{name}: {error}")
        return np.zeros(count)
    if found.shape not in ((), (count,)):
        faults.add(f"{name}: shape {found.shape} found; allowed: () or ({count},)")
        return np.zeros(count)
    found = np.broadcast_to(found, (count,))
    wrong = np.logical_not(np.isfinite(found) & (found >= 0.0))
    faults.require(
        not wrong.any(), f"{name}: {found[wrong][:1]} {spelled} at {named(wrong)}; allowed: finite, from 0 {spelled}"
    )
    return np.ascontiguousarray(found)


def named(mask: NDArray[np.bool_]) -> str:
    """Return the first few indices of a mask and how many there are."""
    where = np.flatnonzero(mask)
    more = " …" if where.size > _NAMED else ""
    return f"approaches {where[:_NAMED].tolist()}{more} ({where.size} of {mask.size})"
