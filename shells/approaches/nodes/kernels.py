"""Compiled search for close approaches at the mutual nodes of crossing orbits.

Units: km, s, radians; mean elements in a row are ``[a, ex, ey, i, raan, u]``.

Where two orbits cross the line of their planes at radii differing by x, and the second object passes tau after the
first, straight lines leave the second at -(x r^ + tau vB + w s) from the first, s after the passage of the first, with
w = vA - vB. With P the projection normal to w, the smallest distance squared is

``|P (x r^ + tau vB)|^2 = c^2 x^2 + v_perp^2 (tau - tau0)^2``,  v_perp = |P vB| = |vA x vB| / |w|,
``tau0 = -x r^ . P vB / v_perp^2``,  c = |r^ . (vA x vB)| / |vA x vB|,

reached at s = -w . (x r^ + tau vB) / w^2 (definitions of the package; from the expansion of the square).

Three steps for each pair of trains and each window of `WINDOW` intervals between the nodes in time:

1. *Sweep*: intervals of radius over the window overlap, within the threshold.
2. *Scan*: x at both mutual nodes at every node in time, with the short-period radius of J2 and without trigonometric
   functions. An interval is looked at closer where |x| may come below the threshold.
3. *Timing*: exact geometry at the start, middle and end of a part of the window, quadratic in between; passages of the
   second train through the node one by one, and of the first train's members those that are near then, from a table.
   What is left is refined on the trajectories themselves.

Pads. How far each step may be wrong, and why:

* *Turning*. The line of nodes N = nA x nB, seen in the frame that turns with the node of one orbit, is the plane curve
  of a point whose derivatives of order k are at most w^k, w = |difference of node rates| + rates of inclination. Its
  angle is Im log N, so that with s = |N| = sin I and T = w / s the derivatives of the angle are at most T,
  w^2 (1/s + 1/s^2) <= 2 T^2 and w^3 (1/s + 3/s^2 + 2/s^3) <= 6 T^3. In the time h between nodes s falls by no more
  than w h / 2 below the smaller of its end values.
* *Radius*. With q = r e / p the derivatives of r = p / (1 + e cos f) by the angle are at most D1 = r^2 e / p,
  D2 = D1 (1 + 2 q) and D3 = D1 (1 + 6 q + 6 q^2), those of the J2 term (J2 R^2 / 4 p) sin^2 i cos 2 theta 1, 2 and 4
  times J2 R^2 / 2 p, and of its part with e smaller by q. By the chain rule the second derivative of x is at most
  sum (4 J2 R^2 / 2 p + D2 + 2 D1) T^2, the third sum (22 J2 R^2 / 2 p + D3 + 6 D2 + 6 D1) T^3. A moving eccentricity
  vector e adds r^2 / p times (1 + 2 q) (4 |e'| T + |e''|), and (1 + 6 q + 6 q^2) (9 |e'| T^2 + 3 |e''| T + v |e''|) to
  the third, with |e''| twice the change of e' between nodes over h, and v the rate at which J2 turns the perigee, or
  |e''| / |e'| where that is more. Only orbits that come below the radius where both can meet within the stretch
  count, so r is that radius times `WIDER`, as long as D1 times the turn stays below the excess.
* *Scan*: linear interpolation is off by h^2 / 8 times the second derivative; that of the semilatus rectum, times r / p,
  is one and a half times the largest change of its rate between nodes.
* *Timing*: quadratic interpolation over a length L is off by L^3 / (72 sqrt 3) times the third derivative, and
  by r / p times what a semilatus rectum adds: L q / 2 at most when its rate lies in a range of width q, and L^2 w / 8
  when its second derivative lies in one of width w, its change between intervals times their number and one.
  The line of nodes itself is interpolated as the vector N, which is off by w^3 L^3 / (72 sqrt 3), its angle by this
  over s; the rest of the mean argument of latitude of the node is off by 2 r / (a^2 sqrt(1 - e^2)) times the error of
  the radius, since dM = r^2 / (a^2 sqrt(1 - e^2)) df. L is the power of two of the spacing of nodes at which all this
  stays below `FINE_PAD`.
* *Short-period shift*: the first-order terms move each track across by b and shift the crossing by b / sin I along it;
  and they move the object along. The scan pads the radius by D1 times these (`SHIFT`); the timing applies them.
* *Curvature*: both orbits leave their tangents by at most g t^2 / 2, g = mu / r^2; within d of each other both are
  within d of the other's plane, so t <= d / (v_t sin I): together g (d / (v_t sin I))^2. `REACH` bounds
  d / (r sin I), the angle of that stretch: beyond it the linear picture is given up.
* *Second order* of the short-period terms, the other zonals (50 m in radius, three times that along the track), and
  products of the above: `SECOND_ORDER_PAD`.
* *Members* of a train depart from its leader by `departures`: of the radius [km], of the phase [rad], and of the plane
  [rad], which shifts the node by itself over sin I.
"""

import numpy as np

from shells.approaches.kernels import REACH, equation_of_centre, first_not_below, record
from shells.compiled import inner_kernel, kernel
from shells.motion.kernels import (
    first_order_terms,
    hermite,
    radial_short_period_bound,
    state_at,
    turn,
)
from shells.motion.series.kernels import TWO_PI

#: Below this sine of the inclination, 0.06 deg, the node that angles count from runs about: such orbits are left over.
LEAST_SINE = 0.001

#: Intervals between nodes in time that one sweep covers; a power of two.
WINDOW = 32

#: Largest part of a window over which the geometry at the nodes is quadratic, in intervals; a power of two.
LARGEST_PART = 8

#: The error [km] of quadratic interpolation that parts are chosen for.
FINE_PAD = 0.8

#: Bounds on orbits at a node hold up to the radius where they may meet times this.
WIDER = 1.2

#: Largest turn of the line of nodes in a part [rad].
LARGEST_TURN = 0.5

#: Bound on the short-period shift along and across the track, in units of (J2 / 2) (R / p)^2: constant and with e.
SHIFT, SHIFT_WITH_E = 6.0, 30.0

#: Second-order short-period terms, those of other zonals, and products of first-order ones [km].
SECOND_ORDER_PAD = 0.3

