"""Compiled kernels of rates averaged over phase.

Units: km, s, radians; mean elements in a row are ``[a, ex, ey, i, raan, u]``.

Two pictures share the work, chosen threshold by threshold:

* at mutual nodes (`expected_chord`): with trains passing at f_A and f_B per second and x the difference of radii there,
  f_A f_B E[2 sqrt(d^2 - c^2 x^2)] / v_perp per second, as long as the encounter is short against the orbit,
  d / (r sin I) below `REACH`;
* everywhere else the relative motion of the two orbits (`add_tube`): with both phases uniform on a torus that the
  motion crosses evenly, entries into the distance d are the flux into the set |r_A - r_B| < d,

      (1 / 4 pi^2)  integral over |r_A - r_B| = d of  inward relative speed,

  which is half the variation, along the border of that set, of the phase phi = u_B - (n_B / n_A) u_A that the motion
  conserves. It is exact for any two orbits and counts entries: an approach that lasts some revolutions counts once.

The distribution of departures from x is handed over as ``spread = (reach, step, scale, log_density, log_tail)``:
the largest departure, the cells of the two tables from 0 to there, the standard deviation, and the logarithms of the
density and of the probability beyond, which are straight enough in a cell to keep far tails true in relative terms.
"""

import numpy as np

from shells.approaches.kernels import (
    FIELDS,
    REACH,
    U_FIRST,
    U_SECOND,
    V_PERP,
    C,
    X,
    equation_of_centre,
    first_not_below,
    latitude_of,
    node_geometry,
    plane_angle,
)
from shells.compiled import allocating_kernel, inlined_kernel, inner_kernel, kernel
from shells.motion.kernels import hermite, interpolate, radial_short_period_bound, state
from shells.motion.series.kernels import TWO_PI

#: Largest departure [km] of a gap from even drift inside a sub-window, and how many times shorter sub-windows are where
#: a gap comes within reach, which leaves a departure smaller by the square of that.
DRIFT, CLOSER = 4.0, 3.0

#: Largest turn of a mutual node inside a sub-window [rad]: by so much its crossing angle changes, relative to itself.
#: Rates go with 1 / sin I, whose mean over a sub-window is above that in the middle by TURN^2 / 12.
TURN = 0.2

#: Smallest eccentricity whose perigee is followed.
LEAST = 1e-3

#: A gap that drifts so many times farther than what ellipses leave out of it is taken from ellipses.
RESOLVED = 4.0

#: Quadrature over departures at nodes, where the density is even over a distance that is small against them, and over
#: departures of the relative motion.
NODES, EVEN_NODES, TUBE_NODES = 24, 10, 48

#: A distance that is small against departures, and densities that are even over it: by their ratio.
SMALL, EVEN = 0.1, 10.0

#: Densities whose ratio is below this are even enough for Simpson's rule, to 1e-4 of an exponential.
STEEP = 2.0

#: What departs farther than so many standard deviations is left out where the bulk counts.
BULK = 8.5

#: Samples of the relative motion over one revolution, and points of a stretch of the border between them.
SAMPLES, STRETCH = 96, 8

# columns of the relative motion
RADIAL, ACROSS, PHASE, SCALE, ORBIT_RADIUS, LATITUDE = 0, 1, 2, 3, 4, 5
TRACK = 6

# sizes of what orbits, their windows and their crossings are described by
FRAME, SHAPE, CROSSING = 10, 6, 7


# --- chords at nodes --------------------------------------------------------------------------------------------------


@inner_kernel
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


@inner_kernel
def looked_up(x, step, table):
    """Return the exponential of a table of logarithms at x >= 0; zero beyond it."""
    place = x / step
    cell = int(place)
    if cell >= table.size - 1:
        return 0.0
    return np.exp(table[cell] + (place - cell) * (table[cell + 1] - table[cell]))


@inner_kernel
def drifted_density(x, low, high, spread):
    """Return the density at x of a departure about a gap that drifts evenly from low to high."""
    step, scale, log_density, log_tail = spread[1], spread[2], spread[3], spread[4]
    near, far = x - high, x - low
    if far - near < 0.2 * scale:
        # by Simpson's rule as long as the density hardly changes, which far out in a tail it soon does
        middle = looked_up(abs(0.5 * (near + far)), step, log_density)
        at_near, at_far = looked_up(abs(near), step, log_density), looked_up(abs(far), step, log_density)
        if far - near < 0.001 * scale or max(at_near, at_far) < STEEP * min(at_near, at_far):
            return (at_near + at_far + 4.0 * middle) / 6.0
    beyond_near, beyond_far = looked_up(abs(near), step, log_tail), looked_up(abs(far), step, log_tail)
    if near > 0.0:
        inside = beyond_near - beyond_far
    elif far < 0.0:
        inside = beyond_far - beyond_near
    else:
        inside = 1.0 - beyond_near - beyond_far
    return inside / (far - near)


