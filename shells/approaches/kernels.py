"""Compiled geometry at mutual nodes behind phase-averaged rates, and the record of an approach.

Units: km, s, radians; mean elements in a row are ``[a, ex, ey, i, raan, u]``.

What happens at a node, and the pads that both this and the search need, stand in `shells.approaches.nodes.kernels`.
The short-period shift of the node is applied: the first-order terms move each track by w across and shift the crossing
by w / sin I along. Geometry is linear in time between sub-windows short enough that perigees and nodes turn by less
than an angle that changes a radius by `AVERAGE_DRIFT`.
"""

import numpy as np

from shells.compiled import kernel
from shells.motion.kernels import TWO_PI, hermite, interpolate, radial_short_period_bound, short_period

#: Largest d / (r sin I) [rad] for which the linear picture at the node is used.
REACH = 0.02

#: Room between nodes in time for an interval of radius [km].
DRIFT_PAD = 0.3

#: Largest departure [km] of a radius from linear drift inside a sub-window of averages, whose error it changes by the
#: square of it over threshold at most.
AVERAGE_DRIFT = 2.0

#: Largest turn of a node, over the sine of the crossing angle, inside a sub-window.
NODE_TURN = 0.1

# fields of the geometry at one node
X, U_FIRST, U_SECOND, C, V_PERP, PAD = 0, 1, 2, 3, 4, 5
FIELDS = 6

# columns of a found approach, filled by `record`
COLUMNS = 13


@kernel
def radius_interval(values, node, mu, radius, zonals):
    """Return the lowest and highest osculating radius [km] of an orbit over a window; NaN once it has ended.

    In the window in which an object re-enters it falls from where it is to the ground, and the lowest radius is zero.
    """
    if np.isnan(values[node, 0]):
        return np.nan, np.nan
    low, high = np.inf, 0.0
    ends = np.isnan(values[node + 1, 0])
    for j in range(node, node + 1 if ends else node + 2):
        a, ex, ey, i = values[j, 0], values[j, 1], values[j, 2], values[j, 3]
        e = np.sqrt(ex * ex + ey * ey)
        pad = radial_short_period_bound(a, e, np.sin(i), radius, zonals)
        low = min(low, a * (1.0 - e) - pad)
        high = max(high, a * (1.0 + e) + pad)
    return 0.0 if ends else low - DRIFT_PAD, high + DRIFT_PAD


@kernel
def passage(elements, sin_t, cos_t, mu, radius, zonals):
    """Return short-period displacement and speeds of an orbit where its argument of latitude has this sine and cosine.

    Returns
    -------
    tuple of float
        Displacement of the radius [km], along and across the track [rad], radius [km] without it.
    """
    a, ex, ey, i = elements[0], elements[1], elements[2], elements[3]
    eta = np.sqrt(1.0 - ex * ex - ey * ey)
    p = a * eta * eta
    kappa, sigma = ex * cos_t + ey * sin_t, ex * sin_t - ey * cos_t
    cos_i, sin_i = np.cos(i), np.sin(i)
    centre = equation_of_centre(kappa, sigma, eta)
    terms = short_period(p, kappa, sigma, eta, centre, sin_t, cos_t, cos_i, sin_i, mu, radius, zonals)
    along = terms[1] + cos_i * terms[2]
    across = terms[3] * sin_t - sin_i * cos_t * terms[2]
    return terms[0], along, across, p / (1.0 + kappa)


@kernel
def equation_of_centre(kappa, sigma, eta):
    """Return true less mean anomaly from e cos f and e sin f."""
    beta = 1.0 / (1.0 + eta)
    e_sin = sigma * eta / (1.0 + kappa)
    e_cos = 1.0 - eta * eta / (1.0 + kappa)
    return e_sin + 2.0 * np.arctan2(beta * e_sin, 1.0 - beta * e_cos)


