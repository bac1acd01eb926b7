"""Compiled kernels of drag, averaged over the orbit.

Units: km, s, radians; densities in kg m-3.

References
----------
.. [1] R. H. Battin, An Introduction to the Mathematics and Methods of Astrodynamics, 1999: Gauss's equations.
.. [2] I. G. Izsak, A note on perturbation theory, AJ 68, 559, 1963: short-period terms in polar-nodal variables.
"""

import numpy as np

from shells.compiled import inlined_kernel
from shells.motion.series.kernels import TWO_PI, exponential

#: The air above this height moves no orbit within a century.
AIR_CEILING = 2500.0

#: Height of one cell of the air table [km].
AIR_CELL = 10.0


@inlined_kernel
def flux_row(time, model):
    """Return the lower level of the flux at a time and the share of the level above it."""
    place = min(max(time / model.flux_spacing, 0.0), model.flux.size - 1.0)
    node = min(int(place), max(model.flux.size - 2, 0))
    flux = model.flux[node]
    if model.flux.size > 1:
        flux += (place - node) * (model.flux[node + 1] - flux)
    last = model.flux_levels.size - 1
    if flux <= model.flux_levels[0] or last == 0:
        return 0, 0.0
    if flux >= model.flux_levels[last]:
        return last, 0.0
    row = 0
    while flux > model.flux_levels[row + 1]:
        row += 1
    return row, (flux - model.flux_levels[row]) / (model.flux_levels[row + 1] - model.flux_levels[row])


@inlined_kernel
def logarithm_of_density(height, row, share, air):
    """Return the logarithm of the density [kg m-3] at a height [km], between a level of the flux and the next."""
    x = height / AIR_CELL
    cell = min(max(int(x), 0), air.shape[1] - 1)
    x -= cell
    logarithm = air[row, cell, 0] + x * (air[row, cell, 1] + x * (air[row, cell, 2] + x * air[row, cell, 3]))
    if share > 0.0:
        row += 1
        above = air[row, cell, 0] + x * (air[row, cell, 1] + x * (air[row, cell, 2] + x * air[row, cell, 3]))
        logarithm += share * (above - logarithm)
    return logarithm


# logarithm of the density [kg m-3] above the ceiling of the air: the least that `exponential` takes, and a millionth of
# the thinnest air
_VACUUM = -50.0

#: Most points of the average over the orbit, enough for e = 0.98.
MOST_ANOMALIES = 512

# cosine and sine of eccentric anomaly at 8, 16, 32, ... points, at 8 less
_ANOMALIES = np.concatenate(
    [
        np.stack([np.cos(angles), np.sin(angles)])
        for angles in (TWO_PI * (np.arange(count) + 0.5) / count for count in 2 ** np.arange(3, 10))
    ],
    axis=1,
)


@inlined_kernel
def drag_rates(a, ex, ey, cos_i, sin_i, ballistic, time, model, work):
    """Return the rates ``(a', x', y', i', d)`` by drag, averaged over the orbit by quadrature in eccentric anomaly.

    Oblate Earth, co-rotating air, radius and transverse speed with their J2 short-period terms; Gauss's equations [1]
    section 10.4. ``ballistic`` is drag coefficient times area-to-mass ratio [m2 kg-1], ``work`` scratch, (6, 512).
    """
    e = np.sqrt(ex * ex + ey * ey)
    if ballistic == 0.0 or a * (1.0 - e) - model.equatorial_radius > AIR_CEILING:
        return 0.0, 0.0, 0.0, 0.0, 0.0
    row, share = flux_row(time, model)
    cos_w, sin_w = (ex / e, ey / e) if e > 1e-12 else (1.0, 0.0)
    eta = np.sqrt(1.0 - e * e)
    p = a * eta * eta
    momentum = np.sqrt(model.mu * p)
    speed = model.mu / momentum
    z = sin_i * sin_i
    gamma = model.zonals[2] * (model.radius / p) ** 2
    secular, swing = 0.5 * gamma * p * (1.5 * z - 1.0), 0.25 * gamma * p * z
    beta, lift = 1.0 / (1.0 + eta), 2.0 * eta / p
    # the density peaks over sqrt(H / a e) of eccentric anomaly, H some 0.12 of the height; the trapezoid rule then
    # converges exponentially
    wanted = 4.0 * np.floor(2.0 + np.sqrt(a * e / max(25.0, 0.12 * (a * (1.0 - e) - model.equatorial_radius))))
    points = 8
    while points < wanted and points < MOST_ANOMALIES:
        points *= 2
    cosines, sines = _ANOMALIES[0, points - 8 : 2 * points - 8], _ANOMALIES[1, points - 8 : 2 * points - 8]
    # three loops, of which the compiler does several points at once in the first and the last
    for m in range(points):
        r = a * (1.0 - e * cosines[m])
        inverse = 1.0 / r
        cos_f, sin_f = a * (cosines[m] - e) * inverse, a * eta * sines[m] * inverse
        cos_t, sin_t = cos_f * cos_w - sin_f * sin_w, sin_f * cos_w + cos_f * sin_w
        kappa = p * inverse - 1.0
        cos_2t = cos_t * cos_t - sin_t * sin_t
        true_radius = r + secular * (1.0 + kappa * beta + lift * r) + swing * cos_2t  # [2]
        s2 = z * sin_t * sin_t
        # the ellipsoid to the second order of its flattening, 1 m
        ground = 1.0 - model.flattening * s2 * (1.0 + 1.5 * model.flattening * (1.0 - s2))
        height = true_radius - model.equatorial_radius * ground
        work[0, m], work[1, m], work[2, m], work[3, m] = r, sin_f, cos_t, sin_t
        work[4, m] = momentum * (1.0 + 0.75 * gamma * z * cos_2t) / true_radius - model.rotation * r * cos_i
        work[5, m] = height
    for m in range(points):
        height = work[5, m]
        work[5, m] = logarithm_of_density(height, row, share, model.air) if height < AIR_CEILING else _VACUUM
    # kg m-3 times m2 kg-1 is m-1: 1000 km-1; weight of equal steps in E is r / a
    strength = -500.0 * ballistic / (a * points)
    for m in range(points):
        r, sin_f, cos_t, sin_t, v_t = work[0, m], work[1, m], work[2, m], work[3, m], work[4, m]
        v_r = speed * e * sin_f
        v_n = model.rotation * r * sin_i * cos_t
        force = strength * exponential(work[5, m]) * np.sqrt(v_r * v_r + v_t * v_t + v_n * v_n) * r
        a_r, a_t, a_n = force * v_r, force * v_t, force * v_n
        work[0, m] = e * sin_f * a_r + p / r * a_t
        work[1, m] = p * sin_t * a_r + ((p + r) * cos_t + r * ex) * a_t
        work[2, m] = -p * cos_t * a_r + ((p + r) * sin_t + r * ey) * a_t
        work[3, m] = r * cos_t * a_n
        work[4, m] = r * sin_t * a_n
    by_a = by_x = by_y = by_i = by_d = 0.0
    for m in range(points):
        by_a += work[0, m]
        by_x += work[1, m]
        by_y += work[2, m]
        by_i += work[3, m]
        by_d += work[4, m]
    return 2.0 * a * a / momentum * by_a, by_x / momentum, by_y / momentum, by_i / momentum, by_d / momentum