@inner_kernel
def bulk_of(low, high, reach, scale):
    """Return the part of a range of departures that has nearly all of its probability."""
    bulk = min(reach, BULK * scale)
    if low < bulk and high > -bulk:
        return max(low, -bulk), min(high, bulk)
    if low >= bulk:
        return low, min(high, min(reach, low + bulk))
    return max(low, max(-reach, high - bulk)), high


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
        # over the departures that bring gaps within the distance, where it is wide against them
        lower, upper = bulk_of(-edge - high, edge - low, reach, scale)
        middle, half = 0.5 * (lower + upper), 0.5 * (upper - lower)
        # twice as many where chords end within the departures
        nodes = NODES if max(abs(low + lower), abs(high + upper)) < 0.9 * edge else 2 * NODES
        for k in range(nodes):
            angle = ((k + 0.5) / nodes - 0.5) * np.pi
            departure = middle + half * np.sin(angle)
            weight = looked_up(abs(departure), step, log_density) * np.cos(angle)
            total += weight * mean_chord(distance, c, gap_from + departure, gap_to + departure)
        return total * half * np.pi / nodes
    lower, upper = max(-edge, low - reach), min(edge, high + reach)
    middle, half = 0.5 * (lower + upper), 0.5 * (upper - lower)
    nodes = NODES
    if edge < SMALL * scale:
        at_lower, at_upper = drifted_density(lower, low, high, spread), drifted_density(upper, low, high, spread)
        if max(at_lower, at_upper) < EVEN * min(at_lower, at_upper):
            nodes = EVEN_NODES
    for k in range(nodes):
        angle = ((k + 0.5) / nodes - 0.5) * np.pi
        x = middle + half * np.sin(angle)
        root = np.sqrt(max(distance * distance - (c * x) ** 2, 0.0))
        total += 2.0 * root * drifted_density(x, low, high, spread) * np.cos(angle)
    return total * half * np.pi / nodes


@kernel
def drifting_chords(distance, c, gap_from, gap_to, spread, out):
    """Fill ``out`` with `expected_chord` of c factors and gaps that drift, all of shape (n,)."""
    for k in range(out.size):
        out[k] = expected_chord(distance, c[k], gap_from[k], gap_to[k], spread)


# --- relative motion --------------------------------------------------------------------------------------------------


@inner_kernel
def mean_latitude(elements, theta):
    """Return the mean argument of latitude at an argument of latitude, short-period terms left out."""
    ex, ey = elements[1], elements[2]
    sin_t, cos_t = np.sin(theta), np.cos(theta)
    eta = np.sqrt(1.0 - ex * ex - ey * ey)
    return theta - equation_of_centre(ex * cos_t + ey * sin_t, ex * sin_t - ey * cos_t, eta)


@inlined_kernel
def phase_pace(elements, rates):
    """Return how fast an orbit's phase runs in space [rad s-1]: along the track, with the node's own motion."""
    return rates[5] + np.cos(elements[3]) * rates[4]


@inner_kernel
def wrapped(angle):
    """Return an angle in [-pi, pi)."""
    return np.remainder(angle + np.pi, TWO_PI) - np.pi


@allocating_kernel
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
        for c in range(5):
            elements[c] = first[c]
        elements[5] = mean_first[k]
        state(elements, mu, radius, zonals, a)
        sine, cosine = latitude_of(second, a[0], a[1], a[2])
        u = mean_latitude(second, np.arctan2(sine, cosine))
        pace = np.sqrt(mu / second[0] ** 3)
        for c in range(5):
            elements[c] = second[c]
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
    for c in range(TRACK):
        track[0, c], track[SAMPLES + 1, c], track[SAMPLES + 2, c] = track[SAMPLES, c], track[1, c], track[2, c]
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


