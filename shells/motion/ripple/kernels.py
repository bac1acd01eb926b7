"""Compiled kernels of the small periodic terms: zonals beyond first-order J2, and tesserals.

Units: km, s, radians. Frame: true equator and equinox of the study epoch, treated as inertial.

References
----------
.. [1] D. Brouwer, Solution of the problem of artificial satellite theory without drag, AJ 64, 378, 1959.
.. [2] G. Hori, Theory of general perturbations with unspecified canonical variables, PASJ 18, 287, 1966: the series in
   Poisson brackets (from memory).
"""

from math import comb

import numpy as np

from shells.compiled import kernel

#: Below this sine of the inclination the terms of J3 in node and argument of latitude, which grow with its inverse,
#: are held: they then misplace the orbit plane by at most the 4e-6 rad that J3 tilts it.
SMALL_SINE = 1e-3

#: Factors of the recursion P_n(x) = _RISE[n] x P_n-1(x) - _FALL[n] P_n-2(x), and (n + 1) P_n(0), at index n = 0 to 15.
_RISE = np.array([0.0] + [(2 * n - 1) / n for n in range(1, 16)])
_FALL = np.array([0.0] + [(n - 1) / n for n in range(1, 16)])
_MEAN = np.array([0.0 if n % 2 else (n + 1) * (-1) ** (n // 2) * comb(n, n // 2) / 2**n for n in range(16)])


@kernel
def near_circular_terms(p, sin_t, cos_t, cos_i, sin_i, mu, radius, zonals):
    """Return the short-period terms of a near-circular orbit beyond first-order J2, at e = 0.

    They are those of J2 squared and of the higher zonals, and complete the first-order J2 terms of [1] in polar-nodal
    variables: with W1 that generating function and W2 the next one, osculating less mean is
    {x, W1} + {{x, W1}, W1} / 2 + {x, W2} [2], all at the mean variables, and W2 solves
    dW2/dt = {H1 + K1, W1} / 2 - K2 along the Keplerian orbit. K2 is then the J2-squared part of the averaged
    Hamiltonian of [1], at e = 0: K2 = -3/32 (mu / p) J2^2 (R / p)^4 (19 z^2 - 30 z + 12) with z = sin^2 i. The terms of
    J3 and J4 are the brackets with the integrals of their potentials, with zero mean over the orbit. Rational
    coefficients, from a computer algebra solution of these equations to first order in e. Of the higher zonals only
    the constant in the radius is kept, sum (n + 1) J_n (R / p)^n P_n(0) P_n(cos i), up to 5 m: their waves are of
    about 1 m.

    Parameters
    ----------
    p : float
        Mean semi-latus rectum [km].
    sin_t, cos_t, cos_i, sin_i : float
        Sine and cosine of the argument of latitude and of the inclination, mean values.
    mu, radius : float
        Gravitational parameter [km3 s-2] and the radius [km] that the zonals belong to.
    zonals : ndarray, shape (16,)
        Unnormalised J_n [1] at index n.

    Returns
    -------
    tuple of float
        Terms of r [km], theta [rad], node [rad], inclination [rad], radial velocity [km s-1], angular momentum
        [km2 s-1]: to be added beside those of first order.
    """
    z = sin_i * sin_i
    sin_2, cos_2 = 2.0 * sin_t * cos_t, cos_t * cos_t - sin_t * sin_t
    sin_3, cos_3 = sin_2 * cos_t + cos_2 * sin_t, cos_2 * cos_t - sin_2 * sin_t
    sin_4, cos_4 = 2.0 * sin_2 * cos_2, cos_2 * cos_2 - sin_2 * sin_2
    ratio = radius / p
    square = ratio * ratio
    second = 0.0625 * (zonals[2] * square) ** 2
    third = 0.0625 * zonals[3] * square * ratio
    fourth = 0.015625 * zonals[4] * square * square

    pear = 5.0 * z - 4.0
    double = 7.0 * z - 6.0
    r = second * (0.5 * ((144.0 - 65.0 * z) * z - 72.0) + 2.0 * z * (14.0 * z - 13.0) * cos_2 - 0.5 * z * z * cos_4)
    r += third * sin_i * (-3.0 * pear * sin_t + 2.5 * z * sin_3)
    r += fourth * (20.0 * z * double * cos_2 - 7.0 * z * z * cos_4)
    previous, legendre, power = 1.0, cos_i, ratio
    for n in range(2, 16):
        previous, legendre = legendre, _RISE[n] * cos_i * legendre - _FALL[n] * previous
        power *= ratio
        if n > 2:  # J2's constant is of first order
            r += _MEAN[n] * zonals[n] * power * legendre

    v_r = second * z * (8.0 * (2.0 - z) * sin_2 + 2.0 * z * sin_4)
    v_r += third * sin_i * (-9.0 * pear * cos_t + 7.5 * z * cos_3)
    v_r += fourth * z * (-40.0 * double * sin_2 + 28.0 * z * sin_4)

    lift = third * (-6.0 * pear * sin_t + 10.0 * z * sin_3)
    momentum = -second * z * (0.5 * (25.0 * z - 18.0) + 9.0 * z * cos_2 + 1.5 * z * cos_4)
    momentum += lift * sin_i
    momentum += fourth * z * (20.0 * double * cos_2 - 35.0 * z * cos_4)

    i = -second * sin_i * (0.25 * (59.0 * z - 27.0) + 9.0 * z * cos_2 + 0.75 * (5.0 * z + 3.0) * cos_4)
    i += lift
    i += fourth * sin_i * (20.0 * double * cos_2 - 35.0 * z * cos_4)

    over_sine = third / max(sin_i, SMALL_SINE)
    node = second * (18.0 * sin_2 - 1.5 * (z + 3.0) * sin_4)
    node += over_sine * (6.0 * (15.0 * z - 4.0) * cos_t - 10.0 * z * cos_3)
    node += fourth * (40.0 * (7.0 * z - 3.0) * sin_2 - 35.0 * z * sin_4)

    theta = second * (0.5 * z * (13.0 * z - 20.0) * sin_2 - 0.25 * ((17.0 * z + 3.0) * z - 18.0) * sin_4)
    theta += over_sine * (6.0 * ((25.0 * z - 27.0) * z + 4.0) * cos_t - 5.0 / 3.0 * z * double * cos_3)
    theta += fourth * (10.0 * ((21.0 * z - 34.0) * z + 12.0) * sin_2 - 1.75 * z * (23.0 * z - 20.0) * sin_4)

    speed = np.sqrt(mu / p)
    return p * r, theta, cos_i * node, cos_i * i, speed * v_r, speed * p * momentum


@kernel
def displacements(amplitudes, arguments, longitudes, out):
    """Fill ``out`` of shape (n, 3) with radial, along-track and cross-track displacements [km].

    They are the real parts of the sums over order m and multiple j of ``amplitudes[:, m, j + 9]`` (complex, [km]) times
    exp(i (j u + m lambda)), with u the argument of latitude and lambda the longitude of the node from Greenwich, rad,
    each of shape (n,).
    """
    components, orders, width = amplitudes.shape
    reach = (width - 1) // 2
    for k in range(arguments.size):
        u, node = arguments[k], longitudes[k]
        step = complex(np.cos(u), np.sin(u))
        turn = complex(np.cos(node), np.sin(node))
        first = complex(np.cos(reach * u), -np.sin(reach * u))
        for component in range(components):
            total = 0.0j
            for m in range(orders - 1, 0, -1):
                series = 0.0j
                for j in range(width - 1, -1, -1):
                    series = series * step + amplitudes[component, m, j]
                total = (total + series) * turn
            out[k, component] = (total * first).real
