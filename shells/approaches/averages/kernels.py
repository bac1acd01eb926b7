"""Compiled kernels of rates averaged over phase.

Units: km, s, radians; mean elements in a row are ``[a, ex, ey, i, raan, u]``.

Two pictures share the work, chosen threshold by threshold:

* at mutual nodes (`expected_chord`): with trains passing at f_A and f_B per second and x the difference of radii there,
  f_A f_B E[2 sqrt(d^2 - c^2 x^2)] / v_perp per second, as long as the encounter is short against the orbit,
  d / (r sin I) below `REACH`;
* everywhere else the relative motion of the two orbits (`add_tube`): with both phases uniform on a torus that the motion
  crosses evenly, entries into the distance d are the flux into the set |r_A - r_B| < d,

      (1 / 4 pi^2)  integral over |r_A - r_B| = d of  inward relative speed,

  which is half the variation, along the border of that set, of the phase phi = u_B - (n_B / n_A) u_A that the motion
  conserves. It is exact for any two orbits and counts entries: an approach that lasts some revolutions counts once.

The distribution of departures from x is handed over as ``spread = (reach, step, scale, log_density, log_tail)``:
the largest departure, the cells of the two tables from 0 to there, the standard deviation, and the logarithms of the
density and of the probability beyond, which are straight enough in a cell to keep far tails true in relative terms.
"""

import numpy as np

from shells.approaches.kernels import (
    C,
    FIELDS,
    REACH,
    U_FIRST,
    U_SECOND,
    V_PERP,
    X,
    equation_of_centre,
    first_not_below,
    latitude_of,
    node_geometry,
    plane_angle,
)
from shells.compiled import kernel
from shells.motion.kernels import TWO_PI, hermite, interpolate, radial_short_period_bound, state

#: Largest departure [km] of a radius from linear drift inside a sub-window, whose error it changes by the square of
#: departure over threshold at most, and largest turn of a mutual node there [rad].
DRIFT = 2.0
TURN = 0.3

#: Quadrature over departures at nodes, and over departures of the relative motion.
NODES, TUBE_NODES = 24, 48

#: What departs farther than so many standard deviations is left out where the bulk counts.
BULK = 8.5

#: Samples of the relative motion over one revolution, and points of a stretch of the border between them.
SAMPLES, STRETCH = 96, 8

# columns of the relative motion
RADIAL, ACROSS, PHASE, SCALE, ORBIT_RADIUS, LATITUDE = 0, 1, 2, 3, 4, 5
TRACK = 6


# --- chords at nodes --------------------------------------------------------------------------------------------------


@kernel
def chord_integral(y, distance):
    """Return the integral of 2 sqrt(d^2 - y^2) from 0 to y, y clipped to [-d, d]."""
    y = max(-distance, min(distance, y))
    return y * np.sqrt(distance * distance - y * y) + distance * distance * np.arcsin(y / distance)


@kernel
def mean_chord(distance, c, x_from, x_to):
    """Return the mean of 2 sqrt(d^2 - c^2 x^2), zero beyond the root, for x that drifts evenly between two values."""
    y_from, y_to = c * x_from, c * x_to
    if abs(y_to - y_from) < 1e-6 * distance:
        y = 0.5 * (y_from + y_to)
        return 2.0 * np.sqrt(max(distance * distance - y * y, 0.0))
    return (chord_integral(y_to, distance) - chord_integral(y_from, distance)) / (y_to - y_from)


@kernel
def looked_up(x, step, table):
    """Return the exponential of a table of logarithms at x >= 0; zero beyond it."""
    place = x / step
    cell = int(place)
    if cell >= table.size - 1:
        return 0.0
    return np.exp(table[cell] + (place - cell) * (table[cell + 1] - table[cell]))


@kernel
def drifted_density(x, low, high, spread):
    """Return the density at x of a departure about a gap that drifts evenly from low to high."""
    step, scale, log_density, log_tail = spread[1], spread[2], spread[3], spread[4]
    near, far = x - high, x - low
    if far - near < 0.2 * scale:
        middle = looked_up(abs(0.5 * (near + far)), step, log_density)
        ends = looked_up(abs(near), step, log_density) + looked_up(abs(far), step, log_density)
        return (ends + 4.0 * middle) / 6.0
    beyond_near, beyond_far = looked_up(abs(near), step, log_tail), looked_up(abs(far), step, log_tail)
    if near > 0.0:
        inside = beyond_near - beyond_far
    elif far < 0.0:
        inside = beyond_far - beyond_near
    else:
        inside = 1.0 - beyond_near - beyond_far
    return inside / (far - near)


