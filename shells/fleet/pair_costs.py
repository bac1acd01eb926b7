"""Expected collisions of two planes against how far apart they lie: the costs that an order of planes adds up.

Where two circular orbits cross, trains of S satellites a plane and mean motion n give at both nodes together

``2 (S_1 n / 2 pi) (S_2 n / 2 pi) E[2 sqrt(d^2 - x^2)] / v_perp``,   v_perp = v_1 v_2 sin I / |v_1 - v_2|

collisions per second, d the sum of the hard-body radii and x the difference of the radii at the node. At one speed that
is S_1 S_2 (2 n / pi a) / cos(I / 2) E[sqrt(d^2 - x^2)] with n in revolutions per unit of time: planes that turn against
each other meet more often. x has four parts: the steps between the two planes, the difference of their surfaces at the
node (with the eccentricity vectors as they are held), that of their tesseral ripple there, and the independent
departures within and beyond the tolerances.

The picture of a node ends where the planes coincide or oppose each other. Where sin I is below d / 2a two satellites
meet all along their orbits, and S_1 S_2 (n / pi) P(|x| < d) per second is all that opposed planes can have; the same
formula with sin I = d / 2a gives just that, as E[2 sqrt(d^2 - x^2)] is then pi d / 4 times 2 P(|x| < d).

Circular speeds, at the middle of the stack. Units: km, s, radians.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shells.constants import DAY, GRAVITATIONAL_PARAMETER, REFERENCE_RADIUS, YEAR, zonal_coefficients
from shells.fleet.radius_difference import RadiusDifference, radius_difference
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.motion.mutual_nodes import MutualNode, mutual_node
from shells.motion.ripple.correction import ripple_near
from shells.motion.ripple.tesserals import lift_difference
from shells.motion.secular import j2_rates

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Longitudes at which the ripple is taken: three for each period of its shortest term.
LONGITUDES = 48

#: Instants of the mission, in the middle of equal parts, at which drifting nodes are looked at.
_INSTANTS = 32

#: Drifting nodes share the surfaces and the ripple of the next cell of node difference [rad]; both change over tens of
#: degrees. The angle between the planes, which may pass a peak, is their own.
_CELL = np.radians(1.0)

#: Orbits that agree to this (radians, eccentricity) are of one shape: 0.1 m.
_SAME = 1e-8

#: Cells of a table of expected chords: to a standard deviation, to half a bounded support, and the most of them.
_CELLS, _BOUNDED_CELLS, _MOST_CELLS = 8, 128, 2048

#: Beyond so many standard deviations a normal density is below the smallest double.
_FAR = 38.6

#: Most values in the air at a time: 16 MB.
_BLOCK = 2_000_000

#: Stands for the logarithm of zero.
_NOTHING = -1e4


@dataclass(frozen=True)
class Stack:
    """Planes brought to one mean radius, and how they are to be stacked.

    Parameters
    ----------
    mean_radius, semi_major_axis : float
        In the middle of the stack [km].
    inclination, raan : ndarray, shape (planes,)
        [rad].
    eccentricity_x, eccentricity_y : ndarray, shape (planes,)
        [1].
    satellites : ndarray, shape (planes,)
        Satellites of each plane.
    hard_body_radius : ndarray, shape (planes,)
        [km].
    step : float
        Difference of mean radius between neighbours [km].
    drift_years : float
        How long the nodes drift apart [Julian years]; 0 where they keep their differences.
    """

    mean_radius: float
    semi_major_axis: float
    inclination: Floats
    raan: Floats
    eccentricity_x: Floats
    eccentricity_y: Floats
    satellites: Floats
    hard_body_radius: Floats
    step: float
    drift_years: float

    @property
    def count(self) -> int:
        """Number of planes."""
        return self.inclination.size

    @property
    def apart(self) -> Floats:
        """Difference of mean radius of two planes by ranks [km], shape (2 planes - 1,)."""
        return self.step * np.arange(1.0 - self.count, self.count)


class Costs(NamedTuple):
    """Expected collisions per year of plane i being m ranks above plane j, at ``[i, j, m + planes - 1]``.

    Each takes in one term more than the one before it.

    Parameters
    ----------
    spacing : ndarray, shape (planes, planes, 2 planes - 1)
        All pairs alike, with their mean angle: no order is better than another.
    crossing_angle : ndarray
        With the angle between the two planes at the start.
    surfaces : ndarray
        With the surfaces as they are: no longer parallel where inclinations or eccentricity vectors differ.
    node_drift : ndarray
        With nodes that drift apart, averaged over the mission.
    ripple : ndarray
        With the tesserals: everything.
    """

    spacing: Floats
    crossing_angle: Floats
    surfaces: Floats
    node_drift: Floats
    ripple: Floats


class _Pairs(NamedTuple):
    """The different pairs of planes, i < j, and which of them each pair is."""

    first: Indices
    second: Indices
    node_difference: Floats
    which: Indices


def costs_of(stack: Stack, tolerances: Tolerances, faults: ControlFaults) -> Costs:
    """Return what every pair of planes costs at every distance.

    Parameters
    ----------
    stack : Stack
    tolerances : Tolerances
        Of every satellite.
    faults : ControlFaults
        Weighted with their share of the time.

    Returns
    -------
    Costs
    """
    pairs = _pairs(stack)
    table = _ChordTable.of(stack, tolerances, faults)
    standing = pairs.node_difference[:, None, None]
    factor = _factor(stack, pairs, standing)[..., 0]
    parallel = _over_pairs(stack, pairs, factor * table.chord(stack.apart))
    places = _Places(pairs.first, pairs.second, pairs.node_difference)
    surfaces = _over_pairs(stack, pairs, factor * _chords(stack, table, places, ripple=False))
    nodes = _drifted(stack, pairs) if stack.drift_years else standing
    factor = _factor(stack, pairs, nodes)
    drifting, rippled = (
        _over_pairs(stack, pairs, (factor * _mean_chord(stack, table, pairs, nodes, ripple=ripple)).mean(axis=-1))
        for ripple in (False, True)
    )
    return Costs(_alike(parallel), parallel, surfaces, drifting, rippled)


def node_drift(stack: Stack, first: Indices, second: Indices, apart: Floats) -> Floats:
    """Return by how much the node of the second plane moves against that of the first over the mission.

    Parameters
    ----------
    stack : Stack
    first, second : ndarray of int
        Planes.
    apart : ndarray
        Mean radius of the first less that of the second [km], taken about the middle of the stack.

    Returns
    -------
    ndarray
        [rad], under J2; zero where nodes keep their differences.
    """
    e = np.hypot(stack.eccentricity_x, stack.eccentricity_y)
    upper, lower = (
        j2_rates(
            stack.semi_major_axis + 0.5 * side * apart,
            e[plane],
            np.degrees(stack.inclination[plane]),
            mu=GRAVITATIONAL_PARAMETER.value,
            radius=REFERENCE_RADIUS.value,
            j2=float(zonal_coefficients()[2]),
        ).node
        for side, plane in ((1.0, first), (-1.0, second))
    )
    drift: Floats = np.radians(lower - upper) * stack.drift_years * YEAR.value / DAY.value
    return drift


def ripple_at(stack: Stack, first: int, second: int, node_difference: Floats) -> Floats:
    """Return by how much the tesserals lift a satellite of one plane more than one of another at their nodes.

    Parameters
    ----------
    stack : Stack
    first, second : int
        Planes.
    node_difference : ndarray
        Right ascension of the second node less that of the first [rad].

    Returns
    -------
    ndarray, shape (..., 2, longitudes)
        [km].
    """
    one, other = (ripple_near(stack.semi_major_axis, float(stack.inclination[plane])) for plane in (first, second))
    return lift_difference(one, other, node_difference, longitudes=LONGITUDES)


def node_between(stack: Stack, first: Indices, second: Indices, node_difference: Floats) -> MutualNode:
    """Return where planes cross.

    Parameters
    ----------
    stack : Stack
    first, second : ndarray of int
        Planes.
    node_difference : ndarray
        Right ascension of the second node less that of the first [rad].

    Returns
    -------
    MutualNode
    """
    return mutual_node(stack.inclination[first], stack.inclination[second], node_difference)


def _pairs(stack: Stack) -> _Pairs:
    """Return the pairs that differ in shape or node difference: in a regular pattern few."""
    shapes = np.stack([stack.inclination, stack.eccentricity_x, stack.eccentricity_y], axis=1)
    _, like, shape = np.unique(np.rint(shapes / _SAME), axis=0, return_index=True, return_inverse=True)
    first, second = np.triu_indices(stack.count, 1)
    difference = np.mod(stack.raan[second] - stack.raan[first], 2.0 * np.pi)
    keys = np.stack([shape[first], shape[second], np.rint(difference / _SAME).astype(np.intp)], axis=1)
    keys, example, which = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    return _Pairs(like[keys[:, 0]], like[keys[:, 1]], difference[example], which)


def _over_pairs(stack: Stack, pairs: _Pairs, cost: Floats) -> Floats:
    """Return the costs of all pairs either way round from those of the different ones, shape (pairs, distances)."""
    first, second = np.triu_indices(stack.count, 1)
    bodies = stack.hard_body_radius[first] + stack.hard_body_radius[second]
    # collisions go with the area: radii hardly differ in density over a hard body
    weight = stack.satellites[first] * stack.satellites[second] * (bodies / _distance(stack)) ** 2
    costs = np.zeros((stack.count, stack.count, stack.apart.size))
    costs[first, second] = weight[:, None] * cost[pairs.which]
    costs[second, first] = costs[first, second, ::-1]
    return costs


def _alike(costs: Floats) -> Floats:
    """Return costs that are the mean of those of all pairs, for every pair."""
    first, second = np.triu_indices(len(costs), 1)
    return np.broadcast_to(costs[first, second].mean(axis=0) if first.size else 0.0, costs.shape)


def _distance(stack: Stack) -> float:
    """Return the largest sum of two hard-body radii [km]."""
    return 2.0 * float(stack.hard_body_radius.max())


def _drifted(stack: Stack, pairs: _Pairs) -> Floats:
    """Return node differences [rad] at instants of the mission, shape (pairs, distances, instants)."""
    first, second = pairs.first[:, None], pairs.second[:, None]
    drift = node_drift(stack, first, second, stack.apart)
    return pairs.node_difference[:, None, None] + drift[..., None] * ((np.arange(_INSTANTS) + 0.5) / _INSTANTS)


def _factor(stack: Stack, pairs: _Pairs, node_difference: Floats) -> Floats:
    """Return meetings per year, pair of satellites and km of chord, shape (pairs, distances, instants)."""
    node = node_between(stack, pairs.first[:, None, None], pairs.second[:, None, None], node_difference)
    motion = np.sqrt(GRAVITATIONAL_PARAMETER.value / stack.semi_major_axis**3)
    speed = motion * stack.semi_major_axis
    along = 0.5 * motion * stack.apart[:, None]
    relative = np.hypot(along, 2.0 * speed * np.sin(0.5 * np.arctan2(node.sine, node.cosine)))
    least = _distance(stack) / (2.0 * stack.semi_major_axis)
    factor: Floats = (
        2.0 * (motion / (2.0 * np.pi)) ** 2 * YEAR.value * relative / (speed**2 * np.maximum(node.sine, least))
    )
    return factor


def _mean_chord(stack: Stack, table: _ChordTable, pairs: _Pairs, node_difference: Floats, *, ripple: bool) -> Floats:
    """Return the expected chord [km] over both nodes and the time of day, shape (pairs, distances, instants)."""
    if not stack.drift_years:
        places = _Places(pairs.first, pairs.second, node_difference[:, 0, 0])
        return _chords(stack, table, places, ripple=ripple)[..., None]
    cells = int(np.rint(2.0 * np.pi / _CELL))
    cell = np.floor(node_difference / _CELL).astype(np.intp) % cells
    code = (pairs.first * stack.count + pairs.second)[:, None, None] * cells + cell
    codes, which = np.unique(code, return_inverse=True)
    both = codes // cells
    places = _Places(both // stack.count, both % stack.count, (codes % cells + 0.5) * _CELL)
    chords = _chords(stack, table, places, ripple=ripple)
    return chords[which.reshape(code.shape), np.arange(stack.apart.size)[:, None]]


class _Places(NamedTuple):
    """Pairs of planes and their node difference [rad], each of shape (places,)."""

    first: Indices
    second: Indices
    node_difference: Floats


def _chords(stack: Stack, table: _ChordTable, places: _Places, *, ripple: bool) -> Floats:
    """Return the expected chord [km] over both nodes and the time of day, shape (places, distances)."""
    difference = _surface_difference(stack, places)[..., None]
    if ripple:
        difference = difference + _ripple(stack, places)
    flat = difference.reshape(len(difference), 2 * difference.shape[-1])
    chords = np.empty((len(flat), stack.apart.size))
    block = max(1, _BLOCK // (flat.shape[1] * stack.apart.size))
    for begin in range(0, len(flat), block):
        part = slice(begin, begin + block)
        chords[part] = table.chord(stack.apart[:, None] + flat[part, None, :]).mean(axis=-1)
    return chords


def _surface_difference(stack: Stack, places: _Places) -> Floats:
    """Return by how much the first orbit lies above the second at both nodes, on top of steps, shape (places, 2)."""
    node = node_between(stack, *places)

    def height(plane: Indices, latitude: Floats) -> Floats:
        theta = latitude[:, None] + np.pi * np.arange(2)
        e_x, e_y = stack.eccentricity_x[plane, None], stack.eccentricity_y[plane, None]
        ellipse = -stack.mean_radius * (e_x * np.cos(theta) + e_y * np.sin(theta))
        return ellipse + _oblate_swing(stack)[plane, None] * np.cos(2.0 * theta)

    difference: Floats = height(places.first, node.first) - height(places.second, node.second)
    return difference


def _oblate_swing(stack: Stack) -> Floats:
    """Return J2 R^2 sin^2 i / 4 a [km]: by how much the radius swings twice a revolution, shape (planes,)."""
    oblateness = float(zonal_coefficients()[2]) * REFERENCE_RADIUS.value**2
    swing: Floats = oblateness * np.sin(stack.inclination) ** 2 / (4.0 * stack.semi_major_axis)
    return swing


def _ripple(stack: Stack, places: _Places) -> Floats:
    """Return what `ripple_at` says of each place, shape (places, 2, longitudes)."""
    lifts = np.empty((places.first.size, 2, LONGITUDES))
    both = places.first * stack.count + places.second
    for code in np.unique(both):
        here = both == code
        lifts[here] = ripple_at(stack, *divmod(int(code), stack.count), places.node_difference[here])
    return lifts


@dataclass(frozen=True)
class _ChordTable:
    """E[2 sqrt(d^2 - x^2)] of departures within and beyond tolerances, against the gap of the reference orbits.

    Parameters
    ----------
    gap : ndarray
        Ascending, from 0 [km].
    logarithm : ndarray
        Of the expected chord [km], straight between nodes: low by up to 1/512 in normal parts.
    """

    gap: Floats
    logarithm: Floats

    @classmethod
    def of(cls, stack: Stack, tolerances: Tolerances, faults: ControlFaults) -> _ChordTable:
        distance, share = _distance(stack), faults.share_of_time
        parts = [
            (
                weight,
                radius_difference(
                    tolerances,
                    tolerances,
                    first_radius_km=stack.mean_radius,
                    second_radius_km=stack.mean_radius,
                    faults=faults if faulty else None,
                    faulty=faulty,
                ),
            )
            for faulty, weight in enumerate([(1.0 - share) ** 2, 2.0 * share * (1.0 - share), share**2])
            if weight > 0.0
        ]
        swing = stack.mean_radius * np.hypot(stack.eccentricity_x, stack.eccentricity_y) + _oblate_swing(stack)
        # no two satellites of one shell differ by a kilometre in ripple
        farthest = stack.step * stack.count + 2.0 * float(swing.max()) + 1.0
        tables = [(weight, _table(part, distance, farthest)) for weight, part in parts]
        gap = np.unique(np.concatenate([table.gap for _, table in tables]))
        return cls(gap, _logarithm(np.sum([weight * table.chord(gap) for weight, table in tables], axis=0)))

    def chord(self, gap: Floats) -> Floats:
        """Return the expected chord [km] at gaps [km] of any sign."""
        chord: Floats = np.exp(np.interp(np.abs(gap), self.gap, self.logarithm, right=_NOTHING))
        return chord


def _table(difference: RadiusDifference, distance: float, farthest: float) -> _ChordTable:
    """Return the table of one distribution, to the end of its reach or the farthest gap [km]."""
    reach = difference.bounded_support_km + _FAR * difference.normal_km + distance
    cell = reach / _BOUNDED_CELLS
    if difference.normal_km:
        cell = min(difference.scale_km, 2.0 * difference.normal_km) / _CELLS
    last = min(reach, farthest)
    gap = np.linspace(0.0, last, 1 + min(_MOST_CELLS, int(np.ceil(last / cell))))
    return _ChordTable(gap, _logarithm(_expected_chord(difference, gap, distance)))


def _logarithm(chord: Floats) -> Floats:
    logarithm: Floats = np.full(chord.size, _NOTHING)
    logarithm[chord > 0.0] = np.log(chord[chord > 0.0])
    return logarithm


def _expected_chord(difference: RadiusDifference, gap: Floats, distance: float) -> Floats:
    """Return E[2 sqrt(d^2 - x^2)] [km] of one distribution about gaps [km]: Gauss-Chebyshev of the second kind."""
    if difference.is_point:
        return 2.0 * np.sqrt(np.maximum(distance**2 - gap**2, 0.0))
    # hard bodies are mostly far smaller than what departs
    count = int(min(128.0, 4.0 + 40.0 * distance / difference.scale_km))
    angles = np.pi * np.arange(1, count + 1) / (count + 1)
    density = difference.density(distance * np.cos(angles) - gap[:, None])
    chord: Floats = 2.0 * distance**2 * (np.pi / (count + 1)) * (density * np.sin(angles) ** 2).sum(axis=1)
    return chord
