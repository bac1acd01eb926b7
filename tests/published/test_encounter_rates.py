"""Encounter rates of pairs of orbits and of shells against published formulas."""

import numpy as np
import pytest
from scipy.optimize import brentq

from shells import constants
from shells.approaches.averages import kernels
from shells.approaches.averages.spread import no_departures, tabulate
from shells.approaches.kernels import FIELDS, V_PERP, C, X, node_geometry
from shells.approaches.rates import approach_rates
from shells.fleet.radius_difference import RadiusDifference
from shells.schema import ORBITS, provenance

YEAR = 365.25 * 86400.0
NO_ZONALS = np.zeros(16)
MU = 398600.4418
DISTANCE = 0.01  # combined radius of 10 m


def averaged_rate(first, second, turns, samples):
    """Average the rate of a pair over the perigee of the second orbit and over (node difference, perigee of first).

    ``turns`` lists the latter; two-body motion: J2 is zero.
    """
    geometry = np.empty((2, 2, FIELDS))
    periods = [2.0 * np.pi * np.sqrt(a**3 / MU) for a in (first[0], second[0])]
    total = 0.0
    for node, perigee in turns:
        a = orbit(first, 0.3, perigee)
        for j in range(samples + 1):
            b = orbit(second, 0.3 + node, 2.0 * np.pi * j / samples)
            node_geometry(a, b, DISTANCE, MU, 6378.137, NO_ZONALS, geometry[j % 2])
            if j == 0:
                continue
            for side in range(2):
                before, after = geometry[(j + 1) % 2, side], geometry[j % 2, side]
                c = 0.5 * (before[C] + after[C])
                speed = 0.5 * (before[V_PERP] + after[V_PERP])
                total += kernels.mean_chord(DISTANCE, c, before[X], after[X]) / speed
    return total / (samples * len(turns)) / (periods[0] * periods[1]) * YEAR


def orbit(shape, node, perigee):
    a, e, inclination = shape
    return np.array([a, e * np.cos(perigee), e * np.sin(perigee), np.radians(inclination), node, 0.4])


@pytest.mark.parametrize(
    ("a", "e", "mutual", "published"),
    [
        # E. J. Opik 1951, Proc. R. Irish Acad. 54A, 165: per revolution (R/a0)^2 U / (pi sin I |Ux|), target circular
        # at 7178.137 km, R = 10 m, mu = 398600.4418; computed from the formula, itself from memory
        (7178.137, 0.02, 60.0, 1.8598795354e-7),
        (7228.137, 0.01, 90.0, 6.2317895896e-7),
    ],
)
def test_opik(a, e, mutual, published):
    # the target lies 20 deg from the equator with the node in common
    target = (7178.137, 0.0, 20.0)
    found = averaged_rate(target, (a, e, 20.0 + mutual), [(0.0, 0.0)], 20_000)
    assert found == pytest.approx(published, rel=5e-3)


# D. J. Kessler 1981, Icarus 48, 39: spatial densities of two orbits, angles random; quadrature converged to 9 digits
# (computed from the formula, itself from memory)
KESSLER = [
    ((7178.137, 0.0005, 98.6), (7178.137, 0.02, 74.0), 4.31069156e-7),
    ((6928.137, 0.0001, 53.0), (7000.0, 0.03, 98.0), 2.384872e-7),
]


@pytest.mark.parametrize(("first", "second", "published"), KESSLER)
def test_kessler_pairs(first, second, published):
    nodes = (np.arange(96) + 0.37) / 96 * 2.0 * np.pi
    perigees = (np.arange(6) + 0.21) / 6 * 2.0 * np.pi
    turns = [(node, perigees[j % 6]) for j, node in enumerate(nodes)]
    assert averaged_rate(first, second, turns, 2000) == pytest.approx(published, rel=5e-3)


