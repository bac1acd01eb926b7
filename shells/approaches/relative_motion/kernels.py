"""Compiled kernels of the search on relative motion.

Units: km, s, radians; mean elements in a row are ``[a, ex, ey, i, raan, u]``.

One pair is followed through its time by steps of which each is proven to hide nothing, the cheapest first:

* radii: over a window from node to node both radii lie in intervals (`window_bounds`); where these are farther apart
  than the threshold, the window is left out;
* phases: with half differences and sums o = (node_2 - node_1) / 2, m = (i_1 - i_2) / 2, s = (i_1 + i_2) / 2,
  delta = (theta_1 - theta_2) / 2 and sigma = (theta_1 + theta_2) / 2, the rotation that takes one object's frame to the
  other's, as W. R. Hamilton's quaternion, has the components
  D = cos o cos m sin delta - sin o cos s cos delta,  S = cos o sin m sin sigma + sin o sin s cos sigma,
  and the distance squared is exactly (r_1 - r_2)^2 + 4 r_1 r_2 (D^2 + S^2). D drifts with the difference of the mean
  motions, S turns with their mean, and neither changes faster than the rotation does (`phase_step`): |D| or |S| above
  d / (2 r) tells for how long the pair stays apart, days between neighbours in one plane, to the next meeting of
  counter-rotating ones. Mean elements do, with a pad for the equation of centre (at most 2 asin e) and the short-period
  terms (`turn_pad`);
* gravity: the relative acceleration is at most g_1 + g_2, and at most 2 mu / rho^3 times the distance, rho the lowest
  radius on the line between the two (`pull`). From the state at one instant this bounds the distance from below
  (`safe_step`), and where the relative speed v is high half the second derivative of its square, v^2 + r . a: while
  that stays positive there is one minimum at most (`one_minimum`);
* slow pairs: relative positions at nine Chebyshev points of a stretch of 0.7 sqrt(q^3 / mu), q the lowest radius, are
  interpolated. Kepler's motion continued to complex time has no singularity nearer to the real axis than that of the
  parabola, (2 sqrt 2 / 3) sqrt(q^3 / mu), so that the interpolation converges as 5.6^-8, 1e-6 of the distance (L. N.
  Trefethen 2013, Approximation Theory and Approximation Practice, theorem 8.2). It is sampled at 33 points: two minima
  between three samples differ from the maximum between them by centimetres.

A minimum shallower than a metre is noise: of two neighbouring minima of one encounter between which the distance rises
by less than `NOISE` above the higher one, the lower one counts.

An encounter is the time during which the distance is below the threshold d; leaving it by less than `NOISE` does not
end it. One that is longer than a tenth of the shorter period, 0.63 sqrt(q^3 / mu) or more, is lasting: it is one
approach, at its smallest distance. Where the relative speed exceeds 7 d sqrt(mu / q^3) an encounter cannot last: the
pair crosses the sphere within 0.3 sqrt(q^3 / mu), before gravity has changed its speed by a tenth.
"""

import numpy as np

from shells.approaches.kernels import COLUMNS, plane_angle, record
from shells.approaches.nodes.kernels import SHIFT, SHIFT_WITH_E
from shells.compiled import allocating_kernel, inner_kernel, kernel
from shells.motion.kernels import (
    EQUATORIAL_SINE,
    equinoctial_node,
    interpolate,
    radial_short_period_bound,
    state,
    state_at,
)
from shells.motion.series.kernels import TWO_PI

#: Differences of distance below this [km] are noise of the trajectories.
NOISE = 1e-3

#: An encounter longer than this share of the shorter period is lasting.
LASTING = 0.1

#: Speeds from `state_at` differ from the motion of its positions, by 1e-5 km/s at e = 0.01 and 0.01 km/s at 0.9: only
#: relative speeds [km/s] above this are used to tell on which side of a minimum an instant lies.
SLOW = 0.2

#: Distances below 1 + `MARGIN` times the threshold, plus `MARGIN` km, are looked at closely.
MARGIN = 0.02

#: What oblateness adds to the attraction of a sphere and to its gradient: 3 J2 and 12 J2 at the ground.
OBLATENESS = 1.02

#: Positions lack terms of second order in J2: their second derivative departs from gravity by at most this times
#: g (J2 (R / p)^2)^2 / (1 - e)^3 with g at perigee; by 15 at e = 0.01, 8 at 0.5 and 30 at 0.9, measured, so by 40.
RIPPLE = 40.0

#: Angle [rad] of the short-period terms along and across the track beyond those of first order in J2.
SMALL_TERMS = 1e-4

#: Half the step [s] of the five-point formulas for the derivatives of distance.
STENCIL = 5.0

# interpolation of slow pairs
STRETCH = 0.7
SAMPLES = 32
POINTS = 0.5 - 0.5 * np.cos(np.pi * np.arange(9) / 8)


def _interpolation():
    """Return the matrix (SAMPLES + 1, 9) from values at the Chebyshev points to evenly spaced samples."""
    samples = np.linspace(0.0, 1.0, SAMPLES + 1)
    matrix = np.ones((samples.size, POINTS.size))
    for j in range(POINTS.size):
        for k in range(POINTS.size):
            if k != j:
                matrix[:, j] *= (samples - POINTS[k]) / (POINTS[j] - POINTS[k])
    return matrix