@kernel
def expected_chord(distance, c, gap_from, gap_to, spread):
    """Return the mean of 2 sqrt(d^2 - c^2 x^2) for x the sum of an evenly drifting gap and a departure."""
    reach, step, scale, log_density = spread[0], spread[1], spread[2], spread[3]
    edge = distance / max(c, 1e-9)
    low, high = min(gap_from, gap_to), max(gap_from, gap_to)
    if low - reach > edge or high + reach < -edge:
        return 0.0
    if scale == 0.0:
        return mean_chord(distance, c, gap_from, gap_to)
    total = 0.0
    if edge > scale:
        bulk = min(reach, BULK * scale)
        weights = 0.0
        for k in range(2 * NODES):
            departure = ((k + 0.5) / NODES - 1.0) * bulk
            weight = looked_up(abs(departure), step, log_density)
            weights += weight
            total += weight * mean_chord(distance, c, gap_from + departure, gap_to + departure)
        return total / weights
    lower, upper = max(-edge, low - reach), min(edge, high + reach)
    middle, half = 0.5 * (lower + upper), 0.5 * (upper - lower)
    for k in range(NODES):
        angle = ((k + 0.5) / NODES - 0.5) * np.pi
        x = middle + half * np.sin(angle)
        root = np.sqrt(max(distance * distance - (c * x) ** 2, 0.0))
        total += 2.0 * root * drifted_density(x, low, high, spread) * np.cos(angle)
    return total * half * np.pi / NODES


# --- relative motion --------------------------------------------------------------------------------------------------


@kernel
def mean_latitude(elements, theta):
    """Return the mean argument of latitude at an argument of latitude, short-period terms left out."""
    ex, ey = elements[1], elements[2]
    sin_t, cos_t = np.sin(theta), np.cos(theta)
    eta = np.sqrt(1.0 - ex * ex - ey * ey)
    return theta - equation_of_centre(ex * cos_t + ey * sin_t, ex * sin_t - ey * cos_t, eta)


@kernel
def phase_pace(elements, rates):
    """Return how fast an orbit's phase runs in space [rad s-1]: along the track, with the node's own motion."""
    return rates[5] + np.cos(elements[3]) * rates[4]


@kernel
def wrapped(angle):
    """Return an angle in [-pi, pi)."""
    return np.remainder(angle + np.pi, TWO_PI) - np.pi


@kernel
def relative_track(first, second, ratio, field, work, track):
    """Fill ``track`` of shape (SAMPLES + 3, TRACK): where second's track is nearest to points of first's.

    Rows run over one revolution of first with one more before and two after. `RADIAL` and `ACROSS` are first less
    nearest point of second, in the plane normal to second's velocity; `PHASE` is the conserved phase at which second is
    at that point while first is at its own, continuous over the rows; `SCALE` turns phase into distance along the
    track [km]. ``ratio`` is the pace of second by that of first; ``work`` has shape (3, 6) at least.
    """
    mu, radius, zonals = field
    elements, a, b = work[0], work[1], work[2]
    mean_first, mean_second = np.empty(SAMPLES), np.empty(SAMPLES)
    for k in range(SAMPLES):
        mean_first[k] = mean_latitude(first, TWO_PI * k / SAMPLES)
        elements[:] = first
        elements[5] = mean_first[k]
        state(elements, mu, radius, zonals, a)
        sine, cosine = latitude_of(second, a[0], a[1], a[2])
        u = mean_latitude(second, np.arctan2(sine, cosine))
        pace = np.sqrt(mu / second[0] ** 3)
        elements[:] = second
        pull, speed2 = 0.0, 1.0
        for _ in range(4):
            elements[5] = u
            state(elements, mu, radius, zonals, b)
            along, speed2, pull, r2 = 0.0, 0.0, 0.0, 0.0
            for c in range(3):
                along += (b[c] - a[c]) * b[c + 3]
                speed2 += b[c + 3] ** 2
                pull += (a[c] - b[c]) * b[c]
                r2 += b[c] ** 2
            pull *= mu / (r2 * np.sqrt(r2))
            change = along / max(speed2 + pull, 0.1 * speed2)
            u -= pace * change
            if abs(change) < 1e-6:
                break
        mean_second[k] = u
        r = np.sqrt(a[0] ** 2 + a[1] ** 2 + a[2] ** 2)
        speed = np.sqrt(speed2)
        # across: radial x velocity; radial: velocity x across, both of unit length
        wx, wy, wz = a[1] * b[5] - a[2] * b[4], a[2] * b[3] - a[0] * b[5], a[0] * b[4] - a[1] * b[3]
        length = np.sqrt(wx * wx + wy * wy + wz * wz)
        wx, wy, wz = wx / length, wy / length, wz / length
        px, py, pz = (b[4] * wz - b[5] * wy) / speed, (b[5] * wx - b[3] * wz) / speed, (b[3] * wy - b[4] * wx) / speed
        dx, dy, dz = a[0] - b[0], a[1] - b[1], a[2] - b[2]
        row = track[k + 1]
        row[RADIAL] = dx * px + dy * py + dz * pz
        row[ACROSS] = dx * wx + dy * wy + dz * wz
        row[SCALE] = np.sqrt(max(speed2 + pull, 0.1 * speed2)) / pace
        row[ORBIT_RADIUS] = r
        row[LATITUDE] = np.arcsin(a[2] / r)
    track[0] = track[SAMPLES]
    track[SAMPLES + 1] = track[1]
    track[SAMPLES + 2] = track[2]
    track[0, PHASE] = 0.0
    for j in range(SAMPLES + 2):
        before, after = (j - 1) % SAMPLES, j % SAMPLES
        step = wrapped(mean_second[after] - mean_second[before])
        step -= ratio * wrapped(mean_first[after] - mean_first[before])
        track[j + 1, PHASE] = track[j, PHASE] + step
    # phase at the first sample, so that it can be compared with that of satellites
    shift = mean_second[0] - ratio * mean_first[0] - track[1, PHASE]
    for j in range(SAMPLES + 3):
        track[j, PHASE] += shift