@inner_kernel
def between(track, row, column, t):
    """Return a column of the track at a fraction of the way from a row to the next, by a cubic through four rows."""
    a, b, c, d = track[row - 1, column], track[row, column], track[row + 1, column], track[row + 2, column]
    return (
        b
        + t * (-a / 3.0 - 0.5 * b + c - d / 6.0)
        + t * t * (0.5 * (a + c) - b)
        + t * t * t * ((d - a) / 6.0 + 0.5 * (b - c))
    )


@inner_kernel
def apart2(track, row, t, departure):
    """Return the squared distance [km2] of first from second's track."""
    radial = between(track, row, RADIAL, t) + departure
    across = between(track, row, ACROSS, t)
    return radial * radial + across * across


@inner_kernel
def approach_slope(track, row, t, departure):
    """Return the derivative of `apart2` by the fraction, by differences."""
    step = 1e-5
    return (apart2(track, row, t + step, departure) - apart2(track, row, t - step, departure)) / (2.0 * step)


@inner_kernel
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


@inner_kernel
def threshold_point(track, row, inside, outside, departure, distance):
    """Return where between a point inside the distance and one outside the tracks are that far apart."""
    for _ in range(45):
        middle = 0.5 * (inside + outside)
        if apart2(track, row, middle, departure) < distance * distance:
            inside = middle
        else:
            outside = middle
    return 0.5 * (inside + outside)


@inner_kernel
def beyond(before, here, after):
    """Return twice how far a parabola through three values reaches beyond the middle one, where that is an extreme."""
    slope, bend = 0.5 * (after - before), before - 2.0 * here + after
    return abs(slope * slope / bend) if (here - before) * (after - here) < 0.0 else 0.0


@inner_kernel
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


@inner_kernel
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


@inner_kernel
def departures(track, distance, spread, offsets, weights):
    """Fill the quadrature over departures that matter for a track; return how many nodes it has."""
    reach, step, scale, log_density = spread[0], spread[1], spread[2], spread[3]
    if scale == 0.0:
        offsets[0], weights[0] = 0.0, 1.0
        return 1
    least = most = track[0, RADIAL]
    for row in range(1, track.shape[0]):
        least, most = min(least, track[row, RADIAL]), max(most, track[row, RADIAL])
    low, high = -most - distance, -least + distance
    if low >= reach or high <= -reach:
        return 0
    low, high = bulk_of(low, high, reach, scale)
    for k in range(TUBE_NODES):
        offsets[k] = low + (k + 0.5) / TUBE_NODES * (high - low)
        weights[k] = looked_up(abs(offsets[k]), step, log_density) * (high - low) / TUBE_NODES
    return TUBE_NODES


@allocating_kernel
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


@allocating_kernel
def tube_entries(first, second, paces, distances, spread, field, out):
    """Fill ``out`` of shape (distances,) with entries per second of two single objects, from relative motion alone."""
    work, track = np.empty((3, 6)), np.empty((SAMPLES + 3, TRACK))
    whole = np.zeros((1, 1, distances.size))
    relative_track(first, second, paces[1] / paces[0], field, work, track)
    add_tube(track, paces[0], 1.0, distances, 0, spread, (0.0, np.inf, 1, np.inf, 1), whole)
    out[:] = whole[0, 0]


# --- fleet against others ---------------------------------------------------------------------------------------------


@inlined_kernel
def band_of(radius, latitude, bands):
    """Return the bands of altitude and latitude; ``bands = (lowest radius, width, count, width, count)``."""
    lowest, thick, heights, wide, zones = bands
    height = min(max(int(np.floor((radius - lowest) / thick)), 0), heights - 1)
    zone = min(max(int(np.floor((latitude + 0.5 * np.pi) / wide)), 0), zones - 1)
    return height, zone


@inlined_kernel
def frame(elements, mu, radius, zonals, out):
    """Fill ``out`` (FRAME,) with what the ellipse of an orbit needs at any node, free of angles.

    Pole, eccentricity vector, semi-latus rectum, sqrt(mu / p), J2 R^2 / 4a, sine of the inclination.
    """
    ex, ey = elements[1], elements[2]
    sin_i, cos_i = np.sin(elements[3]), np.cos(elements[3])
    sin_n, cos_n = np.sin(elements[4]), np.cos(elements[4])
    out[0], out[1], out[2] = sin_i * sin_n, -sin_i * cos_n, cos_i
    out[3] = ex * cos_n - ey * cos_i * sin_n
    out[4] = ex * sin_n + ey * cos_i * cos_n
    out[5] = ey * sin_i
    out[6] = elements[0] * (1.0 - ex * ex - ey * ey)
    out[7] = np.sqrt(mu / out[6])
    out[8] = 0.25 * zonals[2] * radius * radius / elements[0]
    out[9] = sin_i


