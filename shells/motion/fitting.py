"""Mean elements from osculating states over a span of whole orbits: what a propagation has to start from to meet them.

The short-period terms are removed from every state, and mean elements are sought whose own propagation runs through
these samples: the semi-major axis from the rate of the mean argument of latitude, the other elements from averages over
the span. An averaged semi-major axis alone would be some 12 m off, 5 km along track in three days.

Frame: true equator and equinox of the study epoch; time UTC; angles in radians in this module.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from shells import constants
from shells.motion.arrays import integrate, mean_elements_from_states
from shells.motion.forces import Forces
from shells.motion.secular import j2_rates

Floats = NDArray[np.float64]

#: Multiples of the mean argument of latitude taken out of the residuals, so that they do not leak into the rate.
HARMONICS = 2

#: Rounds of the fit, and the change at which it ends [km in a, 1 or rad in the others]. All but the orbits that strong
#: drag makes stiff are through after four.
MOST_ROUNDS = 15
TOLERANCE_KM, TOLERANCE = 1e-4, 1e-8

#: Semi-major axis [km] above which that grows with its square: towards the Moon the propagation itself is less exact.
EASY_KM = 20_000.0

#: Nodes at which our own mean elements are computed; they change so little that a polynomial runs through them.
_NODES = 17

#: Below about this inclination [rad] the node loses its meaning: mean longitude replaces the argument of latitude.
_SMALL_INCLINATION = math.radians(0.5)

_DAY = constants.DAY.value
_MU = constants.GRAVITATIONAL_PARAMETER.value


def fit_elements(
    position: Floats,
    velocity: Floats,
    times: Floats,
    spans: Floats,
    properties: Floats,
    *,
    epoch: np.datetime64,
    forces: Forces,
) -> tuple[Floats, NDArray[np.bool_]]:
    """Fit mean elements to osculating states, all objects with equally many.

    Parameters
    ----------
    position, velocity : ndarray, shape (object, sample, 3)
        [km], [km s-1].
    times : ndarray, shape (object, sample)
        Times of the samples [s] after the epoch, evenly spread over the span.
    spans : ndarray, shape (object,)
        Length of the span from the epoch on [s]: whole orbits.
    properties : ndarray, shape (object, 2)
        Drag coefficient and reflectivity coefficient times area-to-mass ratio [m2 kg-1].
    epoch : datetime64
        UTC, time of the elements.
    forces : Forces
        What acts in the propagation whose elements are sought.

    Returns
    -------
    elements : ndarray, shape (object, 6)
        ``[a, ex, ey, i, raan, u]`` [km, 1, 1, rad, rad, rad], raan and u in 0 to 2 pi; NaN where there is no fit.
    fitted : ndarray of bool, shape (object,)
        Whether the elements converged.

    Notes
    -----
    The residuals of sample less own propagation, in equinoctial elements, are fitted with a constant, a slope and two
    harmonics of u, weighted by a Hann taper over the span. The value at mid-span corrects the elements, the slope of u
    the semi-major axis: da = -(2/3) (a / n) du/dt. Both are linear in the samples, so that these are reduced once.
    """
    count, samples = times.shape
    means = mean_elements_from_states(
        position.reshape(-1, 3), velocity.reshape(-1, 3), zonal_degree=forces.zonal_degree
    ).reshape(count, samples, 6)
    retrograde = np.where(means[:, 0, 3] <= 0.5 * math.pi, 1.0, -1.0)
    targets = _equinoctial(means, retrograde[:, None])
    targets[..., 4] = np.unwrap(targets[..., 4], axis=1)
    phase = np.unwrap(means[..., 5], axis=1)
    # absurd drag terms throw an object out within the span: it then has no orbit to fit
    gone = ~(np.ptp(phase, axis=1) > math.pi)
    phase[gone] = 2.0 * math.pi * times[gone] / spans[gone, None]
    targets[gone] = np.nan
    functionals = _functionals(phase, times, spans)
    middle, slope = np.einsum("ofs,osc->foc", functionals, targets)
    nodes = 0.5 * spans.max() * (1.0 - np.cos(math.pi * np.arange(_NODES) / (_NODES - 1)))
    on_nodes = np.einsum("ofs,osn->ofn", functionals, _interpolation(nodes, times))

    elements = _start(middle, slope, spans, retrograde)
    fitted = np.zeros(count, dtype=bool)
    active = np.arange(count)
    for _ in range(MOST_ROUNDS):
        moved, _, _ = integrate(elements[active], properties[active], nodes, epoch=epoch, forces=forces)
        own = _equinoctial(moved, retrograde[active, None])
        own_middle, own_slope = np.einsum("ofn,onc->foc", on_nodes[active], own)
        left = (middle[active] - own_middle, slope[active] - own_slope)
        with np.errstate(all="ignore"):  # elements that run away become NaN, which the next lines find
            change = _change(elements[active], *left, own_middle, spans[active], retrograde[active])
            elements[active] = _changed(elements[active], change, retrograde[active])
        easing = np.maximum(1.0, elements[active, 0] / EASY_KM) ** 2
        off = np.abs(change) / np.array([TOLERANCE_KM, *[TOLERANCE] * 5]) / easing[:, None]
        done = (off < 1.0).all(axis=1)
        fitted[active[done]] = True
        active = active[~done & ~np.isnan(change[:, 0])]
        if active.size == 0:
            break
    elements[~fitted] = np.nan
    elements[:, 4:] = np.mod(elements[:, 4:], 2.0 * math.pi)
    return elements, fitted


def _functionals(phase: Floats, times: Floats, spans: Floats) -> Floats:
    """Return the weights (object, 2, sample) that give value at mid-span and slope per second of a sampled quantity."""
    x = 2.0 * times / spans[:, None] - 1.0
    columns = [np.ones_like(x), x]
    for multiple in range(1, HARMONICS + 1):
        columns += [np.cos(multiple * phase), np.sin(multiple * phase)]
    basis = np.stack(columns, axis=1)
    weighted = basis * (0.5 + 0.5 * np.cos(math.pi * x))[:, None, :]
    normal = weighted @ basis.transpose(0, 2, 1)
    first_two = np.linalg.solve(normal, weighted)[:, :2]
    first_two[:, 1] *= 2.0 / spans[:, None]
    return np.asarray(first_two, dtype=np.float64)


def _interpolation(nodes: Floats, times: Floats) -> Floats:
    """Return the matrix (object, sample, node) from values at Chebyshev-Lobatto nodes to values at times."""
    weights = (-1.0) ** np.arange(nodes.size)
    weights[[0, -1]] *= 0.5
    distance = times[..., None] - nodes
    # a time on a node: the ratio below is then that node's weight alone
    distance[distance == 0.0] = 1e-300
    terms = weights / distance
    return np.asarray(terms / terms.sum(axis=-1, keepdims=True), dtype=np.float64)


def _equinoctial(elements: Floats, retrograde: Floats) -> Floats:
    """Return ``[h, k, p, q, lambda]`` of ``[a, ex, ey, i, raan, u]`` in the last axis; retrograde is +1 or -1."""
    _, ex, ey, inclination, raan, u = np.moveaxis(elements, -1, 0)
    cos_node, sin_node = np.cos(raan), np.sin(raan)
    half = np.where(retrograde > 0.0, 0.5 * inclination, 0.5 * (math.pi - inclination))
    tangent = np.tan(half)
    return np.stack(
        [
            ey * cos_node + ex * retrograde * sin_node,
            ex * cos_node - ey * retrograde * sin_node,
            tangent * sin_node,
            tangent * cos_node,
            u + retrograde * raan,
        ],
        axis=-1,
    )


def _from_equinoctial(semi_major_axis: Floats, equinoctial: Floats, retrograde: Floats) -> Floats:
    """Return ``[a, ex, ey, i, raan, u]``: the inverse of `_equinoctial`."""
    h, k, p, q, longitude = equinoctial.T
    raan = np.arctan2(p, q)
    cos_node, sin_node = np.cos(raan), retrograde * np.sin(raan)
    angle = 2.0 * np.arctan(np.hypot(p, q))
    inclination = np.where(retrograde > 0.0, angle, math.pi - angle)
    return np.stack(
        [
            semi_major_axis,
            k * cos_node + h * sin_node,
            h * cos_node - k * sin_node,
            inclination,
            raan,
            longitude - retrograde * raan,
        ],
        axis=-1,
    )


def _start(middle: Floats, slope: Floats, spans: Floats, retrograde: Floats) -> Floats:
    """Return first elements at the start of the span: Kepler's, with the longitude taken back from mid-span."""
    equinoctial = middle.copy()
    equinoctial[:, 4] -= 0.5 * spans * slope[:, 4]
    return _from_equinoctial(np.cbrt(_MU / slope[:, 4] ** 2), equinoctial, retrograde)


