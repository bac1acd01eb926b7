"""Polynomials of the orbit-averaged zonal potential.

Averaged over the mean anomaly, the zonal of degree n is

``-(mu / a) J_n (R / a)^n (1 - e^2)^(1/2 - n) sum_k A_nk(i) B_nk(e) [cos k w (n even), sin k w (n odd)]``

with A_nk the Fourier coefficients of P_n(sin i sin theta) in the argument of latitude, and B_nk the mean of
(1 + e cos f)^(n-1) cos k f over the true anomaly; both are a power (sin^k i, e^k) times an even polynomial. This is
Kaula's (1966, section 3.3) result in closed form; k runs over n-2, n-4, … down to 0 or 1.
"""

from __future__ import annotations

from functools import cache
from math import comb

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

HIGHEST_DEGREE = 15
_WIDTH = 8


def latitude_polynomial(degree: int, multiple: int) -> NDArray[np.float64]:
    """Return A_nk(i) / sin^k i as coefficients in sin^2 i.

    Parameters
    ----------
    degree, multiple : int
        n and k of the same parity, k <= n.

    Returns
    -------
    ndarray, shape (8,)
        Coefficients [1], lowest power first: the coefficient of cos k theta (n even) or sin k theta (n odd) in
        P_n(sin i sin theta).
    """
    powers = legendre.leg2poly([0.0] * degree + [1.0])
    coefficients = np.zeros(_WIDTH)
    for m in range(multiple, degree + 1, 2):
        half = (m - multiple) // 2
        sign = (-1) ** ((m // 2 if m % 2 == 0 else (m - 1) // 2) - half)
        factor = (1 if multiple == 0 else 2) / 2**m
        coefficients[half] = powers[m] * sign * factor * comb(m, half)
    return coefficients


def anomaly_polynomial(degree: int, multiple: int) -> NDArray[np.float64]:
    """Return B_nk(e) / e^k as coefficients in e^2.

    Parameters
    ----------
    degree, multiple : int
        n and k, k <= n - 1.

    Returns
    -------
    ndarray, shape (8,)
        Coefficients [1], lowest power first: the mean over f of (1 + e cos f)^(n-1) cos k f.
    """
    coefficients = np.zeros(_WIDTH)
    for m in range(multiple, degree, 2):
        half = (m - multiple) // 2
        coefficients[half] = comb(degree - 1, m) * comb(m, half) / 2**m
    return coefficients


@cache
def averaged_terms() -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Return all terms of degree 2 to 15.

    Returns
    -------
    degree, order : ndarray, shape (56,)
        n and k of each term, k ascending.
    inclination, eccentricity : ndarray, shape (56, 8)
        `latitude_polynomial` and `anomaly_polynomial` of each term [1].
    """
    pairs = [(n, k) for n in range(2, HIGHEST_DEGREE + 1) for k in range(n % 2, n - 1, 2)]
    # near-circular orbits need the terms of low k only: those stand first
    pairs.sort(key=lambda pair: (pair[1], pair[0]))
    degree, order = (np.array(column, dtype=np.int64) for column in zip(*pairs, strict=True))
    inclination = np.array([latitude_polynomial(n, k) for n, k in pairs])
    eccentricity = np.array([anomaly_polynomial(n, k) for n, k in pairs])
    return degree, order, inclination, eccentricity
