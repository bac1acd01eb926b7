"""Compiled kernels of the integration of mean elements.

Collocation at Gauss points [1] on elements from which the secular turn by the zonals is taken out: in axes that turn
with the node, (p, q), and with perigee about the frozen point, (h, k), only small slow forces are left, and steps of
weeks hold metres. The forces of the sky hardly depend on where in the step the orbit is thought to be: they are taken
once, on a first guess, Sun and Moon (she comes round in two weeks, and the axes turn) at eight points, sunlight at
three. The Earth's, zonals and air, are taken at three points, on the last step's polynomial drawn on, and again only
where that guess proves poor.

Units: km, s, radians; elements as in ``averaged/kernels.py``.

References
----------
.. [1] E. Hairer, S. P. Norsett, G. Wanner, Solving Ordinary Differential Equations I, 1993, section II.7: collocation.
"""

from typing import NamedTuple

import numpy as np
from numpy.polynomial import legendre

from shells.compiled import allocating_kernel, inlined_kernel, inner_kernel
from shells.motion.air.kernels import MOST_ANOMALIES
from shells.motion.averaged.kernels import (
    bodies_rates,
    earth_rates,
    place_bodies,
    sunlight_rates,
    zonal_functions,
    zonal_gradient,
)
from shells.motion.equinoctial.kernels import node_frame, to_equinoctial, to_public
from shells.motion.series.kernels import LEGENDRE_FALL, LEGENDRE_RISE, TWO_PI, sine_and_cosine


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


#: Points of a step at which the Earth's forces and sunlight are taken, and those of Sun and Moon.
SLOW, FAST = 3, 8

#: Nodes that are filled side by side: daily ones of the longest step, and a few more.
COLUMNS = 32

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

#: A step is kept up to this error relative to what is allowed: the highest mode is an order above what is left out.
KEPT_ERROR = 4.0

#: A first guess so many times poorer than allowed costs a second pass, and does not shorten the next step.
POOR_GUESS = 8.0

#: The next step aims at this share of the allowed error, and is so many times as long as this one at least and at most.
AIM, SHRINK, GROW = 0.8, 0.4, 2.0

#: The functions of inclination are parabolas, good this far from where they were taken [rad]; so is what depends on the
#: semi-major axis [km].
INCLINATION_REACH, AXIS_REACH = 1e-3, 5.0

#: Beyond this eccentricity a linear frozen point is none.
LARGEST_FROZEN = 0.02


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


@inner_kernel
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
    frozen = -forced / perigee if abs(forced) < LARGEST_FROZEN * abs(perigee) else 0.0
    return frozen, perigee - strength * (2.0 - 2.5 * sin_i * sin_i), node + strength * cos_i


@inner_kernel
def turn_of(y, retrograde, held, reference, model):
    """Return the turning axes of a step from here; ``reference`` is what `frozen_point` gave."""
    _, cos_i, sin_i, cos_node, sin_node = node_frame(y[3], y[4], retrograde)
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
def axes_at(lapse, turn, out):
    """Fill ``out`` (6,) after a lapse: cosines and sines of the turns of node and perigee, the frozen point."""
    cosine, sine = np.cos(turn.node * lapse), np.sin(turn.node * lapse)
    out[0], out[1] = cosine, sine
    out[2], out[3] = np.cos(turn.perigee * lapse), np.sin(turn.perigee * lapse)
    # the frozen point turns with the node, backwards for retrograde elements
    if turn.frozen != turn.node:
        sine = -sine
    out[4], out[5] = turn.h * cosine + turn.k * sine, turn.k * cosine - turn.h * sine


@inlined_kernel
def turned(z, axes, y):
    """Fill ``y`` with equinoctial elements of elements in turning axes."""
    y[0], y[5] = z[0], z[5]
    y[1] = z[1] * axes[2] + z[2] * axes[3] + axes[4]
    y[2] = z[2] * axes[2] - z[1] * axes[3] + axes[5]
    y[3], y[4] = z[3] * axes[0] + z[4] * axes[1], z[4] * axes[0] - z[3] * axes[1]


@inlined_kernel
def slow_rates(y, rates, axes, turn, whole):
    """Turn rates in fixed axes into rates in the turning ones, in place; ``whole`` where they hold the secular turn."""
    h, k, p, q = rates[1], rates[2], rates[3], rates[4]
    if whole:
        h -= turn.perigee * (y[2] - axes[5]) + turn.frozen * axes[5]
        k += turn.perigee * (y[1] - axes[4]) + turn.frozen * axes[4]
        p -= turn.node * y[4]
        q += turn.node * y[3]
    rates[1], rates[2] = h * axes[2] - k * axes[3], k * axes[2] + h * axes[3]
    rates[3], rates[4] = p * axes[0] - q * axes[1], q * axes[0] + p * axes[1]


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


