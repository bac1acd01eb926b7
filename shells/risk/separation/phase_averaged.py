"""The full computation: phase-averaged collisions of pairs of planes along their real orbits, with ripple and motion.

The gap at each mutual node is that of the osculating radii of the mean elements of the two planes, and moves over the
mission. On top of it the tesserals lift the two satellites differently; as both are then over one place of the Earth,
the difference is a function of its longitude alone, and longitudes of a day are equally likely. Gap and ripple are
taken as they come, not as one more term of a distribution: what two satellites have in common is never counted twice.
Where the planes cross moves with their nodes, and the ripple there with it; its amplitudes are those of the orbits at
the start.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.approaches.averages.between import Crossings, crossings_of
from shells.approaches.trains import Trains
from shells.motion.kernels import means
from shells.motion.propagation import node_clock
from shells.motion.ripple.correction import ripple_near
from shells.motion.ripple.tesserals import ORDERS, lift_waves, over_longitudes
from shells.motion.shape import mean_radius
from shells.risk.separation.states import Contact, State, contact

Floats = NDArray[np.float64]

#: Longitudes of a day at which the ripple is taken for averages: orders to 8 need 17, tails a few times as many.
_LONGITUDES = 48

#: And for extremes, and where contact is narrow: 240 leave 2e-3 of the highest order at its crest.
_MANY_LONGITUDES = 240


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
    ripple_km : ndarray, shape (pairs, instants, 2, 16)
        Lift of the upper by the tesserals less that of the lower, as waves of the longitude: see
        `shells.motion.ripple.tesserals.lift_waves` [km].
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
    def ripple_rms_km(self) -> Floats:
        """Of the ripple over the mission, shape (pairs, 2) [km]."""
        rms: Floats = np.sqrt(0.5 * (self.ripple_km**2).sum(axis=-1).mean(axis=1))
        return rms

    @cached_property
    def least_ripple_km(self) -> Floats:
        """Smallest of the ripple, below zero, over all longitudes, shape (pairs, instants, 2) [km]."""
        least = [over_longitudes(waves, _MANY_LONGITUDES).min(axis=-1) for waves in self.ripple_km]
        return np.array(least).reshape(self.gap_km.shape)

    @property
    def most_taken_km(self) -> Floats:
        """Largest of what surfaces, their motion and ripple take at the two nodes, zero at least, shape (pairs,)."""
        taken: Floats = self.separation_km - (self.gap_km + self.least_ripple_km).min(axis=(1, 2))
        return np.maximum(taken, 0.0)

    def without_ripple(self) -> NodeGaps:
        """Return the same gaps without the ripple."""
        return replace(self, ripple_km=np.zeros_like(self.ripple_km))

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
        density = self._averaged(separation_km, states, within_km, Contact.density, Contact.density_along)
        per_second = np.where(self.crossing[:, None, None], self.passages * density, 0.0)
        each = self.satellites**2 * np.pi * within_km**2 * constants.YEAR.value
        found: Floats = each * _over_time(per_second).sum(axis=-1)
        return found

    def overlap(self, states: Sequence[State], bodies_km: float) -> Floats:
        """Return the chance that the upper satellite is not above the lower at each node, shape (pairs, 2)."""
        chance = self._averaged(self.separation_km, states, bodies_km, Contact.overlap, Contact.overlap)
        return _over_time(chance)

    def _averaged(
        self,
        separation_km: Floats,
        states: Sequence[State],
        within_km: float,
        wide: Callable[[Contact, Floats], Floats],
        narrow: Callable[[Contact, Floats], Floats],
    ) -> Floats:
        """Return the mean over a day of what contact has at the gaps, of all states, shape (pairs, instants, 2).

        It is asked of ``wide`` where no step between longitudes is long for the contact, of ``narrow`` elsewhere.
        """
        contacts = [contact(state.difference, within_km) for state in states]
        moved = self.gap_km + (separation_km - self.separation_km)[:, None, None]
        # no ripple rises by more than this from one longitude to the next
        rise = (np.tile(ORDERS, 2) * np.abs(self.ripple_km)).sum(axis=-1).max(axis=(1, 2)) * 2.0 * np.pi / _LONGITUDES
        found = np.zeros(moved.shape)
        for pair, waves in enumerate(self.ripple_km):
            few = _LONGITUDES if rise[pair] > 0.0 else 1
            is_narrow = [bool(rise[pair] > touch.long_step_km) for touch in contacts]
            gaps = {
                fine: moved[pair][..., None] + over_longitudes(waves, _MANY_LONGITUDES if fine else few)
                for fine in set(is_narrow)
            }
            for state, touch, fine in zip(states, contacts, is_narrow, strict=True):
                values = (narrow if fine else wide)(touch, gaps[fine])
                found[pair] += state.share * values.mean(axis=-1)
        return found


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
        sign[..., None] * _ripples(orbits, trains, crossings),
        np.where(crossings.crossing[:, None, None], each[:, None, None] / (c * v_perp), 0.0),
        crossings.crossing,
        crossings.locked,
        np.degrees(np.arccos(cosine)),
        np.degrees(crossings.places[:, 0, :, 1]),
    )


def _last_known(values: Floats) -> Floats:
    """Return values (rows, instants, columns) with missing ones replaced by the last known one."""
    known = np.isfinite(values)
    index = np.maximum.accumulate(np.where(known, np.arange(values.shape[1])[:, None], 0), axis=1)
    return np.take_along_axis(values, index, axis=1)


def _normals(elements: Floats) -> Floats:
    """Return the unit normals of orbital planes, shape (n, 3)."""
    inclination, node = elements[:, 3], elements[:, 4]
    sine = np.sin(inclination)
    return np.stack([sine * np.sin(node), -sine * np.cos(node), np.cos(inclination)], axis=-1)


def _ripples(orbits: xr.Dataset, trains: Trains, crossings: Crossings) -> Floats:
    """Return waves of the lift of the first of each pair less that of the second, (pairs, instants, 2, 16) [km]."""
    _, spacing, _ = node_clock(orbits)
    elements = np.empty((trains.leaders.size, crossings.instants.size, 6))
    for train, lead in enumerate(trains.leaders):
        means(trains.values[lead], trains.rates[lead], 0.0, spacing, crossings.instants, elements[train])
    node = _last_known(elements)[..., 4]
    own = [ripple_near(axis, inclination) for axis, inclination in elements[:, 0, [0, 3]].tolist()]
    waves = [lift_waves(own[first], own[second], node[second] - node[first]) for first, second in crossings.pairs]
    return np.array(waves).reshape(*crossings.gap.shape, 2 * ORDERS.size)


def _over_time(values: Floats) -> Floats:
    """Return the mean over instants by the trapezium rule, axis 1."""
    mean: Floats = (0.5 * (values[:, 1:] + values[:, :-1])).mean(axis=1)
    return mean
