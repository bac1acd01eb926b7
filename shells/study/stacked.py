"""A stacked fleet as the decision sees it: its planes at their mutual nodes, and the approaches expected there.

One satellite stands for its plane. The separation of shells can be changed without moving the fleet anew, for the gaps
at the nodes change by as much; satellites of planes that have no nodes are lifted, and run faster or slower for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from shells import constants
from shells.approaches.rates import approach_rates
from shells.approaches.trains import trains_of
from shells.fleet.tolerances import ControlFaults, Tolerances
from shells.motion.propagation import seconds_since
from shells.motion.secular import j2_rates, mean_motion
from shells.motion.shape import mean_radius, semi_major_axis
from shells.risk.separation.own_plane import collisions_in_own_planes
from shells.risk.separation.phase_averaged import NodeGaps, node_gaps
from shells.risk.separation.states import State, states_of
from shells.risk.separation.terms import reaches, worst_case

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


class Clearance(NamedTuple):
    """What is left between the two planes that come nearest when all goes wrong.

    Parameters
    ----------
    left_km : float
        Their separation less all terms at their worst, bodies included; negative by how much these overlap.
    terms_km : ndarray, shape (terms,)
        Sizes of the terms at the worse node, in the order of `shells.risk.separation.terms.TERMS`.
    """

    left_km: float
    terms_km: Floats


@dataclass(frozen=True)
class Stacked:
    """The planes of one layout over the mission.

    Parameters
    ----------
    leaders : Orbits (object, time)
        One satellite of each plane.
    gaps : NodeGaps
        Of all pairs of planes, rows being those of the leaders.
    radius_km : ndarray, shape (planes,)
        Mean radii of the planes at the start.
    wider_km : float
        By how much every step is taken to be wider than it is in all of these.
    """

    leaders: xr.Dataset
    gaps: NodeGaps
    radius_km: Floats
    wider_km: float = 0.0

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
        gaps = node_gaps(leaders, trains_of(leaders), satellites=satellites, within_km=within_km)
        start = leaders.isel(time=0)
        radius = mean_radius(start["semi_major_axis"].values, start["inclination"].values)
        return cls(leaders, gaps, radius)

    @property
    def planes(self) -> NDArray[np.int64]:
        """Numbers of the planes, shape (planes,)."""
        return np.asarray(self.leaders["plane"].values)

    @property
    def pairs(self) -> NDArray[np.int64]:
        """Numbers of the planes of each pair, shape (pairs, 2), the smaller first."""
        return np.sort(self.planes[self.gaps.pairs], axis=1)

    @cached_property
    def upwards(self) -> NDArray[np.int64]:
        """Rows of the planes from the lowest up, shape (planes,)."""
        return np.argsort(self.radius_km, kind="stable")

    @cached_property
    def ranks(self) -> NDArray[np.int64]:
        """Shells of the planes, from 0 for the lowest, shape (planes,)."""
        return np.argsort(self.upwards)

    @property
    def steps(self) -> NDArray[np.int64]:
        """How many shells the two planes of each pair are apart, shape (pairs,)."""
        return np.abs(np.diff(self.ranks[self.gaps.pairs], axis=1)[:, 0])

    @property
    def separation_km(self) -> Floats:
        """Difference of the mean radii of each pair that is counted with, shape (pairs,)."""
        return self.gaps.separation_km + self.wider_km * self.steps

    @property
    def from_km(self) -> Floats:
        """Separation from which on the approaches of each pair fall, shape (pairs,) [km].

        Where their shells no longer cross; of planes without nodes, which come nearest on one shell, where their phases
        drift by a slot over the mission, and 5 % more: nearer ones keep the phases that they happen to have.
        """
        times = self.leaders["time"].values
        days = seconds_since(times[-1:], times[0]) / constants.DAY.value
        # n goes with a^-1.5
        turned = 1.5 * days * self.leaders["mean_argument_of_latitude_rate"].values[:, 0].mean() / self.radius_km.mean()
        locked = 1.05 * 360.0 / self.gaps.satellites / turned
        return np.where(self.gaps.crossing, self.gaps.most_taken_km, locked)

    def moved_apart(self, kilometres: float) -> Stacked:
        """Return the same stack with every step wider by so much [km]."""
        return replace(self, wider_km=self.wider_km + kilometres)

    def states(self, tolerances: Tolerances, faults: ControlFaults) -> tuple[State, ...]:
        """Return the states of control of two satellites of the stack, see `states_of`."""
        return states_of(tolerances, faults, float(self.radius_km.mean()))

    def approaches(self, states: Sequence[State], within_km: Sequence[float]) -> Floats:
        """Return expected approaches per year.

        Parameters
        ----------
        states : sequence of State
            Of control of two satellites.
        within_km : sequence of float
            Thresholds [km].

        Returns
        -------
        ndarray, shape (pairs, thresholds)
            Of all satellites of each pair, weighted with the shares of the states [1/year]. Planes that nearly coincide
            or oppose each other are averaged over their relative motion, without tesseral ripple.
        """
        found = np.stack([self.gaps.approaches(self.separation_km, states, within) for within in within_km], axis=1)
        flat = ~self.gaps.crossing
        if flat.any():
            first, second = self.pairs[flat].T
            pair = {"plane": xr.DataArray(first, dims="pair"), "other_plane": xr.DataArray(second, dims="pair")}
            for state in states:
                rates = approach_rates(
                    self._flat_leaders,
                    within_km=within_km,
                    difference=state.difference,
                    satellites=self.gaps.satellites,
                )["rate"].sel(within_km=list(within_km))
                found[flat] += state.share * rates.sel(pair).transpose("pair", "within_km").values
        return found

    @cached_property
    def _flat_leaders(self) -> xr.Dataset:
        """Leaders of the planes that nearly coincide with or oppose another one, as far apart as is counted with."""
        rows = np.unique(self.gaps.pairs[~self.gaps.crossing])
        lifts = self.wider_km * (self.ranks - 0.5 * (self.ranks.size - 1)).astype(np.float64)
        return _lifted(self.leaders.isel(object=rows), lifts[rows])

    def expected(self, tolerances: Tolerances, faults: ControlFaults, within_km: Sequence[float]) -> Expected:
        """Return expected approaches per year, with and without control faults.

        Parameters
        ----------
        tolerances : Tolerances
        faults : ControlFaults
        within_km : sequence of float
            Thresholds [km].

        Returns
        -------
        Expected
            Within the sum of two hard-body radii they are collisions.
        """
        states = self.states(tolerances, faults)
        control, fault = (
            self.approaches([state for state in states if state.fault == wanted], within_km) for wanted in (False, True)
        )
        return Expected(control, fault)

    def collisions_in_own_planes(self, tolerances: Tolerances, faults: ControlFaults, bodies_km: float) -> float:
        """Return expected collisions per year of satellites in control faults with others of their own plane.

        Parameters
        ----------
        tolerances : Tolerances
        faults : ControlFaults
        bodies_km : float
            Sum of two hard-body radii [km].

        Returns
        -------
        float
            Of all planes [1/year].
        """
        start = self.leaders.isel(time=0)
        return collisions_in_own_planes(
            tolerances,
            faults,
            planes=self.planes.size,
            satellites=self.gaps.satellites,
            radius_km=float(self.radius_km.mean()),
            bodies_km=bodies_km,
            inclination_deg=float(start["inclination"].mean()),
            node_rate_deg_per_day=float(start["raan_rate"].mean()),
        )

    def clearance(self, tolerances: Tolerances, bodies_km: float) -> Clearance:
        """Return what is left of the separation when all goes wrong, for the pair with the least left.

        Parameters
        ----------
        tolerances : Tolerances
        bodies_km : float
            Sum of two hard-body radii [km].

        Returns
        -------
        Clearance
            Planes without nodes are left out; missing where no two planes have any.
        """
        reach = reaches(self.gaps, tolerances, radius_km=float(self.radius_km.mean()), bodies_km=bodies_km)
        left = self.separation_km[:, None] - worst_case(tolerances, reach)
        left[~self.gaps.crossing] = np.inf
        if not self.gaps.crossing.any():
            return Clearance(np.nan, np.full(reach.shape[-1], np.nan))
        pair, node = np.unravel_index(left.argmin(), left.shape)
        return Clearance(float(left[pair, node]), reach[pair, node])

    @property
    def smallest_gap_km(self) -> float:
        """Smallest gap of two reference orbits at a mutual node at any time, without ripple [km]; missing if none."""
        gaps = np.abs(self.gaps.gap_km[self.gaps.crossing])
        return float(gaps.min()) if gaps.size else np.nan


def _lifted(orbits: xr.Dataset, lifts_km: Floats) -> xr.Dataset:
    """Return held orbits with other mean radii, and the pace that these have under the oblateness.

    Inclinations, nodes and eccentricity vectors stay as they are: near the poles trims and node drifts of another step
    turn the planes by some 1e-5 rad a kilometre, and frozen vectors move by 1.5e-7; at the equator trims are large.
    """
    inclination = orbits["inclination"].values
    eccentricity = np.hypot(orbits["eccentricity_x"].values, orbits["eccentricity_y"].values)
    axis = orbits["semi_major_axis"].values
    lifted = semi_major_axis(mean_radius(axis, inclination) + lifts_km[:, None], inclination)
    at_start = (slice(None), slice(1))
    faster = _pace(lifted[at_start], eccentricity[at_start], inclination[at_start])
    faster -= _pace(axis[at_start], eccentricity[at_start], inclination[at_start])
    times = orbits["time"].values
    days = seconds_since(times, times[0]) / constants.DAY.value
    changed = orbits.copy()
    changed["semi_major_axis"] = orbits["semi_major_axis"].copy(data=lifted)
    for name, more in (("mean_argument_of_latitude", faster * days), ("mean_argument_of_latitude_rate", faster)):
        changed[name] = orbits[name].copy(data=orbits[name].values + more)
    return changed


def _pace(axis_km: Floats, eccentricity: Floats, inclination_deg: Floats) -> Floats:
    """Return the rate of the mean argument of latitude under the oblateness [deg/day]."""
    mu = constants.GRAVITATIONAL_PARAMETER.value
    rates = j2_rates(
        axis_km,
        eccentricity,
        inclination_deg,
        mu=mu,
        radius=constants.REFERENCE_RADIUS.value,
        j2=float(constants.zonal_coefficients()[2]),
    )
    return mean_motion(axis_km, mu=mu) + rates.perigee + rates.mean_anomaly