WEIGHTS = _interpolation()

# bounds of one object over a window
LOW, HIGH, PAD, CHORD, FORE, AFT, TILT, SPARE, WAVES = 0, 1, 2, 3, 4, 5, 6, 7, 8

#: Planes whose crossing has a larger sine than this are asked how far apart the orbits are at the nodes.
STEEP = 0.1

# an encounter under way
OPEN, BEGUN, BEGUN_LATE, LEFT, LEFT_LATE, TIME, NEAREST, PEAK, LATEST, BRIEF = 0, 1, 2, 3, 4, 5, 6, 7, 8, 9
PENDING = 32


@inner_kernel
def turn_pad(e, p, radius, j2):
    """Return a bound [rad] of equation of centre and short-period turns, along and across the track.

    From the largest values of each factor in `first_order_terms`.
    """
    eta = np.sqrt(1.0 - e * e)
    gamma = 0.5 * j2 * (radius / p) ** 2
    phi = 2.0 * np.arcsin(e) + e
    psi = 1.0 + 2.0 * e
    b = phi + 0.75 * psi
    b_k = e * (1.0 / (1.0 + eta) + eta / (1.0 - e) ** 2) + 1.0
    b_s = 1.0 + e / (1.0 + eta) + 2.0 * eta / (1.0 - e) + 0.5
    b_z = 1.5 * phi + 0.75 * psi
    along = gamma * (3.0 * b + 2.0 * (1.0 + e) * b_k + e * b_s)
    across = gamma * (0.375 * (2.0 + 4.0 * e) + b_z)
    return 2.0 * np.arcsin(e) + along + across + SMALL_TERMS


@kernel
def window_bounds(values, rates, window, spacing, mu, radius, zonals, out):
    """Fill ``out`` with bounds of an orbit between two nodes in time; both must exist.

    A cubic Hermite polynomial leaves its chord by at most 4/27 of the span times the sum of what the rates at the ends
    depart from the slope of the chord, and its rate departs from it by no more than the larger of the two.

    `LOW`, `HIGH`: radius [km]; `PAD`: angle [rad] between mean and true place; `CHORD`, `FORE`, `AFT`: turn of the mean
    place about the orbit normal [rad/s], slope of the chord and rates at both nodes, uncertain by `SPARE`; `TILT`:
    largest turn of the plane; `WAVES`: acceleration [km s-2] that is not gravity's.
    """
    after = window + 1
    a_chord = (values[after, 0] - values[window, 0]) / spacing
    a_spread = 4.0 / 27.0 * spacing * (abs(rates[window, 0] - a_chord) + abs(rates[after, 0] - a_chord))
    a_low = min(values[window, 0], values[after, 0]) - a_spread
    a_high = max(values[window, 0], values[after, 0]) + a_spread
    i_before, i_after = values[window, 3], values[after, 3]
    if min(np.sin(i_before), np.sin(i_after)) < EQUATORIAL_SINE:
        retrograde = 1.0 if i_before <= 0.5 * np.pi else -1.0
        h, k, p, q, turn, h_rate, k_rate, p_rate, q_rate, turn_rate = equinoctial_node(
            values, rates, window, retrograde
        )
        h_2, k_2, p_2, q_2, turn_2, h_rate_2, k_rate_2, p_rate_2, q_rate_2, turn_rate_2 = equinoctial_node(
            values, rates, after, retrograde
        )
        p_most, q_most = fastest(p, p_2, p_rate, p_rate_2, spacing), fastest(q, q_2, q_rate, q_rate_2, spacing)
        tilt = 2.0 * np.sqrt(p_most * p_most + q_most * q_most)
        tangent = max(np.sqrt(p * p + q * q), np.sqrt(p_2 * p_2 + q_2 * q_2)) + 0.5 * tilt * spacing
        out[CHORD], out[FORE], out[AFT] = (turn_2 - turn) / spacing, turn_rate, turn_rate_2
        out[TILT], out[SPARE] = tilt, tangent * tilt
    else:
        h, k, h_rate, k_rate = values[window, 2], values[window, 1], rates[window, 2], rates[window, 1]
        h_2, k_2, h_rate_2, k_rate_2 = values[after, 2], values[after, 1], rates[after, 2], rates[after, 1]
        node_most = fastest(values[window, 4], values[after, 4], rates[window, 4], rates[after, 4], spacing)
        i_most = fastest(i_before, i_after, rates[window, 3], rates[after, 3], spacing)
        cos_i = np.cos(i_before)
        out[CHORD] = (values[after, 5] - values[window, 5] + cos_i * (values[after, 4] - values[window, 4])) / spacing
        out[FORE] = rates[window, 5] + cos_i * rates[window, 4]
        out[AFT] = rates[after, 5] + cos_i * rates[after, 4]
        out[TILT], out[SPARE] = np.sqrt(node_most * node_most + i_most * i_most), node_most * i_most * spacing
    h_chord, k_chord = (h_2 - h) / spacing, (k_2 - k) / spacing
    spread = abs(h_rate - h_chord) + abs(h_rate_2 - h_chord) + abs(k_rate - k_chord) + abs(k_rate_2 - k_chord)
    e = np.sqrt(max(h * h + k * k, h_2 * h_2 + k_2 * k_2)) + 4.0 / 27.0 * spacing * spread
    e = min(e, 0.99)
    p_low = a_low * (1.0 - e * e)
    short = radial_short_period_bound(a_low, e, np.sin(i_before), radius, zonals) + 0.05
    out[LOW], out[HIGH] = max(a_low * (1.0 - e) - short, 0.5 * radius), a_high * (1.0 + e) + short
    out[PAD] = turn_pad(e, p_low, radius, abs(zonals[2]))
    perigee = max(a_low * (1.0 - e), 0.5 * radius)
    out[WAVES] = RIPPLE * mu * (zonals[2] * (radius / p_low) ** 2 / perigee) ** 2 / (1.0 - e) ** 3


