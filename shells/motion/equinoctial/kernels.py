"""Compiled kernels of equinoctial elements ``[a, h, k, p, q, lambda]`` and of the set ``[a, ex, ey, i, raan, u]``.

Units: km, s, radians. The retrograde factor is +1 or -1; with it the elements are regular for circular and equatorial
orbits, i = 180 deg included. Rates ``(a', x', y', i', d, u')`` are a third form: x' and y' those of (ex, ey) as if the
node stood still, d = sin i raan', and u' likewise.
"""

import numpy as np

from shells.compiled import inlined_kernel, inner_kernel
from shells.motion.series.kernels import TWO_PI, angle_of

#: Below this sine of the inclination the node is undefined in practice and its rate is reported as that at the limit.
SMALL_SINE = 1e-9


@inner_kernel
def to_equinoctial(elements, retrograde, out):
    """Fill ``out`` with equinoctial elements of ``[a, ex, ey, i, raan, u]``; retrograde is +1 or -1."""
    cos_node, sin_node = np.cos(elements[4]), retrograde * np.sin(elements[4])
    half = 0.5 * elements[3] if retrograde > 0 else 0.5 * (np.pi - elements[3])
    tangent = np.tan(half)
    out[0] = elements[0]
    out[1] = elements[2] * cos_node + elements[1] * sin_node
    out[2] = elements[1] * cos_node - elements[2] * sin_node
    out[3] = tangent * np.sin(elements[4])
    out[4] = tangent * cos_node
    out[5] = elements[5] + retrograde * elements[4]


@inlined_kernel
def node_frame(p, q, retrograde):
    """Return tan half-angle, cos i, sin i, cos raan, sin raan; raan is 0 where undefined."""
    square = p * p + q * q
    tangent = np.sqrt(square)
    cos_i, sin_i = retrograde * (1.0 - square) / (1.0 + square), 2.0 * tangent / (1.0 + square)
    return tangent, cos_i, sin_i, q / tangent if tangent > 0.0 else 1.0, p / tangent if tangent > 0.0 else 0.0


@inlined_kernel
def eccentricity_vector(h, k, cos_node, sin_node, retrograde):
    """Return ex and ey, from the node."""
    turn = retrograde * sin_node
    return k * cos_node + h * turn, h * cos_node - k * turn


@inlined_kernel
def equinoctial_rates(ex, ey, rates, tangent, sin_node, cos_node, retrograde):
    """Return the rates of equinoctial elements of the rates ``(a', x', y', i', d, u')``."""
    turn, turning = retrograde * sin_node, retrograde * tangent * rates[4]
    x_rate, y_rate = rates[1] - turning * ey, rates[2] + turning * ex
    growth = 0.5 * (1.0 + tangent * tangent)
    return (
        rates[0],
        y_rate * cos_node + x_rate * turn,
        x_rate * cos_node - y_rate * turn,
        growth * (retrograde * rates[3] * sin_node + rates[4] * cos_node),
        growth * (retrograde * rates[3] * cos_node - rates[4] * sin_node),
        rates[5] + turning,
    )


@inner_kernel
def to_public(y, rates, retrograde, expected_node):
    """Turn equinoctial elements and rates (6, columns) into ``[a, ex, ey, i, raan, u]`` and rates, in place.

    As many columns as there are in ``expected_node``: of all turns of a node the one nearest to it is taken.
    """
    for m in range(expected_node.size):
        tangent, _, sin_i, cos_node, sin_node = node_frame(y[3, m], y[4, m], retrograde)
        growth = 0.5 * (1.0 + tangent * tangent)
        node = angle_of(sin_node, cos_node)
        node += TWO_PI * np.floor((expected_node[m] - node) * (1.0 / TWO_PI) + 0.5)
        ex, ey = eccentricity_vector(y[1, m], y[2, m], cos_node, sin_node, retrograde)
        x_rate, y_rate = eccentricity_vector(rates[1, m], rates[2, m], cos_node, sin_node, retrograde)
        p_rate, q_rate = rates[3, m], rates[4, m]
        node_rate = (p_rate * cos_node - q_rate * sin_node) / (growth * max(sin_i, SMALL_SINE))
        turning = retrograde * node_rate
        tilt = 2.0 * angle_of(tangent, 1.0)
        y[1, m], rates[1, m] = ex, x_rate + turning * ey
        y[2, m], rates[2, m] = ey, y_rate - turning * ex
        y[3, m] = tilt if retrograde > 0.0 else np.pi - tilt
        rates[3, m] = retrograde * (p_rate * sin_node + q_rate * cos_node) / growth
        y[4, m], rates[4, m] = node, node_rate
        y[5, m], rates[5, m] = y[5, m] - retrograde * node, rates[5, m] - turning
