"""Agreement of three: phase averages, enumeration over whole spans and Monte Carlo over times and phases.

The other two walk along the trajectories of the library and look at distances alone. All count entries of one pair of
satellites into the distance.
"""

from typing import NamedTuple

import numpy as np
import pytest

from shells.approaches.averages.kernels import TURN
from shells.approaches.rates import approach_rates
from shells.fleet.radius_difference import RadiusDifference
from shells.motion.propagation import propagate
from tests.approaches.walking import enumerate_entries, monte_carlo
from tests.populations import objects_of
from tests.published.test_encounter_rates import circles

FROZEN = [7438.0, 1e-5, 1.16e-3, 86.5, 0.0, 0.0]
TURNED = [7438.0, 1e-5, 1.16e-3, 86.5, 30.0, 0.0]
INCLINED = [6928.0, 1e-5, 1e-3, 53.0, 0.0, 0.0]


class Configuration(NamedTuple):
    plane: list[float]
    other: list[float]
    within_km: float
    days: int
    # standard deviation of each radius [km]
    spread_km: float = 0.0
    # windows in which the average follows the orbits; what ends all at once ends within a window
    node_days: float = 1.0
    # the more unevenly entries lie in time, the more trials
    trials: int = 48


CONFIGURATIONS = {
    "two frozen shells 4 km apart": Configuration(FROZEN, [7442.0, 1e-5, 1.16e-3, 86.5, 60.0, 10.0], 5.0, 40),
    "the same with tolerances": Configuration(FROZEN, [7442.0, 1e-5, 1.16e-3, 86.5, 60.0, 10.0], 5.0, 40, 0.5),
    "two frozen shells 0.5 km apart": Configuration(FROZEN, [7438.5, 1e-5, 1.16e-3, 86.5, 60.0, 10.0], 2.0, 60),
    "two frozen shells 0.5 km apart with tolerances": Configuration(
        FROZEN, [7438.5, 1e-5, 1.16e-3, 86.5, 60.0, 10.0], 1.0, 120, 0.3
    ),
    "inclined shells": Configuration(INCLINED, [6931.0, 1e-5, 1e-3, 53.2, 100.0, 10.0], 10.0, 20),
    "retrograde debris over an inclined shell": Configuration(
        INCLINED, [6940.0, 2e-3, 1e-3, 97.6, 70.0, 10.0], 20.0, 20
    ),
    "failed satellite in its own shell": Configuration(FROZEN, [7438.2, 1e-4, 1.16e-3, 86.5, 90.0, 10.0], 5.0, 60),
    "retrograde debris": Configuration(FROZEN, [7440.0, 2e-3, 1e-3, 120.0, 90.0, 10.0], 10.0, 60),
    "eccentric debris, e 0.1": Configuration(FROZEN, [7800.0, 5e-2, 9e-2, 60.0, 90.0, 10.0], 30.0, 150, trials=640),
    "derelict in its own plane": Configuration(TURNED, [7438.8, 1e-4, 1.16e-3, 86.5, 30.0, 10.0], 5.0, 60),
    "planes half a degree apart": Configuration(TURNED, [7440.0, 2e-3, 1e-3, 86.6, 30.5, 10.0], 10.0, 30),
    "opposed planes": Configuration(TURNED, [7440.0, 1e-3, 2e-3, 93.5, 210.0, 10.0], 10.0, 10, trials=160),
    "nearly opposed planes with tolerances": Configuration(
        FROZEN, [7440.0, 1e-5, 1.16e-3, 93.0, 150.0, 10.0], 5.0, 40, 0.5
    ),
    "large threshold": Configuration(TURNED, [7460.0, 1e-3, 2e-3, 86.5, 40.0, 10.0], 50.0, 10),
    "eccentric debris in one plane": Configuration(
        TURNED, [7500.0, 1e-2, 2e-2, 86.5, 30.0, 10.0], 10.0, 30, node_days=0.125, trials=128
    ),
    "one plane with tolerances": Configuration(TURNED, [7442.0, 1e-5, 1.16e-3, 86.5, 30.05, 10.0], 4.0, 60, 0.5),
}

#: Part by which an average over a sub-window may be off: 1 / sin I in its middle for the mean, see `TURN`.
AVERAGING = TURN**2 / 12.0


def compare(name):
    """Print and return the largest of three differences in combined standard errors, and the larger standard error."""
    case = CONFIGURATIONS[name]
    first, second = (
        propagate(objects_of([row], plane=[0], held=True), years=case.days / 365.25, node_days=case.node_days).compute()
        for row in (case.plane, case.other)
    )
    # the difference of two independent radii
    difference = RadiusDifference(case.spread_km * np.sqrt(2.0), (0.0, 0.0), (0.0, 0.0))
    rates = approach_rates(first, second, within_km=[case.within_km], difference=difference, by=())
    average = rates["rate"].item()
    asked = {"within_km": case.within_km, "spread_km": case.spread_km}
    # draws of their own, so that chance strikes each of them apart
    number = list(CONFIGURATIONS).index(name)
    counted, counted_error = np.array(enumerate_entries(first, second, seed=[5, number], **asked)) / average
    # and the rarer they are
    trials = max(case.trials, int(120.0 / average))
    drawn, drawn_error = np.array(monte_carlo(first, second, seed=[6, number], trials=trials, **asked)) / average
    apart = (
        abs(counted - 1.0) / np.hypot(counted_error, AVERAGING),
        abs(drawn - 1.0) / np.hypot(drawn_error, AVERAGING),
        abs(counted - drawn) / np.hypot(counted_error, drawn_error),
    )
    print(
        f"{name}: {average:.4g} a year; enumeration {counted - 1.0:+.2%} ± {counted_error:.2%}, Monte Carlo "
        f"{drawn - 1.0:+.2%} ± {drawn_error:.2%}; apart by {', '.join(f'{n:.1f}' for n in apart)} standard errors"
    )
    return max(apart), max(counted_error, drawn_error)


@pytest.mark.long
def test_three_agree():
    apart, errors = np.array([compare(name) for name in CONFIGURATIONS]).T
    assert errors.max() < 0.02
    # of 48 comparisons two or three lie beyond two standard errors by chance, none beyond three and a half
    assert apart.max() < 3.5
    assert (apart < 2.0).sum() >= 12


@pytest.mark.long
def test_counts_meet_the_closed_form():
    # per day n (2 d / pi a) / cos(beta / 2), cos beta = cos^2 i + sin^2 i cos(node difference), with a radial offset x
    # sqrt(d^2 - x^2) for d: circular orbits crossing twice a revolution, first order in x / a
    first, second = circles(550.0, 53.0, 0.0), circles(551.0, 53.0, 60.0, first=999)
    crossing = np.arccos(np.cos(np.radians(53.0)) ** 2 + 0.5 * np.sin(np.radians(53.0)) ** 2)
    axis, turns = 6378.1363 + 550.5, 86400.0 / (2.0 * np.pi) * np.sqrt(398600.4415 / (6378.1363 + 550.5) ** 3)
    expected = 365.25 * turns * 2.0 * np.sqrt(20.0**2 - 1.0) / (np.pi * axis) / np.cos(0.5 * crossing)
    for count in (enumerate_entries, monte_carlo):
        found, error = count(first, second, within_km=20.0, seed=7)
        print(f"{count.__name__} {found / expected - 1.0:+.2%} ± {error / expected:.2%}")
        assert error < 0.02 * expected
        assert found == pytest.approx(expected, abs=3.5 * error)
