"""Compiled kernels of the rates of mean elements: forces averaged over the orbit.

Air and sunlight have rooms of their own.

Units: km, s, radians. Frame: true equator and equinox of the study epoch, treated as inertial. Elements in a row are
``[a, ex, ey, i, raan, u]`` with u the mean argument of latitude; the integrator works in equinoctial elements
``[a, h, k, p, q, lambda]`` with retrograde factor +1 or -1, which are regular for circular and equatorial orbits.

References
----------
.. [1] W. M. Kaula, Theory of Satellite Geodesy, 1966: averaged zonal potential, planetary equations.
.. [2] D. Brouwer, Solution of the problem of artificial satellite theory without drag, AJ 64, 378, 1959: averaged
   potential of second order.
.. [3] Y. Kozai, Second-order solution of artificial satellite theory without air drag, AJ 67, 446, 1962: as [2].
.. [4] S. Tremaine, T. D. Yavetz, Why do Earth satellites stay up?, American Journal of Physics 82, 769, 2014: averaged
   potential of a third body in vectors, degree 2; degree 3 by the same average.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shells.compiled import allocating_kernel, inlined_kernel, inner_kernel
from shells.motion.air.kernels import MOST_ANOMALIES, drag_rates
from shells.motion.equinoctial.kernels import (
    SMALL_SINE,
    eccentricity_vector,
    equinoctial_rates,
    node_frame,
    to_equinoctial,
    to_public,
)
from shells.motion.ripple.kernels import secular_terms
from shells.motion.sunlight.kernels import radiation_rates


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

    [1] section 3.3 for the first order; [2] page 386 and [3] for the second order of J2. ``functions`` are those of
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

    The body stands at ``along, ahead, normal`` [km] in the frame of the orbit. [4]: R = (3/4) mu a^2 / d^3
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
        third = a / (0.75 * d)
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
def hold(cos_i, sin_i, ex, ey, drifting, rates):
    """Return of rates ``(a', x', y', i', d, u')`` those of a held satellite, whose node and phase move freely.

    Unless its plane is ``drifting``, propellant holds the inclination.
    """
    rotation = cos_i * rates[4] / max(sin_i, SMALL_SINE)  # keeps (ex, ey) while the node turns
    return 0.0, -rotation * ey, rotation * ex, rates[3] if drifting else 0.0, rates[4], rates[5]


@inlined_kernel
def earth_rates(time, y, retrograde, properties, held, drifting, functions, model, scratch, air_work, out):
    """Fill ``out`` with the rates of the equinoctial elements by zonals and air, the mean motion left out.

    ``properties`` are drag and reflectivity coefficients times area-to-mass ratio [m2 kg-1]. A held satellite keeps a
    and the eccentricity vector; its node and phase move with its plane, its inclination where that is ``drifting``.
    ``functions`` are those of `zonal_functions` near by; scratch are ``scratch`` (3, 16) and ``air_work``
    (6, MOST_ANOMALIES).
    """
    tangent, cos_i, sin_i, cos_node, sin_node = node_frame(y[3], y[4], retrograde)
    ex, ey = eccentricity_vector(y[1], y[2], cos_node, sin_node, retrograde)
    rates = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    if model.zonals[2] != 0.0:
        last = model.degree.size
        # the sine of the difference of inclination, which the caller keeps so small that a parabola will do
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
    out[0], out[1], out[2], out[3], out[4], out[5] = equinoctial_rates(
        ex, ey, rates, tangent, sin_node, cos_node, retrograde
    )


@inlined_kernel
def sunlight_rates(time, y, retrograde, properties, model, out):
    """Fill ``out`` with the rates of the equinoctial elements by sunlight."""
    tangent, cos_i, sin_i, cos_node, sin_node = node_frame(y[3], y[4], retrograde)
    ex, ey = eccentricity_vector(y[1], y[2], cos_node, sin_node, retrograde)
    sun = body_at(model.sun, model.ephemeris_spacing, time)
    along, ahead, normal = in_orbit_frame(sun, cos_node, sin_node, cos_i, sin_i)
    rates = radiation_rates(y[0], ex, ey, along, ahead, normal, properties[1], model)
    out[0], out[1], out[2], out[3], out[4], out[5] = equinoctial_rates(
        ex, ey, rates, tangent, sin_node, cos_node, retrograde
    )


@inlined_kernel
def place_bodies(time, model, points, m):
    """Fill rows 6 to 11 of column m of ``points`` with the places [km] of Sun and Moon at a time."""
    points[6, m], points[7, m], points[8, m] = body_at(model.sun, model.ephemeris_spacing, time)
    points[9, m], points[10, m], points[11, m] = body_at(model.moon, model.ephemeris_spacing, time)


@inner_kernel
def bodies_rates(points, count, retrograde, held, mu, sun_mu, moon_mu):
    """Fill rows 12 to 17 of ``points`` with the rates of equinoctial elements, rows 0 to 5, by Sun and Moon.

    The first ``count`` columns; the Sun to degree 2, the Moon to degree 3, places in rows 6 to 11. The compiler does
    several columns in one instruction.
    """
    for m in range(count):
        tangent, cos_i, sin_i, cos_node, sin_node = node_frame(points[3, m], points[4, m], retrograde)
        a = points[0, m]
        ex, ey = eccentricity_vector(points[1, m], points[2, m], cos_node, sin_node, retrograde)
        place = in_orbit_frame((points[6, m], points[7, m], points[8, m]), cos_node, sin_node, cos_i, sin_i)
        s = body_gradient(a, ex, ey, place[0], place[1], place[2], sun_mu, False)
        place = in_orbit_frame((points[9, m], points[10, m], points[11, m]), cos_node, sin_node, cos_i, sin_i)
        g = body_gradient(a, ex, ey, place[0], place[1], place[2], moon_mu, True)
        grad = (s[0] + g[0], s[1] + g[1], s[2] + g[2], s[3] + g[3], s[4] + g[4])
        rates = conservative_rates(a, ex, ey, grad, mu)
        if held:
            rates = hold(cos_i, sin_i, ex, ey, True, rates)
        points[12, m], points[13, m], points[14, m], points[15, m], points[16, m], points[17, m] = equinoctial_rates(
            ex, ey, rates, tangent, sin_node, cos_node, retrograde
        )


@allocating_kernel
def mean_rates(elements, properties, times, model, out):
    """Fill ``out`` (n, 6) with the rates of ``[a, ex, ey, i, raan, u]`` of free objects (n, 6) at times (n,)."""
    y, rate, more, scratch = np.empty(6), np.empty(6), np.empty(6), np.empty((3, 16))
    column, column_rates, air_work = np.empty((6, 1)), np.empty((6, 1)), np.empty((6, MOST_ANOMALIES))
    functions, points = np.empty((model.degree.size + 1, 6)), np.empty((18, 1))
    held = np.bool_(False)  # numba would compile for a plain False what the integration needs for a variable anyway
    for j in range(elements.shape[0]):
        retrograde = 1.0 if elements[j, 3] <= 0.5 * np.pi else -1.0
        zonal_functions(elements[j, 0], elements[j, 3], model, functions)
        to_equinoctial(elements[j], retrograde, y)
        earth_rates(times[j], y, retrograde, properties[j], held, not held, functions, model, scratch, air_work, rate)
        if model.sun_mu > 0.0 or model.moon_mu > 0.0:
            for c in range(6):
                points[c, 0] = y[c]
            for m in range(points.shape[1]):
                place_bodies(times[j], model, points, m)
            bodies_rates(points, points.shape[1], retrograde, held, model.mu, model.sun_mu, model.moon_mu)
            for c in range(6):
                rate[c] += points[12 + c, 0]
        if model.radiation > 0.0 and properties[j, 1] > 0.0:
            sunlight_rates(times[j], y, retrograde, properties[j], model, more)
            for c in range(6):
                rate[c] += more[c]
        rate[5] += np.sqrt(model.mu / y[0]) / y[0]
        for c in range(6):
            column[c, 0], column_rates[c, 0] = y[c], rate[c]
        to_public(column, column_rates, retrograde, elements[j, 4:5])
        for c in range(6):
            out[j, c] = column_rates[c, 0]