@kernel
def at_node(elements, theta, along, radial, mu):
    """Return radius, transverse and radial speed and mean argument of latitude where the track reaches theta."""
    a, ex, ey = elements[0], elements[1], elements[2]
    eta = np.sqrt(1.0 - ex * ex - ey * ey)
    p = a * eta * eta
    place = theta - along
    sin_t, cos_t = np.sin(place), np.cos(place)
    kappa, sigma = ex * cos_t + ey * sin_t, ex * sin_t - ey * cos_t
    speed = np.sqrt(mu / p)
    return (
        p / (1.0 + kappa) + radial,
        speed * (1.0 + kappa),
        speed * sigma,
        place - equation_of_centre(kappa, sigma, eta),
    )


@kernel
def plane_angle(first, second):
    """Return sine and cosine of the angle between two orbital planes, and the vector n1 x n2."""
    s1, c1, s2, c2 = np.sin(first[3]), np.cos(first[3]), np.sin(second[3]), np.cos(second[3])
    x1, y1 = s1 * np.sin(first[4]), -s1 * np.cos(first[4])
    x2, y2 = s2 * np.sin(second[4]), -s2 * np.cos(second[4])
    nx, ny, nz = y1 * c2 - c1 * y2, c1 * x2 - x1 * c2, x1 * y2 - y1 * x2
    return np.sqrt(nx * nx + ny * ny + nz * nz), x1 * x2 + y1 * y2 + c1 * c2, nx, ny, nz


@kernel
def latitude_of(elements, nx, ny, nz):
    """Return sine and cosine (times the length) of the argument of latitude of a vector in the orbital plane."""
    sin_n, cos_n, sin_i, cos_i = np.sin(elements[4]), np.cos(elements[4]), np.sin(elements[3]), np.cos(elements[3])
    return cos_i * (ny * cos_n - nx * sin_n) + nz * sin_i, nx * cos_n + ny * sin_n


@kernel
def node_geometry(first, second, distance, mu, radius, zonals, out):
    """Fill ``out`` of shape (2, FIELDS) with the geometry at both mutual nodes; return the sine of the crossing angle.

    ``out[:, PAD]`` is the curvature pad for the given threshold distance. Where the planes coincide nothing is filled.
    """
    sin_angle, cos_angle, nx, ny, nz = plane_angle(first, second)
    if sin_angle < 1e-6:
        return sin_angle
    sin_1, cos_1 = latitude_of(first, nx, ny, nz)
    sin_2, cos_2 = latitude_of(second, nx, ny, nz)
    for node in range(2):
        # the second object crosses the plane of the first towards its normal at the node along n1 x n2
        side = 1.0 if node == 0 else -1.0
        norm = side / sin_angle
        radial_1, along_1, across_1, r_1 = passage(first, norm * sin_1, norm * cos_1, mu, radius, zonals)
        radial_2, along_2, across_2, r_2 = passage(second, norm * sin_2, norm * cos_2, mu, radius, zonals)
        shift_2 = side * (across_1 - across_2 * cos_angle) / sin_angle
        shift_1 = shift_2 * cos_angle - side * across_2 * sin_angle
        theta_1, theta_2 = np.arctan2(side * sin_1, side * cos_1), np.arctan2(side * sin_2, side * cos_2)
        r_1, vt_1, vr_1, u_1 = at_node(first, theta_1 + shift_1, along_1, radial_1, mu)
        r_2, vt_2, vr_2, u_2 = at_node(second, theta_2 + shift_2, along_2, radial_2, mu)
        # vA x vB with radial, first's transverse and first's normal as axes
        t_2, n_2 = vt_2 * cos_angle, side * vt_2 * sin_angle
        c_r, c_t, c_n = vt_1 * n_2, -vr_1 * n_2, vr_1 * t_2 - vt_1 * vr_2
        cross = np.sqrt(c_r * c_r + c_t * c_t + c_n * c_n)
        relative = np.sqrt((vr_1 - vr_2) ** 2 + (vt_1 - t_2) ** 2 + n_2 * n_2)
        delay = distance / (min(vt_1, vt_2) * sin_angle)
        out[node, X] = r_1 - r_2
        out[node, U_FIRST] = u_1
        out[node, U_SECOND] = u_2
        out[node, C] = abs(c_r) / cross
        out[node, V_PERP] = cross / relative
        out[node, PAD] = mu / min(r_1, r_2) ** 2 * delay * delay
    return sin_angle


