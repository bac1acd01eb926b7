"""The full computation: phase-averaged collisions of pairs of planes along their real orbits, with ripple and motion.

The gap at each mutual node is that of the osculating radii of the mean elements of the two planes, and moves over the
mission. On top of it the tesserals lift the two satellites differently; as both are then over one place of the Earth,
the difference is a function of its longitude alone, and longitudes of a day are equally likely. Gap and ripple are
taken as they come, not as one more term of a distribution: what two satellites have in common is never counted twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.approaches.averages.between import crossings_of
from shells.approaches.trains import Trains
from shells.motion.ripple.correction import ripple_near
from shells.motion.ripple.tesserals import lift_difference
from shells.motion.shape import mean_radius
from shells.risk.separation.states import State, contact

Floats = NDArray[np.float64]

#: Longitudes of a day at which the ripple is taken; every so many for the averages: orders to 8 need 17, tails a few
#: times as many.
_LONGITUDES, _EVERY_LONGITUDE = 240, 5


@dataclass(frozen=True)
class NodeGaps:
    """Gaps of all pairs of planes at their mutual nodes: second is the one of the larger mean radius at the start.

    Parameters
    ----------
    pairs : ndarray, shape (pairs, 2)
        Rows of the two orbits, the lower first.
    satellites : int
        Of each plane.
    separation_km : ndarray, shape (pairs,)
        Difference of the mean radii at the start [km].
    gap_km : ndarray, shape (pairs, instants, 2)
        Radius of the upper reference orbit less that of the lower at both nodes, over the mission [km].
    ripple_km : ndarray, shape (pairs, 2, longitudes)
        Lift of the upper by the tesserals less that of the lower [km].
    passages : ndarray, shape (pairs, instants, 2)
        Product of the passages a second of two satellites, over v_perp, over c [s-1 km-1].
    crossing : ndarray, shape (pairs,)
        Whether the planes have nodes: not where they nearly coincide or oppose each other, for the distance asked for.
    locked : ndarray, shape (pairs,)
        Whether their relative phase drifts by less than one slot over the mission.
    crossing_angle_deg : ndarray, shape (pairs,)
        Angle between the planes at the start [deg].
    latitude_deg : ndarray, shape (pairs, 2)
        Geocentric latitude of the nodes at the start [deg].
    """

    pairs: NDArray[np.int64]
    satellites: int
    separation_km: Floats
    gap_km: Floats
    ripple_km: Floats
    passages: Floats
    crossing: NDArray[np.bool_]
    locked: NDArray[np.bool_]
    crossing_angle_deg: Floats
    latitude_deg: Floats

    @property
    def taken_km(self) -> Floats:
        """What the surfaces take of the separation at the start, shape (pairs, 2) [km]."""
        return self.separation_km[:, None] - self.gap_km[:, 0]

    @property
    def drift_km(self) -> Floats:
        """By how much the gap is smaller than at the start, shape (pairs, instants, 2) [km]."""
        return self.gap_km[:, :1] - self.gap_km

    @property
    def most_taken_km(self) -> Floats:
        """Largest of what surfaces, their motion and ripple take at the two nodes, zero at least, shape (pairs,)."""
        taken: Floats = (self.taken_km + self.drift_km.max(axis=1) - self.ripple_km.min(axis=-1)).max(axis=-1)
        return np.maximum(taken, 0.0)

    def approaches(self, separation_km: Floats, states: Sequence[State], within_km: float) -> Floats:
        """Return expected approaches; within the sum of two hard-body radii they are collisions.

        Parameters
        ----------
        separation_km : ndarray, shape (pairs,)
            Difference of the mean radii of each pair [km]: gaps change by as much as it differs from the present one.
        states : sequence of State
            Of control.
        within_km : float
            Threshold of distance [km].

        Returns
        -------
        ndarray, shape (pairs,)
            Of all satellites of a pair, weighted with the shares of the states [1/year]; zero for planes without nodes.
        """
        gap = self._gaps(separation_km)
        density = np.zeros(gap.shape)
        for state in states:
            density += state.share * contact(state.difference, within_km).density(gap)
        per_second = self.passages * density.mean(axis=-1)
        each = self.satellites**2 * np.pi * within_km**2 * constants.YEAR.value
        found: Floats = each * _over_time(per_second).sum(axis=-1)
        return found

    def overlap(self, states: Sequence[State], bodies_km: float) -> Floats:
        """Return the chance that the upper satellite is not above the lower at each node, shape (pairs, 2)."""
        gap = self._gaps(self.separation_km)
        chance = np.zeros(gap.shape)
        for state in states:
            chance += state.share * contact(state.difference, bodies_km).overlap(gap)
        return _over_time(chance.mean(axis=-1))

    def _gaps(self, separation_km: Floats) -> Floats:
        """Return gaps with the ripple, shape (pairs, instants, 2, longitudes) [km]."""
        moved = self.gap_km + (separation_km - self.separation_km)[:, None, None]
        gaps: Floats = moved[..., None] + self.ripple_km[:, None, :, ::_EVERY_LONGITUDE]
        return gaps


def node_gaps(orbits: xr.Dataset, trains: Trains, *, satellites: int, within_km: float) -> NodeGaps:
    """Return the gaps of all pairs of planes.

    Parameters
    ----------
    orbits : Orbits (object, time)
        One train a plane.
    trains : Trains
        Of these orbits.
    satellites : int
        Of each plane.
    within_km : float
        Largest distance that will be asked for [km].

    Returns
    -------
    NodeGaps
        Over the time that both planes are up.
    """
    crossings = crossings_of(orbits, trains, within_km=within_km, slots=satellites)
    start = trains.values[trains.leaders, 0]
    radius = mean_radius(start[:, 0], np.degrees(start[:, 3]))
    turned = radius[crossings.pairs[:, 0]] > radius[crossings.pairs[:, 1]]
    pairs = np.where(turned[:, None], crossings.pairs[:, ::-1], crossings.pairs)
    sign = np.where(turned, 1.0, -1.0)[:, None, None]  # the geometry has the first less the second

    # the geometry knows no place after the last node in time, nor after a re-entry: the last known one stays
    gap, c, v_perp = (_last_known(values) for values in (sign * crossings.gap, crossings.c, crossings.v_perp))
    each = crossings.passages / np.prod(trains.sizes[crossings.pairs], axis=1)
    normals = _normals(start)
    cosine = np.clip((normals[pairs[:, 0]] * normals[pairs[:, 1]]).sum(axis=1), -1.0, 1.0)
    return NodeGaps(
        trains.leaders[pairs],
        satellites,
        np.abs(np.diff(radius[pairs], axis=1)[:, 0]),
        gap,
        _ripples(start, pairs, turned),
        np.where(crossings.crossing[:, None, None], each[:, None, None] / (c * v_perp), 0.0),
        crossings.crossing,
        crossings.locked,
        np.degrees(np.arccos(cosine)),
        np.degrees(crossings.places[:, 0, :, 1]),
    )


def _last_known(values: Floats) -> Floats:
    """Return values (pairs, instants, 2) with missing ones replaced by the last known one."""
    known = np.isfinite(values)
    index = np.maximum.accumulate(np.where(known, np.arange(values.shape[1])[:, None], 0), axis=1)
    return np.take_along_axis(values, index, axis=1)


def _normals(elements: Floats) -> Floats:
    """Return the unit normals of orbital planes, shape (n, 3)."""
    inclination, node = elements[:, 3], elements[:, 4]
    sine = np.sin(inclination)
    return np.stack([sine * np.sin(node), -sine * np.cos(node), np.cos(inclination)], axis=-1)


def _ripples(elements: Floats, pairs: NDArray[np.int64], turned: NDArray[np.bool_]) -> Floats:
    """Return the lift of the upper less that of the lower, shape (pairs, 2, longitudes) [km]."""
    own = [ripple_near(axis, inclination) for axis, inclination in elements[:, [0, 3]].tolist()]
    found = []
    for (lower, upper), swapped in zip(pairs, turned, strict=True):
        # nodes are named after n1 x n2 of the pair as it stands in the geometry
        turn = elements[upper, 4] - elements[lower, 4]
        apart = -lift_difference(own[lower], own[upper], turn, longitudes=_LONGITUDES)
        found.append(apart[::-1] if swapped else apart)
    return np.array(found).reshape(len(pairs), 2, -1)


def _over_time(values: Floats) -> Floats:
    """Return the mean over instants by the trapezium rule, axis 1."""
    mean: Floats = (0.5 * (values[:, 1:] + values[:, :-1])).mean(axis=1)
    return mean
