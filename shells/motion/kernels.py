"""Compiled kernels of motion: rates of mean elements, integration, short-period terms, states.

Units: km, s, radians. Frame: true equator and equinox of the study epoch, treated as inertial. Elements in a row are
``[a, ex, ey, i, raan, u]`` with u the mean argument of latitude; the integrator works in equinoctial elements
``[a, h, k, p, q, lambda]`` with retrograde factor +1 or -1, which are regular for circular and equatorial orbits.
The small periodic and secular terms stand in ``ripple/kernels.py``; the cache of compiled kernels knows both files.

References
----------
.. [1] W. M. Kaula, Theory of Satellite Geodesy, 1966: averaged zonal potential, planetary equations.
.. [2] D. Brouwer, Solution of the problem of artificial satellite theory without drag, AJ 64, 378, 1959: the generating
   function of the first-order short-period terms of J2, and the averaged potential of second order.
.. [3] I. G. Izsak, A note on perturbation theory, AJ 68, 559, 1963: short-period terms in polar-nodal variables.
.. [4] Y. Kozai, Second-order solution of artificial satellite theory without air drag, AJ 67, 446, 1962: the same.
.. [5] S. Tremaine, T. D. Yavetz, Why do Earth satellites stay up?, American Journal of Physics 82, 769, 2014: averaged
   potential of a third body in vectors, degree 2; degree 3 by the same average.
.. [6] R. H. Battin, An Introduction to the Mathematics and Methods of Astrodynamics, 1999: Gauss's equations.
.. [7] K. Aksnes, Short-period and long-period perturbations of a spherical satellite due to direct solar radiation,
   Celestial Mechanics 13, 89, 1976: changes over the sunlit arc from its ends.
.. [8] E. Hairer, S. P. Norsett, G. Wanner, Solving Ordinary Differential Equations I, 1993, section II.7: collocation.
"""

from math import exp, factorial
from typing import NamedTuple

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from shells.compiled import allocating_kernel, inlined_kernel, kernel
from shells.motion.ripple.kernels import near_circular_terms, secular_terms

TWO_PI = 2.0 * np.pi

#: Below this sine of the inclination the node is undefined in practice and its rate is reported as that at the limit.
SMALL_SINE = 1e-9

#: Below this sine of the inclination elements that need no node are interpolated.
EQUATORIAL_SINE = 0.02

#: The air above this height moves no orbit within a century.
AIR_CEILING = 2500.0

#: Height of one cell of the air table [km].
AIR_CELL = 10.0


class Model(NamedTuple):
    """Constants and tables of the force model, in km, s and radians; times count from the epoch of the elements.

    Parameters
    ----------
    mu, radius : float
        Gravitational parameter [km3 s-2] and the radius [km] that the zonals belong to.
    zonals : ndarray, shape (16,)
        Unnormalised J_n [1]; all zero for two bodies.
    degree, order : ndarray, shape (pairs,)
        Degree n and multiple k of the argument of perigee of each term of the averaged zonal potential, k ascending.
    inclination, eccentricity : ndarray, shape (pairs, 8)
        Coefficients of the polynomials in sin^2 i and e^2 of each term.
    drag : bool
        Whether the air brakes.
    air : ndarray, shape (fluxes, cells, 4)
        Coefficients of ln density [kg m-3] in the part of each 10 km cell of height, for each level of flux.
    flux_levels : ndarray, shape (fluxes,)
        Levels of the 10.7 cm flux [sfu].
    flux, flux_spacing : ndarray, shape (instants,), and float
        Flux [sfu] every so many seconds.
    rotation : float
        Rotation rate of Earth and air [rad s-1].
    equatorial_radius, flattening : float
        Ellipsoid [km], [1] above which heights are taken; its equator casts the shadow.
    sun, moon : ndarray, shape (nodes, 6)
        Geocentric positions and velocities [km], [km s-1].
    ephemeris_spacing : float
        Spacing of those nodes [s].
    sun_mu, moon_mu : float
        Gravitational parameters [km3 s-2], zero where the body does not act.
    radiation : float
        Acceleration by sunlight at one astronomical unit [km s-2] of 1 m2 kg-1, zero for none.
    astronomical_unit : float
        [km].
    """

    mu: float
    radius: float
    zonals: NDArray[np.float64]
    degree: NDArray[np.int64]
    order: NDArray[np.int64]
    inclination: NDArray[np.float64]
    eccentricity: NDArray[np.float64]
    drag: bool
    air: NDArray[np.float64]
    flux_levels: NDArray[np.float64]
    flux: NDArray[np.float64]
    flux_spacing: float
    rotation: float
    equatorial_radius: float
    flattening: float
    sun: NDArray[np.float64]
    moon: NDArray[np.float64]
    ephemeris_spacing: float
    sun_mu: float
    moon_mu: float
    radiation: float
    astronomical_unit: float


# coefficients of the series of sine, cosine and exponential function
_SINE = tuple((-1.0) ** k / factorial(2 * k + 1) for k in range(1, 8))
_COSINE = tuple((-1.0) ** k / factorial(2 * k) for k in range(1, 9))
_EXPONENTIAL = np.array([1.0 / factorial(k) for k in range(14)])
_EXP_28 = exp(-28.0)