@kernel
def sub_windows(first, second, first_rates, second_rates, span, sine, pad):
    """Return into how many parts a window is cut so that radii at the node drift linearly to a pad [km] in each."""
    node_rate = abs(first_rates[4] - second_rates[4])
    parts = node_rate * span / (NODE_TURN * sine)
    for elements, rates in ((first, first_rates), (second, second_rates)):
        ex, ey = elements[1], elements[2]
        e2 = ex * ex + ey * ey
        perigee_rate = np.sqrt(rates[1] ** 2 + rates[2] ** 2) / np.sqrt(e2) if e2 > 0.0 else 0.0
        turning = (node_rate * max(1.0, 1.0 / sine) + perigee_rate) * span
        e = np.sqrt(e2)
        # second derivative of the radius by angle: a e (1 + e) / (1 - e) at most, and 2 x 1.5 km of the J2 term
        swing = elements[0] * e * (1.0 + e) / (1.0 - e) + 3.0
        parts = max(parts, turning * np.sqrt(swing / (8.0 * pad)))
    return int(parts) + 1


@kernel
def dot(a, b):
    """Return the scalar product of the first three components."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@kernel
def cross(a, b, out):
    """Fill ``out`` with the vector product of the first three components."""
    out[0], out[1], out[2] = a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


@kernel
def record(first, second, time, work, row):
    """Fill a row of approaches from the states at closest approach in ``work[1]`` and ``work[2]``."""
    a, b = work[1], work[2]
    vectors = np.empty((7, 3))
    radial, track, normal, other = vectors[0], vectors[1], vectors[2], vectors[3]
    dr, dv, line = vectors[4], vectors[5], vectors[6]
    r = np.sqrt(dot(a, a))
    cross(a, a[3:], normal)
    cross(b, b[3:], other)
    cross(normal, other, line)
    row[12] = np.arctan2(np.sqrt(dot(line, line)), dot(normal, other))
    length = np.sqrt(dot(normal, normal))
    for c in range(3):
        radial[c] = a[c] / r
        normal[c] /= length
        dr[c], dv[c] = b[c] - a[c], b[c + 3] - a[c + 3]
    cross(normal, radial, track)
    row[0], row[1], row[2] = first, second, time
    row[3] = np.sqrt(dot(dr, dr))
    row[4], row[5], row[6] = dot(dr, radial), dot(dr, track), dot(dr, normal)
    row[7], row[8], row[9] = dot(dv, radial), dot(dv, track), dot(dv, normal)
    row[10] = np.arcsin(max(-1.0, min(1.0, a[2] / r)))
    row[11] = r


@kernel
def first_not_below(offsets, angle):
    """Return the index of the first of ascending offsets that is not below an angle; the size when there is none."""
    low, high = 0, offsets.size
    while low < high:
        middle = (low + high) // 2
        if offsets[middle] < angle:
            low = middle + 1
        else:
            high = middle
    return low


# --- phase-averaged rates ---------------------------------------------------------------------------------------------


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
def add_averages(first, second, train_a, train_b, index, spacing, distances, limit_sine, field, work, geometry, out):
    """Add the expected approaches of a pair of trains in one window to ``out`` of shape (distances,).

    Per node and unit of time f_A f_B 2 sqrt(d^2 - c^2 x^2) / v_perp, f the passages of all members, averaged over the
    drift of x in each sub-window. Returns whether all of the window lay within the linear picture.
    """
    mu, radius, zonals = field
    values_a, rates_a, leaders_a, starts_a = first[0], first[1], first[2], first[3]
    values_b, rates_b, leaders_b, starts_b = second[0], second[1], second[2], second[3]
    a, b = leaders_a[train_a], leaders_b[train_b]
    sine_before = plane_angle(values_a[a, index], values_b[b, index])[0]
    sine_after = plane_angle(values_a[a, index + 1], values_b[b, index + 1])[0]
    turning = abs(rates_a[a, index, 4] - rates_b[b, index, 4]) * spacing
    if max(sine_before, sine_after) + turning < limit_sine:
        return False
    sine = max(min(sine_before, sine_after) - turning, limit_sine)
    parts = sub_windows(
        values_a[a, index], values_b[b, index], rates_a[a, index], rates_b[b, index], spacing, sine, AVERAGE_DRIFT
    )
    members = (starts_a[train_a + 1] - starts_a[train_a]) * (starts_b[train_b + 1] - starts_b[train_b])
    passages = members * rates_a[a, index, 5] * rates_b[b, index, 5] / TWO_PI**2
    largest = distances[-1]
    complete = True
    for part in range(parts + 1):
        hermite(values_a[a], rates_a[a], index, part / parts, spacing, work[4])
        hermite(values_b[b], rates_b[b], index, part / parts, spacing, work[5])
        current, previous = part % 2, (part + 1) % 2
        sine_after = node_geometry(work[4], work[5], largest, mu, radius, zonals, geometry[current])
        if part > 0:
            if min(sine_before, sine_after) < limit_sine:
                complete = False
            else:
                for node in range(2):
                    before, after = geometry[previous, node], geometry[current, node]
                    c = 0.5 * (before[C] + after[C])
                    factor = passages * spacing / parts * 2.0 / (before[V_PERP] + after[V_PERP])
                    for j in range(distances.size):
                        out[j] += factor * mean_chord(distances[j], c, before[X], after[X])
        sine_before = sine_after
    return complete


@kernel
def average(first, second, spacing, years, distances, field, out, skipped):
    """Add up the expected approaches of all pairs of trains, averaged over phase.

    Parameters
    ----------
    first, second : tuple
        As from `Trains.arrays`.
    spacing, field : float, tuple
        Of the nodes [s]; gravitational parameter, reference radius, zonals.
    years : shape (nodes - 1,)
        Year that each window counts for.
    distances : shape (distances,)
        Ascending thresholds [km].
    out : shape (second trains, first trains, years, distances)
        Expected numbers, added to.
    skipped : shape (second trains, first trains)
        Number of windows outside the linear picture, added to.
    """
    mu, radius, zonals = field
    leaders_a, leaders_b = first[2], second[2]
    low, high = np.empty(leaders_a.size), np.empty(leaders_a.size)
    work = np.zeros((6, 6))
    geometry = np.empty((2, 2, FIELDS))
    largest = distances[-1]
    for index in range(years.size):
        for a in range(leaders_a.size):
            low[a], high[a] = radius_interval(first[0][leaders_a[a]], index, mu, radius, zonals)
        for b in range(leaders_b.size):
            low_b, high_b = radius_interval(second[0][leaders_b[b]], index, mu, radius, zonals)
            for a in range(leaders_a.size):
                # written so that NaN, an object that has re-entered, fails
                if not (low[a] - largest <= high_b and low_b - largest <= high[a]):
                    continue
                if low[a] == 0.0 or low_b == 0.0:
                    skipped[b, a] += 1
                else:
                    limit_sine = largest / (REACH * max(low[a], low_b))
                    if not add_averages(
                        first, second, a, b, index, spacing, distances, limit_sine, field, work, geometry,
                        out[b, a, years[index]],
                    ):  # fmt: skip
                        skipped[b, a] += 1


@kernel
def crossings(first, second, pairs, instants, spacing, distance, field, out, sines):
    """Fill ``out`` of shape (pairs, instants, 2, FIELDS) and ``sines`` of shape (pairs, instants) with geometry."""
    mu, radius, zonals = field
    work = np.empty((2, 6))
    for p in range(pairs.shape[0]):
        a, b = first[2][pairs[p, 0]], second[2][pairs[p, 1]]
        for k in range(instants.size):
            interpolate(first[0][a], first[1][a], 0.0, spacing, instants[k], work[0])
            interpolate(second[0][b], second[1][b], 0.0, spacing, instants[k], work[1])
            sines[p, k] = node_geometry(work[0], work[1], distance, mu, radius, zonals, out[p, k])
