"""Compiled kernels of elementary functions as series.

A loop that calls a library for a sine is done one element at a time; with these the compiler does several at once.
"""

from math import exp, factorial

import numpy as np

from shells.compiled import inlined_kernel

TWO_PI = 2.0 * np.pi

#: Factors of the recursion of Legendre polynomials, P_n(x) = LEGENDRE_RISE[n] x P_n-1(x) - LEGENDRE_FALL[n] P_n-2(x).
LEGENDRE_RISE = np.array([0.0] + [(2 * n - 1) / n for n in range(1, 16)])
LEGENDRE_FALL = np.array([0.0] + [(n - 1) / n for n in range(1, 16)])

# coefficients of the series of sine, cosine and exponential function
_SINE = tuple((-1.0) ** k / factorial(2 * k + 1) for k in range(1, 8))
_COSINE = tuple((-1.0) ** k / factorial(2 * k) for k in range(1, 9))
_EXPONENTIAL = np.array([1.0 / factorial(k) for k in range(14)])
_EXP_28 = exp(-28.0)


@inlined_kernel
def sine_and_cosine(x):
    """Return sine and cosine, to 1e-15 within a few turns.

    The series of a quarter of the reduced angle, doubled twice.
    """
    y = 0.25 * (x - TWO_PI * np.floor(x * (1.0 / TWO_PI) + 0.5))
    z = y * y
    s = y * (1.0 + z * (_SINE[0] + z * (_SINE[1] + z * (_SINE[2] + z * (_SINE[3] + z * (_SINE[4] + z * (_SINE[5]
        + z * _SINE[6])))))))  # fmt: skip
    c = 1.0 + z * (_COSINE[0] + z * (_COSINE[1] + z * (_COSINE[2] + z * (_COSINE[3] + z * (_COSINE[4] + z * (_COSINE[5]
        + z * (_COSINE[6] + z * _COSINE[7])))))))  # fmt: skip
    s, c = 2.0 * s * c, 1.0 - 2.0 * s * s
    return 2.0 * s * c, 1.0 - 2.0 * s * s


@inlined_kernel
def exponential(x):
    """Return exp(x) to 1e-11 for x from -50 to -5.

    The series of a 32nd part, counted from the middle of that range or so, squared five times.
    """
    y = (x + 28.0) * 0.03125
    series = _EXPONENTIAL[13]
    for k in range(12, -1, -1):
        series = series * y + _EXPONENTIAL[k]
    series *= series
    series *= series
    series *= series
    series *= series
    return series * series * _EXP_28


@inlined_kernel
def angle_of(y, x):
    """Return atan2(y, x) to 1e-15; NaN at the origin.

    Half-angle formulas thrice, then the series of the arc tangent.
    """
    t = y / (np.sqrt(x * x + y * y) + abs(x))
    t = t / (1.0 + np.sqrt(1.0 + t * t))
    t = t / (1.0 + np.sqrt(1.0 + t * t))
    z = t * t
    series = 1 / 11 - z * (1 / 13 - z * (1 / 15 - z * (1 / 17 - z * (1 / 19))))
    series = 1 / 3 - z * (1 / 5 - z * (1 / 7 - z * (1 / 9 - z * series)))
    angle = 8.0 * t * (1.0 - z * series)
    return angle if x >= 0.0 else (np.pi - angle if y >= 0.0 else -np.pi - angle)
