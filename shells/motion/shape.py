"""Mean radius and semi-major axis of a near-circular orbit.

A shell's place is its mean radius r_m, the radius averaged over the argument of latitude. The oblateness keeps it apart
from the mean semi-major axis: a = r_m + (3/4) J2 (R^2 / a) (2 - 3 sin^2 i), the constant part of the first-order
short-period term of the radius (G.-I. Izsak 1963 in polar-nodal variables, at e = 0). By this definition; terms of J2
squared and J4 move the average over an orbit by up to 30 m, neighbours in altitude together to decimetres.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shells import constants

_J2_RADIUS_SQUARED = constants.zonal_coefficients()[2] * constants.REFERENCE_RADIUS.value**2


def mean_radius(semi_major_axis_km: ArrayLike, inclination_deg: ArrayLike) -> NDArray[np.float64]:
    """Return the mean radius of a near-circular orbit.

    Parameters
    ----------
    semi_major_axis_km : array_like
        Mean semi-major axis [km].
    inclination_deg : array_like
        Mean inclination [deg].

    Returns
    -------
    ndarray
        Mean radius [km].
    """
    a = np.asarray(semi_major_axis_km, dtype=np.float64)
    sine = np.sin(np.radians(inclination_deg))
    radius: NDArray[np.float64] = a - 0.75 * _J2_RADIUS_SQUARED / a * (2.0 - 3.0 * sine**2)
    return radius


def semi_major_axis(mean_radius_km: ArrayLike, inclination_deg: ArrayLike) -> NDArray[np.float64]:
    """Return the mean semi-major axis of a near-circular orbit of given mean radius: the inverse of `mean_radius`.

    Parameters
    ----------
    mean_radius_km : array_like
        Mean radius [km].
    inclination_deg : array_like
        Mean inclination [deg].

    Returns
    -------
    ndarray
        Mean semi-major axis [km]: the larger root of a^2 - r_m a - (3/4) J2 R^2 (2 - 3 sin^2 i) = 0.
    """
    r_m = np.asarray(mean_radius_km, dtype=np.float64)
    sine = np.sin(np.radians(inclination_deg))
    offset = 0.75 * _J2_RADIUS_SQUARED * (2.0 - 3.0 * sine**2)
    axis: NDArray[np.float64] = 0.5 * (r_m + np.sqrt(r_m**2 + 4.0 * offset))
    return axis