@pytest.mark.parametrize(("first", "second", "published"), KESSLER)
def test_kinetic_theory_is_kesslers(first, second, published):
    """The second perigee circulates once through the instants, the first stands at six places."""
    turn = np.linspace(0.0, 2.0 * np.pi, 2001)
    total, rate = 0.0, np.empty(1)
    for perigee in (np.arange(6) + 0.21) / 6 * 2.0 * np.pi:
        moving = [
            np.array([orbit(shape, 0.3, w) for w in perigees])
            for shape, perigees in ((first, np.full(turn.size, perigee)), (second, turn))
        ]
        kernels.kinetic(*moving, np.array([DISTANCE]), 64, tabulate(no_departures()), (MU, 6378.137, NO_ZONALS), rate)
        total += rate[0] * YEAR / 6.0
    assert total == pytest.approx(published, rel=1e-4)


# --- shells -----------------------------------------------------------------------------------------------------------


def circles(altitude, inclination, raan, *, first=1, planes=True):
    """Two days of circular orbits of two bodies, one a node: no zonals, so a geometry that stands still."""
    raan = np.atleast_1d(raan)
    count, days = raan.size, np.arange(3.0)
    a = 6378.1363 + altitude
    pace = np.degrees(np.sqrt(constants.GRAVITATIONAL_PARAMETER.value / a**3)) * 86400.0
    shape = (count, days.size)
    phases = (37.0 * np.arange(count))[:, None] + pace * days
    values = {
        "object": np.arange(first, first + count),
        "name": np.full(count, "TEST"),
        "kind": np.full(count, "fleet"),
        "plane": np.arange(count) if planes else np.full(count, -1),
        "slot": np.zeros(count),
        "held_from": np.full(count, np.datetime64("NaT", "ns")),
        "held_until": np.full(count, np.datetime64("NaT", "ns")),
        "hard_body_radius": np.ones(count),
        "time": np.datetime64("2027-01-01", "ns") + (days * 86400e9).astype("timedelta64[ns]"),
        "semi_major_axis": np.full(shape, a),
        "eccentricity_x": np.zeros(shape),
        "eccentricity_y": np.zeros(shape),
        "inclination": np.full(shape, inclination),
        "raan": np.broadcast_to(raan[:, None], shape),
        "mean_argument_of_latitude": phases,
        "alive": np.full(shape, True),
        "reentry": np.full(count, np.datetime64("NaT", "ns")),
    }
    names = ("semi_major_axis", "eccentricity_x", "eccentricity_y", "inclination", "raan", "mean_argument_of_latitude")
    values |= {f"{name}_rate": np.full(shape, 0.0) for name in names}
    values["mean_argument_of_latitude_rate"] = np.full(shape, pace)
    return ORBITS.build(values, attributes=provenance(zonal_degree=1))


@pytest.mark.parametrize(
    ("altitude", "inclination", "planes", "satellites", "per_day", "per_year", "mean"),
    [
        # closed form n (2 S d / pi a) sum 1 / cos(beta / 2): passes within 1 km a day, 5 m and 10 m a year, mean
        # 1 / cos(beta / 2); computed from it, checked by Monte Carlo
        (550.0, 53.0, 72, 22, 2.749, (5.02, 10.04), 1.272),
        (1110.0, 53.8, 32, 50, 2.274, (4.15, 8.31), 1.288),
    ],
)
def test_derelict_in_its_own_shell(altitude, inclination, planes, satellites, per_day, per_year, mean):
    nodes = np.arange(planes) * 360.0 / planes
    shell = circles(altitude, inclination, nodes)
    derelict = circles(altitude, inclination, nodes[0], first=999, planes=False)
    rates = approach_rates(shell, derelict, within_km=[0.005, 0.01, 1.0], satellites=satellites, by=("plane",))["rate"]
    found = rates.sum("plane").values
    assert found[2] / 365.25 == pytest.approx(per_day, rel=5e-3)
    np.testing.assert_allclose(found[:2], per_year, rtol=5e-3)
    axis = 6378.1363 + altitude
    per_plane = np.sqrt(MU / axis**3) / (2.0 * np.pi) * YEAR * 2.0 * satellites * 1.0 / (np.pi * axis)
    assert found[2] / per_plane / (planes - 1) == pytest.approx(mean, abs=5e-4 + 5e-3 * mean)


