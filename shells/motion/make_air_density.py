"""Make the table of air density that ships with the package: ``python -m shells.motion.make_air_density``.

NRLMSISE-00 (J. M. Picone, A. E. Hedin, D. P. Drob & A. C. Aikin 2002, Journal of Geophysical Research 107(A12), 1468,
doi:10.1029/2002JA009430), total mass density with anomalous oxygen, as the package `pymsis` gives it (``version=0``).
Average over latitude (weighted by its cosine), longitude, time of day and season; daily and 81-day flux are the same.
The run takes about a minute.
"""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shells.errors import InputError

#: 10.7-cm flux of the columns [sfu]; between two of them ln rho is linear in flux to better than 1 %.
LEVELS = (65, 70, 80, 90, 100, 110, 125, 140, 150, 160, 180, 200, 225, 250, 275, 300)

#: Heights of the rows [km].
HEIGHTS = range(0, 2001, 10)

_HEAD = """\
# Density of the air [kg m-3] against height [km], first column, and 10.7-cm solar flux [sfu], head line.
# NRLMSISE-00 (Picone et al. 2002, J. Geophys. Res. 107(A12), 1468), total mass density with anomalous oxygen, averaged
# over latitude, longitude, time of day and season; geomagnetic index Ap tied to the flux.
# Made by: python -m shells.motion.make_air_density, pymsis {version}, version=0
"""


class Grid(NamedTuple):
    """Places and times to average over, besides the twelve months.

    Parameters
    ----------
    latitudes, longitudes : ndarray
        [deg], each evenly spaced.
    hours : ndarray
        Universal time [h], evenly spaced.
    """

    latitudes: NDArray[np.float64]
    longitudes: NDArray[np.float64]
    hours: NDArray[np.int64]


#: 18 latitudes, 12 longitudes, 4 hours.
GLOBE = Grid(np.arange(-85.0, 90.0, 10.0), np.arange(0.0, 360.0, 30.0), np.arange(0, 24, 6))


def geomagnetic_index(flux_sfu: ArrayLike) -> NDArray[np.float64]:
    """Return the daily geomagnetic index Ap that goes with a solar flux.

    Parameters
    ----------
    flux_sfu : array_like
        10.7-cm flux [sfu], 65 or more.

    Returns
    -------
    ndarray
        Ap [1], same shape.

    Notes
    -----
    Linear through (65, 0), (140, 15) and (250, 45), the long-term low, moderate and high values of
    ECSS-E-ST-10-04C Rev.1, Table 6-3; above 250 sfu on with the last slope (our choice, no source).
    """
    flux = np.asarray(flux_sfu, dtype=np.float64)
    return np.where(flux < 140.0, 15.0 * (flux - 65.0) / 75.0, 15.0 + 30.0 * (flux - 140.0) / 110.0)


def mean_density(height_km: ArrayLike, flux_sfu: float, index: float, *, grid: Grid = GLOBE) -> NDArray[np.float64]:
    """Return the density of NRLMSISE-00, averaged over place, time of day and season.

    Parameters
    ----------
    height_km : array_like, shape (heights,)
        Height above the ellipsoid [km].
    flux_sfu : float
        10.7-cm flux, daily and 81-day mean [sfu].
    index : float
        Daily geomagnetic index Ap [1].
    grid : Grid
        Places and hours, on the fifteenth of each month.

    Returns
    -------
    ndarray, shape (heights,)
        Density [kg m-3].

    Raises
    ------
    InputError
        `pymsis` is not installed.
    """
    try:
        import pymsis
    except ImportError as missing:
        raise InputError(
            "make_air_density: package 'pymsis' not found; install it with: pip install 'shells[test]'"
        ) from missing
    # the model knows the day of the year and no year; any serves
    fifteenths = np.arange("2010-01", "2011-01", dtype="datetime64[M]").astype("datetime64[D]") + 14
    times = np.add.outer(fifteenths, grid.hours.astype("timedelta64[h]")).ravel()
    flux, indices = np.full(times.size, flux_sfu), np.full((times.size, 7), index)
    weights = np.cos(np.radians(grid.latitudes))
    means = []
    for height in np.asarray(height_km, dtype=np.float64):
        output = pymsis.calculate(times, grid.longitudes, grid.latitudes, [height], flux, flux, indices, version=0)
        local = output[..., 0, pymsis.Variable.MASS_DENSITY].astype(np.float64)
        means.append(np.average(local.mean(axis=(0, 1)), weights=weights))
    return np.array(means)


def main() -> None:
    """Write the table beside this module."""
    columns = [mean_density(HEIGHTS, level, float(geomagnetic_index(level))) for level in LEVELS]
    with (Path(__file__).parent / "air_density.csv").open("w", newline="\n") as table:
        table.write(_HEAD.format(version=version("pymsis")))
        table.write(",".join(["height_km", *map(str, LEVELS)]) + "\n")
        for height, row in zip(HEIGHTS, np.transpose(columns), strict=True):
            table.write(",".join([str(height), *(f"{value:.6e}" for value in row)]) + "\n")


if __name__ == "__main__":
    main()
