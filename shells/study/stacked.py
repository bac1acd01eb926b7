"""A stacked fleet as the decision sees it: its planes at their mutual nodes, and the collisions expected there.

One satellite stands for its plane. Collisions are expected numbers a year; steps between shells can be moved a little
without moving the fleet anew, for the gaps at the nodes move by as much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells.approaches.averages.between import Crossings, crossings_of, rates_between_planes
from shells.approaches.kernels import X
from shells.approaches.rates import approach_rates
from shells.approaches.trains import trains_of
from shells.fleet.radius_difference import RadiusDifference, radius_difference
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.motion.shape import mean_radius

Floats = NDArray[np.float64]


class Expected(NamedTuple):
    """Expected approaches per year of each pair of planes, each of shape (pairs, thresholds).

    Parameters
    ----------
    control : ndarray
        Both satellites inside their tolerances.
    fault : ndarray
        One or both have left them.
    """

    control: Floats
    fault: Floats


@dataclass(frozen=True)
class Stacked:
    """The planes of one layout over the mission.

    Parameters
    ----------
    leaders : Orbits (object, time)
        One satellite of each plane.
    planes : ndarray, shape (planes,)
        Numbers of the planes.
    radius_km : ndarray, shape (planes,)
        Their mean radii.
    satellites : int
        Satellites of each plane.
    crossings : Crossings
        Geometry at the mutual nodes of all pairs.
    shift_km : float
        By how much the steps are wider than those of the leaders.
    """

    leaders: xr.Dataset
    planes: NDArray[np.int64]
    radius_km: Floats
    satellites: int
    crossings: Crossings
    shift_km: float = 0.0

    @classmethod
    def of(cls, leaders: xr.Dataset, *, satellites: int, within_km: float) -> Stacked:
        """Look at the mutual nodes of planes.

        Parameters
        ----------
        leaders : Orbits (object, time)
            One satellite of each plane, over the whole mission.
        satellites : int
            Satellites of each plane.
        within_km : float
            Largest threshold that will be asked for [km].

        Returns
        -------
        Stacked
        """
        trains = trains_of(leaders)
        start = leaders.isel(object=trains.leaders, time=0)
        return cls(
            leaders,
            start["plane"].values,
            mean_radius(start["semi_major_axis"].values, start["inclination"].values),
            satellites,
            crossings_of(leaders, trains, within_km=within_km, slots=satellites),
        )

    @property
    def pairs(self) -> NDArray[np.int64]:
        """Numbers of the planes of each pair, shape (pairs, 2), the lower first."""
        return np.sort(self.planes[self.crossings.pairs], axis=1)

    @cached_property
    def ranks(self) -> NDArray[np.int64]:
        """Place of each plane in altitude, shape (planes,), 0 for the lowest."""
        return np.argsort(np.argsort(self.radius_km, kind="stable"))

    @property
    def upwards(self) -> NDArray[np.int64]:
        """Numbers of the planes from the lowest up, shape (planes,)."""
        return np.asarray(self.planes[np.argsort(self.ranks)])

    def moved_apart(self, kilometres: float) -> Stacked:
        """Return the same stack with every step wider by so much [km], the middle where it was."""
        first, second = self.ranks[self.crossings.pairs].T
        geometry = self.crossings.geometry.copy()
        geometry[..., X] += kilometres * (first - second)[:, None, None]
        shift = self.shift_km + kilometres
        return replace(self, crossings=replace(self.crossings, geometry=geometry), shift_km=shift)

    def rates(self, difference: RadiusDifference, within_km: Sequence[float]) -> Floats:
        """Return the expected approaches per year of all satellites of each pair of planes.

        Parameters
        ----------
        difference : RadiusDifference
            Of two satellites, about the gap of their planes.
        within_km : sequence of float
            Thresholds [km].

        Returns
        -------
        ndarray, shape (pairs, thresholds)
            [1/year]. Planes that nearly coincide or oppose each other are averaged over their relative motion, as they
            lie in the leaders, whatever the steps were widened by.
        """
        found = rates_between_planes(self.crossings, difference, within_km) * self.satellites**2
        flat = ~self.crossings.crossing
        if flat.any():
            whole = approach_rates(
                self.leaders, within_km=within_km, difference=difference, satellites=self.satellites
            ).sel(within_km=list(within_km))
            first, second = self.pairs[flat].T
            pair = {"plane": xr.DataArray(first, dims="pair"), "other_plane": xr.DataArray(second, dims="pair")}
            found[flat] = whole["rate"].sel(pair).transpose("pair", "within_km").values
        return found

    def difference(
        self, tolerances: Tolerances, faults: ControlFaults | None = None, faulty: int = 1
    ) -> RadiusDifference:
        """Return the distribution of the radius difference of two satellites, about the gap of their planes."""
        middle = float(self.radius_km.mean())
        return radius_difference(
            tolerances, tolerances, first_radius_km=middle, second_radius_km=middle, faults=faults, faulty=faulty
        )

    def expected(self, tolerances: Tolerances, faults: ControlFaults, within_km: Sequence[float]) -> Expected:
        """Return the expected approaches per year of each pair of planes; within hard bodies they are collisions.

        Parameters
        ----------
        tolerances : Tolerances
        faults : ControlFaults
            One satellite of a pair is in a fault for 2 s (1 - s) of the time, both for s^2, s being its share.
        within_km : sequence of float
            Thresholds [km].

        Returns
        -------
        Expected
        """
        share = faults.share_of_time
        control, one, both = (
            weight * self.rates(difference, within_km) if weight > 0.0 else np.zeros((len(self.pairs), len(within_km)))
            for weight, difference in (
                ((1.0 - share) ** 2, self.difference(tolerances)),
                (2.0 * share * (1.0 - share), self.difference(tolerances, faults, 1)),
                (share**2, self.difference(tolerances, faults, 2)),
            )
        )
        return Expected(control, one + both)

    def nearest_pair(self) -> tuple[int, float]:
        """Return the pair of planes whose reference orbits come nearest at a node, and that gap [km]."""
        gaps = np.abs(self.crossings.gap)
        gaps = np.where(np.isfinite(gaps), gaps, np.inf).min(axis=(1, 2))
        return int(gaps.argmin()), float(gaps.min())

    def nominal_gap(self, pair: int) -> float:
        """Return the difference of the mean radii of a pair of planes [km]."""
        first, second = self.crossings.pairs[pair]
        steps = self.shift_km * abs(int(self.ranks[first] - self.ranks[second]))
        return float(abs(self.radius_km[first] - self.radius_km[second]) + steps)