@inlined_kernel
def ellipse_radius(orbit, towards, z):
    """Return the radius of an orbit from e cos f there and z, the sine of the latitude.

    Of the short-period terms those of J2 at e = 0: swell (10 sin^2 i - 6 - 2 sin^2 latitude), swell = J2 R^2 / 4a.
    """
    return orbit[6] / (1.0 + towards) + orbit[8] * (10.0 * orbit[9] * orbit[9] - 6.0 - 2.0 * z * z)


@inlined_kernel
def ellipse_crossing(first, second, out):
    """Fill ``out`` (CROSSING,) with sine and cosine of the crossing angle, direction of the node, and both gaps."""
    nx = first[1] * second[2] - first[2] * second[1]
    ny = first[2] * second[0] - first[0] * second[2]
    nz = first[0] * second[1] - first[1] * second[0]
    sine = np.sqrt(nx * nx + ny * ny + nz * nz)
    scale = 1.0 / max(sine, 1e-12)
    nx, ny, nz = nx * scale, ny * scale, nz * scale
    out[0] = sine
    out[1] = first[0] * second[0] + first[1] * second[1] + first[2] * second[2]
    out[2], out[3], out[4] = nx, ny, nz
    towards_1 = first[3] * nx + first[4] * ny + first[5] * nz
    towards_2 = second[3] * nx + second[4] * ny + second[5] * nz
    out[5] = ellipse_radius(first, towards_1, nz) - ellipse_radius(second, towards_2, nz)
    out[6] = ellipse_radius(first, -towards_1, nz) - ellipse_radius(second, -towards_2, nz)


@inlined_kernel
def speeds_at(orbit, nx, ny, nz):
    """Return transverse and radial speed on an ellipse at a direction of unit length in its plane."""
    towards = orbit[3] * nx + orbit[4] * ny + orbit[5] * nz
    tx, ty, tz = orbit[1] * nz - orbit[2] * ny, orbit[2] * nx - orbit[0] * nz, orbit[0] * ny - orbit[1] * nx
    ahead = orbit[3] * tx + orbit[4] * ty + orbit[5] * tz
    return orbit[7] * (1.0 + towards), -orbit[7] * ahead


@inlined_kernel
def ellipse_factors(first, second, crossing, node):
    """Return c and v_perp of two ellipses at one of their nodes."""
    side = 1.0 if node == 0 else -1.0
    nx, ny, nz = side * crossing[2], side * crossing[3], side * crossing[4]
    vt_1, vr_1 = speeds_at(first, nx, ny, nz)
    vt_2, vr_2 = speeds_at(second, nx, ny, nz)
    t_2, n_2 = vt_2 * crossing[1], vt_2 * crossing[0]
    c_r, c_t, c_n = vt_1 * n_2, vr_1 * n_2, vr_1 * t_2 - vt_1 * vr_2
    cross = np.sqrt(c_r * c_r + c_t * c_t + c_n * c_n)
    relative = np.sqrt((vr_1 - vr_2) ** 2 + (vt_1 - t_2) ** 2 + n_2 * n_2)
    return c_r / cross, cross / relative


@inlined_kernel
def shape_of(values, rates, k, radius, zonals, out):
    """Fill ``out`` (SHAPE,) with what bounds an orbit over a window from node k to the next.

    Lowest and highest radius; steepest rise e / sqrt(1 - e^2); rate of the perigee [rad s-1], at least as for e of
    `LEAST`, below which it runs about; swing, which bounds the
    second derivative of the radius by the angle from perigee, a e (1 + e) / (1 - e); and what `ellipse_radius` leaves
    out of the radius: the short-period terms of first order in e, and 0.1 km of second order and of other zonals.
    """
    low, high, e, bound, turn = np.inf, 0.0, 0.0, 0.0, 0.0
    for j in range(k, k + 2):
        a, ex, ey = values[j, 0], values[j, 1], values[j, 2]
        own = np.sqrt(ex * ex + ey * ey)
        short = radial_short_period_bound(a, own, np.sin(values[j, 3]), radius, zonals)
        low, high = min(low, a * (1.0 - own) - short), max(high, a * (1.0 + own) + short)
        e, bound = max(e, own), max(bound, short)
        turn = max(turn, np.sqrt(rates[j, 1] ** 2 + rates[j, 2] ** 2) / max(own, LEAST))
    out[0], out[1], out[2], out[3] = low, high, e / np.sqrt(1.0 - e * e), turn
    out[4] = max(values[k, 0], values[k + 1, 0]) * max(e, LEAST) * (1.0 + e) / (1.0 - e)
    out[5] = 0.1 + bound * min(2.0, 4.0 * e)