@inner_kernel
def inverse_radius(elements, x, y, z):
    """Return 1 / r - 1 / p = e cos f / p of an orbit in a direction of its plane [1/km], and p [km]."""
    cos_n, sin_n, cos_i, sin_i = np.cos(elements[4]), np.sin(elements[4]), np.cos(elements[3]), np.sin(elements[3])
    along, ahead = x * cos_n + y * sin_n, cos_i * (y * cos_n - x * sin_n) + z * sin_i
    p = semilatus(elements)
    return (elements[1] * along + elements[2] * ahead) / p, p


@kernel
def cross_far_apart(values_a, values_b, window, near, radius, zonals):
    """Return whether two orbits whose planes cross steeply stay farther apart at both nodes, all of a window.

    Objects within ``near`` of each other are both within near / (r sin I) of the line of the planes, and their radii
    differ by no more. To that angle come the short-period shifts, bounded as in `shells.approaches.nodes`; the inverse
    radius of an ellipse changes by at most e / p an angle. Between the nodes in time it may leave the span of its
    values there by twice their difference, and by what the turn of the line makes of its own change.
    """
    e_a = e_b = short_a = short_b = 0.0
    least = np.inf
    x = y = z = turn = 0.0
    place_a = place_b = p_a = p_b = 0.0
    change_a = change_b = 0.0
    for node in range(window, window + 2):
        a, b = values_a[node], values_b[node]
        sine, _, nx, ny, nz = plane_angle(a, b)
        if sine < STEEP:
            return False
        least = min(least, sine)
        nx, ny, nz = nx / sine, ny / sine, nz / sine
        e_a, e_b = max(e_a, np.sqrt(a[1] * a[1] + a[2] * a[2])), max(e_b, np.sqrt(b[1] * b[1] + b[2] * b[2]))
        here_a, here_p_a = inverse_radius(a, nx, ny, nz)
        here_b, here_p_b = inverse_radius(b, nx, ny, nz)
        short_a = max(short_a, radial_short_period_bound(a[0], e_a, np.sin(a[3]), radius, zonals))
        short_b = max(short_b, radial_short_period_bound(b[0], e_b, np.sin(b[3]), radius, zonals))
        if node > window:
            turn = np.sqrt((nx - x) ** 2 + (ny - y) ** 2 + (nz - z) ** 2)
            change_a, change_b = abs(here_a - place_a), abs(here_b - place_b)
        x, y, z = nx, ny, nz
        place_a, place_b, p_a, p_b = here_a, here_b, here_p_a, here_p_b
    if turn > 0.2 or e_a > 0.95 or e_b > 0.95:
        return False
    shift_a = 0.5 * zonals[2] * (radius / p_a) ** 2 * (SHIFT + SHIFT_WITH_E * e_a / (1.0 - e_a) ** 2)
    shift_b = 0.5 * zonals[2] * (radius / p_b) ** 2 * (SHIFT + SHIFT_WITH_E * e_b / (1.0 - e_b) ** 2)
    nearest = min(p_a / (1.0 + e_a), p_b / (1.0 + e_b)) - max(short_a, short_b)
    angle = 1.1 * (near / nearest + shift_a + shift_b) / least + shift_a + shift_b
    # p itself hardly changes but where air brakes: by twice the change of 1 / p
    drift_a = 2.0 * abs(1.0 / p_a - 1.0 / semilatus(values_a[window]))
    drift_b = 2.0 * abs(1.0 / p_b - 1.0 / semilatus(values_b[window]))
    wide_a = 2.0 * change_a + drift_a + e_a / p_a * (angle + turn * turn) + turn * change_a
    wide_b = 2.0 * change_b + drift_b + e_b / p_b * (angle + turn * turn) + turn * change_b
    for side in range(2):
        sign = 1.0 - 2.0 * side
        middle_a, middle_b = 1.0 / p_a + sign * place_a, 1.0 / p_b + sign * place_b
        if middle_a - wide_a <= 0.0 or middle_b - wide_b <= 0.0:
            return False
        low_a, high_a = 1.0 / (middle_a + wide_a) - short_a, 1.0 / (middle_a - wide_a) + short_a
        low_b, high_b = 1.0 / (middle_b + wide_b) - short_b, 1.0 / (middle_b - wide_b) + short_b
        if low_a - near < high_b and low_b - near < high_a:
            return False
    return True


@inner_kernel
def semilatus(elements):
    """Return the semi-latus rectum [km] of mean elements."""
    return elements[0] * (1.0 - elements[1] * elements[1] - elements[2] * elements[2])


