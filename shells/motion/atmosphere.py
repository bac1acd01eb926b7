"""Density of the air: a table of NRLMSISE-00 against height and solar flux, and the piecewise exponential table.

Both are means over the globe, the day and the year: what drag does to an orbit over weeks. The density met at one place
and hour is another matter: at moderate activity from 0.26 to 2.4 times the mean at 550 km.

*NRLMSISE-00* (J. M. Picone et al. 2002, Journal of Geophysical Research 107(A12), 1468): total mass density with
anomalous oxygen, on heights from 0 to 2,000 km and 10.7-cm fluxes from 65 to 300 sfu; the flux is daily and 81-day mean
in one, and the geomagnetic index Ap goes with it: linear through (65, 0), (140, 15) and (250, 45), and on with the last
slope. The model is used as it is up to 2,000 km: a static atmosphere, of helium and hydrogen there, which little drag
data supports above about 1,000 km (from memory). `shells.motion.make_air_density` makes the table.

*Uncertainty* of NRLMSISE-00: 15 % for mean conditions, 100 % at one place and hour (ECSS-E-ST-10-04C Rev.1, clause
G.5); that of the solar flux to come outweighs it.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from shells.errors import Faults, InputError

KINDS = ("nrlmsise-00", "exponential")

#: Height of a cell [km], and how many there are.
CELL, CELLS = 10.0, 200

#: Base height [km], density there [kg m-3], scale height [km]: rho = rho0 exp(-(h - h0) / H).
#: Source: D. A. Vallado, Fundamentals of Astrodynamics and Applications, 4th ed. 2013, Table 8-4; table number and
#: values from memory, each layer checked to join the next.
EXPONENTIAL_TABLE: NDArray[np.float64] = np.array(
    [
        [0, 1.225, 7.249],
        [25, 3.899e-2, 6.349],
        [30, 1.774e-2, 6.682],
        [40, 3.972e-3, 7.554],
        [50, 1.057e-3, 8.382],
        [60, 3.206e-4, 7.714],
        [70, 8.770e-5, 6.549],
        [80, 1.905e-5, 5.799],
        [90, 3.396e-6, 5.382],
        [100, 5.297e-7, 5.877],
        [110, 9.661e-8, 7.263],
        [120, 2.438e-8, 9.473],
        [130, 8.484e-9, 12.636],
        [140, 3.845e-9, 16.149],
        [150, 2.070e-9, 22.523],
        [180, 5.464e-10, 29.740],
        [200, 2.789e-10, 37.105],
        [250, 7.248e-11, 45.546],
        [300, 2.418e-11, 53.628],
        [350, 9.518e-12, 53.298],
        [400, 3.725e-12, 58.515],
        [450, 1.585e-12, 60.828],
        [500, 6.967e-13, 63.822],
        [600, 1.454e-13, 71.835],
        [700, 3.614e-14, 88.667],
        [800, 1.170e-14, 124.64],
        [900, 5.245e-15, 181.05],
        [1000, 3.019e-15, 268.00],
    ]
)
EXPONENTIAL_TABLE.setflags(write=False)


class AirTable(NamedTuple):
    """Logarithm of the density in cells of height, at levels of solar flux.

    Parameters
    ----------
    levels : ndarray, shape (fluxes,)
        10.7-cm flux [sfu], ascending. Between two levels ln rho is linear in flux; below the first and above the last
        it stays as there.
    coefficients : ndarray, shape (fluxes, 200, 4)
        c0 to c3 [1]: in cell k, from 10 k to 10 (k + 1) km, ln rho = c0 + c1 x + c2 x^2 + c3 x^3 with
        x = (height - 10 k)/10 and rho in kg m-3. In the last cell c2 = c3 = 0: it goes on in a straight line above
        2,000 km, and falls short of the model there by 14 % at 2,500 km (140 sfu).
    """

    levels: NDArray[np.float64]
    coefficients: NDArray[np.float64]


@cache
def air_table(kind: str = "nrlmsise-00") -> AirTable:
    """Return the coefficients of a density law.

    Parameters
    ----------
    kind : str
        "nrlmsise-00": cubic splines of ln rho. "exponential": the law of `EXPONENTIAL_TABLE` at one level that stands
        for any flux; the cell from 20 to 30 km follows its lower layer, which is up to 11 % high at the upper end.

    Returns
    -------
    AirTable
        Read-only.

    Raises
    ------
    InputError
        Unknown kind.

    Notes
    -----
    Against NRLMSISE-00 midway between the heights of the table, the splines err by 0.35 % at most from 130 km up, 1 %
    from 90 km and 4 % near the ground; midway between fluxes by 1 % at most.
    """
    if kind not in KINDS:
        raise InputError(f"air_table: kind {kind!r} found; allowed: {', '.join(KINDS)}")
    table = _splines() if kind == "nrlmsise-00" else _layers()
    for values in table:
        values.setflags(write=False)
    return table


def density(height_km: ArrayLike, flux_sfu: ArrayLike, kind: str = "nrlmsise-00") -> NDArray[np.float64]:
    """Return the density of the air, averaged over place, time of day and season.

    Parameters
    ----------
    height_km : array_like
        Height above the ellipsoid [km], 0 or more; above 2,000 km ln rho goes on linearly.
    flux_sfu : array_like
        10.7-cm flux [sfu]; beyond 65 and 300 the values there. The exponential law does not depend on it.
    kind : str
        "nrlmsise-00" or "exponential".

    Returns
    -------
    ndarray
        Density [kg m-3], of the shape of the broadcast arguments. Uncertain by 15 % in mean conditions and 100 % at one
        place and hour (ECSS-E-ST-10-04C Rev.1, clause G.5, for NRLMSISE-00).

    Raises
    ------
    InputError
        Unknown kind, negative or missing heights, fluxes not positive: all together.
    """
    table = air_table(kind)
    height, flux = np.broadcast_arrays(np.asarray(height_km, dtype=np.float64), np.asarray(flux_sfu, dtype=np.float64))
    faults = Faults("density")
    low, dark = ~((height >= 0.0) & np.isfinite(height)), ~(flux > 0.0)
    faults.require(not low.any(), f"height_km {height[low][:5].tolist()} found; expected 0 or more")
    faults.require(not dark.any(), f"flux_sfu {flux[dark][:5].tolist()} found; expected more than 0")
    faults.raise_if_any()
    last = table.levels.size - 1
    level = np.interp(flux, table.levels, np.arange(last + 1.0))
    lower = level.astype(np.int64)
    share = (level - lower)[..., np.newaxis]
    cell = np.minimum(height // CELL, CELLS - 1).astype(np.int64)
    upper = np.minimum(lower + 1, last)
    coefficients = (1.0 - share) * table.coefficients[lower, cell] + share * table.coefficients[upper, cell]
    c0, c1, c2, c3 = np.moveaxis(coefficients, -1, 0)
    x = height / CELL - cell
    return np.asarray(np.exp(c0 + x * (c1 + x * (c2 + x * c3))))


def exponential_density(height_km: ArrayLike) -> NDArray[np.float64]:
    """Return the density of the piecewise exponential table.

    Parameters
    ----------
    height_km : array_like
        Height above the ellipsoid [km], 0 or more; above 1,000 km the last layer goes on.

    Returns
    -------
    ndarray
        Density [kg m-3], same shape.
    """
    heights = np.asarray(height_km, dtype=np.float64)
    base, at_base, scale = np.moveaxis(EXPONENTIAL_TABLE[_layer(heights)], -1, 0)
    return np.asarray(at_base * np.exp(-(heights - base) / scale))


def _layer(heights: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the row of `EXPONENTIAL_TABLE` that holds at heights [km]."""
    return np.searchsorted(EXPONENTIAL_TABLE[1:, 0], heights, side="right")


def _layers() -> AirTable:
    bottoms = CELL * np.arange(CELLS, dtype=np.float64)
    base, at_base, scale = EXPONENTIAL_TABLE[_layer(bottoms)].T
    coefficients = np.zeros((1, CELLS, 4))
    coefficients[0, :, 0] = np.log(at_base) - (bottoms - base) / scale
    coefficients[0, :, 1] = -CELL / scale
    return AirTable(np.array([140.0]), coefficients)


def _splines() -> AirTable:
    with (files("shells.motion") / "air_density.csv").open() as lines:
        head, *rows = csv.reader(line for line in lines if not line.startswith("#"))
    logarithms = np.log(np.array(rows, dtype=np.float64)[:, 1:])
    top = logarithms[-1] - logarithms[-2]
    # natural at the ground; joins the straight last cell with its slope
    spline = CubicSpline(np.arange(CELLS), logarithms[:-1], bc_type=((2, np.zeros_like(top)), (1, top)))
    coefficients = np.zeros((top.size, CELLS, 4))
    coefficients[:, :-1] = spline.c[::-1].T
    coefficients[:, -1, 0], coefficients[:, -1, 1] = logarithms[-2], top
    return AirTable(np.array(head[1:], dtype=np.float64), coefficients)