@inlined_kernel
def sine_and_cosine(x):
    """Return sine and cosine to 1e-15, for loops that the compiler shall do several at once: it cannot call a library.

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
    """Return exp(x) to 1e-12 for x from -50 to -5, for loops that the compiler shall do several at once.

    The series of a 32nd part, squared five times.
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
    """Return atan2(y, x) to 1e-15, for loops that the compiler shall do several at once; NaN at the origin.

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


# --- rates of the mean elements -------------------------------------------------------------------------------------
#
# Conservative forces give a gradient ``(R_a, R_x, R_y, T_N, T_M)`` of the averaged potential: by a, ex, ey, and the
# torques about the node N and about M = h x N, a quarter turn ahead of it in the plane. The others give rates
# ``(a', x', y', i', d, u')``: x' and y' are the rates of (ex, ey) as if the node stood still, d = sin i raan', and u'
# likewise; the full rates are ex' = x' + ey cot i d, ey' = y' - ex cot i d, raan' = d / sin i, u_total' = u' - cot i d.
# All of these are regular at e = 0 and i = 0. They are tuples: numbers stay in registers, slices of arrays do not.


@allocating_kernel
def zonal_functions(a, i, model, out):
    """Fill ``out`` of shape (pairs + 1, 6) with what the zonal rates need near a semi-major axis and an inclination.

    A row for each term: F, F', F''/2, G, G', G''/2, with F = A_nk(i) its function of inclination and G = F / sin i (0
    for k = 0); primes are derivatives by i, so that near this inclination both follow from a parabola. The last row:
    the rates of `secular_terms`, and sine and cosine of the inclination.
    """
    s, c = np.sin(i), np.cos(i)
    power = np.empty(17)
    power[0] = 1.0
    for m in range(1, 17):
        power[m] = power[m - 1] * s
    for pair in range(model.degree.size):
        k = model.order[pair]
        for which in range(2):
            value, slope, curvature = 0.0, 0.0, 0.0
            if which == 0 or k > 0:
                for j in range(8):
                    m = k + 2 * j - which
                    weight = model.inclination[pair, j]
                    if weight != 0.0:
                        value += weight * power[m]
                        slope += weight * m * power[max(m - 1, 0)]
                        curvature += weight * m * (m - 1) * power[max(m - 2, 0)]
            out[pair, 3 * which] = value
            out[pair, 3 * which + 1] = slope * c
            out[pair, 3 * which + 2] = 0.5 * (curvature * c * c - slope * s)
    last = model.degree.size
    out[last, 0], out[last, 1], out[last, 2] = secular_terms(a, c, s, model.mu, model.radius, model.zonals)
    out[last, 3], out[last, 4] = s, c


@inlined_kernel
def zonal_gradient(a, ex, ey, cos_i, sin_i, offset, functions, model, powers):
    """Return the gradient of the averaged potential of the zonals, J2 squared among them.

    [1] section 3.3 for the first order; [2] page 386 and [4] for the second order of J2. ``functions`` are those of
    `zonal_functions` at an inclination ``offset`` below this one; ``powers`` is scratch, (3, 16).
    """
    e2 = ex * ex + ey * ey
    eta2 = 1.0 - e2
    eta = np.sqrt(eta2)

    # powers of (ex + i ey) up to the first that is beyond the last digit that counts, as of e^2 in the polynomials
    powers[0, 0], powers[1, 0] = 1.0, 0.0
    highest, size = 0, 1.0
    while highest < 13 and size > 1e-14:
        highest += 1
        size *= e2
        powers[0, highest] = powers[0, highest - 1] * ex - powers[1, highest - 1] * ey
        powers[1, highest] = powers[0, highest - 1] * ey + powers[1, highest - 1] * ex
    depth, size = 1, e2
    while depth < 8 and size > 1e-11:
        depth += 1
        size *= e2
    step = model.radius / (a * eta2)
    powers[2, 0] = -model.mu / a * eta
    for n in range(1, 16):
        powers[2, n] = powers[2, n - 1] * step

    by_a = by_x = by_y = torque_n = turn_w = 0.0
    for pair in range(model.degree.size):
        k = model.order[pair]
        if k > highest:
            break
        n = model.degree[pair]
        factor = powers[2, n] * model.zonals[n]
        if factor == 0.0:
            continue
        ecc, ecc_slope = 0.0, 0.0
        for j in range(depth - 1, -1, -1):
            ecc_slope = ecc_slope * e2 + ecc
            ecc = ecc * e2 + model.eccentricity[pair, j]
        incl = functions[pair, 0] + offset * (functions[pair, 1] + offset * functions[pair, 2])
        incl_slope = functions[pair, 1] + 2.0 * offset * functions[pair, 2]
        over_sine = functions[pair, 3] + offset * (functions[pair, 4] + offset * functions[pair, 5])
        less = max(k - 1, 0)
        if n % 2 == 0:
            g, g_x, g_y, g_w = powers[0, k], k * powers[0, less], -k * powers[1, less], -k * powers[1, k]
        else:
            g, g_x, g_y, g_w = powers[1, k], k * powers[1, less], k * powers[0, less], k * powers[0, k]
        term = factor * incl * ecc
        by_a -= (n + 1) / a * term * g
        common = factor * incl * g * (2.0 * ecc_slope + (2 * n - 1) / eta2 * ecc)
        by_x += common * ex + term * g_x
        by_y += common * ey + term * g_y
        torque_n += factor * ecc * g * incl_slope
        turn_w += factor * ecc * over_sine * g_w

    # mu k2^2 / a^5 times A5 eta^-5 + A6 eta^-6 + A7 eta^-7 + B7 eta^-7 (ex^2 - ey^2)
    strength = 0.25 * model.mu * (model.zonals[2] * model.radius * model.radius) ** 2 / (a * a * a * a * a)
    c2 = cos_i * cos_i
    s2 = sin_i * sin_i
    eta_5 = 1.0 / (eta2 * eta2 * eta)
    a5, a5_c = 15.0 / 32.0 * (1.0 + c2 * (c2 - 3.6)), 15.0 / 32.0 * (2.0 * c2 - 3.6)
    a6, a6_c = 0.375 * (1.0 + c2 * (9.0 * c2 - 6.0)), 0.375 * (18.0 * c2 - 6.0)
    a7, a7_c = -15.0 / 32.0 * (1.0 - c2 * (2.0 + 7.0 * c2)), 15.0 / 32.0 * (2.0 + 14.0 * c2)
    b7, b7_c = 3.0 / 16.0 * s2 * (1.0 - 15.0 * c2), 3.0 / 16.0 * (30.0 * c2 - 16.0)
    long = ex * ex - ey * ey
    second = strength * eta_5 * (a5 + a6 / eta + (a7 + b7 * long) / eta2)
    by_a -= 5.0 / a * second
    common = strength * eta_5 / eta2 * (5.0 * a5 + 6.0 * a6 / eta + 7.0 * (a7 + b7 * long) / eta2)
    by_x += common * ex + 2.0 * strength * eta_5 / eta2 * b7 * ex
    by_y += common * ey - 2.0 * strength * eta_5 / eta2 * b7 * ey
    by_c2 = strength * eta_5 * (a5_c + a6_c / eta + (a7_c + b7_c * long) / eta2)
    torque_n -= 2.0 * cos_i * sin_i * by_c2
    turn_w -= 4.0 * strength * eta_5 / eta2 * 3.0 / 16.0 * sin_i * (1.0 - 15.0 * c2) * ex * ey

    return by_a, by_x, by_y, torque_n, -cos_i * turn_w


@inlined_kernel
def body_at(table, spacing, time):
    """Return a position [km] from a table of positions and velocities (nodes, 6)."""
    place = time / spacing
    node = min(max(int(place), 0), table.shape[0] - 2)
    x = place - node
    y = 1.0 - x
    left, right = (1.0 + 2.0 * x) * y * y, (1.0 + 2.0 * y) * x * x
    left_slope, right_slope = x * y * y * spacing, -y * x * x * spacing
    after = node + 1
    return (
        left * table[node, 0] + right * table[after, 0] + left_slope * table[node, 3] + right_slope * table[after, 3],
        left * table[node, 1] + right * table[after, 1] + left_slope * table[node, 4] + right_slope * table[after, 4],
        left * table[node, 2] + right * table[after, 2] + left_slope * table[node, 5] + right_slope * table[after, 5],
    )


@inlined_kernel
def in_orbit_frame(body, cos_node, sin_node, cos_i, sin_i):
    """Return components of a vector along the node, a quarter turn ahead in the plane, and the orbit normal."""
    along = body[0] * cos_node + body[1] * sin_node
    across = body[1] * cos_node - body[0] * sin_node
    return along, across * cos_i + body[2] * sin_i, body[2] * cos_i - across * sin_i


@inlined_kernel
def body_gradient(a, ex, ey, along, ahead, normal, mu, octupole):
    """Return the gradient of the averaged potential of a third body, to degree 2 or, with ``octupole``, 3.

    The body stands at ``along, ahead, normal`` [km] in the frame of the orbit. [5]: R = (3/4) mu a^2 / d^3
    (1/3 - 2 e^2 + 5 x^2 - eta^2 z^2), x = e . n, z the normal component of n; degree 3 is
    mu a^3 / d^4 x (-15/16 + 15/2 e^2 - 175/16 x^2 + 75/16 eta^2 z^2).
    """
    d2 = along * along + ahead * ahead + normal * normal
    d = np.sqrt(d2)
    n1, n2, n3 = along / d, ahead / d, normal / d
    e2 = ex * ex + ey * ey
    eta2 = 1.0 - e2
    x = ex * n1 + ey * n2
    strength = 0.75 * mu * a * a / (d2 * d)
    value = 1.0 / 3.0 - 2.0 * e2 + 5.0 * x * x - eta2 * n3 * n3
    by_x, by_n3 = 10.0 * x, -2.0 * eta2 * n3
    by_e2 = n3 * n3 - 2.0
    by_a = 2.0 * strength * value / a
    if octupole:
        third = mu * a * a * a / (d2 * d2) / strength
        bracket = -15.0 / 16.0 + 7.5 * e2 - 175.0 / 16.0 * x * x + 75.0 / 16.0 * eta2 * n3 * n3
        by_a += 3.0 * strength * third * x * bracket / a
        by_x += third * (bracket - 350.0 / 16.0 * x * x)
        by_e2 += third * x * (7.5 - 75.0 / 16.0 * n3 * n3)
        by_n3 += third * x * 150.0 / 16.0 * eta2 * n3
    return (
        by_a,
        strength * (by_x * n1 + 2.0 * by_e2 * ex),
        strength * (by_x * n2 + 2.0 * by_e2 * ey),
        strength * (by_x * ey * n3 - by_n3 * n2),
        strength * (by_n3 * n1 - by_x * ex * n3),
    )


@inlined_kernel
def conservative_rates(a, ex, ey, grad, mu):
    """Return the rates of a gradient of the averaged potential, Lagrange's planetary equations in (ex, ey, u); [1]."""
    scale = 1.0 / np.sqrt(mu * a)
    eta = np.sqrt(1.0 - ex * ex - ey * ey)
    u_rate = eta / (1.0 + eta) * scale * (ex * grad[1] + ey * grad[2]) - 2.0 * a * scale * grad[0]
    return 0.0, -eta * scale * grad[2], eta * scale * grad[1], -scale / eta * grad[4], scale / eta * grad[3], u_rate


@inlined_kernel
def flux_row(time, model):
    """Return the lower level of the flux at a time and the share of the level above it."""
    place = min(max(time / model.flux_spacing, 0.0), model.flux.size - 1.0)
    node = min(int(place), max(model.flux.size - 2, 0))
    flux = model.flux[node]
    if model.flux.size > 1:
        flux += (place - node) * (model.flux[node + 1] - flux)
    last = model.flux_levels.size - 1
    if flux <= model.flux_levels[0] or last == 0:
        return 0, 0.0
    if flux >= model.flux_levels[last]:
        return last, 0.0
    row = 0
    while flux > model.flux_levels[row + 1]:
        row += 1
    return row, (flux - model.flux_levels[row]) / (model.flux_levels[row + 1] - model.flux_levels[row])


@inlined_kernel
def logarithm_of_density(height, row, share, air):
    """Return the logarithm of the density [kg m-3] at a height [km], between a level of the flux and the next."""
    x = height / AIR_CELL
    cell = min(max(int(x), 0), air.shape[1] - 1)
    x -= cell
    logarithm = air[row, cell, 0] + x * (air[row, cell, 1] + x * (air[row, cell, 2] + x * air[row, cell, 3]))
    if share > 0.0:
        row += 1
        above = air[row, cell, 0] + x * (air[row, cell, 1] + x * (air[row, cell, 2] + x * air[row, cell, 3]))
        logarithm += share * (above - logarithm)
    return logarithm


# logarithm of the density [kg m-3] above the ceiling of the air
_VACUUM = -50.0

# most points of the average over the orbit; cosine and sine of eccentric anomaly at 8, 16, 32, ... points, at 8 less
_MOST_ANOMALIES = 512
_ANOMALIES = np.concatenate(
    [
        np.stack([np.cos(angles), np.sin(angles)])
        for angles in (TWO_PI * (np.arange(count) + 0.5) / count for count in 2 ** np.arange(3, 10))
    ],
    axis=1,
)


@kernel
def radial_short_period_bound(a, e, sin_i, radius, zonals):
    """Return a bound [km] of the short-period terms of the radius over all of the orbit.

    `near_circular_terms` stay below 0.05 km: with (R / p) at most one, J2 squared gives 18 m, J3 16 m, J4 5 m, and the
    constants of the other zonals 6 m.
    """
    eta = np.sqrt(1.0 - e * e)
    z = sin_i * sin_i
    phi_s = 1.0 + e / (1.0 + eta) + 2.0 * eta / (1.0 - e)
    first = zonals[2] * radius**2 / (2.0 * a * eta * eta) * (abs(1.5 * z - 1.0) * phi_s + 0.5 * z)
    return first + (0.05 if zonals[2] != 0.0 else 0.0)


