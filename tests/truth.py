"""Independent numerical truth in Cartesian coordinates: scipy's DOP853 in the zonal field of EGM96."""

import numpy as np
from numpy.polynomial import legendre
from scipy.integrate import solve_ivp

from shells import constants

MU = constants.GRAVITATIONAL_PARAMETER.value
RADIUS = constants.REFERENCE_RADIUS.value
ZONALS = constants.zonal_coefficients()


def zonal_acceleration(position, degree=15):
    """Return the acceleration [km s-2] of zonals 2 to degree, without the central term, at positions (3,) or (3, n)."""
    r = np.sqrt((position**2).sum(axis=0))
    u = position[2] / r
    pole = np.zeros_like(position)
    pole[2] = 1.0
    total = np.zeros_like(position)
    for n in range(2, degree + 1):
        series = [0.0] * n + [1.0]
        value, slope = legendre.legval(u, series), legendre.legval(u, legendre.legder(series))
        factor = -MU * ZONALS[n] * RADIUS**n / r ** (n + 2)
        total += factor * (-(n + 1) * value * position / r + slope * (pole - u * position / r))
    return total


def integrate(state, times, degree=15):
    """Return states (6, n) at times [s] from a state at the first of them."""

    def rates(_, y):
        r = np.sqrt(y[:3] @ y[:3])
        return np.concatenate([y[3:], -MU * y[:3] / r**3 + zonal_acceleration(y[:3], degree)])

    return solve_ivp(rates, (times[0], times[-1]), state, method="DOP853", rtol=1e-11, atol=1e-9, t_eval=times).y