#: 72 sqrt 3: quadratic interpolation at both ends and the middle of L is off by L^3 / this times the third derivative.
CUBIC = 124.7

#: Velocities of `state_at` are those of mean elements that stand still, with short-period terms of first order.
#: Positions move otherwise by less than this [km/s] over (1 - e)^3, and this times the rate of the semi-major axis at
#: either node in time: by 2.5e-5 for e up to 0.93, and 13.4 down to the last day of objects that fall, measured.
UNEVEN, DRAGGED = 3e-5, 20.0

#: Closest approaches of velocities may be so far [s] from those of positions.
TIMELY = 3e-4

# rows of the track of an object over a window, shape (FIELDS, WINDOW + 1): its orbit at each node in time, no angles
FIELDS = 9

# summary of an object over a window
LOW, HIGH, LOWEST, MOMENTUM, NODE_RATE_LOW, NODE_RATE_HIGH, TILT, SHIFTS, DRIFT, SPAN, AXIS = range(11)
SEMILATUS, MOST_E, E_RATE, E_CHANGE, PERIGEE_RATE, MOST_SWELL, BEND, BEND_CHANGE = range(11, 19)
SUMMARY = 19

# bounds on the radius of an orbit at a node, filled by `steepness`
SLOPE, PITCH, SECOND_T2, SECOND_T, SECOND, THIRD_T3, THIRD_T2, THIRD_T, THIRD, LEVEL, DELAY = range(11)
STEEPNESS = 11

# geometry at one mutual node
X, C, V_PERP, TAU, ADVANCE_X, ADVANCE_TAU = range(6)
COS_FIRST, SIN_FIRST, LEAD_FIRST, COS_SECOND, SIN_SECOND, LEAD_SECOND = range(6, 12)
GEOMETRY = 12


@inner_kernel
def orbit_row(elements, radius, j2, out):
    """Fill ``out`` of shape (FIELDS,) with an orbit without angles.

    Normal of the plane, eccentricity vector in space, semilatus rectum [km], sqrt(1 - e^2) and J2 R^2 / 2 p [km].
    """
    a, ex, ey = elements[0], elements[1], elements[2]
    sin_i, cos_i, sin_n, cos_n = np.sin(elements[3]), np.cos(elements[3]), np.sin(elements[4]), np.cos(elements[4])
    out[0], out[1], out[2] = sin_i * sin_n, -sin_i * cos_n, cos_i
    out[3] = ex * cos_n - ey * cos_i * sin_n
    out[4] = ex * sin_n + ey * cos_i * cos_n
    out[5] = ey * sin_i
    eta2 = 1.0 - ex * ex - ey * ey
    out[6] = a * eta2
    out[7] = np.sqrt(eta2)
    out[8] = 0.5 * j2 * radius * radius / out[6]


@inner_kernel
def track(values, window, radius, j2, out):
    """Fill ``out`` of shape (FIELDS, WINDOW + 1) with `orbit_row` at the nodes in time of a window.

    Those after the last are left as they are; after the end of the object it is NaN.
    """
    start = window * WINDOW
    for j in range(start, min(start + WINDOW + 1, values.shape[0])):
        orbit_row(values[j], radius, j2, out[:, j - start])


@kernel
def tracks(values, leaders, radius, j2, out):
    """Fill ``out`` of shape (leaders, windows, FIELDS, WINDOW + 1)."""
    for j in range(leaders.size):
        for window in range(out.shape[1]):
            track(values[leaders[j]], window, radius, j2, out[j, window])


@inner_kernel
def last_node(values):
    """Return the index of the last node in time at which an object is up; -1 for none."""
    j = values.shape[0] - 1
    while j >= 0 and np.isnan(values[j, 0]):
        j -= 1
    return j


@kernel
def summary(values, rates, window, spacing, departures, mu, radius, zonals, out):
    """Fill ``out`` with bounds on an orbit over a window; the lowest radius is infinite when the object is gone.

    In a window in which an object re-enters it falls from where it is to the ground, and ``out[LOW]`` is zero.
    An orbit near the equator, whose node may run about, has a rate of inclination without bound.
    """
    start, stop = window * WINDOW, min((window + 1) * WINDOW, values.shape[0] - 1)
    out[LOW], out[HIGH], out[LOWEST] = np.inf, -np.inf, np.inf
    out[NODE_RATE_LOW], out[NODE_RATE_HIGH], out[TILT], out[MOMENTUM] = np.inf, -np.inf, 0.0, np.inf
    e_most, a_least, p_least, p_most, e_rate, e_change = 0.0, np.inf, np.inf, 0.0, 0.0, 0.0
    sine, perigee, drift_low, drift_high = 1.0, 0.0, np.inf, -np.inf
    bend = bend_most = bend_change = before = 0.0
    for j in range(start, stop + 1):
        a, ex, ey, i = values[j, 0], values[j, 1], values[j, 2], values[j, 3]
        if np.isnan(a):
            out[LOW] = 0.0 if j > start else np.inf
            break
        e = np.sqrt(ex * ex + ey * ey)
        sin_i = np.sin(i)
        # between nodes cubic polynomials leave the range of their end values by a quarter of slope and spacing at most
        bulge = (
            0.25
            * spacing
            * (abs(rates[j, 0]) * (1.0 + e) + a * abs(ex * rates[j, 1] + ey * rates[j, 2]) / max(e, 1e-12))
        )
        pad = bulge + radial_short_period_bound(a, e, sin_i, radius, zonals)
        out[LOWEST] = min(out[LOWEST], a * (1.0 - e) - pad)
        out[HIGH] = max(out[HIGH], a * (1.0 + e) + pad)
        out[MOMENTUM] = min(out[MOMENTUM], np.sqrt(mu * a * (1.0 - e * e)))
        out[NODE_RATE_LOW] = min(out[NODE_RATE_LOW], rates[j, 4])
        out[NODE_RATE_HIGH] = max(out[NODE_RATE_HIGH], rates[j, 4])
        out[TILT] = max(out[TILT], abs(rates[j, 3]))
        e_most, a_least, sine = max(e_most, e), min(a_least, a), min(sine, sin_i)
        e_rate = max(e_rate, np.sqrt(rates[j, 1] ** 2 + rates[j, 2] ** 2))
        p = a * (1.0 - e * e)
        p_least, p_most = min(p_least, p), max(p_most, p)
        drift = rates[j, 0] * (1.0 - e * e) - 2.0 * a * (ex * rates[j, 1] + ey * rates[j, 2])
        drift_low, drift_high = min(drift_low, drift), max(drift_high, drift)
        turning = 0.75 * np.sqrt(mu / a**3) * zonals[2] * (radius / p) ** 2 * (abs(4.0 - 5.0 * sin_i * sin_i) + 0.2)
        perigee = max(perigee, turning)
        if j > start:
            change = np.sqrt((rates[j, 1] - rates[j - 1, 1]) ** 2 + (rates[j, 2] - rates[j - 1, 2]) ** 2)
            e_change = max(e_change, 2.0 * change / spacing)
            last, bend = bend, (drift - before) / spacing
            bend_most = max(bend_most, abs(bend))
            if j > start + 1:
                bend_change = max(bend_change, abs(bend - last))
        before = drift
    if out[HIGH] < 0.0:
        return
    out[LOWEST] -= departures[0]
    out[HIGH] += departures[0]
    if out[LOW] > 0.0:
        out[LOW] = out[LOWEST]
    if sine < LEAST_SINE:
        out[TILT] = np.inf
    out[SHIFTS] = 0.5 * zonals[2] * (radius / p_least) ** 2 * (SHIFT + SHIFT_WITH_E * e_most / (1.0 - e_most) ** 2)
    out[BEND], out[BEND_CHANGE] = 1.5 * bend_most, 1.5 * bend_change
    out[DRIFT], out[SPAN] = drift_high - drift_low, 2.0 * (p_most - p_least)
    out[AXIS], out[SEMILATUS], out[MOST_E], out[E_RATE], out[E_CHANGE] = a_least, p_least, e_most, e_rate, e_change
    out[PERIGEE_RATE] = max(perigee, e_change / e_rate) if e_rate > 0.0 else perigee
    out[MOST_SWELL] = 0.5 * zonals[2] * radius * radius / p_least