@inlined_kernel
def drag_rates(a, ex, ey, cos_i, sin_i, ballistic, time, model, work):
    """Return the rates ``(a', x', y', i', d)`` by drag, averaged over the orbit by quadrature in eccentric anomaly.

    Oblate Earth, co-rotating air, radius and transverse speed with their J2 short-period terms; Gauss's equations [6]
    section 10.4. ``ballistic`` is drag coefficient times area-to-mass ratio [m2 kg-1], ``work`` scratch, (6, 512).
    """
    e = np.sqrt(ex * ex + ey * ey)
    if ballistic == 0.0 or a * (1.0 - e) - model.equatorial_radius > AIR_CEILING:
        return 0.0, 0.0, 0.0, 0.0, 0.0
    row, share = flux_row(time, model)
    cos_w, sin_w = (ex / e, ey / e) if e > 1e-12 else (1.0, 0.0)
    eta = np.sqrt(1.0 - e * e)
    p = a * eta * eta
    momentum = np.sqrt(model.mu * p)
    speed = model.mu / momentum
    z = sin_i * sin_i
    gamma = model.zonals[2] * (model.radius / p) ** 2
    secular, swing = 0.5 * gamma * p * (1.5 * z - 1.0), 0.25 * gamma * p * z
    beta, lift = 1.0 / (1.0 + eta), 2.0 * eta / p
    # the density peaks over sqrt(H / a e) of eccentric anomaly, H some 0.12 of the height; the trapezoid rule then
    # converges exponentially
    wanted = 4.0 * np.floor(2.0 + np.sqrt(a * e / max(25.0, 0.12 * (a * (1.0 - e) - model.equatorial_radius))))
    points = 8
    while points < wanted and points < _MOST_ANOMALIES:
        points *= 2
    cosines, sines = _ANOMALIES[0, points - 8 : 2 * points - 8], _ANOMALIES[1, points - 8 : 2 * points - 8]
    # three loops, of which the compiler does several points at once in the first and the last
    for m in range(points):
        r = a * (1.0 - e * cosines[m])
        inverse = 1.0 / r
        cos_f, sin_f = a * (cosines[m] - e) * inverse, a * eta * sines[m] * inverse
        cos_t, sin_t = cos_f * cos_w - sin_f * sin_w, sin_f * cos_w + cos_f * sin_w
        kappa = p * inverse - 1.0
        cos_2t = cos_t * cos_t - sin_t * sin_t
        true_radius = r + secular * (1.0 + kappa * beta + lift * r) + swing * cos_2t  # [3]
        s2 = z * sin_t * sin_t
        # the ellipsoid to the second order of its flattening, 1 m
        ground = 1.0 - model.flattening * s2 * (1.0 + 1.5 * model.flattening * (1.0 - s2))
        height = true_radius - model.equatorial_radius * ground
        work[0, m], work[1, m], work[2, m], work[3, m] = r, sin_f, cos_t, sin_t
        work[4, m] = momentum * (1.0 + 0.75 * gamma * z * cos_2t) / true_radius - model.rotation * r * cos_i
        work[5, m] = height
    for m in range(points):
        height = work[5, m]
        work[5, m] = logarithm_of_density(height, row, share, model.air) if height < AIR_CEILING else _VACUUM
    # kg m-3 times m2 kg-1 is m-1: 1000 km-1; weight of equal steps in E is r / a
    strength = -500.0 * ballistic / (a * points)
    for m in range(points):
        r, sin_f, cos_t, sin_t, v_t = work[0, m], work[1, m], work[2, m], work[3, m], work[4, m]
        v_r = speed * e * sin_f
        v_n = model.rotation * r * sin_i * cos_t
        force = strength * exponential(work[5, m]) * np.sqrt(v_r * v_r + v_t * v_t + v_n * v_n) * r
        a_r, a_t, a_n = force * v_r, force * v_t, force * v_n
        work[0, m] = e * sin_f * a_r + p / r * a_t
        work[1, m] = p * sin_t * a_r + ((p + r) * cos_t + r * ex) * a_t
        work[2, m] = -p * cos_t * a_r + ((p + r) * sin_t + r * ey) * a_t
        work[3, m] = r * cos_t * a_n
        work[4, m] = r * sin_t * a_n
    by_a = by_x = by_y = by_i = by_d = 0.0
    for m in range(points):
        by_a += work[0, m]
        by_x += work[1, m]
        by_y += work[2, m]
        by_i += work[3, m]
        by_d += work[4, m]
    return 2.0 * a * a / momentum * by_a, by_x / momentum, by_y / momentum, by_i / momentum, by_d / momentum


_SCAN_STEP = np.pi / 12.0

# cosine and sine of the longitudes at which the shadow is looked for, every 15 deg
_SCAN = np.stack([np.cos(np.pi * (np.arange(13) - 6) / 12.0), np.sin(np.pi * (np.arange(13) - 6) / 12.0)], axis=1)


@inlined_kernel
def light(c, s, p, along, across, shadow, radius):
    """Return p^2 (1 - s^2 cos^2) - R^2 (p / r)^2, positive outside the shadow, at a longitude of cosine c and sine s.

    Longitude counts from the direction opposite to the Sun, in which the eccentricity vector is ``along, across``;
    ``shadow`` is the squared share s^2 of the Sun's direction in the plane.
    """
    conic = radius * (1.0 + along * c + across * s)
    return p * p * (1.0 - shadow * c * c) - conic * conic


@inlined_kernel
def shadow_edge(cosine, sine, low, high, p, along, across, shadow, radius):
    """Return cosine and sine of the longitude where the shadow begins or ends: the Illinois method.

    It lies within `_SCAN_STEP` past a longitude of this cosine and sine, ``low`` and ``high`` being the `light` at both
    ends. A last change below 2e-3 rad leaves 1e-5 rad or so.
    """
    left, right, edge = 0.0, _SCAN_STEP, 0.0
    c, s = cosine, sine
    for _ in range(8):
        last = edge
        edge = (left * high - right * low) / (high - low)
        square = edge * edge
        sin_edge = edge * (1.0 - square * (1 / 6) * (1.0 - square * (1 / 20) * (1.0 - square * (1 / 42))))
        cos_edge = 1.0 - 0.5 * square * (
            1.0 - square * (1 / 12) * (1.0 - square * (1 / 30) * (1.0 - square * (1 / 56)))
        )
        c, s = cosine * cos_edge - sine * sin_edge, sine * cos_edge + cosine * sin_edge
        if abs(edge - last) < 2e-3:
            break
        value = light(c, s, p, along, across, shadow, radius)
        if value * high < 0.0:
            left, low = right, high
        else:
            low *= 0.5
        right, high = edge, value
    return c, s


@inlined_kernel
def arc_end(cos_l, sin_l, a, p, eta, ex, ey):
    """Return what the averages need of one end of an arc, from cosine and sine of its true longitude from the node.

    X, Y [km], e sin E, and, of the eccentric longitude F, sin F, cos F, sin 2F / 4, sin^2 F / 2.
    """
    beta = 1.0 / (1.0 + eta)
    r = p / (1.0 + ex * cos_l + ey * sin_l)
    x, y = r * cos_l, r * sin_l
    scale = 1.0 / (a * eta)
    cosine = ex + ((1.0 - beta * ex * ex) * x - beta * ex * ey * y) * scale
    sine = ey + ((1.0 - beta * ey * ey) * y - beta * ex * ey * x) * scale
    return x, y, ex * sine - ey * cosine, sine, cosine, 0.5 * sine * cosine, 0.5 * sine * sine


@inlined_kernel
def first_moment(c0, c1, c2, ex, ey, span, start, end):
    """Return the integral of (c0 + c1 cos F + c2 sin F)(1 - ex cos F - ey sin F) over a span of eccentric longitude F.

    ``start`` and ``end`` are those of `arc_end`.
    """
    sine, cosine, double, square = end[3] - start[3], end[4] - start[4], end[5] - start[5], end[6] - start[6]
    half = 0.5 * span
    return (
        2.0 * c0 * half
        + (c1 - c0 * ex) * sine
        - (c2 - c0 * ey) * cosine
        - c1 * ex * (half + double)
        - c2 * ey * (half - double)
        - (c1 * ey + c2 * ex) * square
    )


@inlined_kernel
def radiation_rates(a, ex, ey, along, ahead, normal, strength, model):
    """Return the rates by sunlight, averaged over the orbit, the arc in a cylindrical shadow left out.

    The Sun stands at ``along, ahead, normal`` [km] in the frame of the orbit; ``strength`` is reflectivity coefficient
    times area-to-mass ratio [m2 kg-1]. The force is constant along the orbit, so that all averages follow from the ends
    of the arc [7]: with A the integral of r dr, symmetric part the change of r r / 2, antisymmetric part the area
    swept, mu e' T = 2 A f - A^T f - tr(A) f.
    """
    distance = np.sqrt(along * along + ahead * ahead + normal * normal)
    s1, s2, s3 = along / distance, ahead / distance, normal / distance
    push = -model.radiation * strength * (model.astronomical_unit / distance) ** 2
    f1, f2, f3 = push * s1, push * s2, push * s3
    e2 = ex * ex + ey * ey
    eta = np.sqrt(1.0 - e2)
    p = a * eta * eta
    n = np.sqrt(model.mu / a) / a
    momentum = np.sqrt(model.mu * p)
    # whole orbit, then less the arcs in shadow
    energy = 0.0
    x_rate, y_rate = 1.5 * eta / (n * a) * f2, -1.5 * eta / (n * a) * f1
    x_mean, y_mean = -1.5 * a * ex, -1.5 * a * ey
    shadow = s1 * s1 + s2 * s2
    if (1.0 - shadow) * p * p < (model.equatorial_radius * (1.0 + np.sqrt(e2))) ** 2 and shadow > 1e-9:
        root = np.sqrt(shadow)
        cos_b, sin_b = -s1 / root, -s2 / root  # of the longitude opposite to the Sun
        e_along, e_across = ex * cos_b + ey * sin_b, ey * cos_b - ex * sin_b
        period = TWO_PI / n
        beta = 1.0 / (1.0 + eta)
        mixed = beta * ex * ey
        inside = False
        start = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        # at right angles to the Sun, where the scan begins and ends, there is light
        before = light(_SCAN[0, 0], _SCAN[0, 1], p, e_along, e_across, shadow, model.equatorial_radius)
        for j in range(1, 13):
            after = light(_SCAN[j, 0], _SCAN[j, 1], p, e_along, e_across, shadow, model.equatorial_radius)
            if (before > 0.0) != (after > 0.0):
                cos_e, sin_e = shadow_edge(
                    _SCAN[j - 1, 0], _SCAN[j - 1, 1], before, after, p, e_along, e_across, shadow,
                    model.equatorial_radius,
                )  # fmt: skip
                end = arc_end(cos_e * cos_b - sin_e * sin_b, sin_e * cos_b + cos_e * sin_b, a, p, eta, ex, ey)
                if after < 0.0:
                    start, inside = end, True
                elif inside:
                    # of eccentric and mean longitude; an arc in shadow is shorter than half the orbit in true longitude
                    span = np.arctan2(end[3] * start[4] - end[4] * start[3], end[4] * start[4] + end[3] * start[3])
                    span += TWO_PI if span < 0.0 else 0.0
                    swept = momentum * (span - end[2] + start[2]) / n
                    product = end[0] * end[1] - start[0] * start[1]
                    a12, a21 = 0.5 * (product + swept), 0.5 * (product - swept)
                    a11 = 0.5 * (end[0] * end[0] - start[0] * start[0])
                    a22 = 0.5 * (end[1] * end[1] - start[1] * start[1])
                    x_rate -= ((2.0 * a12 - a21) * f2 - a22 * f1) / (model.mu * period)
                    y_rate -= ((2.0 * a21 - a12) * f1 - a11 * f2) / (model.mu * period)
                    energy -= (f1 * (end[0] - start[0]) + f2 * (end[1] - start[1])) / period
                    # X and Y in eccentric longitude, weighted with time
                    x_mean -= a / TWO_PI * first_moment(-ex, 1.0 - beta * ey * ey, mixed, ex, ey, span, start, end)
                    y_mean -= a / TWO_PI * first_moment(-ey, mixed, 1.0 - beta * ex * ex, ex, ey, span, start, end)
                    inside = False
            before = after
    return (
        2.0 * a * a / model.mu * energy,
        x_rate,
        y_rate,
        x_mean * f3 / momentum,
        y_mean * f3 / momentum,
        (ex * y_rate - ey * x_rate) / (1.0 + eta) - 2.0 * (x_mean * f1 + y_mean * f2) / (n * a * a),
    )


