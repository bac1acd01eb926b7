"""Gaps that bend between the instants at which nodes are looked at."""

import numpy as np
import pytest

from shells.approaches.averages.between import crossings_of
from shells.approaches.rates import approach_rates
from shells.approaches.trains import trains_of
from shells.constants import YEAR
from shells.fleet.radius_difference import RadiusDifference
from shells.motion.propagation import node_clock, propagate
from tests.populations import objects_of

SATELLITES = 20
#: Turning against each other by 1 to 13 deg a day, so that gaps swing; the last two with perigees that turn through.
PLANES = {
    "apart": ([7378.0, 3e-4, 1e-3, 53.0, 10.0, 10.0], [7386.5, -2e-4, 1e-3, 74.0, 31.0, 80.0]),
    "near": ([7378.0, 3e-4, 1e-3, 53.0, 10.0, 10.0], [7379.0, -2e-4, 1e-3, 74.0, 31.0, 80.0]),
    "retrograde": ([7078.0, 2e-4, 4e-4, 30.0, 10.0, 10.0], [7081.5, 3e-4, 2e-4, 140.0, 31.0, 80.0]),
    "eccentric": ([7378.0, 3e-2, 1e-3, 53.0, 10.0, 10.0], [7382.0, 2e-3, -1e-2, 74.0, 31.0, 80.0]),
}


def moved(rows, years=0.7):
    return propagate(objects_of(rows, plane=np.arange(len(rows)), area_to_mass=0.004), years=years).compute()


def by_fine_quadrature(orbits, chord):
    """Slow twin: the mean of a chord over v_perp by the trapezium rule on instants a quarter of an hour apart."""
    _, spacing, count = node_clock(orbits)
    instants = np.linspace(0.0, np.nextafter(spacing * (count - 1), 0.0), 100 * count)
    at = crossings_of(orbits, trains_of(orbits), within_km=3.0, slots=SATELLITES, instants=instants)
    mean = np.trapezoid(chord(at.gap[0], at.c[0]) / at.v_perp[0], axis=0).sum() / (instants.size - 1)
    return SATELLITES**2 * at.passages[0] * mean * YEAR.value


def rate(orbits, distance, difference=None):
    found = approach_rates(orbits, within_km=[distance], difference=difference, satellites=SATELLITES)
    return found["rate"].values[0, 1, 0]


@pytest.mark.parametrize("name", PLANES)
@pytest.mark.parametrize("sigma", [0.25, 0.6, 1.3])
def test_normal_departures_against_fine_quadrature(name, sigma):
    # closed form of the chord: far shorter than sigma, pi d^2 / c times the density
    orbits, distance = moved(PLANES[name]), 0.002

    def chord(gap, c):
        return np.pi * distance**2 / c * np.exp(-0.5 * (gap / sigma) ** 2) / (sigma * np.sqrt(2.0 * np.pi))

    expected = by_fine_quadrature(orbits, chord)
    assert 0.0 < expected < 0.1
    assert rate(orbits, distance, RadiusDifference(sigma, (), ())) == pytest.approx(expected, rel=3e-3)


@pytest.mark.parametrize("name", ["near", "eccentric"])
@pytest.mark.parametrize("distance", [2.0, 3.0])
def test_orbits_known_exactly_against_fine_quadrature(name, distance):
    # the near planes come down to 1.7 km: they graze 2 km
    orbits = moved(PLANES[name])
    expected = by_fine_quadrature(orbits, lambda gap, c: 2.0 * np.sqrt(np.maximum(distance**2 - (c * gap) ** 2, 0.0)))
    assert expected > 0.0
    assert rate(orbits, distance) == pytest.approx(expected, rel=3e-3)


def test_other_planes_do_not_change_a_bit():
    difference = RadiusDifference(0.6, (), ())
    alone = moved(PLANES["apart"])
    more = moved([*PLANES["apart"], [7383.0, 2e-4, 4e-4, 97.0, 140.0, 10.0]])
    assert rate(alone, 0.01, difference) == rate(more, 0.01, difference)