@kernel
def between(track, row, column, t):
    """Return a column of the track at a fraction of the way from a row to the next, by a cubic through four rows."""
    a, b, c, d = track[row - 1, column], track[row, column], track[row + 1, column], track[row + 2, column]
    return (
        b
        + t * (-a / 3.0 - 0.5 * b + c - d / 6.0)
        + t * t * (0.5 * (a + c) - b)
        + t * t * t * ((d - a) / 6.0 + 0.5 * (b - c))
    )


@kernel
def apart2(track, row, t, departure):
    """Return the squared distance [km2] of first from second's track."""
    radial = between(track, row, RADIAL, t) + departure
    across = between(track, row, ACROSS, t)
    return radial * radial + across * across


@kernel
def approach_slope(track, row, t, departure):
    """Return the derivative of `apart2` by the fraction, by differences."""
    step = 1e-5
    return (apart2(track, row, t + step, departure) - apart2(track, row, t - step, departure)) / (2.0 * step)


@kernel
def turning_point(track, row, departure):
    """Return where between two rows the distance of the tracks has an extreme; -1 for nowhere."""
    at_low = approach_slope(track, row, 0.0, departure)
    if not at_low * approach_slope(track, row, 1.0, departure) < 0.0:
        return -1.0
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if approach_slope(track, row, middle, departure) * at_low > 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@kernel
def threshold_point(track, row, inside, outside, departure, distance):
    """Return where between a point inside the distance and one outside the tracks are that far apart."""
    for _ in range(45):
        middle = 0.5 * (inside + outside)
        if apart2(track, row, middle, departure) < distance * distance:
            inside = middle
        else:
            outside = middle
    return 0.5 * (inside + outside)


@kernel
def beyond(before, here, after):
    """Return twice how far a parabola through three values reaches beyond the middle one, where that is an extreme."""
    slope, bend = 0.5 * (after - before), before - 2.0 * here + after
    return abs(slope * slope / bend) if (here - before) * (after - here) < 0.0 else 0.0


@kernel
def border_variation(track, row, start, stop, start_closed, stop_closed, departure, distance, upper, lower):
    """Return the variation of the conserved phase along both borders of a stretch within the distance.

    Where an end is closed the borders meet there. Points lie as the cosine of even angles, in which a small set is an
    ellipse; extremes between them are those of parabolas. ``upper`` and ``lower`` have room for STRETCH + 1 points.
    """
    total = 0.0
    for k in range(STRETCH + 1):
        t = start + (stop - start) * 0.5 * (1.0 - np.cos(np.pi * k / STRETCH))
        phase = between(track, row, PHASE, t)
        half = np.sqrt(max(distance * distance - apart2(track, row, t, departure), 0.0)) / between(track, row, SCALE, t)
        if (k == 0 and start_closed) or (k == STRETCH and stop_closed):
            half = 0.0
        upper[k], lower[k] = phase + half, phase - half
        if k > 0:
            total += abs(upper[k] - upper[k - 1]) + abs(lower[k] - lower[k - 1])
        if k > 1:
            total += beyond(upper[k - 2], upper[k - 1], upper[k]) + beyond(lower[k - 2], lower[k - 1], lower[k])
    if start_closed:
        total += beyond(upper[1], upper[0], lower[1])
    if stop_closed:
        total += beyond(upper[STRETCH - 1], upper[STRETCH], lower[STRETCH - 1])
    return total


