"""Mean elements of the library from what SGP4 propagates: fitted, never copied.

An element set of a catalogue is mean in SGP4's sense: its eccentricity vector lacks the frozen part and its semi-major
axis differs by up to several km. Here SGP4 is sampled over whole orbits of about a day, the first-order J2 short-period
terms are removed from every state, and mean elements are sought whose own propagation runs through these samples: the
semi-major axis from the rate of the mean argument of latitude, the other elements from averages over the span.

Frame TEME, taken as the true equator and equinox of the study epoch; time UTC; angles in radians in this module.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shells import constants
from shells.motion.arrays import integrate, mean_elements_from_states
from shells.motion.forces import Forces
from shells.motion.secular import j2_rates

Floats = NDArray[np.float64]

#: Fewest and most samples in one orbit; between them they follow the angular rate at perigee.
FEWEST_SAMPLES, MOST_SAMPLES = 24, 90

#: Multiples of the mean argument of latitude taken out of the residuals, so that they do not leak into the rate.
HARMONICS = 2

#: Rounds of the fit, and the change at which it ends [km in a, 1 or rad in the others]. All but the orbits that strong
#: drag makes stiff are through after four.
MOST_ROUNDS = 15
TOLERANCE_KM, TOLERANCE = 1e-4, 1e-8

#: Nodes at which our own mean elements are computed; they change so little that a polynomial runs through them.
_NODES = 17

#: Below about this inclination [rad] the node loses its meaning: mean longitude replaces the argument of latitude.
_SMALL_INCLINATION = math.radians(0.5)

#: Samples held in memory at once: some 100 MB.
_CHUNK_SAMPLES = 200_000

_DAY = constants.DAY.value
_NANOSECONDS_PER_DAY = 86_400_000_000_000
_UNIX_EPOCH_JULIAN = 2440587.5
_MU = constants.GRAVITATIONAL_PARAMETER.value


@dataclass(frozen=True, eq=False)
class FittedElements:
    """Mean elements of catalogue objects at one time.

    Parameters
    ----------
    elements : ndarray, (object, 6)
        ``[a, ex, ey, i, raan, u]`` [km, 1, 1, rad, rad, rad], u the mean argument of latitude; raan and u in 0 to 2 pi.
        NaN where there is no fit.
    sgp4_errors : ndarray of int64, (object,)
        First error code of SGP4 within the span, 0 for none.
    fitted : ndarray of bool, (object,)
        Whether the elements converged; without an SGP4 error they do not where the object re-enters within the span.
    """

    elements: Floats
    sgp4_errors: NDArray[np.int64]
    fitted: NDArray[np.bool_]


def fit_mean_elements(satellites: Sequence[Any], properties: Floats, at: np.datetime64) -> FittedElements:
    """Fit mean elements to what SGP4 propagates from a time on.

    Parameters
    ----------
    satellites : sequence of Satrec, (object,)
        sgp4's objects, initialised.
    properties : ndarray, (object, 2)
        Drag coefficient and reflectivity coefficient times area-to-mass ratio [m2 kg-1], with which the elements will
        be propagated, under all forces.
    at : datetime64
        Time of the elements, UTC, and start of the span: whole orbits that fill about a day, or one longer orbit.

    Returns
    -------
    FittedElements
        In the order of the satellites.

    Notes
    -----
    The residuals of sample less own propagation, in equinoctial elements, are fitted with a constant, a slope and two
    harmonics of u, weighted by a Hann taper over the span. The value at mid-span corrects the elements, the slope of u
    the semi-major axis: da = -(2/3) (a / n) du/dt. Both are linear in the samples, so that these are reduced once.
    """
    plans = [_Plan(*_plan(satellite)) for satellite in satellites]
    elements = np.full((len(plans), 6), np.nan)
    errors = np.zeros(len(plans), dtype=np.int64)
    fitted = np.zeros(len(plans), dtype=bool)
    for chunk in _chunks(plans):
        spans = np.array([plans[k].span for k in chunk])
        times = (np.arange(plans[chunk[0]].samples) + 0.5) / plans[chunk[0]].samples * spans[:, None]
        position, velocity, errors[chunk] = _sgp4_states([satellites[k] for k in chunk], times, at)
        usable = chunk[errors[chunk] == 0]
        if usable.size:
            good = errors[chunk] == 0
            elements[usable], fitted[usable] = _fit(
                position[good], velocity[good], times[good], spans[good], properties[usable], at
            )
    return FittedElements(elements, errors, fitted)


@dataclass(frozen=True)
class _Plan:
    """How one object is sampled: number of samples and span [s]."""

    samples: int
    span: float


def _plan(satellite: Any) -> tuple[int, float]:
    period = 2.0 * math.pi / satellite.no_kozai * 60.0
    orbits = max(1, round(_DAY / period))
    eccentricity = satellite.ecco
    # the angular rate at perigee in units of the mean motion
    rate = math.sqrt(1.0 + eccentricity) / (1.0 - eccentricity) ** 1.5
    per_orbit = min(MOST_SAMPLES, math.ceil(FEWEST_SAMPLES * rate))
    return orbits * per_orbit, orbits * period


def _chunks(plans: list[_Plan]) -> list[NDArray[np.int64]]:
    """Return groups of objects with equally many samples, each group small enough for memory."""
    samples = np.array([plan.samples for plan in plans], dtype=np.int64)
    chunks: list[NDArray[np.int64]] = []
    for number in np.unique(samples):
        members = np.flatnonzero(samples == number)
        size = max(1, _CHUNK_SAMPLES // int(number))
        chunks.extend(members[start : start + size] for start in range(0, members.size, size))
    return chunks


def _sgp4_states(satellites: list[Any], times: Floats, at: np.datetime64) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Return positions [km], velocities [km s-1] (object, sample, 3) and first error codes at times after `at` [s]."""
    days, nanoseconds = divmod(at.astype("datetime64[ns]").astype(np.int64).item(), _NANOSECONDS_PER_DAY)
    julian = np.full(times.shape[1], _UNIX_EPOCH_JULIAN + days)
    fractions = nanoseconds / _NANOSECONDS_PER_DAY + times / _DAY
    position = np.empty((*times.shape, 3))
    velocity = np.empty((*times.shape, 3))
    errors = np.zeros(len(satellites), dtype=np.int64)
    for k, satellite in enumerate(satellites):
        codes, position[k], velocity[k] = satellite.sgp4_array(julian, fractions[k])
        if codes.any():
            errors[k] = codes[np.flatnonzero(codes)[0]]
    return position, velocity, errors


def _fit(
    position: Floats, velocity: Floats, times: Floats, spans: Floats, properties: Floats, at: np.datetime64
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return mean elements (object, 6) and whether they converged, for objects with equally many samples."""
    count, samples = times.shape
    means = mean_elements_from_states(position.reshape(-1, 3), velocity.reshape(-1, 3)).reshape(count, samples, 6)
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
        moved, _, _ = integrate(elements[active], properties[active], nodes, epoch=at, forces=Forces())
        own = _equinoctial(moved, retrograde[active, None])
        own_middle, own_slope = np.einsum("ofn,onc->foc", on_nodes[active], own)
        left = (middle[active] - own_middle, slope[active] - own_slope)
        with np.errstate(all="ignore"):  # elements that run away become NaN, which the next lines find
            change = _change(elements[active], *left, own_middle, spans[active], retrograde[active])
            elements[active] = _changed(elements[active], change, retrograde[active])
        done = (np.abs(change[:, 0]) < TOLERANCE_KM) & (np.abs(change[:, 1:]) < TOLERANCE).all(axis=1)
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