@inlined_kernel
def node_turn(rates_a, rates_b, orbit_a, orbit_b):
    """Return how fast two poles move against each other [rad s-1], in the frame that turns with the node of one.

    Over the sine of the crossing angle this is the turn of the mutual node. The node of an orbit at the equator runs
    about, its pole does not.
    """
    return abs(rates_a[4] - rates_b[4]) * min(orbit_a[9], orbit_b[9])


@inlined_kernel
def smallest_sine(first, second, sine, turning):
    """Return a bound from below of the sine of the crossing angle over a window.

    Whatever the nodes, the planes cross at an angle between i1 - i2 and i1 + i2, and it changes by the turn at most.
    """
    one, other = first[9] * second[2], first[2] * second[9]
    return max(min(abs(one - other), abs(one + other)) - 1e-3, sine - turning)


@inlined_kernel
def bend(shape_a, shape_b, sine, turning, span):
    """Return how far the gap of two orbits leaves its chord over a span [km]; infinite where they turn too far."""
    turn = turning / sine + max(shape_a[3], shape_b[3]) * span
    return (shape_a[4] + shape_b[4] + 3.0) * turn * turn / 8.0 if turn < 1.0 else np.inf


@inlined_kernel
def slant(shape_a, shape_b, sine):
    """Return the largest 1 / c: [1 + g1^2 + (g1 + g2)^2 / sin^2 I]^1/2, g the steepest rise of each orbit."""
    steep = (shape_a[2] + shape_b[2]) / sine
    return np.sqrt(1.0 + shape_a[2] * shape_a[2] + steep * steep)


@inlined_kernel
def add_chords(now, orbit, node, factors, gaps, weight, count, distances, spread, bands, out):
    """Add the expected approaches at one node in a sub-window below the first ``count`` distances.

    ``factors = (c, v_perp)`` and ``gaps`` at both ends of the sub-window; ``now`` and ``orbit`` are the crossing at its
    end and the frame of first there, for the place.
    """
    height, zone = 0, 0
    if out.shape[0] * out.shape[1] > 1:
        side = 1.0 if node == 0 else -1.0
        nx, ny, nz = side * now[2], side * now[3], side * now[4]
        radius = ellipse_radius(orbit, orbit[3] * nx + orbit[4] * ny + orbit[5] * nz, nz)
        height, zone = band_of(radius, np.arcsin(max(-1.0, min(1.0, nz))), bands)
    c, speed = factors
    for j in range(count):
        out[height, zone, j] += weight / speed * expected_chord(distances[j], c, gaps[0], gaps[1], spread)


@inlined_kernel
def comes_within(before, after, margin):
    """Return whether the gap at either node is, or passes, within a margin between two crossings."""
    return (before[5] * after[5] <= 0.0 or min(abs(before[5]), abs(after[5])) <= margin) or (
        before[6] * after[6] <= 0.0 or min(abs(before[6]), abs(after[6])) <= margin
    )


@inlined_kernel
def add_nodes(a, b, start, stop, was, crossings, frames, left_out, margin, weight, count, spacing, distances, spread,
              field, bands, geometry, work, out):  # fmt: skip
    """Add the expected approaches at both nodes in a sub-window below the first ``count`` distances.

    ``crossings`` and ``frames`` of the ellipses at its ends stand at ``was`` and 1 - ``was``. Gaps farther than
    ``margin`` at both ends count nothing. What ellipses leave out, ``left_out`` at most, shifts when a drifting gap is
    crossed and changes no average; a gap that hardly drifts is taken with all terms.
    """
    mu, radius, zonals = field
    now = 1 - was
    known = False
    for node in range(2):
        before, after = crossings[was, 5 + node], crossings[now, 5 + node]
        if before * after > 0.0 and min(abs(before), abs(after)) > margin:
            continue
        if abs(after - before) > RESOLVED * left_out:
            c_1, speed_1 = ellipse_factors(frames[was, 0], frames[was, 1], crossings[was], node)
            c_2, speed_2 = ellipse_factors(frames[now, 0], frames[now, 1], crossings[now], node)
        else:
            if not known:
                for k in range(2):
                    fraction = (start if k == 0 else stop) / spacing
                    hermite(a[0], a[1], a[2], fraction, spacing, work[3])
                    hermite(b[0], b[1], b[2], fraction, spacing, work[4])
                    node_geometry(work[3], work[4], distances[-1], mu, radius, zonals, geometry[k])
            known = True
            before, c_1, speed_1 = geometry[0, node, X], geometry[0, node, C], geometry[0, node, V_PERP]
            after, c_2, speed_2 = geometry[1, node, X], geometry[1, node, C], geometry[1, node, V_PERP]
        factors = 0.5 * (c_1 + c_2), 0.5 * (speed_1 + speed_2)
        gaps = before, after
        add_chords(crossings[now], frames[now, 0], node, factors, gaps, weight, count, distances, spread, bands, out)


