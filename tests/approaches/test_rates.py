"""Phase-averaged rates."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad

from shells.approaches import kernels
from shells.approaches.rates import approach_rates, expected_chord, total_rate
from shells.approaches.search import find_approaches
from shells.errors import InputError
from shells.fleet.radius_difference import RadiusDifference
from shells.motion.propagation import propagate
from tests.populations import objects_of, random_elements, small_fleet


@pytest.mark.parametrize(
    "difference",
    [
        RadiusDifference(0.11, (0.0, 0.0), (0.0, 0.0)),
        RadiusDifference(0.0, (0.05, 0.05), (0.74, 0.74)),
        RadiusDifference(1.3, (0.05, 0.05), (0.74, 0.74)),
    ],
)
@pytest.mark.parametrize(("gap", "c", "distance"), [(0.3, 0.97, 0.004), (1.2, 0.6, 0.5), (-2.1, 0.9, 5.0)])
def test_chord_against_quadrature(difference, gap, c, distance):
    # slow twin: scipy's adaptive quadrature, panels split where the density has its support
    reach = min(difference.support_km, 12.0 * difference.scale_km)
    edges = np.unique(
        np.clip([-distance / c, gap - reach, gap, gap + reach, distance / c], -distance / c, distance / c)
    )
    expected = sum(
        quad(
            lambda x: 2.0 * np.sqrt(max(distance**2 - (c * x) ** 2, 0.0)) * difference.density(x - gap), a, b, limit=500
        )[0]
        for a, b in pairwise(edges)
    )
    found = expected_chord(difference, np.array([gap]), np.array([c]), distance)[0]
    assert found == pytest.approx(expected, rel=2e-4, abs=1e-15)


def test_far_normal_tail_is_exact():
    # closed form: with the chord far shorter than sigma, pi d^2 / c times the density
    difference = RadiusDifference(0.1, (0.0, 0.0), (0.0, 0.0))
    found = expected_chord(difference, np.array([3.0]), np.array([0.9]), 1e-5)[0]
    density = np.exp(-0.5 * 30.0**2) / (0.1 * np.sqrt(2.0 * np.pi))
    assert found == pytest.approx(np.pi * 1e-10 / 0.9 * density, rel=1e-4)


def test_bounded_support_gives_exactly_zero():
    difference = RadiusDifference(0.0, (0.05, 0.05), (0.74, 0.74))
    assert expected_chord(difference, np.array([1.6]), np.array([1.0]), 0.004)[0] == 0.0


def test_mean_chord_closed_form():
    x = np.linspace(-0.3, 2.0, 200_001)
    numeric = np.trapezoid(2.0 * np.sqrt(np.maximum(1.0 - (0.8 * x) ** 2, 0.0)), x) / 2.3
    assert kernels.mean_chord(1.0, 0.8, -0.3, 2.0) == pytest.approx(numeric, rel=1e-6)
    assert kernels.mean_chord(1.0, 0.8, 0.5, 0.5) == pytest.approx(2.0 * np.sqrt(1.0 - 0.16), rel=1e-12)
    assert kernels.mean_chord(1.0, 0.8, 1.3, 2.0) == 0.0


def test_enumeration_agrees_between_planes():
    """The exact search counts what the phase average expects.

    Neighbouring shells slip past each other by some forty slots a year, so counts are true to about one part in forty
    of a pair, and ten pairs stand here.
    """
    fleet = propagate(small_fleet(planes=5, satellites=40, step=1.1), years=1.0)
    rates = approach_rates(fleet, within_km=[2.0, 5.0])
    approaches = find_approaches(fleet, within_km=5.0)
    assert not rates["phase_locked"].any()
    for within in (2.0, 5.0):
        expected = rates["rate"].sel(within_km=within).sum().item()
        counted = int((approaches["miss_distance"] < within).sum())
        assert counted == pytest.approx(expected, rel=0.02)


def test_enumeration_agrees_against_debris():
    fleet = propagate(small_fleet(planes=5, satellites=20, step=1.1), years=0.25)
    rng = np.random.default_rng(23)
    debris = objects_of(random_elements(rng, 150, perigee=(950.0, 1060.0), inclination=(10.0, 170.0)), first=10_001)
    moved = propagate(debris, years=0.25)
    rates = approach_rates(fleet, moved, within_km=[10.0, 3.0])
    approaches = find_approaches(fleet, moved, within_km=10.0)
    total = total_rate(rates.sum(["plane", "year"], keep_attrs=True))
    for j, within in enumerate((3.0, 10.0)):
        expected = 0.25 * total["rate"].values[j]
        counted = int((approaches["miss_distance"] < within).sum())
        # repeated passages of one object are clustered: more than a square root of the count
        assert counted == pytest.approx(expected, abs=4.0 * np.sqrt(expected) + 0.01 * expected)
    assert (total["standard_error"] > 0).all()


def test_resampled_error_closed_form():
    fleet = propagate(small_fleet(planes=2, satellites=10), years=0.05)
    debris = propagate(objects_of(random_elements(np.random.default_rng(2), 30, perigee=(1000.0, 1060.0))), years=0.05)
    rates = approach_rates(fleet, debris, within_km=[5.0]).sum(["plane", "year"], keep_attrs=True)
    values = rates["rate"].values[:, 0]
    draws = np.random.default_rng(1).choice(values, (20_000, values.size)).sum(axis=1)
    assert total_rate(rates)["standard_error"].item() == pytest.approx(draws.std(), rel=0.03)


def test_planes_in_phase_are_marked():
    fleet = propagate(small_fleet(planes=3, satellites=8, step=0.0), years=0.2)
    assert approach_rates(fleet, within_km=[5.0])["phase_locked"].values[np.triu_indices(3, 1)].any()


def test_faults_are_named():
    loose = propagate(objects_of([[7438.0, 1e-4, 1e-3, 86.5, 30.0, 10.0]]), years=0.01)
    with pytest.raises(InputError, match=r"(?s)within_km \[0.0\]; expected thresholds > 0.*expected whole planes"):
        approach_rates(loose, within_km=[0.0])
