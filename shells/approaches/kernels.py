"""Compiled kernels of the search at mutual nodes, its refinement, and of the geometry behind phase-averaged rates.

Units: km, s, radians; mean elements in a row are ``[a, ex, ey, i, raan, u]``.

Where two orbits cross the line of their planes at radii differing by x, linear motion gives a smallest distance squared
c^2 x^2 + v_perp^2 (tau - tau0)^2 for passages tau apart (definitions of the package). With w = vA - vB and P the
projection normal to w, the relative position is x r^ - tau vB after the common motion is taken out, so that
v_perp = |P vB| = |vA x vB| / |w|, c is the distance of the line x r^ + R vA + R vB from the origin, and
|tau| <= (d + |x|) / v_perp.

How each pad is derived:

* curvature: both orbits leave their tangents by at most g t^2 / 2, g = mu / r^2; within d of each other both are
  within d of the other's plane, so t <= d / (v_t sin I): together g (d / (v_t sin I))^2. `REACH` bounds
  d / (r sin I), the angle of that stretch: beyond it the linear picture is given up for the search on relative motion;
* short-period shift of the node: the first-order terms move each track by w across and shift the crossing by w / sin I
  along; this is applied, not padded. What is left is of second order, `MODEL_PAD`;
* drift: geometry is linear in time between sub-windows short enough that perigees and nodes turn by less than an angle
  that changes a radius by `DRIFT_PAD`; that pad covers the rest.
"""

import numpy as np

from shells.compiled import allocating_kernel, kernel
from shells.motion.kernels import hermite, radial_short_period_bound, short_period, state_at
from shells.motion.series.kernels import TWO_PI

#: Largest d / (r sin I) [rad] for which the linear picture at the node is used.
REACH = 0.02

#: Second-order short-period terms and products of first-order ones [km].
MODEL_PAD = 0.1

#: Largest departure [km] of a radius from linear drift inside a sub-window.
DRIFT_PAD = 0.3

#: Largest turn of a node, over the sine of the crossing angle, inside a sub-window.
NODE_TURN = 0.1

#: The encounter lies within this time [s] of the passages of both objects through the node.
LARGEST_DELAY = 120.0

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
def closest(first_values, first_rates, second_values, second_rates, spacing, guess, end, distance, field, work):
    """Refine a closest approach by Newton's method on the full trajectories.

    Returns
    -------
    time : float
        Of the local minimum of distance [s]; NaN when there is none below the threshold within [0, end] near the guess.
        The states at that time are left in ``work[1]`` and ``work[2]``.
    """
    mu, radius, zonals = field
    values, rates = (first_values, second_values), (first_rates, second_rates)
    time = min(max(guess, 0.0), end)
    for _ in range(20):
        for k in range(2):  # a loop, so that the trajectory is compiled into it once
            state_at(values[k], rates[k], 0.0, spacing, time, mu, radius, zonals, work[0], work[1 + k])
        a, b = work[1], work[2]
        r_a, r_b, apart, along, speed, pull = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for c in range(3):
            r_a += a[c] * a[c]
            r_b += b[c] * b[c]
        g_a, g_b = -mu / (r_a * np.sqrt(r_a)), -mu / (r_b * np.sqrt(r_b))
        for c in range(3):
            dr, dv = b[c] - a[c], b[c + 3] - a[c + 3]
            apart += dr * dr
            along += dr * dv
            speed += dv * dv
            pull += dr * (g_b * b[c] - g_a * a[c])
        slope = speed + pull
        if not slope > 0.1 * speed:
            slope = speed
        change = -along / slope
        # straight lines miss each other by this much, gravity bends them by no more than the pad
        missed = np.sqrt(max(apart - along * along / speed, 0.0))
        if not missed - 0.5 * (abs(g_a) * np.sqrt(r_a) + abs(g_b) * np.sqrt(r_b)) * change * change < distance:
            return np.nan
        moved = min(max(time + change, 0.0), end)
        if moved != time + change and moved == time:
            return np.nan  # the distance still falls at the border of the span
        if abs(moved - guess) > LARGEST_DELAY:
            return np.nan
        time = moved
        if abs(change) < 1e-6:
            return time if apart < distance * distance else np.nan
    return np.nan