@inner_kernel
def fastest(before, after, rate_before, rate_after, spacing):
    """Return a bound of the absolute rate of a cubic Hermite polynomial."""
    chord = (after - before) / spacing
    return abs(chord) + max(abs(rate_before - chord), abs(rate_after - chord))


@kernel
def relative_turn(first, second):
    """Return |D|, |S| and the sine of half the angle between the planes from two rows of mean elements."""
    o, m, s = 0.5 * (second[4] - first[4]), 0.5 * (first[3] - second[3]), 0.5 * (first[3] + second[3])
    delta, sigma = 0.5 * (first[5] - second[5]), 0.5 * (first[5] + second[5])
    cos_o, sin_o = np.cos(o), np.sin(o)
    lean, swing = cos_o * np.sin(m), sin_o * np.sin(s)
    apart = cos_o * np.cos(m) * np.sin(delta) - sin_o * np.cos(s) * np.cos(delta)
    across = lean * np.sin(sigma) + swing * np.cos(sigma)
    return abs(apart), abs(across), np.sqrt(lean * lean + swing * swing)


@kernel
def phase_step(first, second, bounds, distance, left):
    """Return for how long [s], up to the time left in the window, the phases alone keep the pair apart; 0 if not.

    The rotation from one orbit's frame to the other's turns by half the difference, in D, and half the sum, in S, of
    the turns about the normals, and by what the planes tilt.
    """
    apart, across, tilted = relative_turn(first, second)
    near = 0.5 * distance / np.sqrt(bounds[0, LOW] * bounds[1, LOW]) + 0.5 * (bounds[0, PAD] + bounds[1, PAD])
    tilting = 0.5 * (bounds[0, TILT] + bounds[1, TILT])
    tilted = min(1.0, tilted + tilting * left)
    spare = bounds[0, SPARE] + bounds[1, SPARE]
    chord = bounds[0, CHORD] - bounds[1, CHORD]
    fore, aft = bounds[0, FORE] - bounds[1, FORE] - chord, bounds[0, AFT] - bounds[1, AFT] - chord
    drift = 0.5 * (abs(chord) + max(abs(fore), abs(aft)) + spare) + tilting * tilted
    step = min(left, (apart - near) / drift) if apart > near else 0.0
    if across > near and step < left:
        chord = bounds[0, CHORD] + bounds[1, CHORD]
        fore, aft = bounds[0, FORE] + bounds[1, FORE] - chord, bounds[0, AFT] + bounds[1, AFT] - chord
        drift = 0.5 * (abs(chord) + max(abs(fore), abs(aft)) + spare) * tilted + tilting
        step = max(step, min(left, (across - near) / drift))
    return step


@inner_kernel
def pull(apart, gravity):
    """Return a bound of the relative acceleration [km s-2] of two objects within a distance.

    ``gravity = (floor, mu, waves)``: both are above this radius; gravitational parameter; what is not gravity's.
    """
    floor, mu, waves = gravity
    strongest = 2.0 * mu / (floor * floor)
    if apart < floor:
        between = floor - 0.5 * apart
        strongest = min(strongest, 2.0 * mu * apart / (between * between * between))
    return OBLATENESS * strongest + waves


@kernel
def safe_step(apart, along, speed, distance, gravity):
    """Return for how long [s] gravity and the present motion keep a pair farther apart than a distance.

    Straight relative motion, bent by at most a t^2 / 2. Either way holds: the straight line misses by more than that,
    or the pair comes nearer by no more than v t + a t^2 / 2.
    """
    if not apart > distance:
        return 0.0
    a = pull(2.0 * apart, gravity)
    nearer = (np.sqrt(speed * speed + 2.0 * a * (apart - distance)) - speed) / a
    doubled = (np.sqrt(speed * speed + 2.0 * a * apart) - speed) / a
    missed = apart if along >= 0.0 else np.sqrt(max(apart * apart - (along / speed) ** 2, 0.0))
    if missed > distance:
        nearer = max(nearer, min(doubled, np.sqrt(2.0 * (missed - distance) / a)))
    return nearer


@inner_kernel
def one_minimum(apart, speed, step, gravity):
    """Return whether the square of distance is certainly convex over a step: one minimum at most."""
    farthest = apart + speed * step + pull(apart + speed * step, gravity) * step * step
    a = pull(farthest, gravity)
    slowest = speed - a * step
    return slowest > 0.0 and slowest * slowest > 1.05 * farthest * a


@kernel
def states_of(pair, time, work):
    """Fill ``work[1]`` and ``work[2]`` with the states of a pair; return distance, r . v and relative speed."""
    values_a, rates_a, values_b, rates_b, spacing, field = pair
    mu, radius, zonals = field
    state_at(values_a, rates_a, 0.0, spacing, time, mu, radius, zonals, work[4], work[1])
    state_at(values_b, rates_b, 0.0, spacing, time, mu, radius, zonals, work[5], work[2])
    return motion_of(work)


@inner_kernel
def motion_of(work):
    """Return distance, r . v and relative speed of the states in ``work[1]`` and ``work[2]``."""
    square, along, speed = 0.0, 0.0, 0.0
    for c in range(3):
        dr, dv = work[2, c] - work[1, c], work[2, c + 3] - work[1, c + 3]
        square += dr * dr
        along += dr * dv
        speed += dv * dv
    return np.sqrt(square), along, np.sqrt(speed)