@kernel
def steepness(bounds, largest, out):
    """Fill ``out`` with bounds on how the radius of an orbit at a node changes, where it is below ``largest`` [km].

    Largest slope by the angle [km], ratio of radial and transverse speed, coefficients of powers of the turning of the
    line of nodes in the second and third derivative by time, radius over p, and what the mean anomaly is off by for an
    error of the radius [rad/km].
    """
    e, p, e_rate, e_change = bounds[MOST_E], bounds[SEMILATUS], bounds[E_RATE], bounds[E_CHANGE]
    r = min(bounds[HIGH], largest)
    q = r * e / p
    lever = r * r / p
    swell = bounds[MOST_SWELL] * (1.0 + 6.0 * q * (1.0 + q) ** 2)
    twice, thrice = 1.0 + 2.0 * q, 1.0 + 6.0 * q + 6.0 * q * q
    out[SLOPE] = lever * e
    out[PITCH] = min(q, e / np.sqrt(1.0 - e * e))
    out[SECOND_T2] = 4.0 * swell + lever * e * (twice + 2.0)
    out[SECOND_T] = 4.0 * lever * twice * e_rate
    out[SECOND] = lever * twice * e_change
    out[THIRD_T3] = 22.0 * swell + lever * e * (thrice + 6.0 * twice + 6.0)
    out[THIRD_T2] = 9.0 * lever * thrice * e_rate
    out[THIRD_T] = 3.0 * lever * thrice * e_change
    out[THIRD] = lever * thrice * e_change * bounds[PERIGEE_RATE]
    out[LEVEL] = r / p
    out[DELAY] = 2.0 * r / (bounds[AXIS] ** 2 * np.sqrt(1.0 - e * e))


@kernel
def summaries(values, rates, leaders, spacing, departures, mu, radius, zonals, out):
    """Fill ``out`` of shape (leaders, windows, SUMMARY)."""
    for j in range(leaders.size):
        for window in range(out.shape[1]):
            lead = leaders[j]
            summary(values[lead], rates[lead], window, spacing, departures[j], mu, radius, zonals, out[j, window])


@kernel
def scan(a, b, intervals, x, sines):
    """Fill ``x`` of shape (2, intervals + 1) and ``sines`` with radius differences at both mutual nodes and sin I.

    ``a`` and ``b`` are tracks; radii carry the short-period term of J2 to first order,
    (J2 R^2 / 2 p) [(3/2 s^2 - 1) (1 + kappa / (1 + eta) + 2 eta / (1 + kappa)) + s^2 cos 2 theta / 2], with
    kappa = e cos f = e . N and sin i sin theta = N_z.
    """
    for j in range(intervals + 1):
        nx = a[1, j] * b[2, j] - a[2, j] * b[1, j]
        ny = a[2, j] * b[0, j] - a[0, j] * b[2, j]
        nz = a[0, j] * b[1, j] - a[1, j] * b[0, j]
        sine = np.sqrt(nx * nx + ny * ny + nz * nz)
        sines[j] = sine
        inverse = 1.0 / sine
        nz *= inverse
        high = nz * nz
        k_a = (a[3, j] * nx + a[4, j] * ny) * inverse + a[5, j] * nz
        k_b = (b[3, j] * nx + b[4, j] * ny) * inverse + b[5, j] * nz
        z_a, z_b = 1.0 - a[2, j] * a[2, j], 1.0 - b[2, j] * b[2, j]
        share_a, share_b = 1.5 * z_a - 1.0, 1.5 * z_b - 1.0
        part_a, part_b = k_a / (1.0 + a[7, j]), k_b / (1.0 + b[7, j])
        even = a[8, j] * (share_a + 0.5 * z_a - high) - b[8, j] * (share_b + 0.5 * z_b - high)
        odd = a[8, j] * share_a * part_a - b[8, j] * share_b * part_b
        x[0, j] = (
            (a[6, j] + 2.0 * a[8, j] * share_a * a[7, j]) / (1.0 + k_a)
            - (b[6, j] + 2.0 * b[8, j] * share_b * b[7, j]) / (1.0 + k_b)
            + even
            + odd
        )
        x[1, j] = (
            (a[6, j] + 2.0 * a[8, j] * share_a * a[7, j]) / (1.0 - k_a)
            - (b[6, j] + 2.0 * b[8, j] * share_b * b[7, j]) / (1.0 - k_b)
            + even
            - odd
        )


