"""What a pair of held satellites may be in: both inside their tolerances, or one or both in a control fault.

A collision at a node needs the radius difference x of two satellites within the combined hard-body radius R. Averaged
over the phase its chance goes with the mean chord, the mean of 2 sqrt(R^2 - x^2): pi R^2 times the density, at the gap,
of x plus a half-ellipse term of half width R. The bodies are therefore one more term of the distribution, and the rate
of a pair is a number that depends on the orbits times this density, whatever the tolerances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shells.approaches.averages.spread import tabulate
from shells.fleet.radius_difference import RadiusDifference, radius_difference
from shells.fleet.tolerances import ControlFaults, Tolerances

Floats = NDArray[np.float64]

#: A step from one gap to the next is long where it is more than this share of the standard deviation of the density.
_LONG_STEP = 0.5


class State(NamedTuple):
    """One state of control of a pair of satellites.

    Parameters
    ----------
    share : float
        Share of the time that a pair spends in it [1].
    fault : bool
        Whether one or both are in a control fault.
    difference : RadiusDifference
        Of the radii about the gap of the two reference orbits.
    """

    share: float
    fault: bool
    difference: RadiusDifference


class Contact:
    """Density of contact at a node: that of the radius difference with the hard bodies as one more term.

    Parameters
    ----------
    difference : RadiusDifference
        Of two satellites about the gap.
    bodies_km : float
        Sum of the hard-body radii [km], more than zero.
    """

    def __init__(self, difference: RadiusDifference, bodies_km: float):
        with_bodies = replace(difference, ellipse_km=(*difference.ellipse_km, bodies_km))
        self.reach_km, cell, self.scale_km, self._density, self._beyond = tabulate(with_bodies)
        self._x = cell * np.arange(self._density.size)

    def density(self, gap_km: Floats) -> Floats:
        """Return the density at gaps of any sign [1/km]; exactly zero beyond the reach, missing where the gap is."""
        return self._within(np.abs(gap_km), self._density)

    def overlap(self, gap_km: Floats) -> Floats:
        """Return the chance that the upper of two satellites is not above the lower, at gaps of any sign [km]."""
        beyond = self._within(np.abs(gap_km), self._beyond)
        return np.where(gap_km < 0.0, 1.0 - beyond, beyond)

    @property
    def long_step_km(self) -> float:
        """Steps from one gap to the next longer than this are long against the density."""
        return _LONG_STEP * self.scale_km

    def density_along(self, gap_km: Floats) -> Floats:
        """Return the density along gaps that come round to the first [1/km], each for the step to the next one.

        Where that step, on the last axis, is long against the density, it is the mean over all gaps from end to end: a
        narrow contact would fall between the ends.
        """
        density, after = self.density(gap_km), np.roll(gap_km, -1, axis=-1)
        length = np.abs(after - gap_km)
        long = length > self.long_step_km
        mean: Floats = 0.5 * (density + np.roll(density, -1, axis=-1))
        mean[long] = self._chance_between(gap_km[long], after[long]) / length[long]
        return mean

    def _chance_between(self, one_km: Floats, other_km: Floats) -> Floats:
        """Return the integral of the density from one gap to another, of tails where both are on one side of zero."""
        one, other = (self._within(np.abs(gap), self._beyond) for gap in (one_km, other_km))
        return np.where(one_km * other_km < 0.0, 1.0 - one - other, np.abs(one - other))

    def _within(self, x: Floats, logarithms: Floats) -> Floats:
        beyond = x >= self.reach_km
        if beyond.all():
            return np.zeros(x.shape)
        return np.where(beyond, 0.0, np.exp(np.interp(x, self._x, logarithms)))


@lru_cache(maxsize=64)
def contact(difference: RadiusDifference, bodies_km: float) -> Contact:
    """Return the density of contact, tabulated once for equal arguments; see `Contact`."""
    return Contact(difference, bodies_km)


def narrowest_km(states: Sequence[State], bodies_km: float) -> float:
    """Return the smallest standard deviation of contact at a node.

    Parameters
    ----------
    states : sequence of State
        Of control, one at least.
    bodies_km : float
        Sum of the hard-body radii [km].

    Returns
    -------
    float
        Departures and bodies together [km]: as far apart rates have to be known.
    """
    return min(contact(state.difference, bodies_km).scale_km for state in states)


def states_of(tolerances: Tolerances, faults: ControlFaults, radius_km: float) -> tuple[State, ...]:
    """Return the states of control of two satellites with the same tolerances.

    Parameters
    ----------
    tolerances : Tolerances
        Of both.
    faults : ControlFaults
        How often each is outside, independently.
    radius_km : float
        Their mean radius [km].

    Returns
    -------
    tuple of State
        Both inside, one outside, both outside; without faults only the first. Shares add up to one.
    """
    share = faults.share_of_time
    inside = radius_difference(tolerances, tolerances, first_radius_km=radius_km, second_radius_km=radius_km)
    found = [State((1.0 - share) ** 2, False, inside)]
    if share > 0.0:
        found += [
            State(
                weight,
                True,
                radius_difference(
                    tolerances,
                    tolerances,
                    first_radius_km=radius_km,
                    second_radius_km=radius_km,
                    faults=faults,
                    faulty=number,
                ),
            )
            for number, weight in ((1, 2.0 * share * (1.0 - share)), (2, share**2))
        ]
    return tuple(found)