@inner_kernel
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


@inner_kernel
def attempt_step(
    time, start, slow, fast, modes, step, turn, retrograde, properties, held, drifting, functions, model, scratch,
    air_work, z, y, rates, axes, points,
):  # fmt: skip
    """Do one step, filling ``modes``; return the largest neglected mode and guess relative to what is allowed.

    ``slow`` holds the first guess of the Earth's forces on entry and their modes on return, ``fast`` those of the sky.
    Scratch are ``scratch``, ``air_work``, ``z``, ``y``, ``rates``, ``axes`` (a row for each point) and ``points`` (a
    column for each).
    """
    half = 0.5 * step
    fast[:] = 0.0
    bodies = drifting and (model.sun_mu > 0.0 or model.moon_mu > 0.0)
    sunlight = model.radiation > 0.0 and properties[1] > 0.0 and not held
    if bodies:
        # the Moon comes round in two weeks, and the axes turn
        count = FAST if step > BODIES_STEP else SLOW
        places = _FAST_POINTS if step > BODIES_STEP else _SLOW_POINTS
        projection = _FAST_PROJECTION if step > BODIES_STEP else _SLOW_PROJECTION
        integrals = _FAST_INTEGRALS if step > BODIES_STEP else _SLOW_INTEGRALS
        for m in range(count):
            along_step(start, slow, integrals, m, SLOW, half, z)
            lapse = half * (1.0 + places[m])
            axes_at(lapse, turn, axes[m])
            turned(z, axes[m], y)
            if not usable(y, model.equatorial_radius):
                return np.inf
            for c in range(6):
                points[c, m] = y[c]
            place_bodies(time + lapse, model, points, m)
        bodies_rates(points, count, retrograde, held, model.mu, model.sun_mu, model.moon_mu)
        for m in range(count):
            for c in range(6):
                y[c], rates[c] = points[c, m], points[12 + c, m]
            slow_rates(y, rates, axes[m], turn, False)
            for j in range(count):
                for c in range(6):
                    fast[j, c] += projection[j, m] * rates[c]
    add_up(fast, slow, modes)
    for m in range(SLOW):
        lapse = half * (1.0 + _SLOW_POINTS[m])
        axes_at(lapse, turn, axes[m])
        if sunlight:
            along_step(start, modes, _SLOW_INTEGRALS, m, FAST, half, z)
            turned(z, axes[m], y)
            if not usable(y, model.equatorial_radius):
                return np.inf
            sunlight_rates(time + lapse, y, retrograde, properties, model, rates)
            slow_rates(y, rates, axes[m], turn, False)
            for j in range(SLOW):
                for c in range(6):
                    fast[j, c] += _SLOW_PROJECTION[j, m] * rates[c]
    first_guess = guess = 0.0
    for attempt in range(4):
        add_up(fast, slow, modes)
        slow[:] = 0.0
        for m in range(SLOW):
            along_step(start, modes, _SLOW_INTEGRALS, m, FAST, half, z)
            turned(z, axes[m], y)
            if not usable(y, model.equatorial_radius):
                return np.inf
            earth_rates(
                time + half * (1.0 + _SLOW_POINTS[m]), y, retrograde, properties, held, drifting, functions, model,
                scratch, air_work, rates,
            )  # fmt: skip
            slow_rates(y, rates, axes[m], turn, True)
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
    error = first_guess / POOR_GUESS
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


@inner_kernel
def dense(start, modes, step, fractions, turn, basis, values, rates):
    """Fill columns of ``values`` and ``rates`` (6, columns) with equinoctial elements and rates within a finished step.

    At ``fractions`` of the step, in the first columns. ``basis`` (15, columns) is scratch: Legendre polynomials 1 to 7
    and the integrals from -1 of 0 to 7.
    """
    half, count = 0.5 * step, fractions.size
    for m in range(count):
        x = 2.0 * fractions[m] - 1.0
        p2 = 1.5 * x * x - 0.5
        p3 = LEGENDRE_RISE[3] * x * p2 - LEGENDRE_FALL[3] * x
        p4 = LEGENDRE_RISE[4] * x * p3 - LEGENDRE_FALL[4] * p2
        p5 = LEGENDRE_RISE[5] * x * p4 - LEGENDRE_FALL[5] * p3
        p6 = LEGENDRE_RISE[6] * x * p5 - LEGENDRE_FALL[6] * p4
        p7 = LEGENDRE_RISE[7] * x * p6 - LEGENDRE_FALL[7] * p5
        p8 = LEGENDRE_RISE[8] * x * p7 - LEGENDRE_FALL[8] * p6
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


