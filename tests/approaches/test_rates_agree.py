"""Agreement of three: phase averages, enumeration over whole spans and Monte Carlo over times and phases.

The other two walk along the trajectories of the library and look at distances alone. All count entries of one pair of
satellites into the distance, of which hundreds stand at random on each of two orbits.
"""

import numpy as np
import pytest

from shells.approaches.rates import approach_rates
from shells.fleet.radius_difference import RadiusDifference
from shells.motion.propagation import propagate
from tests.approaches.walking import enumerate_entries, monte_carlo
from tests.populations import objects_of

FROZEN = [7438.0, 1e-5, 1.16e-3, 86.5, 0.0, 0.0]
TURNED = [7438.0, 1e-5, 1.16e-3, 86.5, 30.0, 0.0]

# plane, other object, within km, standard deviation of each radius km, days
CONFIGURATIONS = {
    "two frozen shells 4 km apart": (FROZEN, [7442.0, 1e-5, 1.16e-3, 86.5, 60.0, 10.0], 5.0, 0.0, 40),
    "the same with tolerances": (FROZEN, [7442.0, 1e-5, 1.16e-3, 86.5, 60.0, 10.0], 5.0, 0.5, 40),
    "two frozen shells 0.5 km apart with tolerances": (
        FROZEN,
        [7438.5, 1e-5, 1.16e-3, 86.5, 60.0, 10.0],
        1.0,
        0.3,
        120,
    ),
    "inclined shells": (
        [6928.0, 1e-5, 1e-3, 53.0, 0.0, 0.0],
        [6931.0, 1e-5, 1e-3, 53.2, 100.0, 10.0],
        10.0,
        0.0,
        20,
    ),
    "failed satellite in its own shell": (FROZEN, [7438.2, 1e-4, 1.16e-3, 86.5, 90.0, 10.0], 5.0, 0.0, 60),
    "retrograde debris": (FROZEN, [7440.0, 2e-3, 1e-3, 120.0, 90.0, 10.0], 10.0, 0.0, 60),
    "eccentric debris, e 0.1": (FROZEN, [7800.0, 5e-2, 9e-2, 60.0, 90.0, 10.0], 30.0, 0.0, 150),
    "derelict in its own plane": (TURNED, [7438.8, 1e-4, 1.16e-3, 86.5, 30.0, 10.0], 5.0, 0.0, 60),
    "planes half a degree apart": (TURNED, [7440.0, 2e-3, 1e-3, 86.6, 30.5, 10.0], 10.0, 0.0, 30),
    "opposed planes": (TURNED, [7440.0, 1e-3, 2e-3, 93.5, 210.0, 10.0], 10.0, 0.0, 10),
    "large threshold": (TURNED, [7460.0, 1e-3, 2e-3, 86.5, 40.0, 10.0], 50.0, 0.0, 10),
    "eccentric debris in one plane": (TURNED, [7500.0, 1e-2, 2e-2, 86.5, 30.0, 10.0], 10.0, 0.0, 30),
    "one plane with tolerances": (TURNED, [7442.0, 1e-5, 1.16e-3, 86.5, 30.05, 10.0], 4.0, 0.5, 60),
}


@pytest.mark.long
@pytest.mark.parametrize("name", CONFIGURATIONS)
def test_three_agree(name):
    plane, other, within, spread, days = CONFIGURATIONS[name]
    first, second = (
        propagate(objects_of([row], plane=[0], held=True), years=days / 365.25).compute() for row in (plane, other)
    )
    # the difference of two independent radii
    difference = RadiusDifference(spread * np.sqrt(2.0), (0.0, 0.0), (0.0, 0.0))
    average = approach_rates(first, second, within_km=[within], difference=difference, by=())["rate"].item()
    counted, counted_error = enumerate_entries(first, second, within_km=within, seed=5, spread_km=spread)
    trials = int(np.clip(160.0 / average, 40, 500))
    drawn, drawn_error = monte_carlo(first, second, within_km=within, seed=6, spread_km=spread, trials=trials)
    print(
        f"{name}: {average:.4g} a year; enumeration {counted / average - 1.0:+.2%} ± {counted_error / average:.2%}, "
        f"Monte Carlo {drawn / average - 1.0:+.2%} ± {drawn_error / average:.2%}"
    )
    # of 26 comparisons one or two lie beyond two standard errors by chance, none beyond three and a half
    assert average == pytest.approx(counted, abs=3.5 * counted_error)
    assert average == pytest.approx(drawn, abs=3.5 * drawn_error)
    assert counted == pytest.approx(drawn, abs=3.5 * np.hypot(counted_error, drawn_error))
