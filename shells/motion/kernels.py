"""Compiled kernels of motion: rates of mean elements, integration, short-period terms, states.

Units: km, s, radians. Frame: true equator and equinox of the study epoch, treated as inertial. Elements in a row are
``[a, ex, ey, i, raan, u]`` with u the mean argument of latitude; the integrator works in equinoctial elements
``[a, h, k, p, q, lambda]`` with retrograde factor +1 or -1, which are regular for circular and equatorial orbits.
All kernels of the room stand in this file, because numba does not see changes across files.

References
----------
.. [1] W. M. Kaula, Theory of Satellite Geodesy, 1966: averaged zonal potential, planetary equations.
.. [2] D. Brouwer, Solution of the problem of artificial satellite theory without drag, AJ 64, 378, 1959: the generating
   function of the first-order short-period terms of J2.
.. [3] I. G. Izsak, A note on perturbation theory, AJ 68, 559, 1963: short-period terms in polar-nodal variables.
.. [4] J. R. Dormand, P. J. Prince, A family of embedded Runge-Kutta formulae, J. Comp. Appl. Math. 6, 19, 1980.
.. [5] L. F. Shampine, Some practical Runge-Kutta formulas, Math. Comp. 46, 135, 1986: dense output of [4].
.. [6] R. H. Battin, An Introduction to the Mathematics and Methods of Astrodynamics, 1999: Gauss's equations.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shells.compiled import kernel

TWO_PI = 2.0 * np.pi

#: Below this sine of the inclination the node is undefined in practice and its rate is reported as that at the limit.
SMALL_SINE = 1e-9

#: The air above this height moves no orbit within a century.
AIR_CEILING = 2500.0

#: Longest step of the mean-element integrator: the eccentricity vector turns by less than an eighth of a turn in it.
LONGEST_STEP = 5.0 * 86400.0


class Model(NamedTuple):
    """Constants of the force model, in km, s and radians.

    Parameters
    ----------
    mu, radius : float
        Gravitational parameter [km3 s-2] and the radius [km] that the zonals belong to.
    zonals : ndarray, shape (16,)
        Unnormalised J_n [1].
    degree, order : ndarray, shape (pairs,)
        Degree n and multiple k of the argument of perigee of each term of the averaged zonal potential.
    inclination, eccentricity : ndarray, shape (pairs, 8)
        Coefficients of the polynomials in sin^2 i and e^2 of each term.
    air_height, air_density, air_scale : ndarray, shape (layers,)
        Base height [km], density [kg m-3] and scale height [km] of each layer; density zero switches drag off.
    rotation : float
        Rotation rate of Earth and air [rad s-1].
    equatorial_radius, flattening : float
        Ellipsoid [km], [1] above which heights are taken.
    """

    mu: float
    radius: float
    zonals: NDArray[np.float64]
    degree: NDArray[np.int64]
    order: NDArray[np.int64]
    inclination: NDArray[np.float64]
    eccentricity: NDArray[np.float64]
    air_height: NDArray[np.float64]
    air_density: NDArray[np.float64]
    air_scale: NDArray[np.float64]
    rotation: float
    equatorial_radius: float
    flattening: float


# --- rates of the mean elements -------------------------------------------------------------------------------------


@kernel
def polynomial(coefficients, x):
    """Return a polynomial and its derivative at x, lowest power first."""
    value, slope = 0.0, 0.0
    for j in range(coefficients.size - 1, -1, -1):
        slope = slope * x + value
        value = value * x + coefficients[j]
    return value, slope


@kernel
def add_zonal_rates(a, ex, ey, cos_i, sin_i, model, powers, out):
    """Add the averaged zonal rates to ``out = [a', x', y', i', d, u']``.

    x' and y' are the rates of (ex, ey) in the turning node's absence, d = sin i raan', u' likewise: the full rates are
    ex' = x' + ey cot i d, ey' = y' - ex cot i d, raan' = d / sin i, u_total' = u' - cot i d. All six are regular at
    e = 0 and i = 0. [1] section 3.3, with the planetary equations in (ex, ey, u). ``powers`` is scratch, (3, 14).
    """
    e2 = ex * ex + ey * ey
    eta2 = 1.0 - e2
    eta = np.sqrt(eta2)
    z = sin_i * sin_i
    mean_motion = np.sqrt(model.mu / a) / a

    # powers of (ex + i ey) and sin i up to the first e^k that is beyond the last digit of the largest term
    real, imag, sine = powers[0], powers[1], powers[2]
    real[0], imag[0], sine[0] = 1.0, 0.0, 1.0
    highest, size = 0, 1.0
    while highest < 13 and size > 1e-24:
        highest += 1
        size *= e2
        real[highest] = real[highest - 1] * ex - imag[highest - 1] * ey
        imag[highest] = real[highest - 1] * ey + imag[highest - 1] * ex
        sine[highest] = sine[highest - 1] * sin_i

    potential_a = potential_x = potential_y = potential_i = potential_w = 0.0
    degree, ratio = 0, -model.mu / a * eta
    for pair in range(model.degree.size):
        n, k = model.degree[pair], model.order[pair]
        while degree < n:
            degree += 1
            ratio *= model.radius / (a * eta2)
        if model.zonals[n] == 0.0 or k > highest:
            continue
        factor = ratio * model.zonals[n]
        incl, incl_slope = polynomial(model.inclination[pair], z)
        ecc, ecc_slope = polynomial(model.eccentricity[pair], e2)
        less = max(k - 1, 0)
        if n % 2 == 0:
            g, g_x, g_y, g_w = real[k], k * real[less], -k * imag[less], -k * imag[k]
        else:
            g, g_x, g_y, g_w = imag[k], k * imag[less], k * real[less], k * real[k]

        term = factor * sine[k] * incl * ecc
        potential_a -= (n + 1) / a * term * g
        common = factor * sine[k] * incl * g * (2.0 * ecc_slope + (2 * n - 1) / eta2 * ecc)
        potential_x += common * ex + term * g_x
        potential_y += common * ey + term * g_y
        potential_i += factor * ecc * cos_i * g * (2.0 * sin_i * sine[k] * incl_slope + k * sine[less] * incl)
        potential_w += factor * ecc * incl * sine[less] * g_w  # over sin i; zero for k = 0

    scale = 1.0 / (mean_motion * a * a)
    out[1] -= eta * scale * potential_y
    out[2] += eta * scale * potential_x
    out[3] += scale / eta * cos_i * potential_w
    out[4] += scale / eta * potential_i
    out[5] += (
        mean_motion + eta / (1.0 + eta) * scale * (ex * potential_x + ey * potential_y) - 2.0 * a * scale * potential_a
    )


@kernel
def density(height, air_height, air_density, air_scale):
    """Return the density [kg m-3] of the piecewise exponential table at a height [km]."""
    low, high = 0, air_height.size - 1
    while low < high:
        middle = (low + high + 1) // 2
        if air_height[middle] <= height:
            low = middle
        else:
            high = middle - 1
    return air_density[low] * np.exp(-(height - air_height[low]) / air_scale[low])


@kernel
def radial_short_period(p, kappa, eta, z, cos_2theta, model):
    """Return the first-order J2 short-period term of the radius [km]; [3], `short_period` without the rest."""
    phi_s = 1.0 + kappa / (1.0 + eta) + 2.0 * eta / (1.0 + kappa)
    return model.zonals[2] * model.radius**2 / (2.0 * p) * ((1.5 * z - 1.0) * phi_s + 0.5 * z * cos_2theta)


@kernel
def radial_short_period_bound(a, e, sin_i, radius, j2):
    """Return a bound [km] of the first-order J2 short-period term of the radius over all of the orbit."""
    eta = np.sqrt(1.0 - e * e)
    z = sin_i * sin_i
    phi_s = 1.0 + e / (1.0 + eta) + 2.0 * eta / (1.0 - e)
    return j2 * radius**2 / (2.0 * a * eta * eta) * (abs(1.5 * z - 1.0) * phi_s + 0.5 * z)


@kernel
def add_drag_rates(a, ex, ey, cos_i, sin_i, ballistic, model, out):
    """Add the drag rates, averaged over the orbit by quadrature in eccentric anomaly, to ``out`` (as the zonal ones).

    Oblate Earth, co-rotating air, radius with the J2 short-period term; Gauss's equations [6] section 10.4. `ballistic`
    is drag coefficient times area-to-mass ratio [m2 kg-1].
    """
    e = np.sqrt(ex * ex + ey * ey)
    if ballistic == 0.0 or a * (1.0 - e) - model.equatorial_radius > AIR_CEILING:
        return
    cos_w, sin_w = (ex / e, ey / e) if e > 1e-12 else (1.0, 0.0)
    eta = np.sqrt(1.0 - e * e)
    p = a * eta * eta
    momentum = np.sqrt(model.mu * p)
    speed = model.mu / momentum
    polar = 1.0 / (1.0 - model.flattening) ** 2 - 1.0
    z = sin_i * sin_i
    # the density peaks over sqrt(H / a e) of eccentric anomaly; the trapezoid rule then converges exponentially
    points = 4 * int(3.0 + 2.0 * np.sqrt(a * e / 30.0))
    step = TWO_PI / points
    cos_step, sin_step = np.cos(step), np.sin(step)
    cos_e, sin_e = np.cos(0.5 * step), np.sin(0.5 * step)
    for _ in range(points):
        r = a * (1.0 - e * cos_e)
        cos_f, sin_f = a * (cos_e - e) / r, a * eta * sin_e / r
        cos_t, sin_t = cos_f * cos_w - sin_f * sin_w, sin_f * cos_w + cos_f * sin_w
        kappa = p / r - 1.0
        true_radius = r + radial_short_period(p, kappa, eta, z, cos_t * cos_t - sin_t * sin_t, model)
        ground = model.equatorial_radius / np.sqrt(1.0 + polar * z * sin_t * sin_t)
        height = true_radius - ground
        if height < AIR_CEILING:
            v_r = speed * e * sin_f
            v_t = speed * (1.0 + kappa) - model.rotation * r * cos_i
            v_n = model.rotation * r * sin_i * cos_t
            air = density(height, model.air_height, model.air_density, model.air_scale)
            # kg m-3 times m2 kg-1 is m-1: 1000 km-1; weight of equal steps in E is r / a
            force = -0.5 * 1000.0 * air * ballistic * np.sqrt(v_r * v_r + v_t * v_t + v_n * v_n) * r / (a * points)
            a_r, a_t, a_n = force * v_r, force * v_t, force * v_n
            out[0] += 2.0 * a * a / momentum * (e * sin_f * a_r + (1.0 + kappa) * a_t)
            out[1] += (p * sin_t * a_r + ((p + r) * cos_t + r * ex) * a_t) / momentum
            out[2] += (-p * cos_t * a_r + ((p + r) * sin_t + r * ey) * a_t) / momentum
            out[3] += r * cos_t * a_n / momentum
            out[4] += r * sin_t * a_n / momentum
        cos_e, sin_e = cos_e * cos_step - sin_e * sin_step, sin_e * cos_step + cos_e * sin_step


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


@kernel
def node_frame(y, retrograde):
    """Return tan half-angle, cos i, sin i, cos raan, sin raan of equinoctial elements; raan is 0 where undefined."""
    tangent = np.sqrt(y[3] * y[3] + y[4] * y[4])
    square = tangent * tangent
    cos_i = retrograde * (1.0 - square) / (1.0 + square)
    sin_i = 2.0 * tangent / (1.0 + square)
    if tangent > 0.0:
        return tangent, cos_i, sin_i, y[4] / tangent, y[3] / tangent
    return tangent, cos_i, sin_i, 1.0, 0.0


@kernel
def equinoctial_rates(y, retrograde, ballistic, held, model, scratch, out):
    """Fill ``out`` with the rates of the equinoctial elements under the forces of the model.

    A held satellite keeps a, the eccentricity vector and the inclination; its node and phase move with its plane.
    """
    tangent, cos_i, sin_i, cos_node, sin_node = node_frame(y, retrograde)
    turn = retrograde * sin_node
    ex = y[2] * cos_node + y[1] * turn
    ey = y[1] * cos_node - y[2] * turn
    work, powers = scratch[3, :6], scratch[:3]
    work[:] = 0.0
    add_zonal_rates(y[0], ex, ey, cos_i, sin_i, model, powers, work)
    if held:
        work[0] = work[3] = 0.0
        rotation = cos_i * work[4] / max(sin_i, SMALL_SINE)  # keeps (ex, ey) while the node turns
        work[1], work[2] = -rotation * ey, rotation * ex
    else:
        add_drag_rates(y[0], ex, ey, cos_i, sin_i, ballistic, model, work)
    turning = retrograde * tangent * work[4]
    x_rate, y_rate = work[1] - turning * ey, work[2] + turning * ex
    growth = 0.5 * (1.0 + tangent * tangent)
    out[0] = work[0]
    out[1] = y_rate * cos_node + x_rate * turn
    out[2] = x_rate * cos_node - y_rate * turn
    out[3] = growth * (retrograde * work[3] * sin_node + work[4] * cos_node)
    out[4] = growth * (retrograde * work[3] * cos_node - work[4] * sin_node)
    out[5] = work[5] + turning


@kernel
def to_public(y, rate, retrograde, elements, rates):
    """Fill ``elements`` and ``rates`` with ``[a, ex, ey, i, raan, u]`` and rates of equinoctial elements and rates.

    ``elements`` holds the previous node's values on entry, so that raan and u stay continuous.
    """
    tangent, cos_i, sin_i, cos_node, sin_node = node_frame(y, retrograde)
    turn = retrograde * sin_node
    node = np.arctan2(sin_node, cos_node)
    node += TWO_PI * np.round((elements[4] - node) / TWO_PI)
    growth = 0.5 * (1.0 + tangent * tangent)
    i_rate = retrograde * (rate[3] * sin_node + rate[4] * cos_node) / growth
    node_rate = (rate[3] * cos_node - rate[4] * sin_node) / (growth * max(sin_i, SMALL_SINE))
    ex = y[2] * cos_node + y[1] * turn
    ey = y[1] * cos_node - y[2] * turn
    turning = retrograde * node_rate
    elements[0], rates[0] = y[0], rate[0]
    elements[1], rates[1] = ex, rate[2] * cos_node + rate[1] * turn + turning * ey
    elements[2], rates[2] = ey, rate[1] * cos_node - rate[2] * turn - turning * ex
    elements[3], rates[3] = np.arctan2(sin_i, cos_i), i_rate
    elements[4], rates[4] = node, node_rate
    elements[5], rates[5] = y[5] - retrograde * node, rate[5] - turning


# --- integration ------------------------------------------------------------------------------------------------------

# Dormand & Prince 5(4) [4], and the weights of the continuous extension of order 4 [5]
_A = np.array(
    [
        [0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        [1 / 5, 0.0, 0.0, 0.0, 0.0, 0.0],
        [3 / 40, 9 / 40, 0.0, 0.0, 0.0, 0.0],
        [44 / 45, -56 / 15, 32 / 9, 0.0, 0.0, 0.0],
        [19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729, 0.0, 0.0],
        [9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656, 0.0],
        [35 / 384, 0.0, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84],
    ]
)
_ERROR = np.array([71 / 57600, 0.0, -71 / 16695, 71 / 1920, -17253 / 339200, 22 / 525, -1 / 40])
_DENSE = np.array(
    [
        [1.0, -8048581381 / 2820520608, 8663915743 / 2820520608, -12715105075 / 11282082432],
        [0.0, 0.0, 0.0, 0.0],
        [0.0, 131558114200 / 32700410799, -68118460800 / 10900136933, 87487479700 / 32700410799],
        [0.0, -1754552775 / 470086768, 14199869525 / 1410260304, -10690763975 / 1880347072],
        [0.0, 127303824393 / 49829197408, -318862633887 / 49829197408, 701980252875 / 199316789632],
        [0.0, -282668133 / 205662961, 2019193451 / 616988883, -1453857185 / 822651844],
        [0.0, 40617522 / 29380423, -110615467 / 29380423, 69997945 / 29380423],
    ]
)

# error allowed in one step: 1 cm in a and across the track, 0.7 m along it; a year of steps adds up to metres
_TOLERANCE = np.array([1e-5, 1e-9, 1e-9, 1e-9, 1e-9, 1e-7])

#: Shortest step [s] before an orbit counts as ended; only the last minutes of a re-entry come near it.
SHORTEST_STEP = 10.0


@kernel
def attempt_step(y, stages, step, retrograde, ballistic, held, model, trial, scratch):
    """Do one Dormand-Prince step from y, filling ``stages`` and ``trial``; return the error relative to tolerance."""
    for stage in range(7):
        for c in range(6):
            total = 0.0
            for s in range(stage):
                total += _A[stage, s] * stages[s, c]
            trial[c] = y[c] + step * total
        if not (trial[0] > 1000.0 and trial[1] ** 2 + trial[2] ** 2 < 0.98):
            return np.inf
        equinoctial_rates(trial, retrograde, ballistic, held, model, scratch, stages[stage])
    error = 0.0
    for c in range(6):
        total = 0.0
        for s in range(7):
            total += _ERROR[s] * stages[s, c]
        error = max(error, abs(step * total) / _TOLERANCE[c])
    return error


@kernel
def dense(y, stages, step, fraction, value, rate):
    """Fill ``value`` and ``rate`` at a fraction of a finished step [5]."""
    for c in range(6):
        total, slope = 0.0, 0.0
        for s in range(7):
            b = _DENSE[s]
            total += fraction * (b[0] + fraction * (b[1] + fraction * (b[2] + fraction * b[3]))) * stages[s, c]
            slope += (b[0] + fraction * (2.0 * b[1] + fraction * (3.0 * b[2] + fraction * 4.0 * b[3]))) * stages[s, c]
        value[c] = y[c] + step * total
        rate[c] = slope


@kernel
def perigee_height(y, equatorial_radius):
    """Return the height of the mean perigee [km] of equinoctial elements above the equatorial radius."""
    return y[0] * (1.0 - np.sqrt(y[1] * y[1] + y[2] * y[2])) - equatorial_radius


@kernel
def integrate(elements, ballistic, held_from, held_until, times, end_height, model, values, rates):
    """Integrate one object's mean elements over nodes in time.

    Parameters
    ----------
    elements : shape (6,)
        ``[a, ex, ey, i, raan, u]`` at ``times[0]``.
    ballistic : float
        Drag coefficient times area-to-mass ratio [m2 kg-1].
    held_from, held_until : float
        Station-kept between these times [s]; NaN for never.
    times : shape (nodes,)
        Ascending [s].
    end_height : float
        Height [km] of the mean perigee at which the object ends.
    values, rates : shape (nodes, 6)
        Filled; NaN after the end.

    Returns
    -------
    float
        Time of the end [s], NaN when it stays up.
    """
    retrograde = 1.0 if elements[3] <= 0.5 * np.pi else -1.0
    y, trial, scratch = np.empty(6), np.empty(6), np.empty((4, 14))
    value, rate, public = np.empty(6), np.empty(6), elements.copy()
    stages = np.empty((7, 6))
    to_equinoctial(elements, retrograde, y)
    values[:] = np.nan
    rates[:] = np.nan
    time, end = times[0], times[-1]
    step, node = LONGEST_STEP, 0
    if perigee_height(y, model.equatorial_radius) <= end_height:
        return time
    while node < times.size:
        held = held_from <= time < held_until
        border = end
        if time < held_from < border:
            border = held_from
        if held and held_until < border:
            border = held_until
        if border <= time:  # the last node is the starting point itself, or was reached exactly
            border = time + 1.0
        while True:
            step = min(step, LONGEST_STEP, border - time)
            error = attempt_step(y, stages, step, retrograde, ballistic, held, model, trial, scratch)
            if error <= 1.0:
                break
            step *= 0.1 if error == np.inf else max(0.2, 0.9 * error**-0.2)
            if step < SHORTEST_STEP and border - time > SHORTEST_STEP:
                return time
        ended = perigee_height(trial, model.equatorial_radius) <= end_height
        fraction_end = 1.0
        if ended:
            low = 0.0
            for _ in range(40):
                middle = 0.5 * (low + fraction_end)
                dense(y, stages, step, middle, value, rate)
                if perigee_height(value, model.equatorial_radius) <= end_height:
                    fraction_end = middle
                else:
                    low = middle
        reached = border if step == border - time and not ended else time + fraction_end * step
        while node < times.size and times[node] <= reached:
            dense(y, stages, step, (times[node] - time) / step, value, rate)
            to_public(value, rate, retrograde, public, rates[node])
            values[node] = public
            node += 1
        if ended:
            return reached
        y[:] = trial
        time = reached
        step *= min(5.0, 0.9 * max(error, 1e-10) ** -0.2)
    return np.nan


@kernel
def integrate_all(elements, ballistic, held_from, held_until, times, end_height, model, values, rates, ends):
    """Integrate many objects (first axis of every array but ``times``); see `integrate`."""
    for j in range(elements.shape[0]):
        ends[j] = integrate(
            elements[j], ballistic[j], held_from[j], held_until[j], times, end_height, model, values[j], rates[j]
        )


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
def short_period(p, kappa, sigma, eta, centre, sin_t, cos_t, cos_i, sin_i, mu, radius, j2):
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
def turn(sine, cosine, angle):
    """Return sine and cosine of an angle after a small turn; series to the fifth power, exact below 0.01 rad."""
    square = angle * angle
    s = angle * (1.0 - square / 6.0 * (1.0 - square / 20.0))
    c = 1.0 - 0.5 * square * (1.0 - square / 12.0 * (1.0 - square / 30.0))
    return sine * c + cosine * s, cosine * c - sine * s


@kernel
def state(elements, mu, radius, j2, out):
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
    terms = short_period(p, kappa, sigma, eta, centre, sin_t, cos_t, cos_i, sin_i, mu, radius, j2)

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
def mean_from_state(osculating, mu, radius, j2, out):
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
        terms = short_period(p, kappa, sigma, eta, centre, sin_t, cos_t, np.cos(i_m), np.sin(i_m), mu, radius, j2)
        r_m, theta_m, node_m = r - terms[0], theta - terms[1], node - terms[2]
        i_m, v_m, h_m = i - terms[3], v_r - terms[4], momentum - terms[5]
        if abs(a - settled) < 1e-9:
            break
        settled = a
    return True


@kernel
def hermite(values, rates, node, fraction, spacing, out):
    """Fill ``out`` with the mean elements of one object at a fraction of the window from a node to the next."""
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
def state_at(values, rates, start, spacing, time, mu, radius, j2, elements, out):
    """Fill ``out`` with the osculating state of one object at a time [s]: the one trajectory of the library."""
    interpolate(values, rates, start, spacing, time, elements)
    state(elements, mu, radius, j2, out)


@kernel
def states(values, rates, start, spacing, times, mu, radius, j2, out):
    """Fill ``out`` of shape (objects, times, 6) with osculating states."""
    elements = np.empty(6)
    for j in range(values.shape[0]):
        for k in range(times.size):
            state_at(values[j], rates[j], start, spacing, times[k], mu, radius, j2, elements, out[j, k])


@kernel
def means_from_states(osculating, mu, radius, j2, out):
    """Fill ``out`` of shape (n, 6) with mean elements of states of shape (n, 6); NaN where unbound."""
    for j in range(osculating.shape[0]):
        mean_from_state(osculating[j], mu, radius, j2, out[j])


@kernel
def mean_rates(elements, ballistic, model, out):
    """Fill ``out`` of shape (n, 6) with the rates of ``[a, ex, ey, i, raan, u]`` of free objects of shape (n, 6)."""
    y, rate, public, scratch = np.empty(6), np.empty(6), np.empty(6), np.empty((4, 14))
    for j in range(elements.shape[0]):
        retrograde = 1.0 if elements[j, 3] <= 0.5 * np.pi else -1.0
        to_equinoctial(elements[j], retrograde, y)
        equinoctial_rates(y, retrograde, ballistic[j], False, model, scratch, rate)
        public[:] = elements[j]
        to_public(y, rate, retrograde, public, out[j])
