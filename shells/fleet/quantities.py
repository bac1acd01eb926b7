"""Numbers with a unit: astropy Quantities are taken wherever a bare number in a stated unit is.

Nothing of astropy is imported here: a Quantity brings its own conversion.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shells.errors import Faults, InputError

_INFINITE = math.inf


def in_units(value: Any, unit: str) -> float:
    """Return a number in a unit, whether it comes bare or as an astropy Quantity.

    Parameters
    ----------
    value : float or Quantity
        Bare numbers are already in `unit`.
    unit : str
        Unit in the spelling of astropy: "km", "deg", "m2", "kg"; "" for a pure number.

    Returns
    -------
    float
        Value in `unit`.

    Raises
    ------
    InputError
        Not a single number, or a Quantity of another dimension.
    """
    try:
        return float(array_in_units(value, unit))
    except (TypeError, InputError) as error:
        wanted = f"one number in {unit}, bare or as a Quantity" if unit else "one pure number"
        raise InputError(f"{value!r} found; allowed: {wanted}") from error


def array_in_units(value: Any, unit: str) -> NDArray[np.float64]:
    """Return numbers in a unit, whether they come bare or as an astropy Quantity.

    Parameters
    ----------
    value : array_like or Quantity
        Bare numbers are already in `unit`.
    unit : str
        Unit in the spelling of astropy; "" for pure numbers.

    Returns
    -------
    ndarray
        Values in `unit`.

    Raises
    ------
    InputError
        Not numbers, or a Quantity of another dimension.
    """
    wanted = f"numbers in {unit}, bare or as a Quantity" if unit else "pure numbers"
    try:
        numbers = np.asarray(value.to_value(unit) if hasattr(value, "unit") else value)
    except ValueError as error:
        raise InputError(f"{value!r} found; allowed: {wanted}") from error
    # numpy would turn None into NaN and True into one
    if numbers.dtype.kind not in "fiu":
        raise InputError(f"{value!r} found; allowed: {wanted}")
    return numbers.astype(np.float64)


def read_number(
    faults: Faults,
    name: str,
    value: Any,
    unit: str,
    *,
    low: float = -_INFINITE,
    high: float = _INFINITE,
) -> float:
    """Return an argument as a number in a unit; record a fault if it is none or lies outside its range.

    Parameters
    ----------
    faults : Faults
        Where a fault is recorded.
    name : str
        Name of the argument.
    value : float or Quantity
        What was given.
    unit : str
        As for `in_units`.
    low, high : float
        Closed range that is allowed; infinite values are never allowed.

    Returns
    -------
    float
        The number, or NaN after a fault, so that what depends on it can be skipped.
    """
    try:
        number = in_units(value, unit)
    except InputError as error:
        faults.add(f"{name}: {error}")
        return math.nan
    if math.isfinite(number) and low <= number <= high:
        return number
    faults.add(f"{name}: {number:g} {unit}".rstrip() + f" found; allowed: {_range(low, high, unit)}")
    return math.nan


def _range(low: float, high: float, unit: str) -> str:
    if math.isinf(high):
        text = f"at least {low:g}" if math.isfinite(low) else "any finite number"
    else:
        text = f"{low:g} to {high:g}"
    return f"{text} {unit}".rstrip()
