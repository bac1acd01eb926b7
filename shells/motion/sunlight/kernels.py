"""Compiled kernels of sunlight: rates averaged over the orbit, the arc in the shadow of the Earth left out.

Units: km, s, radians.

References
----------
.. [1] K. Aksnes, Short-period and long-period perturbations of a spherical satellite due to direct solar radiation,
   Celestial Mechanics 13, 89, 1976: changes over the sunlit arc from its ends.
"""

import numpy as np

from shells.compiled import inlined_kernel
from shells.motion.series.kernels import TWO_PI

_SCAN_STEP = np.pi / 12.0

# cosine and sine of the longitudes at which the shadow is looked for, every 15 deg
_SCAN = np.stack([np.cos(_SCAN_STEP * (np.arange(13) - 6)), np.sin(_SCAN_STEP * (np.arange(13) - 6))], axis=1)


@inlined_kernel
def light(c, s, p, along, across, shadow, radius):
    """Return p^2 (1 - s^2 cos^2) - R^2 (p / r)^2, positive outside the shadow, at a longitude of cosine c and sine s.

    Longitude counts from the direction opposite to the Sun, in which the eccentricity vector is ``along, across``;
    ``shadow`` is the squared share s^2 of the Sun's direction in the plane.
    """
    conic = radius * (1.0 + along * c + across * s)
    return p * p * (1.0 - shadow * c * c) - conic * conic


@inlined_kernel
def shadow_edge(cosine, sine, low, high, p, along, across, shadow, radius):
    """Return cosine and sine of the longitude where the shadow begins or ends: the Illinois method.

    It lies within `_SCAN_STEP` past a longitude of this cosine and sine, ``low`` and ``high`` being the `light` at both
    ends. A last change below 2e-3 rad leaves 1e-5 rad or so.
    """
    left, right, edge = 0.0, _SCAN_STEP, 0.0
    for _ in range(8):
        last = edge
        edge = (left * high - right * low) / (high - low)
        square = edge * edge
        sin_edge = edge * (1.0 - square * (1 / 6) * (1.0 - square * (1 / 20) * (1.0 - square * (1 / 42))))
        cos_edge = 1.0 - 0.5 * square * (
            1.0 - square * (1 / 12) * (1.0 - square * (1 / 30) * (1.0 - square * (1 / 56)))
        )
        c, s = cosine * cos_edge - sine * sin_edge, sine * cos_edge + cosine * sin_edge
        if abs(edge - last) < 2e-3:
            break
        value = light(c, s, p, along, across, shadow, radius)
        if value * high < 0.0:
            left, low = right, high
        else:
            low *= 0.5
        right, high = edge, value
    return c, s


@inlined_kernel
def arc_end(cos_l, sin_l, a, p, eta, ex, ey):
    """Return what the averages need of one end of an arc, from cosine and sine of its true longitude from the node.

    X, Y [km], e sin E, and, of the eccentric longitude F, sin F, cos F, sin 2F / 4, sin^2 F / 2.
    """
    beta = 1.0 / (1.0 + eta)
    r = p / (1.0 + ex * cos_l + ey * sin_l)
    x, y = r * cos_l, r * sin_l
    scale = 1.0 / (a * eta)
    cosine = ex + ((1.0 - beta * ex * ex) * x - beta * ex * ey * y) * scale
    sine = ey + ((1.0 - beta * ey * ey) * y - beta * ex * ey * x) * scale
    return x, y, ex * sine - ey * cosine, sine, cosine, 0.5 * sine * cosine, 0.5 * sine * sine


@inlined_kernel
def first_moment(c0, c1, c2, ex, ey, span, start, end):
    """Return the integral of (c0 + c1 cos F + c2 sin F)(1 - ex cos F - ey sin F) over a span of eccentric longitude F.

    ``start`` and ``end`` are those of `arc_end`.
    """
    sine, cosine, double, square = end[3] - start[3], end[4] - start[4], end[5] - start[5], end[6] - start[6]
    half = 0.5 * span
    return (
        2.0 * c0 * half
        + (c1 - c0 * ex) * sine
        - (c2 - c0 * ey) * cosine
        - c1 * ex * (half + double)
        - c2 * ey * (half - double)
        - (c1 * ey + c2 * ex) * square
    )


