"""The price of a layout against closed forms: raising, propellant, drift of phase and node."""

import numpy as np
import pytest

import shells
from shells.study import block
from shells.study.cases import Layout, scenarios_of
from shells.study.price import price_of
from shells.study.stacked import Stacked
from tests.study import fakes

MU, RADIUS = 398600.4415, 6378.137


def price(directory, step_km, years=0.1):
    study = fakes.study(directory, ("years = 2.0", f"years = {years}"))
    scenario = scenarios_of(study)[0]
    fleet = block.fleet_of(study, Layout(0, step_km, "monotone"), scenario)
    leaders = block.move(study, scenario, block.leaders_of(fleet))
    stacked = Stacked.of(leaders, satellites=3, within_km=5.0)
    return study, price_of(fleet, stacked, study.fleet, years=years, forces=shells.Forces())


def test_raising_and_propellant(tmp_path):
    # T. N. Edelbaum 1961, ARS Journal 31, 1079, without turn of the plane: the difference of the circular speeds [m/s].
    # K. E. Tsiolkovsky's equation: m (1 - exp(-dv / (Isp g0))), from 350 km with 1500 s (the study's assumed defaults).
    study, found = price(tmp_path, 3.0)
    speed = [1000.0 * np.sqrt(MU / (RADIUS + altitude)) for altitude in (350.0, 1120.0)]
    assert found.raising_velocity == pytest.approx(speed[0] - speed[1], rel=1e-4)
    change = 1000.0 * (np.sqrt(MU / (RADIUS + 350.0)) - np.sqrt(MU / (RADIUS + 1124.5))) + 0.1 * found.holding_velocity
    # the top shell of four, 3 km apart, needs most
    assert found.propellant == pytest.approx(180.0 * -np.expm1(-change / (1500.0 * 9.80665)), rel=1e-4)
    assert study.fleet.mass_kg == 180.0


def test_phase_and_node_drift(tmp_path):
    # n ~ a^-3/2: phases of shells a step apart drift by 1.5 n step / a; nodes turn as a^-7/2 cos i
    _, found = price(tmp_path, 4.0)
    axis = RADIUS + 1120.0
    per_day = np.degrees(np.sqrt(MU / axis**3)) * 86400.0
    assert found.phase_drift == pytest.approx(1.5 * per_day * 4.0 / axis, rel=5e-3)
    node = 1.5 * per_day * 1.0826e-3 * (6378.1363 / axis) ** 2 * np.cos(np.radians(87.2))
    spread = 3.5 * node * 12.0 / axis * 0.1 * 365.25
    # Sun and Moon add to it: of the size, not equal
    assert 0.3 * spread < found.untrimmed_node_spread < 3.0 * spread
    # a trim di undoes a share of the node rate: tan i di = 3.5 da / a, half the stack away from its middle
    trim = np.degrees(3.5 * 6.0 / axis / np.tan(np.radians(87.2)))
    assert found.largest_trim == pytest.approx(trim, rel=0.5)