@kernel
def cell_variation(track, row, departure, distance, upper, lower):
    """Return the variation of the conserved phase along the border of the set within the distance between two rows."""
    near = apart2(track, row, 0.0, departure)
    far = apart2(track, row, 1.0, departure)
    moved = abs(track[row + 1, RADIAL] - track[row, RADIAL]) + abs(track[row + 1, ACROSS] - track[row, ACROSS])
    if np.sqrt(min(near, far)) - 2.0 * moved > distance:
        return 0.0
    turning = turning_point(track, row, departure)
    total, start = 0.0, 0.0
    for piece in range(2):
        if piece == 0:
            if turning < 0.0:
                continue
            stop = turning
        else:
            stop = 1.0
        start_in = apart2(track, row, start, departure) < distance * distance
        stop_in = apart2(track, row, stop, departure) < distance * distance
        low, high = start, stop
        if start_in and not stop_in:
            high = threshold_point(track, row, start, stop, departure, distance)
        elif stop_in and not start_in:
            low = threshold_point(track, row, stop, start, departure, distance)
        if start_in or stop_in:
            total += border_variation(
                track, row, low, high, not start_in, not stop_in, departure, distance, upper, lower
            )
        start = stop
    return total


@kernel
def departures(track, distance, spread, offsets, weights):
    """Fill the quadrature over departures that matter for a track; return how many nodes it has."""
    reach, step, scale, log_density = spread[0], spread[1], spread[2], spread[3]
    if scale == 0.0:
        offsets[0], weights[0] = 0.0, 1.0
        return 1
    low = -track[:, RADIAL].max() - distance
    high = -track[:, RADIAL].min() + distance
    bulk = min(reach, BULK * scale)
    if low < bulk and high > -bulk:
        low, high = max(low, -bulk), min(high, bulk)
    elif low >= bulk:
        high = min(high, low + bulk)
    else:
        low = max(low, high - bulk)
    if low >= reach or high <= -reach:
        return 0
    for k in range(TUBE_NODES):
        offsets[k] = low + (k + 0.5) / TUBE_NODES * (high - low)
        weights[k] = looked_up(abs(offsets[k]), step, log_density) * (high - low) / TUBE_NODES
    return TUBE_NODES


@kernel
def add_tube(track, pace, factor, distances, begin, spread, bands, out):
    """Add ``factor`` times the entries per second below the distances from ``begin`` on.

    ``pace`` is that of first [rad s-1]; ``out`` has shape (altitude bands, latitude bands, distances).
    """
    offsets, weights = np.empty(TUBE_NODES), np.empty(TUBE_NODES)
    upper, lower = np.empty(STRETCH + 1), np.empty(STRETCH + 1)
    for j in range(begin, distances.size):
        count = departures(track, distances[j], spread, offsets, weights)
        for k in range(count):
            for row in range(1, SAMPLES + 1):
                variation = cell_variation(track, row, offsets[k], distances[j], upper, lower)
                if variation > 0.0:
                    height, zone = band_of(track[row, ORBIT_RADIUS], track[row, LATITUDE], bands)
                    out[height, zone, j] += factor * weights[k] * 0.5 * variation * pace / TWO_PI**2


@kernel
def tube_entries(first, second, paces, distances, spread, field, out):
    """Fill ``out`` of shape (distances,) with entries per second of two single objects, from relative motion alone."""
    work, track = np.empty((3, 6)), np.empty((SAMPLES + 3, TRACK))
    whole = np.zeros((1, 1, distances.size))
    relative_track(first, second, paces[1] / paces[0], field, work, track)
    add_tube(track, paces[0], 1.0, distances, 0, spread, (0.0, np.inf, 1, np.inf, 1), whole)
    out[:] = whole[0, 0]


# --- fleet against others ---------------------------------------------------------------------------------------------


@kernel
def band_of(radius, latitude, bands):
    """Return the bands of altitude and latitude; ``bands = (lowest radius, width, count, width, count)``."""
    lowest, thick, heights, wide, zones = bands
    height = min(max(int(np.floor((radius - lowest) / thick)), 0), heights - 1)
    zone = min(max(int(np.floor((latitude + 0.5 * np.pi) / wide)), 0), zones - 1)
    return height, zone


@kernel
def frame(elements, out):
    """Fill ``out`` with pole, eccentricity vector and semi-latus rectum of an orbit."""
    ex, ey = elements[1], elements[2]
    sin_i, cos_i = np.sin(elements[3]), np.cos(elements[3])
    sin_n, cos_n = np.sin(elements[4]), np.cos(elements[4])
    out[0], out[1], out[2] = sin_i * sin_n, -sin_i * cos_n, cos_i
    out[3] = ex * cos_n - ey * cos_i * sin_n
    out[4] = ex * sin_n + ey * cos_i * cos_n
    out[5] = ey * sin_i
    out[6] = elements[0] * (1.0 - ex * ex - ey * ey)