@inner_kernel
def settle(pair, time, low, high, end, work):
    """Return the local minimum of distance near a time between two others, from positions alone.

    Newton's method with five-point formulas for both derivatives of the square of distance.
    """
    for _ in range(12):
        step = min(STENCIL, 0.5 * time, 0.5 * (end - time))
        if step < 1e-3:
            return time
        middle = states_of(pair, time, work)[0] ** 2
        before, after = states_of(pair, time - step, work)[0] ** 2, states_of(pair, time + step, work)[0] ** 2
        early = states_of(pair, time - 2.0 * step, work)[0] ** 2
        late = states_of(pair, time + 2.0 * step, work)[0] ** 2
        slope = (8.0 * (after - before) - (late - early)) / (12.0 * step)
        bend = (16.0 * (after + before) - (late + early) - 30.0 * middle) / (12.0 * step * step)
        if slope > 0.0:
            high = time
        else:
            low = time
        moved = time - slope / bend if bend > 0.0 else 0.5 * (low + high)
        if not low <= moved <= high:
            moved = 0.5 * (low + high)
        change = moved - time
        time = moved
        if abs(change) < 1e-6:
            break
    return time


@inner_kernel
def turning_point(pair, low, high, work):
    """Return the zero of r . v between two times by Newton's method; the sign must change in between."""
    time = 0.5 * (low + high)
    for _ in range(60):
        _, along, speed = states_of(pair, time, work)
        if along >= 0.0:
            high = time
        else:
            low = time
        moved = time - along / (speed * speed)
        if not low <= moved <= high:
            moved = 0.5 * (low + high)
        change = moved - time
        time = moved
        if abs(change) < 1e-4:
            break
    return time


@inner_kernel
def passing(pair, low, high, distance, inward, work):
    """Return when the distance passes the threshold between two times, by bisection to 1e-6 s."""
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        if not low < middle < high:
            break
        if (states_of(pair, middle, work)[0] < distance) == inward:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)


@inner_kernel
def period_of(pair, time, mu, work):
    """Return the shorter of both periods [s] at a time."""
    values_a, rates_a, values_b, rates_b, spacing, _ = pair
    interpolate(values_a, rates_a, 0.0, spacing, time, work[4])
    interpolate(values_b, rates_b, 0.0, spacing, time, work[5])
    a = min(work[4, 0], work[5, 0])
    return TWO_PI * np.sqrt(a * a * a / mu)


@inner_kernel
def write(pair, names, time, start, stop, span, work, found, count):
    """Record an approach if its time lies in the span asked for; return the number of approaches."""
    if not span[0] <= time < span[1]:
        return count
    if count < found.shape[0]:
        states_of(pair, time, work)
        record(names[0], names[1], time, work, found[count])
        found[count, COLUMNS], found[count, COLUMNS + 1] = start, stop
    return count + 1


@inner_kernel
def add_minimum(encounter, minima, time, apart):
    """Add a minimum to an encounter under way; one that only noise parts from the last replaces it or is left out."""
    held = int(encounter[LATEST])
    last = min(held, PENDING) - 1
    if held > 0 and encounter[PEAK] - max(minima[last, 1], apart) < NOISE:
        if apart < minima[last, 1]:
            minima[last, 0], minima[last, 1] = time, apart
    else:
        # an encounter with more minima than there is room for is lasting: its smallest distance is all that counts
        last = min(held, PENDING - 1)
        minima[last, 0], minima[last, 1] = time, apart
        encounter[LATEST] = held + 1
    encounter[PEAK] = apart
    if apart < encounter[NEAREST]:
        encounter[TIME], encounter[NEAREST] = time, apart


@inner_kernel
def close(pair, names, encounter, minima, distance, span, end, work, found, count):
    """End an encounter: record one lasting approach or each of its minima; return the number of approaches."""
    encounter[OPEN] = 0.0
    mu = pair[5][0]
    shortest = LASTING * period_of(pair, encounter[BEGUN], mu, work)
    if encounter[BRIEF] == 0.0 and encounter[LEFT_LATE] - encounter[BEGUN] > shortest:
        start, stop = encounter[BEGUN], encounter[LEFT_LATE]
        if encounter[BEGUN_LATE] > start:
            start = passing(pair, start, encounter[BEGUN_LATE], distance, True, work)
        if encounter[LEFT] < stop:
            stop = passing(pair, encounter[LEFT], stop, distance, False, work)
        if stop - start > shortest:
            return write(pair, names, encounter[TIME], start, stop, span, work, found, count)
    for j in range(min(int(encounter[LATEST]), PENDING)):
        count = write(pair, names, minima[j, 0], np.nan, np.nan, span, work, found, count)
    return count