@kernel
def to_equinoctial(elements, retrograde, out):
    """Fill ``out`` with equinoctial elements of ``[a, ex, ey, i, raan, u]``; retrograde is +1 or -1."""
    cos_node, sin_node = np.cos(elements[4]), retrograde * np.sin(elements[4])
    half = 0.5 * elements[3] if retrograde > 0 else 0.5 * (np.pi - elements[3])
    tangent = np.tan(half)
    out[0] = elements[0]
    out[1] = elements[2] * cos_node + elements[1] * sin_node
    out[2] = elements[1] * cos_node - elements[2] * sin_node
    out[3] = tangent * np.sin(elements[4])
    out[4] = tangent * cos_node
    out[5] = elements[5] + retrograde * elements[4]


@inlined_kernel
def node_frame(y, retrograde):
    """Return tan half-angle, cos i, sin i, cos raan, sin raan of equinoctial elements; raan is 0 where undefined."""
    tangent = np.sqrt(y[3] * y[3] + y[4] * y[4])
    square = tangent * tangent
    cos_i = retrograde * (1.0 - square) / (1.0 + square)
    sin_i = 2.0 * tangent / (1.0 + square)
    if tangent > 0.0:
        return tangent, cos_i, sin_i, y[4] / tangent, y[3] / tangent
    return tangent, cos_i, sin_i, 1.0, 0.0


@inlined_kernel
def equinoctial_from_rates(ex, ey, rates, tangent, sin_node, cos_node, retrograde, out):
    """Fill ``out`` with the rates of equinoctial elements of the rates ``(a', x', y', i', d, u')``."""
    turn, turning = retrograde * sin_node, retrograde * tangent * rates[4]
    x_rate, y_rate = rates[1] - turning * ey, rates[2] + turning * ex
    growth = 0.5 * (1.0 + tangent * tangent)
    out[0] = rates[0]
    out[1] = y_rate * cos_node + x_rate * turn
    out[2] = x_rate * cos_node - y_rate * turn
    out[3] = growth * (retrograde * rates[3] * sin_node + rates[4] * cos_node)
    out[4] = growth * (retrograde * rates[3] * cos_node - rates[4] * sin_node)
    out[5] = rates[5] + turning


@inlined_kernel
def hold(cos_i, sin_i, ex, ey, drifting, rates):
    """Return of rates ``(a', x', y', i', d, u')`` those of a held satellite, whose node and phase move freely.

    Unless its plane is ``drifting``, propellant holds the inclination.
    """
    rotation = cos_i * rates[4] / max(sin_i, SMALL_SINE)  # keeps (ex, ey) while the node turns
    return 0.0, -rotation * ey, rotation * ex, rates[3] if drifting else 0.0, rates[4], rates[5]


@inlined_kernel
def eccentricity_vector(y, cos_node, sin_node, retrograde):
    """Return ex and ey of equinoctial elements."""
    turn = retrograde * sin_node
    return y[2] * cos_node + y[1] * turn, y[1] * cos_node - y[2] * turn


@inlined_kernel
def earth_rates(time, y, retrograde, properties, held, drifting, functions, model, scratch, air_work, out):
    """Fill ``out`` with the rates of the equinoctial elements by zonals and air, the mean motion left out.

    ``properties`` are drag and reflectivity coefficients times area-to-mass ratio [m2 kg-1]. A held satellite keeps a
    and the eccentricity vector; its node and phase move with its plane, its inclination where that is ``drifting``.
    """
    tangent, cos_i, sin_i, cos_node, sin_node = node_frame(y, retrograde)
    ex, ey = eccentricity_vector(y, cos_node, sin_node, retrograde)
    rates = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    if model.zonals[2] != 0.0:
        last = model.degree.size
        # the sine of the difference of inclination, which stays below 2e-3
        offset = sin_i * functions[last, 4] - cos_i * functions[last, 3]
        grad = zonal_gradient(y[0], ex, ey, cos_i, sin_i, offset, functions, model, scratch)
        _, x, turned_y, tilt, d, u = conservative_rates(y[0], ex, ey, grad, model.mu)
        # perigee counts from the node, and the rates of (ex, ey) as if the node stood still
        node = functions[last, 1]
        perigee = functions[last, 0] + cos_i * node
        x += functions[last, 2] - perigee * ey
        rates = (0.0, x, turned_y + perigee * ex, tilt, d + sin_i * node, u + cos_i * node)
    if held:
        rates = hold(cos_i, sin_i, ex, ey, drifting, rates)
    elif model.drag:
        drag = drag_rates(y[0], ex, ey, cos_i, sin_i, properties[0], time, model, air_work)
        rates = (
            rates[0] + drag[0],
            rates[1] + drag[1],
            rates[2] + drag[2],
            rates[3] + drag[3],
            rates[4] + drag[4],
            rates[5],
        )
    equinoctial_from_rates(ex, ey, rates, tangent, sin_node, cos_node, retrograde, out)


@inlined_kernel
def sunlight_rates(time, y, retrograde, properties, model, out):
    """Fill ``out`` with the rates of the equinoctial elements by sunlight."""
    tangent, cos_i, sin_i, cos_node, sin_node = node_frame(y, retrograde)
    ex, ey = eccentricity_vector(y, cos_node, sin_node, retrograde)
    sun = body_at(model.sun, model.ephemeris_spacing, time)
    along, ahead, normal = in_orbit_frame(sun, cos_node, sin_node, cos_i, sin_i)
    rates = radiation_rates(y[0], ex, ey, along, ahead, normal, properties[1], model)
    equinoctial_from_rates(ex, ey, rates, tangent, sin_node, cos_node, retrograde, out)


@inlined_kernel
def place_bodies(time, model, points, m):
    """Fill rows 6 to 11 of column m of ``points`` with the places [km] of Sun and Moon at a time."""
    points[6, m], points[7, m], points[8, m] = body_at(model.sun, model.ephemeris_spacing, time)
    points[9, m], points[10, m], points[11, m] = body_at(model.moon, model.ephemeris_spacing, time)


@kernel
def bodies_rates(points, count, retrograde, held, mu, sun_mu, moon_mu):
    """Fill rows 12 to 17 of ``points`` with the rates of equinoctial elements, rows 0 to 5, by Sun and Moon.

    The first ``count`` columns; the Sun to degree 2, the Moon to degree 3, places in rows 6 to 11. The compiler does
    several columns in one instruction.
    """
    for m in range(count):
        p, q = points[3, m], points[4, m]
        square = p * p + q * q
        tangent = np.sqrt(square)
        cos_i, sin_i = retrograde * (1.0 - square) / (1.0 + square), 2.0 * tangent / (1.0 + square)
        cos_node = q / tangent if tangent > 0.0 else 1.0
        sin_node = p / tangent if tangent > 0.0 else 0.0
        turn = retrograde * sin_node
        a = points[0, m]
        ex, ey = points[2, m] * cos_node + points[1, m] * turn, points[1, m] * cos_node - points[2, m] * turn
        place = in_orbit_frame((points[6, m], points[7, m], points[8, m]), cos_node, sin_node, cos_i, sin_i)
        s = body_gradient(a, ex, ey, place[0], place[1], place[2], sun_mu, False)
        place = in_orbit_frame((points[9, m], points[10, m], points[11, m]), cos_node, sin_node, cos_i, sin_i)
        g = body_gradient(a, ex, ey, place[0], place[1], place[2], moon_mu, True)
        grad = (s[0] + g[0], s[1] + g[1], s[2] + g[2], s[3] + g[3], s[4] + g[4])
        _, x, y, tilt, d, u = conservative_rates(a, ex, ey, grad, mu)
        rotation = cos_i * d / max(sin_i, SMALL_SINE)
        x = -rotation * ey if held else x
        y = rotation * ex if held else y
        turning = retrograde * tangent * d
        x_rate, y_rate = x - turning * ey, y + turning * ex
        growth = 0.5 * (1.0 + square)
        points[12, m] = 0.0
        points[13, m] = y_rate * cos_node + x_rate * turn
        points[14, m] = x_rate * cos_node - y_rate * turn
        points[15, m] = growth * (retrograde * tilt * sin_node + d * cos_node)
        points[16, m] = growth * (retrograde * tilt * cos_node - d * sin_node)
        points[17, m] = u + turning


@kernel
def to_public(y, rates, count, retrograde, last):
    """Turn equinoctial elements and rates (6, columns) into ``[a, ex, ey, i, raan, u]`` and rates, in place.

    The first ``count`` columns; their nodes are continued from ``last``, the node at their mean time or so.
    """
    for m in range(count):
        tangent = np.sqrt(y[3, m] * y[3, m] + y[4, m] * y[4, m])
        square = tangent * tangent
        cos_node = y[4, m] / tangent if tangent > 0.0 else 1.0
        sin_node = y[3, m] / tangent if tangent > 0.0 else 0.0
        growth = 0.5 * (1.0 + square)
        sin_i = tangent / growth
        node = angle_of(sin_node, cos_node)
        node += TWO_PI * np.floor((last[m] - node) * (1.0 / TWO_PI) + 0.5)
        turn = retrograde * sin_node
        ex, ey = y[2, m] * cos_node + y[1, m] * turn, y[1, m] * cos_node - y[2, m] * turn
        p_rate, q_rate = rates[3, m], rates[4, m]
        node_rate = (p_rate * cos_node - q_rate * sin_node) / (growth * max(sin_i, SMALL_SINE))
        turning = retrograde * node_rate
        h_rate, k_rate = rates[1, m], rates[2, m]
        half = angle_of(tangent, 1.0)
        y[1, m], rates[1, m] = ex, k_rate * cos_node + h_rate * turn + turning * ey
        y[2, m], rates[2, m] = ey, h_rate * cos_node - k_rate * turn - turning * ex
        y[3, m], rates[3, m] = 2.0 * half, retrograde * (p_rate * sin_node + q_rate * cos_node) / growth
        y[4, m], rates[4, m] = node, node_rate
        y[5, m], rates[5, m] = y[5, m] - retrograde * node, rates[5, m] - turning
        if retrograde < 0.0:
            y[3, m] = np.pi - y[3, m]