@inner_kernel
def at_node(row, nx, ny, nz, mu, radius, zonals):
    """Return where on an orbit a unit vector in its plane lies, and the displacement by J2 to first order.

    Returns
    -------
    tuple of float
        Sine and cosine of theta, kappa = e cos f, sigma = e sin f, true less mean anomaly [rad], terms of the radius
        [km], along and across the track [rad].
    """
    sin_i, cos_i = np.sqrt(row[0] * row[0] + row[1] * row[1]), row[2]
    sin_t, cos_t = nz / sin_i, (row[0] * ny - row[1] * nx) / sin_i
    kappa = row[3] * nx + row[4] * ny + row[5] * nz
    sigma = (
        (row[1] * row[5] - row[2] * row[4]) * nx
        + (row[2] * row[3] - row[0] * row[5]) * ny
        + (row[0] * row[4] - row[1] * row[3]) * nz
    )
    centre = equation_of_centre(kappa, sigma, row[7])
    terms = first_order_terms(row[6], kappa, sigma, row[7], centre, sin_t, cos_t, cos_i, sin_i, mu, radius, zonals[2])
    along = terms[1] + cos_i * terms[2]
    across = terms[3] * sin_t - sin_i * cos_t * terms[2]
    return sin_t, cos_t, kappa, sigma, centre, terms[0], along, across


@kernel
def crossing(a, b, side, mu, radius, zonals, out):
    """Fill ``out`` of shape (GEOMETRY,) with the geometry at one mutual node of two orbits.

    ``a`` and ``b`` are rows of `orbit_row`; ``side`` is +1 at the node where the second object crosses the plane of the
    first towards its normal, -1 at the other. The mean argument of latitude there is the angle of the line of nodes,
    given by cosine and sine times sin I, and a lead: the short-period shift less the equation of the centre, whose
    change with the shift is that of true less mean anomaly, 1 - (1 - e^2)^(3/2) / (1 + kappa)^2.
    """
    nx, ny, nz = a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]
    sin_angle = np.sqrt(nx * nx + ny * ny + nz * nz)
    cos_angle = a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
    norm = side / sin_angle
    nx, ny, nz = nx * norm, ny * norm, nz * norm
    sin_1, cos_1, kappa_1, sigma_1, centre_1, radial_1, along_1, across_1 = at_node(a, nx, ny, nz, mu, radius, zonals)
    sin_2, cos_2, kappa_2, sigma_2, centre_2, radial_2, along_2, across_2 = at_node(b, nx, ny, nz, mu, radius, zonals)
    shift_2 = side * (across_1 - across_2 * cos_angle) / sin_angle
    shift_1 = shift_2 * cos_angle - side * across_2 * sin_angle - along_1
    shift_2 -= along_2
    out[LEAD_FIRST] = shift_1 * a[7] ** 3 / (1.0 + kappa_1) ** 2 - centre_1
    out[LEAD_SECOND] = shift_2 * b[7] ** 3 / (1.0 + kappa_2) ** 2 - centre_2
    sigma_1, kappa_1 = turn(sigma_1, kappa_1, shift_1)
    sigma_2, kappa_2 = turn(sigma_2, kappa_2, shift_2)
    speed_1, speed_2 = np.sqrt(mu / a[6]), np.sqrt(mu / b[6])
    vt_1, vr_1, vt_2, vr_2 = speed_1 * (1.0 + kappa_1), speed_1 * sigma_1, speed_2 * (1.0 + kappa_2), speed_2 * sigma_2
    # radial, first's transverse and first's normal as axes; w = vA - vB
    t_2, n_2 = vt_2 * cos_angle, side * vt_2 * sin_angle
    w_r, w_t, w_n = vr_1 - vr_2, vt_1 - t_2, -n_2
    c_r, c_t, c_n = vt_1 * n_2, -vr_1 * n_2, vr_1 * t_2 - vt_1 * vr_2
    square = c_r * c_r + c_t * c_t + c_n * c_n
    relative = w_r * w_r + w_t * w_t + w_n * w_n
    forward = w_r * vr_2 + w_t * t_2 + w_n * n_2
    out[X] = a[6] / (1.0 + kappa_1) + radial_1 - b[6] / (1.0 + kappa_2) - radial_2
    out[C] = abs(c_r) / np.sqrt(square)
    out[V_PERP] = np.sqrt(square / relative)
    out[TAU] = -(vr_2 * relative - w_r * forward) / square
    out[ADVANCE_X] = -w_r / relative
    out[ADVANCE_TAU] = -forward / relative
    out[COS_FIRST], out[SIN_FIRST] = cos_1 * sin_angle, sin_1 * sin_angle
    out[COS_SECOND], out[SIN_SECOND] = cos_2 * sin_angle, sin_2 * sin_angle


@inner_kernel
def velocity_doubt(values, rates, spacing, time):
    """Return a bound [km/s] of what parts the velocity of an object from the motion of its positions."""
    node = min(int(time / spacing), values.shape[0] - 2)
    e = np.sqrt(values[node, 1] ** 2 + values[node, 2] ** 2)
    return UNEVEN / (1.0 - e) ** 3 + DRAGGED * max(abs(rates[node, 0]), abs(rates[node + 1, 0]))


@inner_kernel
def velocity_error(values, rates, spacing, time, pulls, field, work):
    """Return by how much positions move apart faster than the velocities in ``work[1]`` and ``work[2]`` say [km/s].

    Positions a second later tell, or earlier, so as to stay between the same nodes in time, less what gravity makes of
    that second; ``pulls`` is gravity over the radius of both.
    """
    mu, radius, zonals = field
    place = time / spacing
    step = 1.0 if place - min(int(place), values[0].shape[0] - 2) < 0.5 else -1.0
    for k in range(2):
        state_at(values[k], rates[k], 0.0, spacing, time + step, mu, radius, zonals, work[0], work[3 + k])
    a, b = work[1], work[2]
    pull_a, pull_b = 0.5 * step * pulls[0], 0.5 * step * pulls[1]
    x = (work[4, 0] - work[3, 0] - b[0] + a[0]) / step - (b[3] + pull_b * b[0] - a[3] - pull_a * a[0])
    y = (work[4, 1] - work[3, 1] - b[1] + a[1]) / step - (b[4] + pull_b * b[1] - a[4] - pull_a * a[1])
    z = (work[4, 2] - work[3, 2] - b[2] + a[2]) / step - (b[5] + pull_b * b[2] - a[5] - pull_a * a[2])
    return x, y, z


