"""A logarithmic axis that can also show zero: exact zeros and values too small to matter stand in rows of their own.

Expected numbers reach from thousands down to exactly nothing (bounded tolerances that do not overlap) or to the far
tail of a normal distribution. Neither has a place on a logarithmic axis, and leaving them out would hide the very cases
that a separation by altitude is made for.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator
from numpy.typing import NDArray

from shells.report.drawing import GRID, QUIET

#: Decades shown below the largest value; what is smaller is drawn in the row "less".
DECADES = 12

#: What is smaller is never drawn to scale, even when all is: no expected number means anything there.
LEAST = 1e-30

#: Height of a row at the foot, as a share of the decades shown.
_ROW = 0.1


@dataclass(frozen=True)
class ZeroAxis:
    """The vertical axis of one panel.

    Parameters
    ----------
    low, high : int
        Powers of ten at which the shown decades begin and end.
    less, zero : float or None
        Height of the row of smaller values and of that of exact zeros; None where there are none.
    """

    low: int
    high: int
    less: float | None
    zero: float | None

    @classmethod
    def holding(cls, values: Iterable[float]) -> ZeroAxis:
        """Return the axis on which all of some values can be shown.

        Parameters
        ----------
        values : iterable of float
            Not negative; NaN is passed over.

        Returns
        -------
        ZeroAxis
            Whole decades.
        """
        known = [value for value in values if not math.isnan(value)]
        positive = [value for value in known if value > 0.0]
        largest = max(positive, default=0.0)
        high = math.ceil(math.log10(largest) + 0.05) if largest > LEAST else 0
        shown = [value for value in positive if value >= max(LEAST, 10.0 ** (high - DECADES))]
        low = min(math.floor(math.log10(min(shown)) - 0.05), high - 1) if shown else high - 1
        row = _ROW * (high - low)
        less = 10.0 ** (low - row) if len(shown) < len(positive) else None
        zero = 10.0 ** (low - (row if less is None else 2.0 * row)) if len(positive) < len(known) else None
        return cls(low, high, less, zero)

    def height(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where values stand, the rows for small and zero included.

        Parameters
        ----------
        values : ndarray
            Values that the axis was made for.

        Returns
        -------
        ndarray
            Same shape.
        """
        height = np.where(values < 10.0**self.low, self.less or np.nan, values)
        return np.where(values == 0.0, self.zero or np.nan, height)

    def apply(self, axes: Axes) -> None:
        """Set scale, limits and ticks of a panel and set the rows at its foot apart.

        Parameters
        ----------
        axes : Axes
            The panel.
        """
        axes.set_yscale("log")
        rows = {row: label for row, label in ((self.zero, "zero"), (self.less, "less")) if row is not None}
        stride = max(1, math.ceil((self.high - self.low) / 7))
        powers = range(self.low, self.high + 1, stride)
        axes.yaxis.set_major_locator(FixedLocator([*rows, *(10.0**power for power in powers)]))
        axes.yaxis.set_major_formatter(FixedFormatter([*rows.values(), *_powers_of_ten(powers)]))
        axes.yaxis.set_minor_locator(NullLocator())
        half_row = 10.0 ** (0.5 * _ROW * (self.high - self.low))
        bottom = min(rows) / half_row if rows else 10.0**self.low
        axes.set_ylim(bottom, 10.0**self.high)
        if rows:
            top = 10.0**self.low / half_row
            axes.axhspan(bottom, top, color=GRID, alpha=0.45, linewidth=0.0, zorder=0.5)
            axes.axhline(top, color=QUIET, linewidth=0.6)


def _powers_of_ten(powers: range) -> list[str]:
    plain = powers[0] >= -2 and powers[-1] <= 3
    return [f"{10.0**power:g}" if plain else f"$10^{{{power}}}$" for power in powers]
