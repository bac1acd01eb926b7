"""Density of the air: the piecewise exponential standard table."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shells.motion import kernels

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
    layers = tuple(np.ascontiguousarray(column) for column in EXPONENTIAL_TABLE.T)
    found = np.array([kernels.density(height, *layers) for height in heights.ravel()])
    return found.reshape(heights.shape)
