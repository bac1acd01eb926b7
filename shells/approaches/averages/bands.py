"""Bands of altitude and latitude that rates are counted in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shells import constants

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Bands:
    """Bands of altitude and latitude; one band that holds everything where they are not asked for.

    Parameters
    ----------
    altitudes, latitudes : ndarray
        Lower edges [km above 6378.137 km], [deg].
    altitude_step_km, latitude_step_deg : float
        Widths; infinite for the one band.
    """

    altitudes: Floats
    latitudes: Floats
    altitude_step_km: float
    latitude_step_deg: float

    @property
    def shape(self) -> tuple[int, int]:
        """Number of bands of altitude and of latitude."""
        return self.altitudes.size, self.latitudes.size

    def arrays(self) -> tuple[float, float, int, float, int]:
        """Return the tuple that the kernels take."""
        lowest = float(self.altitudes[0]) + constants.EQUATORIAL_RADIUS.value
        width = float(np.radians(self.latitude_step_deg))
        return lowest, self.altitude_step_km, self.altitudes.size, width, self.latitudes.size


def bands_of(
    by: tuple[str, ...],
    lowest_km: float,
    highest_km: float,
    *,
    altitude_step_km: float,
    latitude_step_deg: float,
) -> Bands:
    """Return the bands that are asked for.

    Parameters
    ----------
    by : tuple of str
        Dimensions asked for; "altitude_band" and "latitude_band" count.
    lowest_km, highest_km : float
        Radii of the fleet that the bands of altitude cover [km].
    altitude_step_km, latitude_step_deg : float
        Widths, edges at whole multiples of them.

    Returns
    -------
    Bands
    """
    altitudes, latitudes = np.zeros(1), np.full(1, -90.0)
    if "altitude_band" in by:
        edges = (np.array([lowest_km, highest_km]) - constants.EQUATORIAL_RADIUS.value) / altitude_step_km
        altitudes = np.arange(np.floor(edges[0]), np.floor(edges[1]) + 1.0) * altitude_step_km
    if "latitude_band" in by:
        latitudes = np.arange(int(np.ceil(180.0 / latitude_step_deg - 1e-9))) * latitude_step_deg - 90.0
    return Bands(
        altitudes,
        latitudes,
        altitude_step_km if "altitude_band" in by else np.inf,
        latitude_step_deg if "latitude_band" in by else np.inf,
    )
