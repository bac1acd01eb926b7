"""Compiled kernels of states: short-period terms, osculating from mean elements and back, interpolation in time.

Units: km, s, radians. Frame: true equator and equinox of the study epoch, treated as inertial. Elements in a row are
``[a, ex, ey, i, raan, u]`` with u the mean argument of latitude. The rates of mean elements stand in
``averaged/kernels.py`` and ``sunlight/kernels.py``, their integration in ``integration/kernels.py``, the small periodic
and secular terms in ``ripple/kernels.py``.

References
----------
.. [1] D. Brouwer, Solution of the problem of artificial satellite theory without drag, AJ 64, 378, 1959: the generating
   function of the first-order short-period terms of J2.
.. [2] I. G. Izsak, A note on perturbation theory, AJ 68, 559, 1963: short-period terms in polar-nodal variables.
"""

import numpy as np

from shells.compiled import allocating_kernel, inner_kernel, kernel
from shells.motion.equinoctial.kernels import SMALL_SINE
from shells.motion.ripple.kernels import near_circular_terms

#: Below this sine of the inclination elements that need no node are interpolated.
EQUATORIAL_SINE = 0.02


@inner_kernel
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

    The generating function [1] is W = G (J2 R^2 / 2 p^2) B with B = (3/2 s^2 - 1)(f - l + e sin f)
    - 3/4 s^2 [(1 + 4/3 kappa) sin 2 theta - 2/3 sigma cos 2 theta], kappa = e cos f, sigma = e sin f; the terms are its
    partial derivatives in polar-nodal variables [2], regular for all e < 1 and all inclinations.

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


@inner_kernel
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


@inner_kernel
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


@inner_kernel
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


@inner_kernel
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