# --- integration ------------------------------------------------------------------------------------------------------
#
# Collocation at Gauss points [8] on elements from which the secular turn by the zonals is taken out: in axes that turn
# with the node, (p, q), and with perigee about the frozen point, (h, k), only small slow forces are left, and steps of
# weeks hold metres. The forces of the sky hardly depend on where in the step the orbit is thought to be: they are taken
# once, on a first guess, Sun and Moon (she comes round in two weeks, and the axes turn) at eight points, sunlight at
# three. The Earth's, zonals and air, are taken at three points, on the last step's polynomial drawn on, and again only
# where that guess proves poor.


def _collocation(count, modes):
    """Return points, projection onto Legendre modes (modes, points), and integrals from -1 (points, modes)."""
    points, weights = legendre.leggauss(count)
    values = legendre.legvander(points, modes)
    projection = (0.5 * (2 * np.arange(count) + 1))[:, None] * values[:, :count].T * weights
    integrals = np.empty((count, modes))
    integrals[:, 0] = points + 1.0
    for j in range(1, modes):
        integrals[:, j] = (legendre.legval(points, np.eye(modes + 1)[j + 1]) - values[:, j - 1]) / (2 * j + 1)
    return points, projection, integrals


SLOW, FAST = 3, 8

#: Nodes that are filled side by side.
COLUMNS = 32

#: Factors of the recursion P_n(x) = _RISE[n] x P_n-1(x) - _FALL[n] P_n-2(x).
_RISE = np.array([0.0] + [(2 * n - 1) / n for n in range(1, 9)])
_FALL = np.array([0.0] + [(n - 1) / n for n in range(1, 9)])

_SLOW_POINTS, _SLOW_PROJECTION, _SLOW_INTEGRALS = _collocation(SLOW, FAST)
_FAST_POINTS, _FAST_PROJECTION, _FAST_INTEGRALS = _collocation(FAST, FAST)

#: Longest and shortest step [s]; only the last minutes of a re-entry come near the shorter one.
LONGEST_STEP, SHORTEST_STEP = 20.0 * 86400.0, 60.0

#: Sun and Moon, too, are taken at three points in steps up to this [s].
BODIES_STEP = 2.5 * 86400.0

# how far a guess may be off in a [km], eccentricity vector and inclination before the forces are taken again, and how
# large the highest mode of a step may be: the sizes at which what is neglected adds up to some metres a year
_GUESS = np.array([1e-2, 3e-5, 3e-5, 5e-5])
_HIGHEST_MODE = np.array([1e-2, 3e-5, 3e-5, 1e-4, 1e-4])


class Turn(NamedTuple):
    """Turning axes of one step.

    Parameters
    ----------
    node, perigee : float
        Rates of the axes of (p, q) and of (h, k) [rad s-1].
    frozen : float
        Rate of the frozen point [rad s-1], which turns with the node.
    h, k : float
        Frozen point at the start of the step.
    """

    node: float
    perigee: float
    frozen: float
    h: float
    k: float


@kernel
def frozen_point(a, e, functions, model, scratch):
    """Return the frozen eccentricity, and rates of perigee and node, the latter over those by J2 alone.

    From the zonals at the given eccentricity, perigee along the node and a quarter turn ahead of it. Near the critical
    inclinations, where perigee hardly turns, there is no use in a frozen point, and zero stands for it.
    """
    e = max(e, 1e-3)
    sin_i, cos_i = functions[model.degree.size, 3], functions[model.degree.size, 4]
    grad = zonal_gradient(a, e, 0.0, cos_i, sin_i, 0.0, functions, model, scratch)
    ahead = zonal_gradient(a, 0.0, e, cos_i, sin_i, 0.0, functions, model, scratch)
    eta2 = 1.0 - e * e
    scale = 1.0 / np.sqrt(model.mu * a)
    strength = 1.5 * model.zonals[2] * (model.radius / (a * eta2)) ** 2 * scale * model.mu / a
    node = scale / np.sqrt(eta2) * grad[3] / sin_i if sin_i > 1e-6 else -strength * cos_i
    perigee = 0.5 * np.sqrt(eta2) * scale * (grad[1] + ahead[2] - grad[2]) / e - cos_i * node
    forced = np.sqrt(eta2) * scale * grad[2]
    frozen = -forced / perigee if abs(forced) < 0.02 * abs(perigee) else 0.0
    return frozen, perigee - strength * (2.0 - 2.5 * sin_i * sin_i), node + strength * cos_i


@kernel
def turn_of(y, retrograde, held, reference, model):
    """Return the turning axes of a step from here; ``reference`` is what `frozen_point` gave."""
    _, cos_i, sin_i, cos_node, sin_node = node_frame(y, retrograde)
    p = y[0] * (1.0 - y[1] * y[1] - y[2] * y[2])
    strength = 1.5 * model.zonals[2] * (model.radius / p) ** 2 * np.sqrt(model.mu / y[0]) / y[0]
    node = reference[2] - strength * cos_i
    if held:
        return Turn(node, retrograde * node, retrograde * node, 0.0, 0.0)
    perigee = reference[1] + strength * (2.0 - 2.5 * sin_i * sin_i)
    frozen = reference[0]
    return Turn(
        node, perigee + retrograde * node, retrograde * node, frozen * cos_node, -frozen * retrograde * sin_node
    )


@inlined_kernel
def axes_at(lapse, turn, out, m):
    """Fill row m of ``out`` after a lapse: cosines and sines of the turns of node and perigee, the frozen point."""
    cosine, sine = np.cos(turn.node * lapse), np.sin(turn.node * lapse)
    out[m, 0], out[m, 1] = cosine, sine
    out[m, 2], out[m, 3] = np.cos(turn.perigee * lapse), np.sin(turn.perigee * lapse)
    # the frozen point turns with the node, backwards for retrograde elements
    if turn.frozen != turn.node:
        sine = -sine
    out[m, 4], out[m, 5] = turn.h * cosine + turn.k * sine, turn.k * cosine - turn.h * sine


@inlined_kernel
def turned(z, axes, m, y):
    """Fill ``y`` with equinoctial elements of elements in turning axes, row m of those."""
    y[0], y[5] = z[0], z[5]
    y[1] = z[1] * axes[m, 2] + z[2] * axes[m, 3] + axes[m, 4]
    y[2] = z[2] * axes[m, 2] - z[1] * axes[m, 3] + axes[m, 5]
    y[3], y[4] = z[3] * axes[m, 0] + z[4] * axes[m, 1], z[4] * axes[m, 0] - z[3] * axes[m, 1]


@inlined_kernel
def slow_rates(y, rates, axes, m, turn, whole):
    """Turn rates in fixed axes into rates in the turning ones, in place; ``whole`` where they hold the secular turn."""
    h, k, p, q = rates[1], rates[2], rates[3], rates[4]
    if whole:
        h -= turn.perigee * (y[2] - axes[m, 5]) + turn.frozen * axes[m, 5]
        k += turn.perigee * (y[1] - axes[m, 4]) + turn.frozen * axes[m, 4]
        p -= turn.node * y[4]
        q += turn.node * y[3]
    rates[1], rates[2] = h * axes[m, 2] - k * axes[m, 3], k * axes[m, 2] + h * axes[m, 3]
    rates[3], rates[4] = p * axes[m, 0] - q * axes[m, 1], q * axes[m, 0] + p * axes[m, 1]


@inlined_kernel
def along_step(start, modes, integrals, m, count, half, z):
    """Fill ``z`` with the elements in turning axes at one point of a step."""
    for c in range(6):
        total = 0.0
        for j in range(count):
            total += modes[j, c] * integrals[m, j]
        z[c] = start[c] + half * total


@inlined_kernel
def add_up(fast, slow, modes):
    """Fill ``modes`` with the sum of those of the sky and of the Earth."""
    for c in range(6):
        for j in range(FAST):
            modes[j, c] = fast[j, c]
        for j in range(SLOW):
            modes[j, c] += slow[j, c]


@kernel
def draw_on(modes, ratio):
    """Draw the polynomial of a step on over the next, ``ratio`` times as long, in place."""
    one = 1.0 + ratio
    for c in range(5):
        second = modes[2, c]
        modes[0, c] += modes[1, c] * one + second * (1.5 * one * one - 0.5 + 0.5 * ratio * ratio)
        modes[1, c] = ratio * (modes[1, c] + 3.0 * one * second)
        modes[2, c] = ratio * ratio * second


@inlined_kernel
def usable(y, equatorial_radius):
    """Return whether elements are those of an orbit whose forces can be taken."""
    e2 = y[1] * y[1] + y[2] * y[2]
    return e2 < 0.98 and y[0] * (1.0 - np.sqrt(e2)) > equatorial_radius + 40.0