@inner_kernel
def refine(first_values, first_rates, second_values, second_rates, spacing, guess, end, distance, field, work):
    """Refine a closest approach by Newton's method on the trajectories.

    Where velocities may put it more than `TIMELY` from where positions do, these have the last word.

    Returns
    -------
    float
        Time of the local minimum of distance [s]; NaN when there is none below the threshold near the guess. The states
        at that time are left in ``work[1]`` and ``work[2]``; ``work[3]`` and ``work[4]`` are overwritten.
    """
    mu, radius, zonals = field
    values, rates = (first_values, second_values), (first_rates, second_rates)
    time = min(max(guess, 0.0), end)
    error, corrected = (0.0, 0.0, 0.0), False
    for _ in range(16):
        for k in range(2):  # a loop, so that the trajectory is compiled into it once
            state_at(values[k], rates[k], 0.0, spacing, time, mu, radius, zonals, work[0], work[1 + k])
        a, b = work[1], work[2]
        r_a, r_b, apart, along, speed, pull = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for c in range(3):
            r_a += a[c] * a[c]
            r_b += b[c] * b[c]
        g_a, g_b = -mu / (r_a * np.sqrt(r_a)), -mu / (r_b * np.sqrt(r_b))
        for c in range(3):
            dr, dv = b[c] - a[c], b[c + 3] - a[c + 3] + error[c]
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
        if abs(change) < 1e-6 and not corrected:
            corrected = True
            doubt = velocity_doubt(first_values, first_rates, spacing, time)
            doubt += velocity_doubt(second_values, second_rates, spacing, time)
            if doubt * np.sqrt(apart) > TIMELY * slope:
                error = velocity_error(values, rates, spacing, time, (g_a, g_b), field, work)
                for c in range(3):
                    along += (b[c] - a[c]) * error[c]
                change = -along / slope
        if abs(change) < 1e-6:
            return time if apart < distance * distance else np.nan
        moved = min(max(time + change, 0.0), end)
        if moved == time:
            return np.nan  # the distance still falls at the border of the span
        time = moved
    return np.nan


@inner_kernel
def phase_polynomial(values, rates, node, spacing, out):
    """Fill ``out`` with the coefficients of the mean argument of latitude after a node, by fractions of an interval."""
    here, there = values[node, 5], values[node + 1, 5]
    slope, slope_there = rates[node, 5] * spacing, rates[node + 1, 5] * spacing
    out[0], out[1] = here, slope
    out[2] = 3.0 * (there - here) - 2.0 * slope - slope_there
    out[3] = 2.0 * (here - there) + slope + slope_there


@kernel
def quadratic(start, middle, stop, out):
    """Fill ``out`` with coefficients in z of the quadratic with these values at z = 0, 1/2 and 1."""
    out[0], out[1], out[2] = start, 4.0 * middle - 3.0 * start - stop, 2.0 * (start + stop) - 4.0 * middle


@inner_kernel
def moved(coefficients, begin, scale):
    """Return coefficients in y of a quadratic in z = begin + scale y."""
    c0, c1, c2 = coefficients[0], coefficients[1], coefficients[2]
    return c0 + begin * (c1 + begin * c2), scale * (c1 + 2.0 * begin * c2), scale * scale * c2


@inner_kernel
def near(angle, reference):
    """Return the angle plus whole turns nearest to a reference."""
    return reference + np.remainder(angle - reference + np.pi, TWO_PI) - np.pi


@inner_kernel
def small_angle(cosine, sine):
    """Return the angle of a vector within 0.4 rad of the first axis: series of the arc tangent, true to 1e-7."""
    t = sine / cosine
    q = t * t
    return t * (1.0 - q * (1.0 / 3.0 - q * (0.2 - q * (1.0 / 7.0 - q * (1.0 / 9.0 - q * (1.0 / 11.0 - q / 13.0))))))


@kernel
def fit(before, middle, after, cosine, sine, lead, out):
    """Fill ``out`` of shape (4, 6) with how the mean argument of latitude of a node runs, as quadratics in z.

    The angle from its middle as cosine and sine, the lead with the middle angle added, and their sum roughly.
    """
    norm = 1.0 / np.sqrt(middle[cosine] ** 2 + middle[sine] ** 2)
    c, s = norm * middle[cosine], norm * middle[sine]
    c_before, s_before = c * before[cosine] + s * before[sine], c * before[sine] - s * before[cosine]
    c_after, s_after = c * after[cosine] + s * after[sine], c * after[sine] - s * after[cosine]
    angle = np.arctan2(s, c)
    first, last = near(before[lead], middle[lead]) + angle, near(after[lead], middle[lead]) + angle
    at_middle = middle[lead] + angle
    quadratic(c_before, 1.0 / norm, c_after, out[0])
    quadratic(s_before, 0.0, s_after, out[1])
    quadratic(first, at_middle, last, out[2])
    quadratic(first + small_angle(c_before, s_before), at_middle, last + small_angle(c_after, s_after), out[3])


@kernel
def node_phase(run, z):
    """Return the mean argument of latitude of a node from what `fit` gives."""
    cosine = run[0, 0] + z * (run[0, 1] + z * run[0, 2])
    sine = run[1, 0] + z * (run[1, 1] + z * run[1, 2])
    return run[2, 0] + z * (run[2, 1] + z * run[2, 2]) + small_angle(cosine, sine)


