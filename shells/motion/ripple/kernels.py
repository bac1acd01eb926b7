"""Compiled kernels of small terms of near-circular orbits: zonals beyond first-order J2, and tesserals.

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
from shells.motion.series.kernels import LEGENDRE_FALL, LEGENDRE_RISE

#: Below this sine of the inclination the terms of J3 in node and argument of latitude, which grow with its inverse,
#: are held: they then misplace the orbit plane by at most the 4e-6 rad that J3 tilts it.
SMALL_SINE = 1e-3

#: (n + 1) P_n(0) at index n = 0 to 15.
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
        previous, legendre = legendre, LEGENDRE_RISE[n] * cos_i * legendre - LEGENDRE_FALL[n] * previous
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


def _polynomials(rows, lowest):
    """Return coefficients (7, 9) of rows that hold 4^n times them, at least 4^4; n = ``lowest``, ``lowest + 2``, ..."""
    table = np.zeros((7, 9))
    for k, row in enumerate(rows):
        table[k, : len(row)] = np.array(row, dtype=np.float64) / 4.0 ** max(lowest + 2 * k, 4)
    return table


# printed by shells.motion.ripple.make_secular_terms; the first row of the first two is that of J2 cubed
_PERIGEE = _polynomials((
    (16416, -60384, 76068, -31575),
    (-18720, 90000, -129060, 58695),
    (645120, -5617920, 14705040, -15485400, 5783085),
    (-18869760, 265910400, -1119323520, 2037364560, -1703962260, 539684145),
    (493903872, -10357079040, 64561432320, -179309370240, 251022451680, -174259933848, 47867970150),
    (
        -11955879936, 350853414912, -3051609200640, 12006849254400, -24890768622720, 28333275594624,
        -16809438613968, 4073229620460,
    ),
    (
        273277255680, -10718119526400, 124378421207040, -658749427015680, 1884427838092800, -3115956350707200,
        2988666310069440, -1547593964373600, 335281334409450,
    ),
), 2)  # fmt: skip
_NODE = _polynomials((
    (-6480, 16728, -10656),
    (7920, -24840, 18270),
    (-282240, 1619520, -2736720, 1441440),
    (8467200, -78462720, 228191040, -267387120, 110360250),
    (-225662976, 3108188160, -13768634880, 26897270400, -24222678480, 8240856624),
    (5535129600, -106680397824, 669058790400, -1930953024000, 2842862742720, -2082562241760, 603421594776),
    (
        -127782420480, 3293033103360, -27796313825280, 110548530892800, -235958538816000, 278848240070400,
        -172299085358400, 43506934099200,
    ),
), 2)  # fmt: skip
_FORCED = _polynomials((
    (-576, 696, -120),
    (25920, -102720, 131880, -56070),
    (-1128960, 7936320, -18547200, 18198180, -6486480),
    (35804160, -395861760, 1460954880, -2446123680, 1931169240, -586575990),
    (-970776576, 15601259520, -83718835200, 210997987200, -275871435840, 182020502664, -48071663640),
    (
        23911759872, -527977562112, 3891380613120, -13722508800000, 26307421620480, -28234199081088,
        15996294201888, -3734574643800,
    ),
    (
        -551615201280, 16044706529280, -155724598149120, 731259163514880, -1917495555655680, 2967784817437440,
        -2701958062003200, 1341125337637800, -280488928777200,
    ),
), 3)  # fmt: skip


@kernel
def secular_terms(a, cos_i, sin_i, mu, radius, zonals):
    """Return the secular terms of near-circular orbits beyond the first order and J2 squared, at e = 0.

    They are those of J2 cubed and of J2 times each other zonal: derivatives of the averaged Hamiltonian of the third
    and second order [2], with the generating function of [1] for J2, so that they belong to the mean elements which
    first-order terms and `near_circular_terms` are taken off. Polynomials in sin^2 i, exact, from computer algebra by
    `make_secular_terms`. Left out is that ex and ey turn at slightly different rates, which matters next to the
    critical inclinations alone and there by up to 3 m in a year.

    Parameters
    ----------
    a : float
        Mean semi-major axis [km].
    cos_i, sin_i : float
        Cosine and sine of the mean inclination.
    mu, radius : float
        Gravitational parameter [km3 s-2] and the radius [km] that the zonals belong to.
    zonals : ndarray, shape (16,)
        Unnormalised J_n [1] at index n.

    Returns
    -------
    perigee_rate, node_rate, forced_rate : float
        What is to be added to the rates [rad s-1], [rad s-1], [s-1] of argument of perigee, measured from the node, and
        node, and the rate of ex = e cos(perigee) that even a circular orbit has: ex' = forced_rate - perigee_rate ey,
        ey' = perigee_rate ex.
    """
    z = sin_i * sin_i
    ratio = radius / a
    square = ratio * ratio
    first = zonals[2] * square
    perigee_rate = node_rate = forced_rate = 0.0
    power = square
    for k in range(7):
        perigee = node = forced = 0.0
        for j in range(8, -1, -1):
            perigee = perigee * z + _PERIGEE[k, j]
            node = node * z + _NODE[k, j]
            forced = forced * z + _FORCED[k, j]
        even = first * first if k == 0 else zonals[2 * k + 2] * power
        perigee_rate += even * perigee
        node_rate += even * node
        forced_rate += zonals[2 * k + 3] * power * ratio * forced
        power *= square
    scale = np.sqrt(mu / a) / a * first
    return scale * perigee_rate, scale * cos_i * node_rate, scale * sin_i * forced_rate


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