@kernel
def kepler_gaps(first, second):
    """Return the gaps of two ellipses at both mutual nodes, and the sine of the angle between their planes."""
    nx = first[1] * second[2] - first[2] * second[1]
    ny = first[2] * second[0] - first[0] * second[2]
    nz = first[0] * second[1] - first[1] * second[0]
    sine = np.sqrt(nx * nx + ny * ny + nz * nz)
    if sine < 1e-9:
        return 0.0, 0.0, sine
    along_1 = (first[3] * nx + first[4] * ny + first[5] * nz) / sine
    along_2 = (second[3] * nx + second[4] * ny + second[5] * nz) / sine
    here = first[6] / (1.0 + along_1) - second[6] / (1.0 + along_2)
    there = first[6] / (1.0 - along_1) - second[6] / (1.0 - along_2)
    return here, there, sine


@kernel
def shape_of(values, rates, k, radius, zonals, out):
    """Fill ``out`` with lowest and highest radius over a window, eccentricity, perigee rate, swing and short terms.

    The swing bounds the second derivative of the radius by the angle from perigee, a e (1 + e) / (1 - e).
    """
    low, high, largest, bound, turn = np.inf, 0.0, 0.0, 0.0, 0.0
    for j in range(k, k + 2):
        a, ex, ey = values[j, 0], values[j, 1], values[j, 2]
        e = np.sqrt(ex * ex + ey * ey)
        short = radial_short_period_bound(a, e, np.sin(values[j, 3]), radius, zonals)
        low, high = min(low, a * (1.0 - e) - short), max(high, a * (1.0 + e) + short)
        largest, bound = max(largest, e), max(bound, short)
        if e > 0.0:
            turn = max(turn, np.sqrt(rates[j, 1] ** 2 + rates[j, 2] ** 2) / e)
    e = largest
    out[0], out[1], out[2], out[3] = low, high, e, turn
    out[4] = max(values[k, 0], values[k + 1, 0]) * e * (1.0 + e) / (1.0 - e)
    out[5] = bound


@kernel
def smallest_sine(first, second, sine, turning):
    """Return a bound from below of the sine of the crossing angle over a window.

    Whatever the nodes, the planes cross at an angle between i1 - i2 and i1 + i2, and it changes by the turn at most.
    """
    by_inclination = min(abs(np.sin(first[3] - second[3])), abs(np.sin(first[3] + second[3])))
    return max(by_inclination - 1e-3, sine - turning)


@kernel
def cannot_meet(frames_a, frames_b, shape_a, shape_b, sine, turning, span, reach):
    """Return whether two ellipses stay apart at both nodes over a window.

    c is at least [1 + g1^2 + (g1 + g2)^2 / sin^2 I]^-1/2 with g = e / sqrt(1 - e^2), the steepest rise of each; between
    the ends of the window a gap leaves its chord by swing times turn squared over 8 at most.
    """
    steep_a = shape_a[2] / np.sqrt(1.0 - shape_a[2] ** 2)
    steep_b = shape_b[2] / np.sqrt(1.0 - shape_b[2] ** 2)
    turn = turning / min(sine, 1.0) + max(shape_a[3], shape_b[3]) * span
    if not turn < 1.0:
        return False
    slant = np.sqrt(1.0 + steep_a * steep_a + ((steep_a + steep_b) / sine) ** 2)
    margin = reach * slant + shape_a[5] + shape_b[5] + (shape_a[4] + shape_b[4]) * turn * turn / 8.0
    here_1, there_1, _ = kepler_gaps(frames_a[0], frames_b[0])
    here_2, there_2, _ = kepler_gaps(frames_a[1], frames_b[1])
    return (
        here_1 * here_2 > 0.0
        and there_1 * there_2 > 0.0
        and min(abs(here_1), abs(here_2)) > margin
        and min(abs(there_1), abs(there_2)) > margin
    )


@kernel
def node_place(first, nx, ny, nz, radius, zonals):
    """Return radius and geocentric latitude of first at a direction of unit length in its plane.

    Of the short-period terms those of J2 at e = 0, true to some ten metres on near-circular orbits.
    """
    sine, cosine = latitude_of(first, nx, ny, nz)
    a, ex, ey = first[0], first[1], first[2]
    z = np.sin(first[3]) ** 2
    swell = 0.25 * zonals[2] * radius * radius / a
    r = a * (1.0 - ex * ex - ey * ey) / (1.0 + ex * cosine + ey * sine)
    r += swell * (z * (cosine * cosine - sine * sine) - 3.0 * (2.0 - 3.0 * z))
    return r, np.arcsin(max(-1.0, min(1.0, nz)))