@inlined_kernel
def add_window(a, b, length, spacing, factor, distances, floor, spread, field, bands, scratch, out):
    """Add the expected approaches of two trains in one window to ``out`` of shape (heights, zones, distances).

    ``a = (values, rates, node, frames, shape)`` and ``b`` likewise, frames at both ends of the window; ``factor`` is
    the number of pairs of satellites; ``floor`` bounds the radius of the encounter from below and ``length`` is the
    part of the window [s] in which both are up.
    """
    mu, radius, zonals = field
    work, geometry, track, frames, crossings = scratch
    shape_a, shape_b = a[4], b[4]
    rates_a, rates_b = a[1][a[2]], b[1][b[2]]
    turning = node_turn(rates_a, rates_b, a[3][0], b[3][0])
    perigee = max(shape_a[3], shape_b[3])
    bending = np.sqrt((shape_a[4] + shape_b[4] + 3.0) / (8.0 * DRIFT))
    passages = factor * phase_pace(a[0][a[2]], rates_a) * phase_pace(b[0][b[2]], rates_b) / TWO_PI**2
    left_out = shape_a[5] + shape_b[5]
    for c in range(FRAME):
        frames[0, 0, c], frames[0, 1, c] = a[3][0, c], b[3][0, c]
    ellipse_crossing(frames[0, 0], frames[0, 1], crossings[0])
    start, part, close_until = 0.0, 0, 0.0
    while start < length:
        was, now = part % 2, (part + 1) % 2
        # a node turns the faster the nearer the planes, down to where the smallest encounter covers the whole orbit
        apart = max(crossings[was, 0], distances[0] / floor)
        bends = (turning / apart + perigee) * bending * (CLOSER if start < close_until else 1.0)
        pace = max(turning / (TURN * apart), bends)
        stop = start + 1.0 / pace if pace * (length - start) > 1.0 else length
        if stop == spacing:
            for c in range(FRAME):
                frames[now, 0, c], frames[now, 1, c] = a[3][1, c], b[3][1, c]
        else:
            hermite(a[0], a[1], a[2], stop / spacing, spacing, work[3])
            hermite(b[0], b[1], b[2], stop / spacing, spacing, work[4])
            for k in range(2):
                frame(work[3 + k], mu, radius, zonals, frames[now, k])
        ellipse_crossing(frames[now, 0], frames[now, 1], crossings[now])
        # from this threshold on the encounter is no longer short against the orbit
        sine = min(crossings[was, 0], crossings[now, 0])
        count = 0
        while count < distances.size and distances[count] < REACH * floor * sine:
            count += 1
        if count > 0:
            margin = (distances[count - 1] + spread[0]) * slant(shape_a, shape_b, sine) + left_out
            if (
                start >= close_until
                and CLOSER * bends * (stop - start) > 1.0
                and comes_within(crossings[was], crossings[now], margin + DRIFT)
            ):
                close_until = stop
                continue
            add_nodes(
                a, b, start, stop, was, crossings, frames, left_out, margin, passages * (stop - start), count,
                spacing, distances, spread, field, bands, geometry, work, out,
            )  # fmt: skip
        if count < distances.size:
            first, second = work[3], work[4]
            hermite(a[0], a[1], a[2], 0.5 * (start + stop) / spacing, spacing, first)
            hermite(b[0], b[1], b[2], 0.5 * (start + stop) / spacing, spacing, second)
            pace_1, pace_2 = phase_pace(first, rates_a), phase_pace(second, rates_b)
            relative_track(first, second, pace_2 / pace_1, field, work, track)
            add_tube(track, pace_1, factor * (stop - start), distances, count, spread, bands, out)
        start, part = stop, part + 1