@inner_kernel
def take_sample(pair, names, time, apart, history, encounter, minima, distance, span, end, work, found, count):
    """Carry encounters on by one sample of a slow pair; ``history`` holds times and distances of the last two."""
    t_1, f_1, t_2, f_2 = history[0], history[1], history[2], history[3]
    if apart < distance and encounter[OPEN] == 0.0:
        encounter[OPEN], encounter[LATEST] = 1.0, 0.0
        entered = f_1 >= distance and f_1 < np.inf
        encounter[BRIEF] = 0.0 if entered or time == 0.0 else 1.0
        encounter[BEGUN], encounter[BEGUN_LATE] = (t_1 if entered else time), time
        encounter[TIME], encounter[NEAREST], encounter[PEAK] = time, np.inf, apart
        if time == 0.0:
            encounter[TIME], encounter[NEAREST] = time, apart
    # the last sample is the lowest of three
    if -np.inf < f_1 <= f_2 and f_1 < apart and f_1 < (1.0 + MARGIN) * distance + MARGIN:
        opened = encounter[OPEN] == 1.0
        slack = 0.5 * max(f_2 - f_1, apart - f_1) if f_2 < np.inf and apart < np.inf else f_1
        if not (opened and f_1 - slack > encounter[NEAREST] and encounter[LATEST] >= PENDING):
            first, last = t_2, (time if apart < np.inf else t_1)
            at_border = t_1 <= first or t_1 >= last
            lowest = settle(pair, 0.5 * (first + last) if at_border else t_1, first, last, end, work)
            smallest = states_of(pair, lowest, work)[0]
            # a distance that only rises or falls up to the border of the orbits has no minimum there
            if smallest < distance and not (t_1 in (0.0, end) and smallest >= states_of(pair, t_1, work)[0]):
                if opened:
                    add_minimum(encounter, minima, lowest, smallest)
                else:
                    count = write(pair, names, lowest, np.nan, np.nan, span, work, found, count)
    if apart < np.inf:
        if encounter[OPEN] == 1.0:
            if f_1 > f_2 and f_1 >= apart and f_2 > -np.inf:
                # the vertex of the parabola through three samples
                rise, fall = f_1 - f_2, f_1 - apart
                encounter[PEAK] = max(encounter[PEAK], f_1 + 0.125 * (rise - fall) ** 2 / (rise + fall))
            encounter[PEAK] = max(encounter[PEAK], apart)
            if apart < distance:
                encounter[LEFT], encounter[LEFT_LATE] = time, time
                if time >= end and apart < encounter[NEAREST]:
                    encounter[TIME], encounter[NEAREST] = time, apart
            elif f_1 < distance:
                encounter[LEFT_LATE] = time
            if apart > distance + NOISE:
                count = close(pair, names, encounter, minima, distance, span, end, work, found, count)
        history[2], history[3] = t_1, f_1
        history[0], history[1] = time, apart
    return count