@kernel
def add_window(a, b, length, spacing, factor, distances, floor, spread, field, bands, scratch, out):
    """Add the expected approaches of two trains in one window to ``out`` of shape (heights, zones, distances).

    ``a = (values, rates, node)`` and ``b`` likewise; ``factor`` is the number of pairs of satellites; ``floor`` bounds
    the radius from below and ``length`` is the part of the window [s] in which both are up.
    """
    mu, radius, zonals = field
    work, geometry, track = scratch
    values_a, rates_a, node_a = a
    values_b, rates_b, node_b = b
    first, second = work[3], work[4]
    turning = abs(rates_a[node_a, 4] - rates_b[node_b, 4]) * length
    ends = values_a[node_a], values_b[node_b]
    sine = smallest_sine(ends[0], ends[1], plane_angle(ends[0], ends[1])[0], turning)
    least = max(sine, distances[0] / (REACH * floor))
    parts = turning / (TURN * least)
    for k in range(2):
        elements, rates = (values_a[node_a], rates_a[node_a]) if k == 0 else (values_b[node_b], rates_b[node_b])
        e = np.sqrt(elements[1] ** 2 + elements[2] ** 2)
        turn = np.sqrt(rates[1] ** 2 + rates[2] ** 2) / e * length if e > 0.0 else 0.0
        swing = elements[0] * e * (1.0 + e) / (1.0 - e) + 3.0
        parts = max(parts, (turn + turning * max(1.0, 1.0 / least)) * np.sqrt(swing / (8.0 * DRIFT)))
    count = int(parts) + 1
    share = length / spacing
    pace_a, pace_b = rates_a[node_a, 5], rates_b[node_b, 5]
    passages = factor * pace_a * pace_b / TWO_PI**2
    span = length / count
    before_sine = 0.0
    for part in range(count + 1):
        hermite(values_a, rates_a, node_a, share * part / count, spacing, first)
        hermite(values_b, rates_b, node_b, share * part / count, spacing, second)
        now, was = part % 2, (part + 1) % 2
        after_sine = node_geometry(first, second, distances[-1], mu, radius, zonals, geometry[now])
        if part > 0:
            # from this threshold on the encounter is no longer short against the orbit
            limit = REACH * floor * min(before_sine, after_sine)
            begin = 0
            while begin < distances.size and distances[begin] < limit:
                begin += 1
            if begin > 0:
                _, _, nx, ny, nz = plane_angle(first, second)
                for node in range(2):
                    before, after = geometry[was, node], geometry[now, node]
                    c = 0.5 * (before[C] + after[C])
                    weight = passages * span * 2.0 / (before[V_PERP] + after[V_PERP])
                    side = (1.0 if node == 0 else -1.0) / after_sine
                    height, zone = band_of(
                        *node_place(first, side * nx, side * ny, side * nz, radius, zonals), bands
                    )
                    for j in range(begin):
                        out[height, zone, j] += weight * expected_chord(distances[j], c, before[X], after[X], spread)
            if begin < distances.size:
                middle = share * (part - 0.5) / count
                hermite(values_a, rates_a, node_a, middle, spacing, first)
                hermite(values_b, rates_b, node_b, middle, spacing, second)
                pace_1 = phase_pace(first, rates_a[node_a])
                pace_2 = phase_pace(second, rates_b[node_b])
                relative_track(first, second, pace_2 / pace_1, field, work, track)
                add_tube(track, pace_1, factor * span, distances, begin, spread, bands, out)
        before_sine = after_sine


@kernel
def average(first, second, clock, cells, distances, spread, field, bands, out):
    """Add up the expected approaches of planes with single objects, averaged over phase.

    Parameters
    ----------
    first : tuple
        ``(values, rates, sizes, ends)``: mean elements and rates of one satellite a plane, shape (planes, nodes, 6);
        satellites in each; seconds at which it ends, infinite for never.
    second : tuple
        ``(values, rates, ends)`` of the objects on the same nodes.
    clock : shape (nodes,)
        Times of the nodes [s].
    cells : tuple
        ``(plane cells, year cells)``: where each plane (planes,) and each window (nodes - 1,) counts.
    distances : shape (distances,)
        Ascending thresholds [km].
    spread, field, bands : tuple
        Departures (see above), field, and bands (see `band_of`).
    out : shape (objects, plane cells, year cells, heights, zones, distances)
        Expected numbers, added to.
    """
    values_a, rates_a, sizes, ends_a = first
    values_b, rates_b, ends_b = second
    _, radius, zonals = field
    planes, windows = values_a.shape[0], clock.size - 1
    reach = distances[-1] + spread[0]
    frames_a, shapes_a = np.empty((planes, windows + 1, 7)), np.empty((planes, windows, 6))
    lowest, highest = np.full(windows, np.inf), np.zeros(windows)
    for p in range(planes):
        for k in range(windows + 1):
            frame(values_a[p, k], frames_a[p, k])
        for k in range(windows):
            shape_of(values_a[p], rates_a[p], k, radius, zonals, shapes_a[p, k])
            if clock[k] < ends_a[p]:
                lowest[k] = min(lowest[k], shapes_a[p, k, 0])
                highest[k] = max(highest[k], shapes_a[p, k, 1])
    frames_b, shape_b = np.empty((2, 7)), np.empty(6)
    scratch = (np.empty((5, 6)), np.empty((2, 2, FIELDS)), np.empty((SAMPLES + 3, TRACK)))
    for b in range(values_b.shape[0]):
        for k in range(windows):
            if clock[k] >= ends_b[b]:
                break
            shape_of(values_b[b], rates_b[b], k, radius, zonals, shape_b)
            if shape_b[0] - reach > highest[k] or shape_b[1] + reach < lowest[k]:
                continue
            spacing = clock[k + 1] - clock[k]
            frame(values_b[b, k], frames_b[0])
            frame(values_b[b, k + 1], frames_b[1])
            for p in range(planes):
                shape_a = shapes_a[p, k]
                if shape_a[0] - reach > shape_b[1] or shape_b[0] - reach > shape_a[1] or clock[k] >= ends_a[p]:
                    continue
                length = min(spacing, min(ends_a[p], ends_b[b]) - clock[k])
                turning = abs(rates_a[p, k, 4] - rates_b[b, k, 4]) * spacing
                _, _, sine = kepler_gaps(frames_a[p, k], frames_b[0])
                sine = smallest_sine(values_a[p, k], values_b[b, k], sine, turning)
                floor = max(shape_a[0], shape_b[0])
                # not where the tracks come within the largest threshold away from the node
                apart = sine * REACH * floor > distances[-1] and cannot_meet(
                    frames_a[p, k : k + 2], frames_b, shape_a, shape_b, sine, turning, spacing, reach
                )
                if not apart:
                    add_window(
                        (values_a[p], rates_a[p], k), (values_b[b], rates_b[b], k), length, spacing, sizes[p],
                        distances, floor, spread, field, bands, scratch, out[b, cells[0][p], cells[1][k]],
                    )  # fmt: skip