TWO_SHELLS = {
    # sigma [m]: collisions a year at gaps of 0 to 6 sigma, and gap / sigma for 1e-3 and 1e-4 a year
    50: ((504, 306, 68.5, 5.66, 0.172, 1.94e-3, 8.0e-6), (5.12, 5.56)),
    100: ((252, 153, 34.2, 2.81, 0.0850, 9.5e-4, 3.9e-6), (4.99, 5.43)),
    300: ((84.1, 51.0, 11.4, 0.934, 0.0282, 3.1e-4, 1.3e-6), (4.76, 5.22)),
    1000: ((25.2, 15.3, 3.41, 0.280, 8.5e-3, 9.4e-5, 3.8e-7), (4.50, 4.99)),
}
# half a unit of the last digit printed
HALF_DIGIT = {
    50: (0.5, 0.5, 0.05, 5e-3, 5e-4, 5e-6, 5e-8),
    100: (0.5, 0.5, 0.05, 5e-3, 5e-5, 5e-6, 5e-8),
    300: (0.05, 0.05, 0.05, 5e-4, 5e-5, 5e-6, 5e-8),
    1000: (0.05, 0.05, 5e-3, 5e-4, 5e-5, 5e-7, 5e-9),
}


def collisions(gap_km, sigma_km, within_km=0.005):
    """Expected a year between two shells of 1,584 satellites; nodes are even, so one plane stands for all."""
    lower = circles(550.0, 53.0, np.arange(72) * 5.0)
    upper = circles(550.0 + gap_km, 53.2, 1.3, first=999, planes=False)
    difference = RadiusDifference(sigma_km, (0.0, 0.0), (0.0, 0.0))
    rates = approach_rates(lower, upper, within_km=[within_km], satellites=22, difference=difference, by=())
    return rates["rate"].item() * 1584.0


@pytest.mark.parametrize("sigma", TWO_SHELLS)
def test_two_shells_that_scatter(sigma):
    # closed form: N1 N2 (2 n / pi a) <1 / cos(beta / 2)> integral sqrt(R^2 - x^2) phi((x - gap) / sigma) / sigma dx
    published, gaps = TWO_SHELLS[sigma]
    for k, (expected, half) in enumerate(zip(published, HALF_DIGIT[sigma], strict=True)):
        assert collisions(k * sigma / 1000.0, sigma / 1000.0) == pytest.approx(expected, rel=5e-3, abs=half)
    for target, gap in zip((1e-3, 1e-4), gaps, strict=True):

        def excess(k, target=target):
            return np.log(collisions(k * sigma / 1000.0, sigma / 1000.0) / target)

        # 5.12 is printed beside 1.94e-3 at 5 sigma, from which 5.13 follows
        assert brentq(excess, 4.0, 6.0, xtol=1e-3) == pytest.approx(gap, rel=5e-3)


def test_two_shells_within_kilometres():
    # the same closed form, 664 a day: 400 and 400 satellites at 1,200 km, 53 deg, R = 3 km, sigma 0.5 km
    shell = circles(1200.0, 53.0, np.arange(40) * 9.0)
    other = circles(1200.0, 53.0, 4.5, first=999, planes=False)
    difference = RadiusDifference(0.5, (0.0, 0.0), (0.0, 0.0))
    rates = approach_rates(shell, other, within_km=[3.0], satellites=10, difference=difference, by=())
    assert rates["rate"].item() * 400.0 / 365.25 == pytest.approx(664.0, rel=5e-3)