@kernel
def attempt_step(
    time, start, slow, fast, modes, step, turn, retrograde, properties, held, drifting, functions, model, scratch,
    air_work, z, y, rates, axes, points,
):  # fmt: skip
    """Do one step, filling ``modes``; return the largest neglected mode and guess relative to what is allowed.

    ``slow`` holds the first guess of the Earth's forces on entry and their modes on return, ``fast`` those of the sky.
    ``scratch``, ``z``, ``y``, ``rates``, ``axes`` (a row for each point) and ``points`` (a column) are scratch.
    """
    half = 0.5 * step
    fast[:] = 0.0
    bodies = drifting and (model.sun_mu > 0.0 or model.moon_mu > 0.0)
    sunlight = model.radiation > 0.0 and properties[1] > 0.0 and not held
    if bodies:
        # she comes round in two weeks, and the axes turn
        count = FAST if step > BODIES_STEP else SLOW
        places = _FAST_POINTS if step > BODIES_STEP else _SLOW_POINTS
        projection = _FAST_PROJECTION if step > BODIES_STEP else _SLOW_PROJECTION
        integrals = _FAST_INTEGRALS if step > BODIES_STEP else _SLOW_INTEGRALS
        for m in range(count):
            along_step(start, slow, integrals, m, SLOW, half, z)
            lapse = half * (1.0 + places[m])
            axes_at(lapse, turn, axes, m)
            turned(z, axes, m, y)
            if not usable(y, model.equatorial_radius):
                return np.inf
            for c in range(6):
                points[c, m] = y[c]
            place_bodies(time + lapse, model, points, m)
        bodies_rates(points, count, retrograde, held, model.mu, model.sun_mu, model.moon_mu)
        for m in range(count):
            for c in range(6):
                y[c], rates[c] = points[c, m], points[12 + c, m]
            slow_rates(y, rates, axes, m, turn, False)
            for j in range(count):
                for c in range(6):
                    fast[j, c] += projection[j, m] * rates[c]
    add_up(fast, slow, modes)
    for m in range(SLOW):
        lapse = half * (1.0 + _SLOW_POINTS[m])
        axes_at(lapse, turn, axes, m)
        if sunlight:
            along_step(start, modes, _SLOW_INTEGRALS, m, FAST, half, z)
            turned(z, axes, m, y)
            if not usable(y, model.equatorial_radius):
                return np.inf
            sunlight_rates(time + lapse, y, retrograde, properties, model, rates)
            slow_rates(y, rates, axes, m, turn, False)
            for j in range(SLOW):
                for c in range(6):
                    fast[j, c] += _SLOW_PROJECTION[j, m] * rates[c]
    first_guess = guess = 0.0
    for attempt in range(4):
        add_up(fast, slow, modes)
        slow[:] = 0.0
        for m in range(SLOW):
            along_step(start, modes, _SLOW_INTEGRALS, m, FAST, half, z)
            turned(z, axes, m, y)
            if not usable(y, model.equatorial_radius):
                return np.inf
            earth_rates(
                time + half * (1.0 + _SLOW_POINTS[m]), y, retrograde, properties, held, drifting, functions, model,
                scratch, air_work, rates,
            )  # fmt: skip
            slow_rates(y, rates, axes, m, turn, True)
            for j in range(SLOW):
                for c in range(6):
                    slow[j, c] += _SLOW_PROJECTION[j, m] * rates[c]
        guess = 0.0
        for c in range(3):
            off = abs(slow[0, c] + fast[0, c] - modes[0, c]) + abs(slow[1, c] + fast[1, c] - modes[1, c])
            guess = max(guess, step * off / _GUESS[c])
        # the node hardly matters to the forces, the inclination does
        tilt = step * abs(
            (slow[0, 3] + fast[0, 3] - modes[0, 3]) * start[3] + (slow[0, 4] + fast[0, 4] - modes[0, 4]) * start[4]
        ) / max(np.sqrt(start[3] ** 2 + start[4] ** 2), 1e-2)  # fmt: skip
        guess = max(guess, tilt / _GUESS[3])
        if attempt == 0:
            first_guess = guess
        if guess <= 1.0:
            break
    if guess > 1.0:
        return np.inf
    add_up(fast, slow, modes)
    error = first_guess / 8.0
    for c in range(5):
        error = max(error, half * abs(slow[2, c]) / _HIGHEST_MODE[c])
    # the mean motion along the step, from the semi-major axis as now known
    for m in range(SLOW):
        a = start[0]
        for j in range(FAST):
            a += half * modes[j, 0] * _SLOW_INTEGRALS[m, j]
        for j in range(SLOW):
            modes[j, 5] += _SLOW_PROJECTION[j, m] * np.sqrt(model.mu / a) / a
    return error


@kernel
def dense(start, modes, step, fractions, count, turn, basis, values, rates):
    """Fill columns of ``values`` and ``rates`` (6, columns) with equinoctial elements and rates within a finished step.

    At the first ``count`` of ``fractions`` of the step. ``basis`` (15, columns) is scratch: Legendre polynomials 1 to 7
    and the integrals from -1 of 0 to 7.
    """
    half = 0.5 * step
    for m in range(count):
        x = 2.0 * fractions[m] - 1.0
        p2 = 1.5 * x * x - 0.5
        p3 = _RISE[3] * x * p2 - _FALL[3] * x
        p4 = _RISE[4] * x * p3 - _FALL[4] * p2
        p5 = _RISE[5] * x * p4 - _FALL[5] * p3
        p6 = _RISE[6] * x * p5 - _FALL[6] * p4
        p7 = _RISE[7] * x * p6 - _FALL[7] * p5
        p8 = _RISE[8] * x * p7 - _FALL[8] * p6
        basis[0, m], basis[1, m], basis[2, m], basis[3, m] = x, p2, p3, p4
        basis[4, m], basis[5, m], basis[6, m] = p5, p6, p7
        basis[7, m], basis[8, m], basis[9, m] = x + 1.0, (p2 - 1.0) * (1 / 3), (p3 - x) * (1 / 5)
        basis[10, m], basis[11, m], basis[12, m] = (p4 - p2) * (1 / 7), (p5 - p3) * (1 / 9), (p6 - p4) * (1 / 11)
        basis[13, m], basis[14, m] = (p7 - p5) * (1 / 13), (p8 - p6) * (1 / 15)
    for c in range(6):
        begin, m0, m1, m2, m3 = start[c], modes[0, c], modes[1, c], modes[2, c], modes[3, c]
        m4, m5, m6, m7 = modes[4, c], modes[5, c], modes[6, c], modes[7, c]
        for m in range(count):
            rates[c, m] = (
                m0 + basis[0, m] * m1 + basis[1, m] * m2 + basis[2, m] * m3 + basis[3, m] * m4 + basis[4, m] * m5
                + basis[5, m] * m6 + basis[6, m] * m7
            )  # fmt: skip
            values[c, m] = begin + half * (
                basis[7, m] * m0 + basis[8, m] * m1 + basis[9, m] * m2 + basis[10, m] * m3 + basis[11, m] * m4
                + basis[12, m] * m5 + basis[13, m] * m6 + basis[14, m] * m7
            )  # fmt: skip
    backwards = -1.0 if turn.frozen != turn.node else 1.0
    for m in range(count):
        lapse = fractions[m] * step
        sin_n, cos_n = sine_and_cosine(turn.node * lapse)
        sin_w, cos_w = sine_and_cosine(turn.perigee * lapse)
        frozen_h = turn.h * cos_n + turn.k * backwards * sin_n
        frozen_k = turn.k * cos_n - turn.h * backwards * sin_n
        h, k, p, q = values[1, m], values[2, m], values[3, m], values[4, m]
        h, k = h * cos_w + k * sin_w, k * cos_w - h * sin_w
        p, q = p * cos_n + q * sin_n, q * cos_n - p * sin_n
        values[1, m], values[2, m], values[3, m], values[4, m] = h + frozen_h, k + frozen_k, p, q
        h_rate, k_rate, p_rate, q_rate = rates[1, m], rates[2, m], rates[3, m], rates[4, m]
        rates[1, m] = h_rate * cos_w + k_rate * sin_w + turn.perigee * k + turn.frozen * frozen_k
        rates[2, m] = k_rate * cos_w - h_rate * sin_w - turn.perigee * h - turn.frozen * frozen_h
        rates[3, m] = p_rate * cos_n + q_rate * sin_n + turn.node * q
        rates[4, m] = q_rate * cos_n - p_rate * sin_n - turn.node * p


@kernel
def perigee_height(y, equatorial_radius):
    """Return the height of the mean perigee [km] above the equatorial radius of equinoctial elements, a column of y."""
    return y[0, 0] * (1.0 - np.sqrt(y[1, 0] * y[1, 0] + y[2, 0] * y[2, 0])) - equatorial_radius


@kernel
def depart(y, retrograde, departure):
    """Add a departure in ``[a, ex, ey, u]`` to equinoctial elements."""
    _, _, _, cos_node, sin_node = node_frame(y, retrograde)
    turn = retrograde * sin_node
    y[0] += departure[0]
    y[1] += departure[2] * cos_node + departure[1] * turn
    y[2] += departure[1] * cos_node - departure[2] * turn
    y[5] += departure[3]


