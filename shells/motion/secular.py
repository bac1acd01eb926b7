"""First-order secular rates under J2 alone, in closed form, and what follows from them.

The constants are arguments, because every published value belongs to its own: a check passes those of its source, the
fleet those of `shells.constants`. Years of motion are the business of the integrator; these rates serve the design.

Source: Y. Kozai 1959, Astronomical Journal 64, 367-377; in the form of W. M. Kaula, Theory of Satellite Geodesy, 1966.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shells.constants import DAY, SUN_MEAN_RATE
from shells.errors import InputError


class SecularRates(NamedTuple):
    """Secular rates of the angles, each an array.

    Parameters
    ----------
    node : ndarray
        Rate of the right ascension of the ascending node [deg/day].
    perigee : ndarray
        Rate of the argument of perigee [deg/day].
    mean_anomaly : ndarray
        Rate of the mean anomaly beyond the Keplerian mean motion [deg/day].
    """

    node: NDArray[np.float64]
    perigee: NDArray[np.float64]
    mean_anomaly: NDArray[np.float64]


def mean_motion(semi_major_axis_km: ArrayLike, *, mu: float) -> NDArray[np.float64]:
    """Return the Keplerian mean motion.

    Parameters
    ----------
    semi_major_axis_km : array_like
        Semi-major axis [km].
    mu : float
        Gravitational parameter [km3/s2].

    Returns
    -------
    ndarray
        sqrt(mu / a^3) [deg/day].
    """
    a = np.asarray(semi_major_axis_km, dtype=np.float64)
    return np.degrees(np.sqrt(mu / a**3)) * DAY.value


def _strength(
    semi_major_axis_km: ArrayLike, eccentricity: ArrayLike, *, mu: float, radius: float, j2: float
) -> NDArray[np.float64]:
    """Return k = (3/2) J2 (R / p)^2 n [deg/day], with p = a (1 - e^2)."""
    a = np.asarray(semi_major_axis_km, dtype=np.float64)
    parameter = a * (1.0 - np.square(eccentricity))
    return 1.5 * j2 * (radius / parameter) ** 2 * mean_motion(a, mu=mu)


def j2_rates(
    semi_major_axis_km: ArrayLike,
    eccentricity: ArrayLike,
    inclination_deg: ArrayLike,
    *,
    mu: float,
    radius: float,
    j2: float,
) -> SecularRates:
    """Return the secular rates of node, perigee and mean anomaly, first order in J2.

    Parameters
    ----------
    semi_major_axis_km : array_like
        Mean semi-major axis [km].
    eccentricity : array_like
        Mean eccentricity [1].
    inclination_deg : array_like
        Mean inclination [deg].
    mu : float
        Gravitational parameter [km3/s2].
    radius : float
        Equatorial radius that J2 belongs to [km].
    j2 : float
        Second zonal coefficient, unnormalised [1].

    Returns
    -------
    SecularRates
        Rates [deg/day], of the shape of the broadcast arguments.
    """
    k = _strength(semi_major_axis_km, eccentricity, mu=mu, radius=radius, j2=j2)
    inclination = np.radians(inclination_deg)
    sine_squared = np.sin(inclination) ** 2
    return SecularRates(
        node=-k * np.cos(inclination),
        perigee=k * (2.0 - 2.5 * sine_squared),
        mean_anomaly=k * np.sqrt(1.0 - np.square(eccentricity)) * (1.0 - 1.5 * sine_squared),
    )


def nodal_period(
    semi_major_axis_km: ArrayLike,
    eccentricity: ArrayLike,
    inclination_deg: ArrayLike,
    *,
    mu: float,
    radius: float,
    j2: float,
) -> NDArray[np.float64]:
    """Return the time between ascending nodes, first order in J2.

    Parameters
    ----------
    semi_major_axis_km : array_like
        Mean semi-major axis [km].
    eccentricity : array_like
        Mean eccentricity [1].
    inclination_deg : array_like
        Mean inclination [deg].
    mu, radius, j2 : float
        As for `j2_rates`.

    Returns
    -------
    ndarray
        Nodal period [s].
    """
    rates = j2_rates(semi_major_axis_km, eccentricity, inclination_deg, mu=mu, radius=radius, j2=j2)
    return 360.0 * DAY.value / (mean_motion(semi_major_axis_km, mu=mu) + rates.perigee + rates.mean_anomaly)


def sun_synchronous_inclination(
    semi_major_axis_km: ArrayLike,
    eccentricity: ArrayLike = 0.0,
    *,
    mu: float,
    radius: float,
    j2: float,
    node_rate_deg_day: float = SUN_MEAN_RATE.value,
) -> NDArray[np.float64]:
    """Return the inclination at which the node moves at a given rate: by default with the mean Sun.

    Parameters
    ----------
    semi_major_axis_km : array_like
        Mean semi-major axis [km].
    eccentricity : array_like
        Mean eccentricity [1].
    mu, radius, j2 : float
        As for `j2_rates`.
    node_rate_deg_day : float
        Rate of the node [deg/day].

    Returns
    -------
    ndarray
        Inclination [deg].

    Raises
    ------
    InputError
        No inclination turns the node so fast: the orbit is too high.
    """
    k = _strength(semi_major_axis_km, eccentricity, mu=mu, radius=radius, j2=j2)
    if np.any(np.abs(node_rate_deg_day) > k):
        raise InputError(
            f"sun_synchronous_inclination: a node rate of {node_rate_deg_day} deg/day found; at semi-major axis up to "
            f"{np.max(semi_major_axis_km)} km only rates up to {np.min(k):.6f} deg/day exist; lower the orbit"
        )
    return np.degrees(np.arccos(-node_rate_deg_day / k))