@inner_kernel
def timing(
    first,
    second,
    train_a,
    train_b,
    node,
    begin,
    length,
    geometry,
    pads,
    spacing,
    end,
    distance,
    field,
    work,
    found,
    count,
):
    """Refine the coincidences at one mutual node in (part of) the interval after a node in time.

    Parameters
    ----------
    first, second : tuple
        As for `search`.
    node, begin, length : int, float, float
        The stretch from ``begin`` to ``begin + length`` of the interval after this node, or all of it when ``length``
        is one or more: then ``begin`` is how many intervals before the node the quadratics begin.
    geometry : shape (3, GEOMETRY)
        At the start, middle and end of the quadratics, which are in ``work[5:14]``.
    pads : tuple of float
        Distance within which the linear picture is asked [km], error of x [km], of the phase of first [rad], longest
        time from a passage to the approach [s].
    found, count
        As for `search`.

    Returns
    -------
    int
        Number of approaches counted so far.
    """
    values_a, rates_a, leaders_a, starts_a, members_a, offsets_a, table_starts, table = first[:8]
    values_b, rates_b, leaders_b, starts_b, members_b, offsets_b = second[:6]
    reach, pad_x, pad_phase, delay = pads
    lead_a, lead_b = leaders_a[train_a], leaders_b[train_b]
    if length >= 1.0:
        low, high, scale, shift = 0.0, 1.0, 1.0 / length, begin / length
    else:
        low, high, scale, shift = begin, begin + length, 1.0 / length, -begin / length
    from_s, until_s = (node + low) * spacing, (node + high) * spacing
    before, middle, after = geometry[0], geometry[1], geometry[2]
    run_a, run_b = work[6:10], work[10:14]
    x0, x1, x2 = moved(work[5], shift, scale)
    phase_polynomial(values_a[lead_a], rates_a[lead_a], node, spacing, work[3])
    phase_polynomial(values_b[lead_b], rates_b[lead_b], node, spacing, work[4])
    a0, a1, a2, a3 = work[3, 0], work[3, 1], work[3, 2], work[3, 3]
    p0, p1, p2, p3 = work[4, 0], work[4, 1], work[4, 2], work[4, 3]
    # phase of the second's leader ahead of its node, roughly
    b0, b1, b2 = moved(run_b[3], shift, scale)
    b0, b1, b2, b3 = p0 - b0, p1 - b1, p2 - b2, p3
    pace = a1 / spacing
    c = 0.995 * min(before[C], middle[C], after[C])
    inverse_speed = 1.005 / min(before[V_PERP], middle[V_PERP], after[V_PERP])
    margin = delay / spacing
    low_phase = b0 + (low - margin) * (b1 + (low - margin) * (b2 + (low - margin) * b3))
    high_phase = b0 + (high + margin) * (b1 + (high + margin) * (b2 + (high + margin) * b3))
    offset_from, size = starts_a[train_a], starts_a[train_a + 1] - starts_a[train_a]
    table_from = table_starts[train_a]
    cells = table_starts[train_a + 1] - table_from
    per_angle = cells / TWO_PI

    for slot in range(starts_b[train_b], starts_b[train_b + 1]):
        turn_first = int(np.ceil((low_phase + offsets_b[slot]) / TWO_PI))
        turn_last = int(np.floor((high_phase + offsets_b[slot]) / TWO_PI))
        for revolution in range(turn_first, turn_last + 1):
            wanted = TWO_PI * revolution - offsets_b[slot]
            y = (wanted - b0) / b1
            y -= (b0 - wanted + y * (b1 + y * (b2 + y * b3))) / (b1 + 2.0 * b2 * y)
            x = x0 + y * (x1 + y * x2)
            nearest = c * (abs(x) - pad_x)
            if nearest > reach:
                continue
            phase = p0 + y * (p1 + y * (p2 + y * p3)) - node_phase(run_b, shift + scale * y)
            y -= (phase - wanted) / (b1 + 2.0 * b2 * y)
            tau = (before[TAU] + (shift + scale * y) * (after[TAU] - before[TAU])) * x
            half = reach * reach - nearest * nearest if nearest > 0.0 else reach * reach
            half = (np.sqrt(half) * inverse_speed + pad_x * abs(middle[TAU])) * pace + pad_phase
            # phase of the first's node ahead of its leader
            ahead = node_phase(run_a, shift + scale * y) - (a0 + y * (a1 + y * (a2 + y * a3)))
            if half >= np.pi:
                half = np.pi * (1.0 - 1e-12)
            first_angle = ahead + pace * tau - half
            turns = np.floor(first_angle / TWO_PI)
            first_angle -= turns * TWO_PI
            last_angle = first_angle + 2.0 * half
            j, lap = table[table_from + min(int(first_angle * per_angle), cells - 1)], 0.0
            while True:
                if j == size:  # offsets go on over the end of a turn
                    j, lap = 0, lap + TWO_PI
                angle = offsets_a[offset_from + j] + lap
                if angle > last_angle:
                    break
                j += 1
                if angle < first_angle:
                    continue
                late = (angle + turns * TWO_PI - ahead) / pace
                passed = (node + y) * spacing - late
                guess = passed + middle[ADVANCE_X] * x + middle[ADVANCE_TAU] * late
                a, b = members_a[offset_from + j - 1], members_b[slot]
                time = refine(
                    values_a[a], rates_a[a], values_b[b], rates_b[b], spacing, guess, end, distance, field, work
                )
                if from_s <= time < until_s:
                    if count < found.shape[0]:
                        record(a, b, time, work, found[count])
                    count += 1
    return count


@kernel
def row_at(values, rates, track, when, radius, j2, elements, out):
    """Fill ``out`` with `orbit_row` of one object.

    ``when`` is the first node of the window in time, the time in intervals, and their length [s].
    """
    start, position, spacing = when
    node = int(position)
    if node == position:
        for c in range(FIELDS):
            out[c] = track[c, node - start]
    else:
        hermite(values, rates, node, position - node, spacing, elements)
        orbit_row(elements, radius, j2, out)


