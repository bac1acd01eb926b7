"""Whether the fleets of a study can be built: what its stages would refuse, without moving anything.

Each function raises what the run would meet, so that a study file is refused whole before its work is reckoned.
"""

from __future__ import annotations

from math import floor
from typing import TYPE_CHECKING

import numpy as np

from shells.constants import EQUATORIAL_RADIUS
from shells.errors import Faults
from shells.fleet.elements import MINIMUM_ALTITUDE_KM
from shells.fleet.frozen import freeze
from shells.fleet.node_rates import can_match
from shells.fleet.patterns import walker
from shells.motion.frozen import is_near_critical

if TYPE_CHECKING:
    from shells.study.configuration import FleetTable


def require_frozen_orbit(fleet: FleetTable, altitude_km: float) -> None:
    """Refuse a plane that is to be frozen and cannot be, near the critical inclinations.

    Parameters
    ----------
    fleet : FleetTable
        The fleet.
    altitude_km : float
        Mean radius of the plane less 6378.137 km [km].

    Raises
    ------
    InputError
        What `freeze` refuses. Trims of node rates, which move inclinations by hundredths of a degree, are not foreseen.
    """
    if fleet.frozen and is_near_critical(fleet.inclination_deg):
        freeze(
            walker(
                total=1,
                planes=1,
                pattern=fleet.pattern,
                altitude_km=altitude_km,
                inclination_deg=fleet.inclination_deg,
            )
        )


def require_stack(fleet: FleetTable, step_km: float) -> None:
    """Refuse a stack with a plane too low, with one that cannot be frozen, or whose node rates cannot be matched.

    Parameters
    ----------
    fleet : FleetTable
        The fleet.
    step_km : float
        Altitude step between neighbouring shells [km].

    Raises
    ------
    InputError
        All faults at once. Node rates are those of the oblateness alone.
    """
    below = 0.5 * (fleet.planes - 1)
    lowest = fleet.altitude_km - below * step_km
    faults = Faults("stack: cannot be built")
    # down to the metre, so that what is named is allowed
    most = floor((fleet.altitude_km - MINIMUM_ALTITUDE_KM) / below * 1000.0) / 1000.0
    faults.require(
        lowest >= MINIMUM_ALTITUDE_KM,
        f"lowest of {fleet.planes} planes at {lowest:.6g} km; allowed: {MINIMUM_ALTITUDE_KM:g} km or more, which steps "
        f"up to {most:g} km keep",
    )
    faults.raise_if_any()
    require_frozen_orbit(fleet, lowest)
    radius = EQUATORIAL_RADIUS.value + fleet.altitude_km + step_km * np.linspace(-below, below, fleet.planes)
    faults.require(
        not fleet.match_node_rates or can_match(radius, fleet.inclination_deg),
        f"no inclinations turn the nodes of {fleet.planes} planes at one rate so far apart; allowed: narrower stacks, "
        "inclinations farther from 0 and 180 deg, or match_node_rates = false",
    )
    faults.raise_if_any()
