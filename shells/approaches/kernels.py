"""Compiled geometry at mutual nodes behind phase-averaged rates, and the record of an approach.

Units: km, s, radians; mean elements in a row are ``[a, ex, ey, i, raan, u]``.

What happens at a node, and the pads that both this and the search need, stand in `shells.approaches.nodes.kernels`.
The short-period shift of the node is applied: the first-order terms move each track by w across and shift the crossing
by w / sin I along.
"""

import numpy as np

from shells.compiled import inner_kernel, kernel
from shells.motion.kernels import short_period

#: Largest d / (r sin I) [rad] for which the linear picture at the node is used.
REACH = 0.02

# fields of the geometry at one node
X, U_FIRST, U_SECOND, C, V_PERP, PAD = 0, 1, 2, 3, 4, 5
FIELDS = 6

# columns of a found approach, filled by `record`
COLUMNS = 13


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


@inner_kernel
def equation_of_centre(kappa, sigma, eta):
    """Return true less mean anomaly from e cos f and e sin f."""
    beta = 1.0 / (1.0 + eta)
    e_sin = sigma * eta / (1.0 + kappa)
    e_cos = 1.0 - eta * eta / (1.0 + kappa)
    return e_sin + 2.0 * np.arctan2(beta * e_sin, 1.0 - beta * e_cos)


@inner_kernel
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


@inner_kernel
def plane_angle(first, second):
    """Return sine and cosine of the angle between two orbital planes, and the vector n1 x n2."""
    s1, c1, s2, c2 = np.sin(first[3]), np.cos(first[3]), np.sin(second[3]), np.cos(second[3])
    x1, y1 = s1 * np.sin(first[4]), -s1 * np.cos(first[4])
    x2, y2 = s2 * np.sin(second[4]), -s2 * np.cos(second[4])
    nx, ny, nz = y1 * c2 - c1 * y2, c1 * x2 - x1 * c2, x1 * y2 - y1 * x2
    return np.sqrt(nx * nx + ny * ny + nz * nz), x1 * x2 + y1 * y2 + c1 * c2, nx, ny, nz


@inner_kernel
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


@inner_kernel
def dot(a, b):
    """Return the scalar product of the first three components."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@inner_kernel
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


@inner_kernel
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