@inner_kernel
def mark(intervals, x, sines, pair, distance, spacing, marks):
    """Mark the intervals of a window in which an approach may occur at a mutual node.

    Parameters
    ----------
    intervals : int
        In the window.
    x : shape (2, intervals + 1)
        Radius difference at both mutual nodes [km].
    sines : shape (intervals + 1,)
        Of the crossing angle; overwritten by its lower bound in each interval.
    pair : tuple of float
        Smallest sine of the linear picture, rate at which the line of nodes turns [rad/s], coefficients of the second
        derivative of x (T^2, T, 1), error by the drift of the semilatus rectum [km], square of the steepest ratio of
        radial to transverse speed of first, square of the sum of both, acceleration of gravity, lowest transverse
        speed, radius by the short-period shift, departures of members of the radius [km], and of the plane, in radius
        [km], largest turn [rad] for which these bounds hold.
    marks : shape (intervals,)
        Bits 1 and 2: an approach may occur at the one and the other node. Bit 4: outside the linear picture.

    Returns
    -------
    int
        All marks together.
    """
    limit, turning, second_2, second_1, second_0, straight, pitch, pitches, gravity, transverse = pair[:10]
    shift, own, tilt, turn = pair[10:]
    together = 0
    for k in range(intervals):
        sine = min(sines[k], sines[k + 1]) - 0.5 * turning * spacing
        sines[k] = sine
        if sine < limit:
            marks[k] = 4
        else:
            inverse = 1.0 / sine
            pace = turning * inverse
            bend = 0.125 * spacing * spacing * (second_0 + pace * (second_1 + pace * second_2)) + straight
            delay = distance / transverse * inverse
            reach = distance + gravity * delay * delay + SECOND_ORDER_PAD
            wide = reach * np.sqrt(1.0 + pitch + pitches * inverse * inverse)
            wide += bend + own + (shift + tilt) * (1.0 + inverse)
            marks[k] = 0
            if pace * spacing > turn:
                wide = np.inf
            if min(x[0, k], x[0, k + 1]) <= wide and max(x[0, k], x[0, k + 1]) >= -wide:
                marks[k] = 1
            if min(x[1, k], x[1, k + 1]) <= wide and max(x[1, k], x[1, k + 1]) >= -wide:
                marks[k] += 2
        together |= marks[k]
    return together


@inner_kernel
def drift_error(bounds, steep, turning, sine, span, spacing):
    """Return by how much quadratics over a span [s] are off: the radius [km] and the phase [rad] of a node."""
    pace = turning / sine
    cube = span**3 / CUBIC
    error = steep[THIRD] + pace * (steep[THIRD_T] + pace * (steep[THIRD_T2] + pace * steep[THIRD_T3]))
    uneven = 0.125 * (span / spacing + 1.0) * bounds[BEND_CHANGE] * span * span
    error = cube * error + steep[LEVEL] * min(0.5 * bounds[DRIFT] * span, bounds[SPAN], uneven)
    return error, cube * turning**3 / sine + steep[DELAY] * error


@kernel
def part_length(sum_a, sum_b, steep, turning, sine, largest_turn, spacing):
    """Return the length of parts in intervals, a power of two, and the errors of x [km] and both phases [rad]."""
    length = 2.0 * LARGEST_PART
    while True:
        length *= 0.5
        span = length * spacing
        error_a, phase_a = drift_error(sum_a, steep[0], turning, sine, span, spacing)
        error_b, phase_b = drift_error(sum_b, steep[1], turning, sine, span, spacing)
        total = error_a + error_b + sum_a[AXIS] * phase_a + sum_b[AXIS] * phase_b
        if (total <= FINE_PAD and turning / sine * span <= largest_turn) or length < 1e-3:
            return length, error_a + error_b, phase_a, phase_b


@inner_kernel
def hand_over(train_a, train_b, begin, end, left, count):
    """Add a row of first train, second train, begin and end [s] to ``left``; return the number of rows."""
    if count < left.shape[0]:
        left[count, 0], left[count, 1], left[count, 2], left[count, 3] = train_a, train_b, begin, end
    return count + 1