@allocating_kernel
def follow(pair, names, span, end, distance, bounds, work, slow, found, count):
    """Follow one pair through a span and record its approaches; return their number so far.

    ``pair = (values and rates of first, of second, spacing, field)`` up to the last node at which both exist, ``end``
    its time; ``span = (from, until)``. ``slow`` is room for interpolation, ``found`` has shape (capacity, COLUMNS + 2).
    """
    values_a, rates_a, values_b, rates_b, spacing, field = pair
    mu, radius, zonals = field
    history, encounter, minima = np.empty(4), np.zeros(10), np.empty((PENDING, 2))
    positions, squares = slow[0], slow[1]
    near = (1.0 + MARGIN) * distance + MARGIN
    fresh = True  # whether the last samples of a slow pair do not lead up to now
    window, last = -1, values_a.shape[0] - 2
    overlap = False
    stretch = 600.0
    time = start_before(pair, max(span[0], 0.0), near, mu, work)
    while time < end:
        if time >= span[1] + 0.125 * stretch and encounter[OPEN] == 0.0:
            break
        if window < 0 or (time >= (window + 1) * spacing and window < last):
            window = min(int(time / spacing), last)
            if time >= (window + 1) * spacing and window < last:
                window += 1
            window_bounds(values_a, rates_a, window, spacing, mu, radius, zonals, bounds[0])
            window_bounds(values_b, rates_b, window, spacing, mu, radius, zonals, bounds[1])
            overlap = bounds[0, LOW] - near < bounds[1, HIGH] and bounds[1, LOW] - near < bounds[0, HIGH]
            overlap = overlap and not cross_far_apart(values_a, values_b, window, near, radius, zonals)
        close_by = min(end, (window + 1) * spacing)
        left = close_by - time
        if not overlap:
            time = close_by
            fresh = True
            continue
        if fresh:
            interpolate(values_a, rates_a, 0.0, spacing, time, work[4])
            interpolate(values_b, rates_b, 0.0, spacing, time, work[5])
            step = phase_step(work[4], work[5], bounds, near, left)
            if step >= left:
                time = close_by
                continue
            if step > 20.0:
                time += step
                continue
            state(work[4], mu, radius, zonals, work[1])
            state(work[5], mu, radius, zonals, work[2])
            apart, along, speed = motion_of(work)
        else:
            apart, along, speed = states_of(pair, time, work)

        # the lowest radius from now on, and for how long it surely is
        floor, held = np.inf, left
        for k in range(2):
            r = np.sqrt(work[1 + k, 0] ** 2 + work[1 + k, 1] ** 2 + work[1 + k, 2] ** 2)
            if bounds[k, LOW] > 0.8 * r:
                floor = min(floor, bounds[k, LOW])
            else:
                # no object falls faster than from infinity
                floor = min(floor, 0.8 * r)
                held = min(held, 0.12 * np.sqrt(r * r * r / mu))
        pace = np.sqrt(mu / (floor * floor * floor))
        stretch = min(STRETCH / pace, held)
        fast = speed > max(SLOW, 7.0 * pace * distance)

        gravity = (floor, mu, bounds[0, WAVES] + bounds[1, WAVES])
        step = min(safe_step(apart, along, speed, near, gravity), held)
        convex = 0.0
        if fast:
            convex = min(max(-2.0 * along / (speed * speed), 2.0 * near / speed, 10.0), held)
            for _ in range(8):
                if convex <= step or one_minimum(apart, speed, convex, gravity):
                    break
                convex *= 0.5
            else:
                convex = 0.0
        if step >= convex and (step > 0.1 * stretch or step >= left):
            time = close_by if step >= left else time + step
            fresh = True
            if encounter[OPEN] == 1.0:
                count = close(pair, names, encounter, minima, distance, span, end, work, found, count)
        elif convex > 0.0:
            if not fresh and along >= 0.0:
                count = take_sample(
                    pair, names, time, np.inf, history, encounter, minima, distance, span, end, work, found, count
                )
            fresh = True
            if encounter[OPEN] == 1.0:
                encounter[BRIEF] = 1.0
                count = close(pair, names, encounter, minima, distance, span, end, work, found, count)
            after = close_by if convex >= left else time + convex
            if along < 0.0 and states_of(pair, after, work)[1] >= 0.0:
                turning = turning_point(pair, time, after, work)
                if states_of(pair, turning, work)[0] < near:
                    turning = settle(pair, turning, max(turning - 30.0, 0.0), min(turning + 30.0, end), end, work)
                    if states_of(pair, turning, work)[0] < distance:
                        count = write(pair, names, turning, np.nan, np.nan, span, work, found, count)
            time = after
        else:
            after = close_by if stretch >= left else time + stretch
            length = after - time
            for k in range(9):
                states_of(pair, after if k == 8 else time + POINTS[k] * length, work)
                for c in range(3):
                    positions[k, c] = work[2, c] - work[1, c]
            for j in range(SAMPLES + 1):
                squares[j, 0] = 0.0
                for c in range(3):
                    place = 0.0
                    for k in range(9):
                        place += WEIGHTS[j, k] * positions[k, c]
                    squares[j, 0] += place * place
            if fresh:
                history[0], history[2] = time, time
                history[1] = history[3] = np.inf if along < 0.0 else -np.inf
            for j in range(0 if fresh else 1, SAMPLES + 1):
                instant = after if j == SAMPLES else time + length * j / SAMPLES
                count = take_sample(
                    pair, names, instant, np.sqrt(squares[j, 0]), history, encounter, minima, distance, span, end,
                    work, found, count,
                )  # fmt: skip
            time = after
            fresh = False
    if not fresh and time >= end:
        count = take_sample(
            pair, names, end, np.inf, history, encounter, minima, distance, span, end, work, found, count
        )
    if encounter[OPEN] == 1.0:
        count = close(pair, names, encounter, minima, distance, span, end, work, found, count)
    return count


@inner_kernel
def start_before(pair, time, near, mu, work):
    """Return a time at or before the one given at which the pair is farther apart than a distance; zero if never."""
    spacing = pair[4]
    time = min(time, (pair[0].shape[0] - 1) * spacing)
    step = period_of(pair, time, mu, work) / 64.0
    time = max(time - step, 0.0)
    while time > 0.0 and states_of(pair, time, work)[0] < near:
        time = max(time - step, 0.0)
    return time


@inner_kernel
def lifetime(values):
    """Return the number of nodes up to the end of an object."""
    count = 0
    while count < values.shape[0] and not np.isnan(values[count, 0]):
        count += 1
    return count


@allocating_kernel
def pair_of(first_values, first_rates, second_values, second_rates, spacing, field, a, b):
    """Return a pair up to the last node at which both objects exist, and the time of that node [s]."""
    nodes = min(lifetime(first_values[a]), lifetime(second_values[b]))
    end = (nodes - 1) * spacing
    while end / spacing > nodes - 1:
        end = np.nextafter(end, 0.0)
    pair = (
        first_values[a, :nodes], first_rates[a, :nodes], second_values[b, :nodes], second_rates[b, :nodes], spacing,
        field,
    )  # fmt: skip
    return pair, end


@allocating_kernel
def search_pairs(first_values, first_rates, second_values, second_rates, spacing, rows, distance, field, found):
    """Search pairs for approaches.

    Parameters
    ----------
    first_values, first_rates, second_values, second_rates : shape (objects, nodes, 6)
        Mean elements and rates; NaN after re-entry.
    spacing : float
        Of the nodes [s].
    rows : shape (k, 4)
        Row of first, row of second, from and until [s].
    distance : float
        Threshold [km].
    field : tuple
        Gravitational parameter, reference radius, zonals.
    found : shape (capacity, COLUMNS + 2)
        Filled with approaches.

    Returns
    -------
    int
        Number of approaches, which may exceed the capacity.
    """
    count = 0
    bounds, work, slow = np.empty((2, 9)), np.zeros((6, 6)), np.empty((2, SAMPLES + 1, 3))
    for j in range(rows.shape[0]):
        a, b = int(rows[j, 0]), int(rows[j, 1])
        pair, end = pair_of(first_values, first_rates, second_values, second_rates, spacing, field, a, b)
        if not (end > 0.0 and rows[j, 2] < end):
            continue
        # the last instant belongs to the span where there is none after it
        until = rows[j, 3] if rows[j, 3] < end else np.inf
        count = follow(pair, (a, b), (rows[j, 2], until), end, distance, bounds, work, slow, found, count)
    return count