@kernel
def dot(a, b):
    """Return the scalar product of the first three components."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@kernel
def cross(a, b):
    """Return the vector product of the first three components."""
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


@kernel
def record(first, second, time, work, row):
    """Fill a row of approaches from the states at closest approach in ``work[1]`` and ``work[2]``."""
    a, b = work[1], work[2]
    r = np.sqrt(dot(a, a))
    va, vb = (a[3], a[4], a[5]), (b[3], b[4], b[5])
    momentum, other = cross(a, va), cross(b, vb)
    line = cross(momentum, other)
    length = np.sqrt(dot(momentum, momentum))
    radial = (a[0] / r, a[1] / r, a[2] / r)
    normal = (momentum[0] / length, momentum[1] / length, momentum[2] / length)
    track = cross(normal, radial)
    apart = (b[0] - a[0], b[1] - a[1], b[2] - a[2])
    speed = (vb[0] - va[0], vb[1] - va[1], vb[2] - va[2])
    row[0], row[1], row[2] = first, second, time
    row[3] = np.sqrt(dot(apart, apart))
    row[4], row[5], row[6] = dot(apart, radial), dot(apart, track), dot(apart, normal)
    row[7], row[8], row[9] = dot(speed, radial), dot(speed, track), dot(speed, normal)
    row[10] = np.arcsin(max(-1.0, min(1.0, a[2] / r)))
    row[11] = r
    row[12] = np.arctan2(np.sqrt(dot(line, line)), dot(momentum, other))


@kernel
def phase_at(values, rates, node, spacing, time):
    """Return the mean argument of latitude of an orbit at a time [s], which may lie a little outside the window."""
    x = time / spacing - node
    y = 1.0 - x
    left, right = (1.0 + 2.0 * x) * y * y, (1.0 + 2.0 * y) * x * x
    return (
        left * values[node, 5]
        + right * values[node + 1, 5]
        + (x * y * y * rates[node, 5] - y * x * x * rates[node + 1, 5]) * spacing
    )


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


@kernel
def search_node(first, second, train_a, train_b, window, before, after, limits, node, spacing, end, field, work, found):
    """Enumerate the coincidences at one mutual node in one sub-window and refine them.

    ``before`` and ``after`` are the geometry at the borders of the sub-window ``window = (node index, start, stop)``;
    ``limits = (distance, bend)``: threshold [km] and how far phases at the node may bend from linear drift [rad].
    Returns the number of approaches counted so far; those beyond the size of ``found`` are counted only.
    """
    values_a, rates_a, leaders_a, starts_a, members_a, offsets_a = first
    values_b, rates_b, leaders_b, starts_b, members_b, offsets_b = second
    index, start, stop = window
    distance, bend = limits
    lead_a, lead_b = leaders_a[train_a], leaders_b[train_b]
    count = int(work[3, 0])

    reach = distance + max(before[node, PAD], after[node, PAD]) + MODEL_PAD
    c = min(before[node, C], after[node, C])
    x_before, x_after = before[node, X], after[node, X]
    nearest = 0.0 if x_before * x_after < 0.0 else min(abs(x_before), abs(x_after))
    if c * (nearest - DRIFT_PAD) > reach:
        return
    length = stop - start
    ua_before, ub_before = before[node, U_FIRST], before[node, U_SECOND]
    ua_after = ua_before + np.remainder(after[node, U_FIRST] - ua_before + np.pi, TWO_PI) - np.pi
    ub_after = ub_before + np.remainder(after[node, U_SECOND] - ub_before + np.pi, TWO_PI) - np.pi
    phase_before = phase_at(values_b[lead_b], rates_b[lead_b], index, spacing, start) - ub_before
    phase_after = phase_at(values_b[lead_b], rates_b[lead_b], index, spacing, stop) - ub_after
    pace_b = (phase_after - phase_before) / length
    pace_a = (
        phase_at(values_a[lead_a], rates_a[lead_a], index, spacing, stop)
        - phase_at(values_a[lead_a], rates_a[lead_a], index, spacing, start)
    ) / length
    delay = (reach + reach / c + DRIFT_PAD) / min(before[node, V_PERP], after[node, V_PERP])
    half = min(delay * pace_a + bend, 0.999 * np.pi)
    early = pace_b * LARGEST_DELAY if start == 0.0 else 0.0
    late = pace_b * LARGEST_DELAY if stop >= end else 0.0
    offsets = offsets_a[starts_a[train_a] : starts_a[train_a + 1]]

    for slot in range(starts_b[train_b], starts_b[train_b + 1]):
        turn_first = int(np.floor((phase_before - early + offsets_b[slot]) / TWO_PI)) + 1
        turn_last = int(np.floor((phase_after + late + offsets_b[slot]) / TWO_PI))
        for revolution in range(turn_first, turn_last + 1):
            wanted = TWO_PI * revolution - offsets_b[slot]
            time = start + (wanted - phase_before) / pace_b
            # one Newton step takes the bend of the phase out
            drift = (time - start) / length
            phase = phase_at(values_b[lead_b], rates_b[lead_b], index, spacing, time)
            time -= (phase - (ub_before + drift * (ub_after - ub_before)) - wanted) / pace_b
            drift = (time - start) / length
            x = x_before + drift * (x_after - x_before)
            if c * (abs(x) - DRIFT_PAD) > reach:
                continue
            phase = phase_at(values_a[lead_a], rates_a[lead_a], index, spacing, time)
            target = np.remainder(ua_before + drift * (ua_after - ua_before) - phase, TWO_PI)
            for lap in range(-1, 2):
                low, high = target - half + lap * TWO_PI, target + half + lap * TWO_PI
                j = first_not_below(offsets, low)
                while j < offsets.size and offsets[j] <= high:
                    guess = time - 0.5 * (offsets[j] - target - lap * TWO_PI) / pace_a
                    a, b = members_a[starts_a[train_a] + j], members_b[slot]
                    j += 1
                    refined = closest(
                        values_a[a], rates_a[a], values_b[b], rates_b[b], spacing, guess, end, distance, field, work
                    )
                    if not np.isnan(refined):
                        if count < found.shape[0]:
                            record(a, b, refined, work, found[count])
                        count += 1
    work[3, 0] = count


@kernel
def search_pair(
    first, second, train_a, train_b, index, spacing, end, distance, limit_sine, field, work, geometry, found
):
    """Search one pair of trains in one window; return whether all of it lay within the linear picture."""
    mu, radius, zonals = field
    values_a, rates_a, leaders_a = first[0], first[1], first[2]
    values_b, rates_b, leaders_b = second[0], second[1], second[2]
    a, b = leaders_a[train_a], leaders_b[train_b]
    sine_before = plane_angle(values_a[a, index], values_b[b, index])[0]
    sine_after = plane_angle(values_a[a, index + 1], values_b[b, index + 1])[0]
    turning = abs(rates_a[a, index, 4] - rates_b[b, index, 4]) * spacing
    if max(sine_before, sine_after) + turning < limit_sine:
        return False
    sine = max(min(sine_before, sine_after) - turning, limit_sine)
    parts = sub_windows(
        values_a[a, index], values_b[b, index], rates_a[a, index], rates_b[b, index], spacing, sine, DRIFT_PAD
    )
    complete = True
    for part in range(parts + 1):
        stop = (index + part / parts) * spacing
        hermite(values_a[a], rates_a[a], index, part / parts, spacing, work[4])
        hermite(values_b[b], rates_b[b], index, part / parts, spacing, work[5])
        current, previous = part % 2, (part + 1) % 2
        sine_after = node_geometry(work[4], work[5], distance, mu, radius, zonals, geometry[current])
        if part > 0:
            if min(sine_before, sine_after) < limit_sine:
                complete = False
            else:
                sine = min(sine_before, sine_after)
                e_a = np.sqrt(work[4, 1] ** 2 + work[4, 2] ** 2)
                e_b = np.sqrt(work[5, 1] ** 2 + work[5, 2] ** 2)
                bend = (0.25 + max(e_a, e_b)) * (turning / parts / sine) ** 2 + 0.5 * MODEL_PAD / values_a[a, index, 0]
                window = (index, (index + (part - 1) / parts) * spacing, stop)
                for node in range(2):
                    search_node(
                        first, second, train_a, train_b, window, geometry[previous], geometry[current],
                        (distance, bend), node, spacing, end, field, work, found,
                    )  # fmt: skip
        sine_before = sine_after
    return complete


@allocating_kernel
def search(first, second, same, spacing, distance, field, found, aside):
    """Search all pairs of trains for approaches at their mutual nodes.

    Parameters
    ----------
    first, second : tuple
        ``(values, rates, leaders, starts, members, offsets)``: mean elements and rates of shape (objects, nodes, 6); of
        each train the object that leads it; where its members start; the members' rows and their phase ahead of the
        leader in ascending order [rad].
    same : bool
        Whether both sides are the same trains: each pair is then searched once, and none with itself.
    spacing : float
        Of the nodes [s].
    distance : float
        Threshold [km].
    field : tuple of float
        Gravitational parameter, reference radius, J2.
    found : shape (capacity, COLUMNS)
        Filled with approaches.
    aside : shape (capacity, 3)
        Filled with train of first, of second and window that the linear picture does not cover.

    Returns
    -------
    tuple of int
        Number of approaches and of windows aside, which may exceed the capacities.
    """
    mu, radius, zonals = field
    leaders_a, leaders_b = first[2], second[2]
    nodes = first[0].shape[1]
    end = (nodes - 1) * spacing
    low, high = np.empty(leaders_a.size), np.empty(leaders_a.size)
    work = np.zeros((6, 6))
    geometry = np.empty((2, 2, FIELDS))
    left = 0
    for index in range(nodes - 1):
        longest = 0.0
        for a in range(leaders_a.size):
            low[a], high[a] = radius_interval(first[0][leaders_a[a]], index, mu, radius, zonals)
            if np.isnan(low[a]):
                low[a] = high[a] = np.inf
            else:
                longest = max(longest, high[a] - low[a])
        order = np.argsort(low)
        ordered = low[order]
        for b in range(leaders_b.size):
            low_b, high_b = radius_interval(second[0][leaders_b[b]], index, mu, radius, zonals)
            if np.isnan(low_b):
                continue
            j = first_not_below(ordered, low_b - distance - longest)
            while j < order.size and ordered[j] <= high_b + distance:
                a = order[j]
                j += 1
                if high[a] + distance < low_b or (same and a >= b):
                    continue
                # the trajectory of an object that re-enters ends with the node before
                if low[a] == 0.0 or low_b == 0.0:
                    continue
                limit_sine = distance / (REACH * max(low[a], low_b))
                if not search_pair(
                    first, second, a, b, index, spacing, end, distance, limit_sine, field, work, geometry, found
                ):
                    if left < aside.shape[0]:
                        aside[left, 0], aside[left, 1], aside[left, 2] = a, b, index
                    left += 1
    return int(work[3, 0]), left