@kernel
def accumulate(numbers, groups, weights, total, resampled):
    """Add objects' numbers (objects, cells) to totals (groups, cells) and to resampled ones (draws, groups, cells).

    Object by object, so that blocks do not change a bit.
    """
    for b in range(numbers.shape[0]):
        for cell in range(numbers.shape[1]):
            value = numbers[b, cell]
            if value > 0.0:
                total[groups[b], cell] += value
                for draw in range(weights.shape[1]):
                    resampled[draw, groups[b], cell] += weights[b, draw] * value


# --- fleet against itself ---------------------------------------------------------------------------------------------


@kernel
def crossings(first, second, pairs, instants, spacing, distance, field, out, sines, places):
    """Fill ``out`` (pairs, instants, 2, FIELDS), ``sines`` (pairs, instants), ``places`` (pairs, instants, 2, 2).

    Geometry at both mutual nodes, sine of the crossing angle, and radius and geocentric latitude of first there.
    """
    mu, radius, zonals = field
    work = np.empty((2, 6))
    for p in range(pairs.shape[0]):
        a, b = first[2][pairs[p, 0]], second[2][pairs[p, 1]]
        for k in range(instants.size):
            interpolate(first[0][a], first[1][a], 0.0, spacing, instants[k], work[0])
            interpolate(second[0][b], second[1][b], 0.0, spacing, instants[k], work[1])
            sines[p, k] = node_geometry(work[0], work[1], distance, mu, radius, zonals, out[p, k])
            sine, _, nx, ny, nz = plane_angle(work[0], work[1])
            for node in range(2):
                side = (1.0 if node == 0 else -1.0) / max(sine, 1e-12)
                places[p, k, node] = node_place(work[0], side * nx, side * ny, side * nz, radius, zonals)


@kernel
def fixed_tracks(track, ratio, phases, offsets, same, factor, distances, begin, bands, out):
    """Add ``factor`` times the minima of distance in a revolution of two planes whose phases are known.

    ``out`` has shape (heights, zones, distances).

    ``phases`` are the mean arguments of latitude of both leaders at one time; ``same`` that both are one plane, whose
    pairs count once.
    """
    apart = np.empty(SAMPLES)
    for j in range(offsets[0].size):
        for k in range(offsets[1].size):
            if same and k <= j:
                continue
            phase = phases[1] + offsets[1][k] - ratio * np.remainder(phases[0] + offsets[0][j], TWO_PI)
            for s in range(SAMPLES):
                row = track[s + 1]
                along = row[SCALE] * wrapped(phase - row[PHASE])
                apart[s] = row[RADIAL] ** 2 + row[ACROSS] ** 2 + along * along
            for s in range(SAMPLES):
                here, left, right = apart[s], apart[s - 1], apart[(s + 1) % SAMPLES]
                if here < left and here <= right:
                    # a parabola through three samples
                    slope, bend = 0.5 * (right - left), left - 2.0 * here + right
                    least = here - 0.5 * slope * slope / bend if bend > 0.0 else here
                    height, zone = band_of(track[s + 1, ORBIT_RADIUS], track[s + 1, LATITUDE], bands)
                    for d in range(begin, distances.size):
                        if least < distances[d] ** 2:
                            out[height, zone, d] += factor


