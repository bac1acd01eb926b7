"""How numbers are shown: as many digits as they deserve, exact zeros told apart from small values."""

from __future__ import annotations

import math


def significant(value: float | None, digits: int = 2) -> str:
    """Write a number with a few significant digits.

    Parameters
    ----------
    value : float or None
        The number; None or NaN when there is none.
    digits : int
        Significant digits.

    Returns
    -------
    str
        Such as "0.0031", "2.4e-07", "0", or a dash for a missing one.
    """
    if value is None or math.isnan(value):
        return "–"
    if value == 0.0 or math.isinf(value):
        return f"{value:g}"
    exponent = _exponent(value, digits)
    if not -4 <= exponent < 6:
        return f"{value:.{digits - 1}e}"
    decimals = digits - 1 - exponent
    return f"{round(value, decimals):.{max(0, decimals)}f}"


def with_error(value: float | None, error: float | None) -> str:
    """Write a number with its standard error, both to the first digit of the error, or the second of a leading 1.

    Parameters
    ----------
    value, error : float or None
        The number and its standard error; None or NaN when there is none.

    Returns
    -------
    str
        Such as "350 ± 18"; without an error, the number with two significant digits.
    """
    if value is None or error is None or not error > 0.0 or math.isnan(value):
        return significant(value)
    digits = 2 if f"{error:e}".startswith("1") else 1
    last = _exponent(error, digits) - digits + 1
    power = _exponent(max(abs(value), error), 2)
    if -4 <= power < 6:
        return " ± ".join(f"{round(number, -last):.{max(0, -last)}f}" for number in (value, error))
    shown = " ± ".join(f"{number / 10.0**power:.{max(0, power - last)}f}" for number in (value, error))
    return f"({shown})e{power:+03d}"


def _exponent(value: float, digits: int) -> int:
    """Return the power of ten of the leading digit after rounding."""
    return int(f"{value:.{digits - 1}e}".partition("e")[2])