@inner_kernel
def search_window(
    first, second, train_a, train_b, window, track_b, last_b, sum_b, spacing, distance, field, room, found, left, counts
):
    """Search one pair of trains in one window; approaches and rows left over go to ``found`` and ``left``."""
    mu, radius, zonals = field
    values_a, rates_a, lead_a = first[0], first[1], first[2][train_a]
    track_a, sum_a = first[8][train_a, window], first[9][train_a, window]
    own_a, last_a = first[10][train_a], first[11][train_a]
    values_b, rates_b, lead_b, own_b = second[0], second[1], second[2][train_b], second[6][train_b]
    x, sines, marks, rows, geometry, steep, work = room[:7]
    nodes = values_a.shape[1]
    start = window * WINDOW
    stop = min((window + 1) * WINDOW, last_a, last_b)
    if stop <= start:  # one of them has re-entered: there is no trajectory after its last node in time
        return
    lowest = max(sum_a[LOWEST], sum_b[LOWEST])
    tilt = sum_a[TILT] + sum_b[TILT]
    if tilt == np.inf:
        counts[1] = hand_over(train_a, train_b, start * spacing, stop * spacing, left, counts[1])
        return
    turning = tilt + max(
        abs(sum_a[NODE_RATE_HIGH] - sum_b[NODE_RATE_LOW]), abs(sum_b[NODE_RATE_HIGH] - sum_a[NODE_RATE_LOW])
    )
    # where they meet both are between these radii
    highest = min(sum_a[HIGH], sum_b[HIGH]) + distance
    gravity = mu / (lowest - distance) ** 2
    transverse = min(sum_a[MOMENTUM], sum_b[MOMENTUM]) / highest
    apart = own_a[0] + own_b[0]
    askew = own_a[2] + own_b[2]
    steepness(sum_a, WIDER * highest, steep[0])
    steepness(sum_b, WIDER * highest, steep[1])
    slope = steep[0, SLOPE] + steep[1, SLOPE]
    largest_turn = min(LARGEST_TURN, (WIDER - 1.0) * highest / max(steep[0, SLOPE], steep[1, SLOPE]))
    limit = distance / (REACH * lowest)
    pair = (
        limit,
        turning,
        steep[0, SECOND_T2] + steep[1, SECOND_T2],
        steep[0, SECOND_T] + steep[1, SECOND_T],
        steep[0, SECOND] + steep[1, SECOND],
        0.125 * spacing * spacing * (steep[0, LEVEL] * sum_a[BEND] + steep[1, LEVEL] * sum_b[BEND]),
        steep[0, PITCH] ** 2,
        (steep[0, PITCH] + steep[1, PITCH]) ** 2,
        gravity,
        transverse,
        steep[0, SLOPE] * sum_a[SHIFTS] + steep[1, SLOPE] * sum_b[SHIFTS],
        apart,
        slope * askew,
        largest_turn,
    )
    scan(track_a, track_b, stop - start, x, sines)
    together = mark(stop - start, x, sines, pair, distance, spacing, marks)
    if together & 4:
        begin = -1
        for k in range(stop - start + 1):
            outside = k < stop - start and marks[k] == 4
            if outside and begin < 0:
                begin = k
            elif not outside and begin >= 0:
                counts[1] = hand_over(
                    train_a, train_b, (start + begin) * spacing, (start + k) * spacing, left, counts[1]
                )
                begin = -1
    if together & 3 == 0:
        return

    sine = 1.0
    for k in range(stop - start):
        if marks[k] != 4:
            sine = min(sine, sines[k])
    length, error, phase_a, phase_b = part_length(sum_a, sum_b, steep, turning, sine, largest_turn, spacing)
    if together & 4:
        length = min(length, 1.0)
    ratio = 1.01 * (sum_b[AXIS] / sum_a[AXIS]) ** 1.5
    pace_b = np.sqrt(mu / sum_b[AXIS] ** 3)
    reach = distance + gravity * (distance / (transverse * sine)) ** 2 + SECOND_ORDER_PAD
    pads = (
        reach,
        error + apart + slope * askew / sine,
        phase_a + own_a[1] + askew / sine + ratio * (phase_b + own_b[1] + askew / sine),
        1.0 + reach / (transverse * sine) + own_b[1] / (0.99 * pace_b),
    )
    end = (nodes - 1) * spacing
    for side in range(2):
        known = -1.0  # where the geometry is known in geometry[2]
        position = float(start)
        while position < stop:
            part = length
            while position + part > stop:
                part *= 0.5
            from_day = int(position) - start
            days = max(1, int(part))
            wanted = False
            for k in range(from_day, from_day + days):
                wanted |= (marks[k] >> side) & 1 == 1
            if wanted:
                for point in range(3):
                    place = position + 0.5 * point * part
                    if point == 0 and known == place:
                        for c in range(GEOMETRY):
                            geometry[0, c] = geometry[2, c]
                        continue
                    when = (start, place, spacing)
                    row_at(values_a[lead_a], rates_a[lead_a], track_a, when, radius, zonals[2], work[5], rows[0])
                    row_at(values_b[lead_b], rates_b[lead_b], track_b, when, radius, zonals[2], work[5], rows[1])
                    crossing(rows[0], rows[1], 1.0 - 2.0 * side, mu, radius, zonals, geometry[point])
                known = position + part
                quadratic(geometry[0, X], geometry[1, X], geometry[2, X], work[5])
                fit(geometry[0], geometry[1], geometry[2], COS_FIRST, SIN_FIRST, LEAD_FIRST, work[6:10])
                fit(geometry[0], geometry[1], geometry[2], COS_SECOND, SIN_SECOND, LEAD_SECOND, work[10:14])
                for k in range(from_day, from_day + days):
                    if (marks[k] >> side) & 1 == 1:
                        node = start + k
                        begin = float(k - from_day) if part >= 1.0 else position - node
                        counts[0] = timing(
                            first, second, train_a, train_b, node, begin, part, geometry, pads, spacing, end, distance,
                            field, work, found, counts[0],
                        )  # fmt: skip
            position += part


@kernel
def search(first, second, begin, until, same, spacing, distance, field, room, found, left):
    """Search trains of the second side, one after the other, against all of the first.

    Parameters
    ----------
    first : tuple
        ``(values, rates, leaders, starts, members, offsets, table_starts, table, tracks, summaries, departures, last,
        order, lows, longest)``: mean elements and rates of shape (objects, nodes, 6); of each train the object that
        leads it; where its members start; the members' rows and their phase ahead of the leader in ascending order
        [rad]; where its table starts, and for each of its cells of the turn the first member not before it; `tracks`;
        `summaries`; largest departures of members of radius [km], phase and plane [rad]; last node in time; and for
        each window the trains in order of lowest radius, that radius [km], and the longest interval of radius [km].
    second : tuple
        The first six, and the departures.
    begin, until : int
        Which trains of the second side.
    same : bool
        Whether both sides are the same trains: each pair is then searched once, and none with itself.
    spacing : float
        Of the nodes in time [s].
    distance : float
        Threshold [km].
    field : tuple
        Gravitational parameter, reference radius, zonals.
    room : tuple
        Scratch arrays, one set for each thread.
    found : shape (capacity, COLUMNS)
        Filled with approaches, as by `record`.
    left : shape (capacity, 4)
        Filled with what lies outside the linear picture: first train, second train, begin and end [s].

    Returns
    -------
    tuple of int
        The train that did not fit any more, or ``until``; numbers of approaches and of rows left over before it; and
        how many of each it would have needed.
    """
    mu, radius, zonals = field
    summaries_a, order, lows, longest = first[9], first[12], first[13], first[14]
    values_b, rates_b, leaders_b, own_b = second[0], second[1], second[2], second[6]
    track_b, sum_b = room[7], room[8]
    windows = order.shape[0]
    counts = room[9]
    counts[0] = counts[1] = 0
    for b in range(begin, until):
        approaches, rows = counts[0], counts[1]
        lead = leaders_b[b]
        last = last_node(values_b[lead])
        for window in range(windows):
            tracked = False
            summary(values_b[lead], rates_b[lead], window, spacing, own_b[b], mu, radius, zonals, sum_b)
            if sum_b[LOW] == np.inf:
                break
            j = first_not_below(lows[window], sum_b[LOW] - distance - longest[window])
            while j < order.shape[1] and lows[window, j] <= sum_b[HIGH] + distance:
                a = order[window, j]
                j += 1
                if summaries_a[a, window, HIGH] + distance < sum_b[LOW] or (same and a >= b):
                    continue
                if not tracked:
                    track(values_b[lead], window, radius, zonals[2], track_b)
                    tracked = True
                search_window(
                    first, second, a, b, window, track_b, last, sum_b, spacing, distance, field, room, found, left,
                    counts,
                )  # fmt: skip
        if counts[0] > found.shape[0] or counts[1] > left.shape[0]:
            return b, approaches, rows, counts[0] - approaches, counts[1] - rows
    return until, counts[0], counts[1], 0, 0