@kernel
def tracks_between(values, rates, rows, offsets, fixed, instants, spacing, distances, begin, spread, field, bands, out):
    """Add approaches per second of two planes to ``out`` (windows, heights, zones, distances), from relative motion.

    In the middle of each window between instants, below the distances from ``begin[window]`` on: averaged over phase, or
    where ``fixed`` with the phases as they are. ``rows`` are those of the leaders, ``offsets`` the phases of the
    satellites ahead of them.
    """
    work, track = np.empty((5, 6)), np.empty((SAMPLES + 3, TRACK))
    first, second = work[3], work[4]
    pairs = offsets[0].size * offsets[1].size
    for window in range(instants.size - 1):
        if begin[window] == distances.size:
            continue
        middle = 0.5 * (instants[window] + instants[window + 1]) / spacing
        node = min(int(middle), values.shape[1] - 2)
        hermite(values[rows[0]], rates[rows[0]], node, middle - node, spacing, first)
        hermite(values[rows[1]], rates[rows[1]], node, middle - node, spacing, second)
        if np.isnan(first[0] + second[0]):
            continue
        own, other = phase_pace(first, rates[rows[0], node]), phase_pace(second, rates[rows[1], node])
        phases = first[5], second[5]
        relative_track(first, second, other / own, field, work, track)
        if fixed:
            same = rows[0] == rows[1]
            fixed_tracks(
                track, other / own, phases, offsets, same, own / TWO_PI, distances, begin[window], bands, out[window]
            )
        else:
            add_tube(track, own, float(pairs), distances, begin[window], spread, bands, out[window])


@kernel
def coincidences(target_from, target_to, half, offsets_a, offsets_b):
    """Return how many pairs of satellites meet at a node, their phases known and drifting evenly.

    A pair meets while its offset, second less first, is within ``half`` of the target; each counts with the share of
    the drift for which it does.
    """
    low, high = min(target_from, target_to), max(target_from, target_to)
    total = 0.0
    for j in range(offsets_a.size):
        start = np.remainder(low - half + offsets_a[j], TWO_PI)
        for lap in range(-1, 1):
            k = first_not_below(offsets_b, start + lap * TWO_PI)
            while k < offsets_b.size and offsets_b[k] <= start + lap * TWO_PI + (high - low) + 2.0 * half:
                # where on the drift this offset is: 0 at low - half, (high - low) + 2 half at the end
                place = offsets_b[k] - start - lap * TWO_PI
                if high - low > 1e-12:
                    total += (min(high - low, place) - max(0.0, place - 2.0 * half)) / (high - low)
                else:
                    total += 1.0
                k += 1
    return total


@kernel
def fixed_crossings(geometry, phases, paces, offsets, distances, begin, spread, out):
    """Add approaches per second at nodes of two planes whose phases are known to ``out`` (windows, 2, distances).

    Parameters
    ----------
    geometry : shape (instants, 2, FIELDS)
    phases : shape (instants, 2)
        Mean arguments of latitude of both leaders [rad].
    paces : tuple of float
        Of both [rad s-1].
    offsets : tuple of two arrays
        Phases of the satellites ahead of their leaders, ascending [rad].
    """
    _, step, scale, log_density = spread[0], spread[1], spread[2], spread[3]
    nodes = 1 if scale == 0.0 else TUBE_NODES
    for window in range(geometry.shape[0] - 1):
        for node in range(2):
            before, after = geometry[window, node], geometry[window + 1, node]
            # u_B + offset_B = U_B while u_A + offset_A = U_A: offset_B - offset_A = target
            target_from = (before[U_SECOND] - phases[window, 1]) - (before[U_FIRST] - phases[window, 0])
            target_to = (after[U_SECOND] - phases[window + 1, 1]) - (after[U_FIRST] - phases[window + 1, 0])
            target_from = np.remainder(target_from, TWO_PI)
            target_to = target_from + wrapped(target_to - target_from)
            gap, c = 0.5 * (before[X] + after[X]), 0.5 * (before[C] + after[C])
            speed = 0.5 * (before[V_PERP] + after[V_PERP])
            bulk = min(spread[0], BULK * scale)
            weights = 0.0
            sums = np.zeros(distances.size)
            for m in range(nodes):
                departure = 0.0 if nodes == 1 else ((m + 0.5) / nodes * 2.0 - 1.0) * bulk
                weight = 1.0 if nodes == 1 else looked_up(abs(departure), step, log_density)
                weights += weight
                for j in range(begin[window]):
                    room = distances[j] ** 2 - (c * (gap + departure)) ** 2
                    if room > 0.0:
                        half = paces[1] * np.sqrt(room) / speed
                        sums[j] += weight * coincidences(target_from, target_to, half, offsets[0], offsets[1])
            for j in range(begin[window]):
                out[window, node, j] += paces[0] / TWO_PI * sums[j] / weights