@allocating_kernel
def integrate(
    elements, properties, held_from, held_until, release, plane_held, times, end_height, model, values, rates
):
    """Integrate one object's mean elements over nodes in time.

    Parameters
    ----------
    elements : shape (6,)
        ``[a, ex, ey, i, raan, u]`` at ``times[0]``.
    properties : shape (2,)
        Drag coefficient and reflectivity coefficient times area-to-mass ratio [m2 kg-1].
    held_from, held_until : float
        Station-kept between these times [s]; NaN for never.
    release : shape (4,)
        What a satellite let go at ``held_until`` departs from its reference orbit by, in ``[a, ex, ey, u]``.
    plane_held : bool
        Whether a held satellite's plane is held against Sun and Moon, too.
    times : shape (nodes,)
        Ascending [s].
    end_height : float
        Height [km] of the mean perigee at which the object ends.
    values, rates : shape (nodes, 6)
        Filled to the end.

    Returns
    -------
    tuple
        Time of re-entry [s], NaN where there is none, and the number of nodes filled: fewer than all without a re-entry
        where the averages hold no longer, in the Moon's reach or at e near 1.
    """
    retrograde = 1.0 if elements[3] <= 0.5 * np.pi else -1.0
    y, start, trial, scratch = np.empty(6), np.empty(6), np.empty(6), np.empty((3, 16))
    value, rate, axes, raan = np.empty(6), np.empty(6), np.empty((FAST, 6)), elements[4]
    columns, column_rates = np.empty((6, COLUMNS)), np.empty((6, COLUMNS))
    fractions, last, basis = np.empty(COLUMNS), np.empty(COLUMNS), np.empty((15, COLUMNS))
    points, air_work = np.empty((18, FAST)), np.empty((6, _MOST_ANOMALIES))
    slow, fast, modes, guess = np.zeros((SLOW, 6)), np.empty((FAST, 6)), np.empty((FAST, 6)), np.zeros((SLOW, 6))
    functions = np.empty((model.degree.size + 1, 6))
    inclination, axis = np.inf, 0.0
    reference = (0.0, 0.0, 0.0)
    to_equinoctial(elements, retrograde, y)
    columns[:, 0] = y
    time, end = times[0], times[-1]
    step, last_step, node = 0.25 * LONGEST_STEP, 0.0, 0
    last_turn = Turn(0.0, 0.0, 0.0, 0.0, 0.0)
    if perigee_height(columns, model.equatorial_radius) <= end_height:
        return time, node
    while node < times.size:
        held = held_from <= time < held_until
        drifting = not (held and plane_held)
        border = end
        if time < held_from < border:
            border = held_from
        if held and held_until < border:
            border = held_until
        if border <= time:  # the last node is the starting point itself, or was reached exactly
            border = time + 1.0
        _, cos_i, sin_i, _, _ = node_frame(y, retrograde)
        now = np.arctan2(sin_i, cos_i)
        if abs(now - inclination) > 1e-3 or abs(y[0] - axis) > 5.0:
            inclination, axis = now, y[0]
            zonal_functions(axis, inclination, model, functions)
            if model.zonals[2] != 0.0:
                eccentricity = np.sqrt(y[1] * y[1] + y[2] * y[2])
                reference = frozen_point(axis, eccentricity, functions, model, scratch)
        turn = turn_of(y, retrograde, held, reference, model)
        start[:] = y
        start[1] -= turn.h
        start[2] -= turn.k
        while True:
            step = min(step, LONGEST_STEP, border - time)
            guess[:] = slow
            if last_step == 0.0:
                earth_rates(
                    time, y, retrograde, properties, held, drifting, functions, model, scratch, air_work, guess[0]
                )
                axes_at(0.0, turn, axes, 0)
                slow_rates(y, guess[0], axes, 0, turn, True)
            else:
                draw_on(guess, step / last_step)
                guess[0, 1] += (last_turn.perigee - turn.perigee) * start[2]
                guess[0, 2] -= (last_turn.perigee - turn.perigee) * start[1]
                guess[0, 3] += (last_turn.node - turn.node) * start[4]
                guess[0, 4] -= (last_turn.node - turn.node) * start[3]
            error = attempt_step(
                time, start, guess, fast, modes, step, turn, retrograde, properties, held, drifting, functions, model,
                scratch, air_work, value, trial, rate, axes, points,
            )  # fmt: skip
            if error <= 4.0:
                break
            step *= 0.4
            if step < SHORTEST_STEP and border - time > SHORTEST_STEP:
                columns[:, 0] = y
                low = perigee_height(columns, model.equatorial_radius) < 2.0 * end_height
                return time if low else np.nan, node
        fractions[0] = 1.0
        dense(start, modes, step, fractions, 1, turn, basis, columns, column_rates)
        for c in range(6):
            y[c] = columns[c, 0]
        ended = perigee_height(columns, model.equatorial_radius) <= end_height
        fraction_end = 1.0
        if ended:
            low = 0.0
            for _ in range(40):
                fractions[0] = 0.5 * (low + fraction_end)
                dense(start, modes, step, fractions, 1, turn, basis, columns, column_rates)
                if perigee_height(columns, model.equatorial_radius) <= end_height:
                    fraction_end = fractions[0]
                else:
                    low = fractions[0]
        reached = border if step == border - time and not ended else time + fraction_end * step
        while node < times.size and times[node] <= reached:
            count = 0
            while count < COLUMNS and node + count < times.size and times[node + count] <= reached:
                fractions[count] = (times[node + count] - time) / step
                last[count] = raan + turn.node * (times[node + count] - time)
                count += 1
            dense(start, modes, step, fractions, count, turn, basis, columns, column_rates)
            to_public(columns, column_rates, count, retrograde, last)
            for m in range(count):
                for c in range(6):
                    values[node + m, c], rates[node + m, c] = columns[c, m], column_rates[c, m]
            node += count
        if ended:
            return reached, node
        raan += turn.node * step
        raan += np.remainder(np.arctan2(y[3], y[4]) - raan + np.pi, TWO_PI) - np.pi
        time = reached
        if held and time == held_until:
            depart(y, retrograde, release)
        # the polynomial of this step, in the axes that the next one starts from
        axes_at(step, turn, axes, 0)
        axes[0, 4] = axes[0, 5] = 0.0
        for j in range(SLOW):
            turned(guess[j], axes, 0, slow[j])
        last_step, last_turn = step, turn
        step *= min(2.0, max(0.4, 0.8 * max(error, 1e-3) ** (-1.0 / 3.0)))
    return np.nan, node


@allocating_kernel
def integrate_all(
    elements, properties, held_from, held_until, releases, plane_held, times, end_height, model, values, rates, ends
):
    """Integrate many objects (first axis of every array but ``times``), NaN after the end; see `integrate`."""
    for j in range(elements.shape[0]):
        ends[j], filled = integrate(
            elements[j], properties[j], held_from[j], held_until[j], releases[j], plane_held, times, end_height, model,
            values[j], rates[j],
        )  # fmt: skip
        values[j, filled:] = np.nan
        rates[j, filled:] = np.nan


# --- from mean elements to states and back ----------------------------------------------------------------------------


@kernel
def eccentric_longitude(u, ex, ey):
    """Return F = E + perigee from the mean argument of latitude: u = F - ex sin F + ey cos F, by Newton's method."""
    e2 = ex * ex + ey * ey
    sin_u, cos_u = np.sin(u), np.cos(u)
    pull = ex * sin_u - ey * cos_u  # e sin M
    if e2 < 0.04:
        f = u + pull / (1.0 - (ex * cos_u + ey * sin_u))
    else:  # J. M. A. Danby, Fundamentals of Celestial Mechanics, 1988, eq. 6.6.16
        f = u + 0.85 * np.sqrt(e2) * (1.0 if pull >= 0.0 else -1.0)
    for _ in range(30):
        sin_f, cos_f = np.sin(f), np.cos(f)
        slope = 1.0 - ex * cos_f - ey * sin_f
        change = (f - ex * sin_f + ey * cos_f - u) / slope
        # Halley's correction, third order
        change /= 1.0 - 0.5 * change * (ex * sin_f - ey * cos_f) / slope
        f -= change
        if abs(change) < 1e-12 * (1.0 + abs(f)) or abs(change) ** 3 < 1e-16:
            break
    return f


@kernel
def first_order_terms(p, kappa, sigma, eta, centre, sin_t, cos_t, cos_i, sin_i, mu, radius, j2):
    """Return the first-order J2 short-period terms in polar-nodal variables.

    The generating function [2] is W = G (J2 R^2 / 2 p^2) B with B = (3/2 s^2 - 1)(f - l + e sin f)
    - 3/4 s^2 [(1 + 4/3 kappa) sin 2 theta - 2/3 sigma cos 2 theta], kappa = e cos f, sigma = e sin f; the terms are its
    partial derivatives in polar-nodal variables [3], regular for all e < 1 and all inclinations.

    Returns
    -------
    tuple of float
        Terms of r [km], theta [rad], node [rad], inclination [rad], radial velocity [km s-1], angular momentum
        [km2 s-1].
    """
    z = sin_i * sin_i
    sin_2t, cos_2t = 2.0 * sin_t * cos_t, cos_t * cos_t - sin_t * sin_t
    gamma = 0.5 * j2 * (radius / p) ** 2
    momentum = np.sqrt(mu * p)
    inverse = 1.0 / (1.0 + kappa)
    secular = 1.5 * z - 1.0
    phi = centre + sigma
    phi_k = -sigma * (1.0 / (1.0 + eta) + eta * inverse * inverse)
    phi_s = 1.0 + kappa / (1.0 + eta) + 2.0 * eta * inverse
    psi = (1.0 + 4.0 / 3.0 * kappa) * sin_2t - 2.0 / 3.0 * sigma * cos_2t
    psi_t = 2.0 * (1.0 + 4.0 / 3.0 * kappa) * cos_2t + 4.0 / 3.0 * sigma * sin_2t
    b = secular * phi - 0.75 * z * psi
    b_k = secular * phi_k - z * sin_2t
    b_s = secular * phi_s + 0.5 * z * cos_2t
    b_z = 1.5 * phi - 0.75 * psi
    r_term = gamma * p * b_s
    theta_term = gamma * (-3.0 * b + 2.0 * (1.0 + kappa) * b_k + sigma * b_s + 2.0 * cos_i * cos_i * b_z)
    node_term = -2.0 * gamma * cos_i * b_z
    i_term = 0.75 * gamma * cos_i * sin_i * psi_t
    radial_term = gamma * momentum * (1.0 + kappa) ** 2 / p * b_k
    momentum_term = 0.75 * gamma * momentum * z * psi_t
    return r_term, theta_term, node_term, i_term, radial_term, momentum_term


@kernel
def short_period(p, kappa, sigma, eta, centre, sin_t, cos_t, cos_i, sin_i, mu, radius, zonals):
    """Return all short-period terms of the zonals: `first_order_terms` of J2, and `near_circular_terms` of the rest."""
    first = first_order_terms(p, kappa, sigma, eta, centre, sin_t, cos_t, cos_i, sin_i, mu, radius, zonals[2])
    more = near_circular_terms(p, sin_t, cos_t, cos_i, sin_i, mu, radius, zonals)
    return (
        first[0] + more[0],
        first[1] + more[1],
        first[2] + more[2],
        first[3] + more[3],
        first[4] + more[4],
        first[5] + more[5],
    )


@kernel
def turn(sine, cosine, angle):
    """Return sine and cosine of an angle after a small turn; series to the fifth power, exact below 0.01 rad."""
    square = angle * angle
    s = angle * (1.0 - square / 6.0 * (1.0 - square / 20.0))
    c = 1.0 - 0.5 * square * (1.0 - square / 12.0 * (1.0 - square / 30.0))
    return sine * c + cosine * s, cosine * c - sine * s


@kernel
def state(elements, mu, radius, zonals, out):
    """Fill ``out = [x, y, z, vx, vy, vz]`` with the osculating state of mean elements ``[a, ex, ey, i, raan, u]``."""
    a, ex, ey = elements[0], elements[1], elements[2]
    eta2 = 1.0 - ex * ex - ey * ey
    eta = np.sqrt(eta2)
    beta = 1.0 / (1.0 + eta)
    u = elements[5]
    f = eccentric_longitude(u, ex, ey)
    sin_f, cos_f = np.sin(f), np.cos(f)
    r = a * (1.0 - ex * cos_f - ey * sin_f)
    cos_t = a * ((1.0 - beta * ey * ey) * cos_f + beta * ex * ey * sin_f - ex) / r
    sin_t = a * ((1.0 - beta * ex * ex) * sin_f + beta * ex * ey * cos_f - ey) / r
    e_sin = ex * sin_f - ey * cos_f
    p = a * eta2
    kappa, sigma = p / r - 1.0, a * eta * e_sin / r
    # f - l = (theta - F) + (F - u): the first from the tangent of half the difference, the second is e sin E
    centre = e_sin + 2.0 * np.arctan2(beta * e_sin, 1.0 - beta * (ex * cos_f + ey * sin_f))
    cos_i, sin_i = np.cos(elements[3]), np.sin(elements[3])
    terms = short_period(p, kappa, sigma, eta, centre, sin_t, cos_t, cos_i, sin_i, mu, radius, zonals)

    sin_t, cos_t = turn(sin_t, cos_t, terms[1])
    sin_i, cos_i = turn(sin_i, cos_i, terms[3])
    sin_n, cos_n = turn(np.sin(elements[4]), np.cos(elements[4]), terms[2])
    v_r = np.sqrt(mu * a) * e_sin / r + terms[4]
    momentum = np.sqrt(mu * p) + terms[5]
    r += terms[0]
    v_t = momentum / r
    rx, ry, rz = cos_t * cos_n - sin_t * cos_i * sin_n, cos_t * sin_n + sin_t * cos_i * cos_n, sin_t * sin_i
    tx, ty, tz = -sin_t * cos_n - cos_t * cos_i * sin_n, -sin_t * sin_n + cos_t * cos_i * cos_n, cos_t * sin_i
    out[0], out[1], out[2] = r * rx, r * ry, r * rz
    out[3], out[4], out[5] = v_r * rx + v_t * tx, v_r * ry + v_t * ty, v_r * rz + v_t * tz