@inlined_kernel
def radiation_rates(a, ex, ey, along, ahead, normal, strength, model):
    """Return the rates by sunlight, averaged over the orbit, the arc in a cylindrical shadow left out.

    The Sun stands at ``along, ahead, normal`` [km] in the frame of the orbit; ``strength`` is reflectivity coefficient
    times area-to-mass ratio [m2 kg-1]. The force is constant along the orbit, so that all averages follow from the ends
    of the arc [1]: with A the integral of r dr, symmetric part the change of r r / 2, antisymmetric part the area
    swept, mu e' T = 2 A f - A^T f - tr(A) f.
    """
    distance = np.sqrt(along * along + ahead * ahead + normal * normal)
    s1, s2, s3 = along / distance, ahead / distance, normal / distance
    push = -model.radiation * strength * (model.astronomical_unit / distance) ** 2
    f1, f2, f3 = push * s1, push * s2, push * s3
    e2 = ex * ex + ey * ey
    eta = np.sqrt(1.0 - e2)
    p = a * eta * eta
    n = np.sqrt(model.mu / a) / a
    momentum = np.sqrt(model.mu * p)
    # whole orbit, then less the arcs in shadow
    energy = 0.0
    x_rate, y_rate = 1.5 * eta / (n * a) * f2, -1.5 * eta / (n * a) * f1
    x_mean, y_mean = -1.5 * a * ex, -1.5 * a * ey
    shadow = s1 * s1 + s2 * s2
    if (1.0 - shadow) * p * p < (model.equatorial_radius * (1.0 + np.sqrt(e2))) ** 2 and shadow > 1e-9:
        root = np.sqrt(shadow)
        cos_b, sin_b = -s1 / root, -s2 / root  # of the longitude opposite to the Sun
        e_along, e_across = ex * cos_b + ey * sin_b, ey * cos_b - ex * sin_b
        period = TWO_PI / n
        beta = 1.0 / (1.0 + eta)
        mixed = beta * ex * ey
        inside = False
        start = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        # at right angles to the Sun, where the scan begins and ends, there is light
        before = light(_SCAN[0, 0], _SCAN[0, 1], p, e_along, e_across, shadow, model.equatorial_radius)
        for j in range(1, 13):
            after = light(_SCAN[j, 0], _SCAN[j, 1], p, e_along, e_across, shadow, model.equatorial_radius)
            if (before > 0.0) != (after > 0.0):
                cos_e, sin_e = shadow_edge(
                    _SCAN[j - 1, 0], _SCAN[j - 1, 1], before, after, p, e_along, e_across, shadow,
                    model.equatorial_radius,
                )  # fmt: skip
                end = arc_end(cos_e * cos_b - sin_e * sin_b, sin_e * cos_b + cos_e * sin_b, a, p, eta, ex, ey)
                if after < 0.0:
                    start, inside = end, True
                elif inside:
                    # eccentric longitude, below half a turn: the arc lies between two chords on one side of the orbit
                    span = np.arctan2(end[3] * start[4] - end[4] * start[3], end[4] * start[4] + end[3] * start[3])
                    swept = momentum * (span - end[2] + start[2]) / n
                    product = end[0] * end[1] - start[0] * start[1]
                    a12, a21 = 0.5 * (product + swept), 0.5 * (product - swept)
                    a11 = 0.5 * (end[0] * end[0] - start[0] * start[0])
                    a22 = 0.5 * (end[1] * end[1] - start[1] * start[1])
                    x_rate -= ((2.0 * a12 - a21) * f2 - a22 * f1) / (model.mu * period)
                    y_rate -= ((2.0 * a21 - a12) * f1 - a11 * f2) / (model.mu * period)
                    energy -= (f1 * (end[0] - start[0]) + f2 * (end[1] - start[1])) / period
                    # X and Y in eccentric longitude, weighted with time
                    x_mean -= a / TWO_PI * first_moment(-ex, 1.0 - beta * ey * ey, mixed, ex, ey, span, start, end)
                    y_mean -= a / TWO_PI * first_moment(-ey, mixed, 1.0 - beta * ex * ex, ex, ey, span, start, end)
                    inside = False
            before = after
    return (
        2.0 * a * a / model.mu * energy,
        x_rate,
        y_rate,
        x_mean * f3 / momentum,
        y_mean * f3 / momentum,
        (ex * y_rate - ey * x_rate) / (1.0 + eta) - 2.0 * (x_mean * f1 + y_mean * f2) / (n * a * a),
    )