def _change(elements: Floats, middle: Floats, slope: Floats, own: Floats, spans: Floats, retrograde: Floats) -> Floats:
    """Return the change ``[a, h, k, p, q, lambda]`` at the start that takes the residuals at mid-span away."""
    a = elements[:, 0]
    mean_motion = np.sqrt(_MU / a**3)
    u_slope = slope[:, 4] - retrograde * _node_slope(slope, own)
    wraps = np.round(middle[:, 4] / (2.0 * math.pi))
    rates = j2_rates(
        a,
        np.hypot(elements[:, 1], elements[:, 2]),
        np.degrees(elements[:, 3]),
        mu=_MU,
        radius=constants.REFERENCE_RADIUS.value,
        j2=float(constants.zonal_coefficients()[2]),
    )
    to_start = -0.5 * spans / _DAY
    h, k = _turned(middle[:, 0], middle[:, 1], np.radians(rates.perigee + retrograde * rates.node) * to_start)
    p, q = _turned(middle[:, 2], middle[:, 3], np.radians(rates.node) * to_start)
    longitude = middle[:, 4] - 2.0 * math.pi * wraps - 0.5 * spans * u_slope
    return np.stack([-2.0 / 3.0 * a / mean_motion * u_slope, h, k, p, q, longitude], axis=-1)


def _node_slope(slope: Floats, own: Floats) -> Floats:
    """Return the slope of the node [rad s-1], fading out where there is no node and lambda stands for u."""
    p, q = own[:, 2], own[:, 3]
    square = 4.0 * (p**2 + q**2)
    return 4.0 * (q * slope[:, 2] - p * slope[:, 3]) / (square + _SMALL_INCLINATION**2)


def _turned(sine: Floats, cosine: Floats, angle: Floats) -> tuple[Floats, Floats]:
    return sine * np.cos(angle) + cosine * np.sin(angle), cosine * np.cos(angle) - sine * np.sin(angle)


def _changed(elements: Floats, change: Floats, retrograde: Floats) -> Floats:
    equinoctial = _equinoctial(elements, retrograde) + change[:, 1:]
    return _from_equinoctial(elements[:, 0] + change[:, 0], equinoctial, retrograde)