@kernel
def mean_from_state(osculating, mu, radius, zonals, out):
    """Fill ``out = [a, ex, ey, i, raan, u]`` with the mean elements of an osculating state; return whether it is bound.

    The short-period terms are removed by fixed-point iteration; each round gains a factor of about J2.
    """
    x, y, z = osculating[0], osculating[1], osculating[2]
    vx, vy, vz = osculating[3], osculating[4], osculating[5]
    hx, hy, hz = y * vz - z * vy, z * vx - x * vz, x * vy - y * vx
    momentum = np.sqrt(hx * hx + hy * hy + hz * hz)
    across = np.sqrt(hx * hx + hy * hy)
    r = np.sqrt(x * x + y * y + z * z)
    v_r = (x * vx + y * vy + z * vz) / r
    i = np.arctan2(across, hz)
    node = np.arctan2(hx, -hy) if across > SMALL_SINE * momentum else 0.0
    cos_n, sin_n = np.cos(node), np.sin(node)
    along = x * cos_n + y * sin_n
    theta = np.arctan2((y * cos_n - x * sin_n) * np.cos(i) + z * np.sin(i), along)

    r_m, theta_m, node_m, i_m, v_m, h_m = r, theta, node, i, v_r, momentum
    settled = 0.0
    for _ in range(8):
        p = h_m * h_m / mu
        kappa, sigma = p / r_m - 1.0, v_m * h_m / mu
        e2 = kappa * kappa + sigma * sigma
        if not e2 < 1.0:
            out[:] = np.nan
            return False
        eta = np.sqrt(1.0 - e2)
        beta = 1.0 / (1.0 + eta)
        sin_t, cos_t = np.sin(theta_m), np.cos(theta_m)
        ex, ey = kappa * cos_t + sigma * sin_t, kappa * sin_t - sigma * cos_t
        a = p / (eta * eta)
        # e sin E and e cos E from the radius and the radial velocity
        e_sin, e_cos = sigma * r_m / (a * eta), 1.0 - r_m / a
        centre = e_sin + 2.0 * np.arctan2(beta * e_sin, 1.0 - beta * e_cos)
        out[0], out[1], out[2], out[3], out[4], out[5] = a, ex, ey, i_m, node_m, theta_m - centre
        terms = short_period(p, kappa, sigma, eta, centre, sin_t, cos_t, np.cos(i_m), np.sin(i_m), mu, radius, zonals)
        r_m, theta_m, node_m = r - terms[0], theta - terms[1], node - terms[2]
        i_m, v_m, h_m = i - terms[3], v_r - terms[4], momentum - terms[5]
        if abs(a - settled) < 1e-9:
            break
        settled = a
    return True


@kernel
def hermite(values, rates, node, fraction, spacing, out):
    """Fill ``out`` with the mean elements of one object at a fraction of the window from a node to the next.

    Near the equator, where the node runs about, equinoctial elements are interpolated instead.
    """
    x, y = fraction, 1.0 - fraction
    left, right = (1.0 + 2.0 * x) * y * y, (1.0 + 2.0 * y) * x * x
    left_slope, right_slope = x * y * y * spacing, -y * x * x * spacing
    for c in range(6):
        out[c] = (
            left * values[node, c]
            + right * values[node + 1, c]
            + left_slope * rates[node, c]
            + right_slope * rates[node + 1, c]
        )
    if min(np.sin(values[node, 3]), np.sin(values[node + 1, 3])) < EQUATORIAL_SINE:
        retrograde = 1.0 if values[node, 3] <= 0.5 * np.pi else -1.0
        h1, k1, p1, q1, l1, h1_rate, k1_rate, p1_rate, q1_rate, l1_rate = equinoctial_node(
            values, rates, node, retrograde
        )
        h2, k2, p2, q2, l2, h2_rate, k2_rate, p2_rate, q2_rate, l2_rate = equinoctial_node(
            values, rates, node + 1, retrograde
        )
        h = left * h1 + right * h2 + left_slope * h1_rate + right_slope * h2_rate
        k = left * k1 + right * k2 + left_slope * k1_rate + right_slope * k2_rate
        p = left * p1 + right * p2 + left_slope * p1_rate + right_slope * p2_rate
        q = left * q1 + right * q2 + left_slope * q1_rate + right_slope * q2_rate
        longitude = left * l1 + right * l2 + left_slope * l1_rate + right_slope * l2_rate
        raan = np.arctan2(p, q)
        tilt = 2.0 * np.arctan(np.sqrt(p * p + q * q))
        cos_node, turn = np.cos(raan), retrograde * np.sin(raan)
        out[1], out[2] = k * cos_node + h * turn, h * cos_node - k * turn
        out[3] = tilt if retrograde > 0.0 else np.pi - tilt
        out[4], out[5] = raan, longitude - retrograde * raan


@kernel
def equinoctial_node(values, rates, node, retrograde):
    """Return ``h, k, p, q, lambda`` and their rates of mean elements and rates at one node in time."""
    ex, ey, i, raan = values[node, 1], values[node, 2], values[node, 3], values[node, 4]
    ex_rate, ey_rate, node_rate = rates[node, 1], rates[node, 2], rates[node, 4]
    cos_node, sin_node = np.cos(raan), np.sin(raan)
    turn, turn_rate = retrograde * sin_node, retrograde * node_rate
    half = 0.5 * i if retrograde > 0.0 else 0.5 * (np.pi - i)
    tangent = np.tan(half)
    growth = 0.5 * (1.0 + tangent * tangent) * retrograde * rates[node, 3]
    h, k = ey * cos_node + ex * turn, ex * cos_node - ey * turn
    return (
        h,
        k,
        tangent * sin_node,
        tangent * cos_node,
        values[node, 5] + retrograde * raan,
        ey_rate * cos_node + ex_rate * turn + turn_rate * k,
        ex_rate * cos_node - ey_rate * turn - turn_rate * h,
        growth * sin_node + tangent * cos_node * node_rate,
        growth * cos_node - tangent * sin_node * node_rate,
        rates[node, 5] + turn_rate,
    )


@kernel
def interpolate(values, rates, start, spacing, time, out):
    """Fill ``out`` with the mean elements of one object at a time [s]: cubic Hermite polynomials between nodes.

    ``values`` and ``rates`` have shape (nodes, 6); a time outside the nodes gives NaN.
    """
    position = (time - start) / spacing
    last = values.shape[0] - 1
    if not 0.0 <= position <= last:
        out[:] = np.nan
        return
    node = min(int(position), last - 1)
    hermite(values, rates, node, position - node, spacing, out)


@kernel
def state_at(values, rates, start, spacing, time, mu, radius, zonals, elements, out):
    """Fill ``out`` with the osculating state of one object at a time [s]: the one trajectory of the library."""
    interpolate(values, rates, start, spacing, time, elements)
    state(elements, mu, radius, zonals, out)


@allocating_kernel
def states(values, rates, start, spacing, times, mu, radius, zonals, out):
    """Fill ``out`` of shape (objects, times, 6) with osculating states."""
    elements = np.empty(6)
    for j in range(values.shape[0]):
        for k in range(times.size):
            state_at(values[j], rates[j], start, spacing, times[k], mu, radius, zonals, elements, out[j, k])


@kernel
def means(values, rates, start, spacing, times, out):
    """Fill ``out`` of shape (times, 6) with mean elements of one object."""
    for k in range(times.size):
        interpolate(values, rates, start, spacing, times[k], out[k])


@kernel
def means_from_states(osculating, mu, radius, zonals, out):
    """Fill ``out`` of shape (n, 6) with mean elements of states of shape (n, 6); NaN where unbound."""
    for j in range(osculating.shape[0]):
        mean_from_state(osculating[j], mu, radius, zonals, out[j])


@allocating_kernel
def mean_rates(elements, properties, times, model, out):
    """Fill ``out`` (n, 6) with the rates of ``[a, ex, ey, i, raan, u]`` of free objects (n, 6) at times (n,)."""
    y, rate, more, scratch = np.empty(6), np.empty(6), np.empty(6), np.empty((3, 16))
    column, column_rates, air_work = np.empty((6, 1)), np.empty((6, 1)), np.empty((6, _MOST_ANOMALIES))
    functions, points = np.empty((model.degree.size + 1, 6)), np.empty((18, 1))
    for j in range(elements.shape[0]):
        retrograde = 1.0 if elements[j, 3] <= 0.5 * np.pi else -1.0
        zonal_functions(elements[j, 0], elements[j, 3], model, functions)
        to_equinoctial(elements[j], retrograde, y)
        earth_rates(times[j], y, retrograde, properties[j], False, True, functions, model, scratch, air_work, rate)
        if model.sun_mu > 0.0 or model.moon_mu > 0.0:
            points[:6, 0] = y
            place_bodies(times[j], model, points, 0)
            bodies_rates(points, 1, retrograde, False, model.mu, model.sun_mu, model.moon_mu)
            rate += points[12:, 0]
        if model.radiation > 0.0 and properties[j, 1] > 0.0:
            sunlight_rates(times[j], y, retrograde, properties[j], model, more)
            rate += more
        rate[5] += np.sqrt(model.mu / y[0]) / y[0]
        column[:, 0], column_rates[:, 0] = y, rate
        to_public(column, column_rates, 1, retrograde, elements[j, 4:5])
        out[j] = column_rates[:, 0]