# --- screening volumes ------------------------------------------------------------------------------------------------


@inner_kernel
def line_enters(place, speed, length, widths, rounded, wider):
    """Return whether place + t speed, t in [0, length], meets an ellipsoid (rounded) or a box, grown by a margin."""
    if rounded:
        square, along, pace = 0.0, 0.0, 0.0
        for c in range(3):
            square += (place[c] / widths[c]) ** 2
            along += place[c] * speed[c] / widths[c] ** 2
            pace += (speed[c] / widths[c]) ** 2
        time = min(max(-along / pace, 0.0), length) if pace > 0.0 else 0.0
        reach = 1.0 + wider / min(widths[0], widths[1], widths[2])
        return reach > 0.0 and square + time * (2.0 * along + time * pace) < reach * reach
    enter, leave = 0.0, length
    for c in range(3):
        width = widths[c] + wider
        if width <= 0.0:
            return False
        if speed[c] == 0.0:
            if abs(place[c]) >= width:
                return False
        else:
            one, other = (-width - place[c]) / speed[c], (width - place[c]) / speed[c]
            enter, leave = max(enter, min(one, other)), min(leave, max(one, other))
    return enter <= leave


@allocating_kernel
def seen_from_first(work, place, speed):
    """Fill place and speed of second in the turning frame of first; return how fast the frame turns, and its change."""
    row = np.empty(COLUMNS)
    record(0, 0, 0.0, work, row)
    r = row[11]
    radial = (work[1, 0] * work[1, 3] + work[1, 1] * work[1, 4] + work[1, 2] * work[1, 5]) / r
    square = work[1, 3] ** 2 + work[1, 4] ** 2 + work[1, 5] ** 2
    turn = np.sqrt(max(square - radial * radial, 0.0)) / r
    place[0], place[1], place[2] = row[4], row[5], row[6]
    speed[0], speed[1], speed[2] = row[7] + turn * row[5], row[8] - turn * row[4], row[9]
    return turn, 2.0 * turn * abs(radial) / r, r


@allocating_kernel
def enters(pair, time, until, reach, widths, rounded, mu, work):
    """Return whether second enters the volume about first between two times, forwards or backwards, inside the sphere.

    The relative path in the turning frame is a straight line that gravity, Coriolis and centrifugal acceleration bend
    by at most b t^2 / 2: a line that misses the volume grown by as much misses, one that meets the volume shrunk by as
    much enters, and what lies between is cut in half.
    """
    place, speed = np.empty(3), np.empty(3)
    sense = 1.0 if until >= time else -1.0
    step = 64.0
    while time != until:
        apart, along, _ = states_of(pair, time, work)
        if apart > reach and sense * along > 0.0:
            return False
        turn, change, r = seen_from_first(work, place, speed)
        pace = np.sqrt(speed[0] ** 2 + speed[1] ** 2 + speed[2] ** 2)
        for c in range(3):
            speed[c] *= sense
        step = min(step, abs(until - time))
        while True:
            farthest = apart + pace * step
            tide = pull(farthest, (0.98 * r - farthest, mu, 1e-6)) if farthest < 0.5 * r else np.inf
            bend = 0.5 * step * step * (tide + (turn * turn + change) * farthest + 2.2 * turn * pace)
            if line_enters(place, speed, step, widths, rounded, -bend):
                return True
            if not line_enters(place, speed, step, widths, rounded, bend):
                break
            if bend < 1e-2 * NOISE:
                return line_enters(place, speed, step, widths, rounded, 0.0)
            step *= 0.5
        time = until if step >= abs(until - time) else time + sense * step
        step *= 2.0
    return False


@allocating_kernel
def enter_volume(
    first_values, first_rates, second_values, second_rates, spacing, rows, reach, widths, rounded, field, out
):
    """Fill ``out`` of shape (m,) with whether second enters a volume about first in the encounter of each approach.

    ``rows`` are approaches as `search_pairs` finds them within ``reach``, the radius of the enclosing sphere.
    Encounters that do not last are followed both ways from the closest approach to where the pair leaves the sphere.
    """
    mu = field[0]
    work = np.zeros((6, 6))
    for j in range(rows.shape[0]):
        a, b = int(rows[j, 0]), int(rows[j, 1])
        pair, end = pair_of(first_values, first_rates, second_values, second_rates, spacing, field, a, b)
        time, start, stop = rows[j, 2], rows[j, COLUMNS], rows[j, COLUMNS + 1]
        if np.isnan(start):
            longest = LASTING * period_of(pair, time, mu, work)
            start, stop = max(time - longest, 0.0), min(time + longest, end)
        out[j] = enters(pair, time, stop, reach, widths, rounded, mu, work) or enters(
            pair, time, start, reach, widths, rounded, mu, work
        )
