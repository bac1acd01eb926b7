"""What a layout costs beside risk: trims, drift without them, velocity change to raise and hold, propellant."""

from __future__ import annotations

import json
from typing import NamedTuple

import numpy as np
import xarray as xr

from shells import constants
from shells.fleet.held_planes import station_keeping_cost
from shells.motion.forces import Forces
from shells.study.configuration import FleetTable
from shells.study.stacked import Stacked


class Price(NamedTuple):
    """The price of one case.

    Parameters
    ----------
    largest_trim : float
        Largest trim of an inclination that keeps the planes turning together [deg]; missing without trims.
    untrimmed_node_spread : float
        By how much their nodes part over the mission without trims [deg].
    phase_drift : float
        Largest relative rate of phase between neighbouring shells [deg/day].
    raising_velocity : float
        Velocity change from injection to the shell, mean of the fleet [m/s].
    holding_velocity : float
        Velocity change to hold a satellite, mean of the fleet [m/s/year].
    propellant : float
        Propellant of a satellite for both over the mission, of the plane that needs most [kg].
    """

    largest_trim: float
    untrimmed_node_spread: float
    phase_drift: float
    raising_velocity: float
    holding_velocity: float
    propellant: float


def price_of(fleet: xr.Dataset, stacked: Stacked, table: FleetTable, *, years: float, forces: Forces) -> Price:
    """Return what a layout costs beside risk.

    Parameters
    ----------
    fleet : Objects (object)
        The fleet of the layout.
    stacked : Stacked
        Its planes over the mission.
    table : FleetTable
        Mass, injection, propulsion.
    years : float
        Length of the mission [Julian years].
    forces : Forces
        What acts.

    Returns
    -------
    Price

    Notes
    -----
    Raising is slow and at one inclination: the velocity change is the difference of the circular speeds (T. N. Edelbaum
    1961, ARS Journal 31, 1079, without turn of the plane). Propellant follows the rocket equation. Holding is an upper
    bound, however wide the tolerances, see `station_keeping_cost`; the turn of the trims and avoidance are not in it.
    """
    trims = json.loads(fleet.attrs["provenance"]).get("match_node_rates", {})
    keeping = station_keeping_cost(fleet, years=years, forces=forces)
    holding = keeping["mean_velocity_change_total"].sel(plane=stacked.planes).values
    mu = constants.GRAVITATIONAL_PARAMETER.value
    injection = constants.EQUATORIAL_RADIUS.value + table.injection_altitude_km
    raising = 1000.0 * np.abs(np.sqrt(mu / injection) - np.sqrt(mu / stacked.radius_km))
    exhaust = table.specific_impulse_s * constants.STANDARD_GRAVITY.value
    used = table.mass_kg * -np.expm1(-(raising + years * holding) / exhaust)
    return Price(
        largest_trim=trims.get("largest_trim_deg", np.nan),
        untrimmed_node_spread=trims.get("spread_before_deg", _node_spread(stacked)),
        phase_drift=_phase_drift(stacked),
        raising_velocity=float(raising.mean()),
        holding_velocity=float(holding.mean()),
        propellant=float(used.max()),
    )


def _node_spread(stacked: Stacked) -> float:
    """Return the largest less the smallest change of the nodes over the mission [deg]."""
    node = stacked.leaders["raan"].values
    return float(np.ptp(node[:, -1] - node[:, 0]))


def _phase_drift(stacked: Stacked) -> float:
    """Return the largest relative rate of phase between neighbouring shells [deg/day]."""
    rate = stacked.leaders["mean_argument_of_latitude_rate"].mean("time").values
    return float(np.abs(np.diff(rate[stacked.upwards])).max(initial=0.0))