@inlined_kernel
def stay_apart(frames_a, frames_b, shape_a, shape_b, turning, span, reach, floor, crossings):
    """Return whether two orbits stay farther apart than the reach at both nodes over a window, and cross steeply."""
    ellipse_crossing(frames_a[0], frames_b[0], crossings[0])
    sine = smallest_sine(frames_a[0], frames_b[0], crossings[0, 0], turning)
    if not sine * REACH * floor > reach:
        return False
    margin = bend(shape_a, shape_b, sine, turning, span) + reach * slant(shape_a, shape_b, sine)
    margin += shape_a[5] + shape_b[5]
    if min(abs(crossings[0, 5]), abs(crossings[0, 6])) < margin:
        return False
    ellipse_crossing(frames_a[1], frames_b[1], crossings[1])
    return (
        crossings[0, 5] * crossings[1, 5] > 0.0
        and crossings[0, 6] * crossings[1, 6] > 0.0
        and min(abs(crossings[1, 5]), abs(crossings[1, 6])) > margin
    )


@allocating_kernel
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
    mu, radius, zonals = field
    planes, windows = values_a.shape[0], clock.size - 1
    reach = distances[-1] + spread[0]
    frames_a, shapes_a = np.empty((planes, windows + 1, FRAME)), np.empty((planes, windows, SHAPE))
    lowest, highest = np.full(windows, np.inf), np.zeros(windows)
    for p in range(planes):
        for k in range(windows + 1):
            frame(values_a[p, k], mu, radius, zonals, frames_a[p, k])
        for k in range(windows):
            shape_of(values_a[p], rates_a[p], k, radius, zonals, shapes_a[p, k])
            if clock[k] < ends_a[p]:
                lowest[k] = min(lowest[k], shapes_a[p, k, 0])
                highest[k] = max(highest[k], shapes_a[p, k, 1])
    frames_b, shape_b = np.empty((2, FRAME)), np.empty(SHAPE)
    scratch = (
        np.empty((5, 6)), np.empty((2, 2, FIELDS)), np.empty((SAMPLES + 3, TRACK)),
        np.empty((2, 2, FRAME)), np.empty((2, CROSSING)),
    )  # fmt: skip
    for b in range(values_b.shape[0]):
        for k in range(windows):
            if clock[k] >= ends_b[b]:
                break
            shape_of(values_b[b], rates_b[b], k, radius, zonals, shape_b)
            if shape_b[0] - reach > highest[k] or shape_b[1] + reach < lowest[k]:
                continue
            spacing = clock[k + 1] - clock[k]
            frame(values_b[b, k], mu, radius, zonals, frames_b[0])
            frame(values_b[b, k + 1], mu, radius, zonals, frames_b[1])
            for p in range(planes):
                shape_a = shapes_a[p, k]
                if shape_a[0] - reach > shape_b[1] or shape_b[0] - reach > shape_a[1] or clock[k] >= ends_a[p]:
                    continue
                length = min(spacing, min(ends_a[p], ends_b[b]) - clock[k])
                turning = spacing * node_turn(rates_a[p, k], rates_b[b, k], frames_a[p, k], frames_b[0])
                floor = max(shape_a[0], shape_b[0])
                ends = frames_a[p, k : k + 2]
                if not stay_apart(ends, frames_b, shape_a, shape_b, turning, spacing, reach, floor, scratch[4]):
                    add_window(
                        (values_a[p], rates_a[p], k, ends, shape_a), (values_b[b], rates_b[b], k, frames_b, shape_b),
                        length, spacing, sizes[p], distances, floor, spread, field, bands, scratch,
                        out[b, cells[0][p], cells[1][k]],
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


@inner_kernel
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


@allocating_kernel
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


@allocating_kernel
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


@allocating_kernel
def tracks_between(values, rates, rows, offsets, fixed, instants, spacing, distances, begin, spread, field, bands, out):
    """Add approaches per second of two planes to ``out`` (windows, heights, zones, distances), from relative motion.

    In the middle of each window between instants, below the distances from ``begin[window]`` on: averaged over phase,
    or where ``fixed`` with the phases as they are. ``rows`` are those of the leaders, ``offsets`` the phases of the
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


@inner_kernel
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


@allocating_kernel
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


# --- kinetic theory ---------------------------------------------------------------------------------------------------


@inner_kernel
def on_latitude(orbit, ascending, z):
    """Return radius, velocity radial, east, north and share of time per angle of an orbit at a latitude.

    ``orbit = [a, ex, ey, sin i, cos i, sqrt(mu / p), J2 R^2 / 4a]``; z is the sine of the latitude, and the share that
    of the mean anomaly by the argument of latitude, r^2 / (a^2 eta).
    """
    a, ex, ey, sin_i, cos_i = orbit[0], orbit[1], orbit[2], orbit[3], orbit[4]
    sine = z / sin_i
    cosine = np.sqrt(max(1.0 - sine * sine, 0.0)) * (1.0 if ascending else -1.0)
    eta2 = 1.0 - ex * ex - ey * ey
    towards, ahead = ex * cosine + ey * sine, ex * sine - ey * cosine
    r = a * eta2 / (1.0 + towards)
    share = r * r / (a * a * np.sqrt(eta2))
    r += orbit[6] * (10.0 * sin_i * sin_i - 6.0 - 2.0 * z * z)
    speed = orbit[5] * (1.0 + towards)
    east = cos_i / np.sqrt(1.0 - z * z)
    return r, orbit[5] * ahead, speed * east, speed * sin_i * cosine / np.sqrt(1.0 - z * z), share


@allocating_kernel
def kinetic(first, second, distances, latitudes, spread, field, out):
    """Fill ``out`` of shape (distances,) with entries per second of two objects, their nodes at random.

    Parameters
    ----------
    first, second : shape (instants, 6)
        Mean elements of both through the span.
    distances : shape (distances,)
        Thresholds [km].
    latitudes : int
        Points of the quadrature over latitude; with sin b = sin i sin t the integrand is smooth.
    spread, field : tuple

    Notes
    -----
    At latitude b an object is found in longitude and latitude with the density share cos b / (2 pi sqrt(sin^2 i -
    sin^2 b)) / (2 pi r^2 cos b) on each of its two passes; the flux through a sphere of which the gap of the radii
    leaves the chord 2 sqrt(d^2 - x^2) is density x relative speed x chord. Radii are those of the orbits at each
    instant, so a perigee counts as circulating as far as it circulates.
    """
    mu, radius, zonals = field
    out[:] = 0.0
    instants = first.shape[0]
    orbits = np.empty((instants, 2, 7))
    for k in range(instants):
        for side in range(2):
            elements = first[k] if side == 0 else second[k]
            a, ex, ey = elements[0], elements[1], elements[2]
            row = orbits[k, side]
            row[0], row[1], row[2] = a, ex, ey
            row[3], row[4] = np.sin(elements[3]), np.cos(elements[3])
            row[5] = np.sqrt(mu / (a * (1.0 - ex * ex - ey * ey)))
            row[6] = 0.25 * zonals[2] * radius * radius / a
    for k in range(instants - 1):
        sines = orbits[k, 0, 3], orbits[k, 1, 3]
        highest, highest_later = min(sines[0], sines[1]), min(orbits[k + 1, 0, 3], orbits[k + 1, 1, 3])
        for m in range(latitudes):
            angle = ((m + 0.5) / latitudes - 0.5) * np.pi
            # both share the latitudes of the less inclined, also where its inclination changes
            z, z_later = highest * np.sin(angle), highest_later * np.sin(angle)
            # d b = highest cos(angle) d angle / cos b
            width = highest * np.cos(angle) * np.pi / latitudes
            width *= (1.0 - z * z) / np.sqrt((sines[0] ** 2 - z * z) * (sines[1] ** 2 - z * z)) / TWO_PI**2
            for passes in range(4):
                r_1, up_1, east_1, north_1, share_1 = on_latitude(orbits[k, 0], passes % 2 == 0, z)
                r_2, up_2, east_2, north_2, share_2 = on_latitude(orbits[k, 1], passes < 2, z)
                later_1 = on_latitude(orbits[k + 1, 0], passes % 2 == 0, z_later)[0]
                later_2 = on_latitude(orbits[k + 1, 1], passes < 2, z_later)[0]
                speed = np.sqrt((up_1 - up_2) ** 2 + (east_1 - east_2) ** 2 + (north_1 - north_2) ** 2)
                flux = width * share_1 * share_2 * speed / (TWO_PI * r_1 * r_2 * (1.0 - z * z))
                for j in range(distances.size):
                    out[j] += flux * expected_chord(distances[j], 1.0, r_1 - r_2, later_1 - later_2, spread)
    out /= instants - 1