@inner_kernel
def perigee_height(a, h, k, equatorial_radius):
    """Return the height of the mean perigee [km] above the equatorial radius."""
    return a * (1.0 - np.sqrt(h * h + k * k)) - equatorial_radius


@inner_kernel
def depart(y, retrograde, departure):
    """Add a departure in ``[a, ex, ey, u]`` to equinoctial elements."""
    _, _, _, cos_node, sin_node = node_frame(y[3], y[4], retrograde)
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
    fractions, expected_node, basis = np.empty(COLUMNS), np.empty(COLUMNS), np.empty((15, COLUMNS))
    points, air_work = np.empty((18, FAST)), np.empty((6, MOST_ANOMALIES))
    slow, fast, modes, guess = np.zeros((SLOW, 6)), np.empty((FAST, 6)), np.empty((FAST, 6)), np.zeros((SLOW, 6))
    functions = np.empty((model.degree.size + 1, 6))
    inclination, axis = np.inf, 0.0
    reference = (0.0, 0.0, 0.0)
    to_equinoctial(elements, retrograde, y)
    time, end = times[0], times[-1]
    step, last_step, node = 0.25 * LONGEST_STEP, 0.0, 0
    last_turn = Turn(0.0, 0.0, 0.0, 0.0, 0.0)
    if perigee_height(y[0], y[1], y[2], model.equatorial_radius) <= end_height:
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
        _, cos_i, sin_i, _, _ = node_frame(y[3], y[4], retrograde)
        now = np.arctan2(sin_i, cos_i)
        if abs(now - inclination) > INCLINATION_REACH or abs(y[0] - axis) > AXIS_REACH:
            inclination, axis = now, y[0]
            zonal_functions(axis, inclination, model, functions)
            if model.zonals[2] != 0.0:
                eccentricity = np.sqrt(y[1] * y[1] + y[2] * y[2])
                reference = frozen_point(axis, eccentricity, functions, model, scratch)
        turn = turn_of(y, retrograde, held, reference, model)
        for c in range(6):
            start[c] = y[c]
        start[1] -= turn.h
        start[2] -= turn.k
        while True:
            step = min(step, LONGEST_STEP, border - time)
            for j in range(SLOW):
                for c in range(6):
                    guess[j, c] = slow[j, c]
            if last_step == 0.0:
                earth_rates(
                    time, y, retrograde, properties, held, drifting, functions, model, scratch, air_work, guess[0]
                )
                axes_at(0.0, turn, axes[0])
                slow_rates(y, guess[0], axes[0], turn, True)
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
            if error <= KEPT_ERROR:
                break
            step *= SHRINK
            if step < SHORTEST_STEP and border - time > SHORTEST_STEP:
                # steps as short as that: the end of a re-entry, or an orbit that the averages cannot follow
                low = perigee_height(y[0], y[1], y[2], model.equatorial_radius) < 2.0 * end_height
                return time if low else np.nan, node
        fractions[0] = 1.0
        dense(start, modes, step, fractions[:1], turn, basis, columns, column_rates)
        for c in range(6):
            y[c] = columns[c, 0]
        ended = perigee_height(y[0], y[1], y[2], model.equatorial_radius) <= end_height
        reached = border if step == border - time else time + step
        if ended:
            low, high = 0.0, 1.0
            for _ in range(40):
                fractions[0] = 0.5 * (low + high)
                dense(start, modes, step, fractions[:1], turn, basis, columns, column_rates)
                height = perigee_height(columns[0, 0], columns[1, 0], columns[2, 0], model.equatorial_radius)
                if height <= end_height:
                    high = fractions[0]
                else:
                    low = fractions[0]
            reached = time + high * step
        while node < times.size and times[node] <= reached:
            count = 0
            while count < COLUMNS and node + count < times.size and times[node + count] <= reached:
                fractions[count] = (times[node + count] - time) / step
                expected_node[count] = raan + turn.node * (times[node + count] - time)
                count += 1
            dense(start, modes, step, fractions[:count], turn, basis, columns, column_rates)
            to_public(columns, column_rates, retrograde, expected_node[:count])
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
        axes_at(step, turn, axes[0])
        axes[0, 4] = axes[0, 5] = 0.0
        for j in range(SLOW):
            turned(guess[j], axes[0], slow[j])
        last_step, last_turn = step, turn
        # three points: the highest mode goes with the cube of the step
        step *= min(GROW, max(SHRINK, AIM * max(error, 1e-3) ** (-1.0 / 3.0)))
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
