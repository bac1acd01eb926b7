"""Density of the radius difference at a mutual node."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special, stats

from shells.fleet.radius_difference import RadiusDifference, radius_difference
from shells.fleet.tolerances import ControlFaults, Tolerances

RADII = {"first_radius_km": 6900.0, "second_radius_km": 6910.0}


def difference(first, second=None, **options):
    return radius_difference(Tolerances(*first), Tolerances(*(second or first)), **RADII, **options)


def integral(density, low, high, count=20001):
    """Integral by the trapezium rule."""
    x = np.linspace(low, high, count)
    return np.trapezoid(density(x), x)


def test_normal_is_exactly_normal():
    # Closed form: variances add, the eccentricity times the radius.
    found = difference(("normal", 20.0, 1e-5), ("normal", 50.0, 2e-5))
    sigma = np.sqrt(0.02**2 + 0.05**2 + 0.069**2 + 0.1382**2)
    np.testing.assert_allclose(found.scale_km, sigma, rtol=1e-14)
    assert found.support_km == np.inf
    x = np.array([-6.0, -0.3, 0.0, 0.1, 5.0])
    np.testing.assert_allclose(found.density(x), stats.norm.pdf(x, scale=sigma), rtol=1e-12)


def test_two_uniforms_are_a_triangle():
    # Closed form: equal half widths b and no eccentricity: (2 b - |x|) / (4 b^2).
    found = difference(("bounded", 50.0, 0.0))
    x = np.array([-0.11, -0.1, -0.03, 0.0, 0.07, 0.1000001])
    np.testing.assert_allclose(found.density(x), [0.0, 0.0, 7.0, 10.0, 3.0, 0.0], rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose((found.support_km, found.scale_km), (0.1, 0.1 / np.sqrt(6.0)), rtol=1e-14)


def test_unequal_uniforms_are_a_trapezium():
    # Closed form.
    found = difference(("bounded", 20.0, 0.0), ("bounded", 50.0, 0.0))
    expected = [10.0, 10.0, 5.0, 0.0]
    np.testing.assert_allclose(found.density([0.0, 0.03, 0.05, 0.07]), expected, rtol=1e-12, atol=1e-12)


def test_one_departure_alone():
    # Closed forms: one uniform term; one half ellipse 2 / (pi r) sqrt(1 - (x / r)^2).
    exact = ("bounded", 0.0, 0.0)
    np.testing.assert_allclose(difference(("bounded", 50.0, 0.0), exact).density([0.0, 0.05, 0.051]), [10.0, 10.0, 0.0])
    ellipse = difference(("bounded", 0.0, 1e-5), exact)
    found = ellipse.density(np.array([0.0, 0.0345, 0.069, 0.07]))
    expected = 2.0 / (np.pi * 0.069) * np.array([1.0, np.sqrt(0.75), 0.0, 0.0])
    np.testing.assert_allclose(found, expected, rtol=1e-12, atol=1e-6)
    np.testing.assert_allclose(ellipse.scale_km, 0.0345, rtol=1e-14)


BOUNDED = [("bounded", 100.0, 1e-5), ("bounded", 5.0, 5e-5), ("bounded", 0.0, 1e-4), ("bounded", 100.0, 1e-7)]


@pytest.mark.parametrize("tolerances", BOUNDED)
def test_normalisation_and_variance(tolerances):
    # Closed form: b^2 / 3 of a uniform term, r^2 / 4 of a half ellipse; the cells widen the variance by 4 of their own.
    found = difference(tolerances)
    x = np.linspace(-found.support_km, found.support_km, 4097)
    density = found.density(x)
    np.testing.assert_allclose(np.trapezoid(density, x), 1.0, rtol=0, atol=1e-10)
    np.testing.assert_allclose(np.trapezoid(density * x**2, x), found.scale_km**2, rtol=3e-6)
    np.testing.assert_allclose(density, density[::-1], rtol=0, atol=1e-9 * density.max())


@pytest.mark.parametrize("tolerances", BOUNDED)
def test_zero_outside_the_support(tolerances):
    # Limits: exactly zero from the edge on, positive inside.
    found = difference(tolerances)
    edge = found.support_km
    assert (found.density(np.array([edge, edge * 1.0001, -edge, 10.0, np.inf])) == 0.0).all()
    assert (found.density(np.linspace(-0.99 * edge, 0.99 * edge, 101)) > 0.0).all()


def test_slow_twin_by_quadrature():
    # Slow twin: the trapezium averaged over both half ellipses by Gauss-Chebyshev rules of the second kind.
    found = difference(("bounded", 100.0, 1e-5), ("bounded", 60.0, 3e-5))
    first, weights = special.roots_chebyu(300)
    weights = weights / weights.sum()
    shift = 0.069 * first[:, None] + 0.2073 * first
    x = found.support_km * np.array([0.0, 0.2, 0.5, 0.8, 0.95])
    trapezium = np.clip((0.16 - np.abs(x[:, None, None] - shift)) / (4.0 * 0.1 * 0.06), 0.0, 5.0)
    expected = np.einsum("xij,i,j->x", trapezium, weights, weights)
    np.testing.assert_allclose(found.density(x), expected, rtol=1e-3)
    np.testing.assert_allclose(found.density(x[:3]), expected[:3], rtol=2e-6)


@pytest.mark.parametrize("fault_km", [0.0, 0.2])
def test_monte_carlo(fault_km):
    # Monte Carlo: departures drawn as the definitions say, a million pairs, 24 bins within 5 standard errors.
    rng = np.random.default_rng(20261101)
    count = 1_000_000
    tolerances = ("bounded", 80.0, 2e-5)
    faults = ControlFaults(offset_km=fault_km) if fault_km else None
    found = difference(tolerances, faults=faults)
    x = rng.uniform(-0.08, 0.08, (2, count))
    direction = rng.uniform(0.0, 2.0 * np.pi)
    for k, radius in enumerate(RADII.values()):
        size, angle = 2e-5 * np.sqrt(rng.uniform(size=count)), rng.uniform(0.0, 2.0 * np.pi, count)
        x[k] -= radius * size * np.cos(angle - direction)
    sample = x[0] - x[1] + rng.normal(0.0, fault_km, count)
    edges = np.linspace(-2.5, 2.5, 25) * found.scale_km
    counts = np.histogram(sample, edges)[0]
    expected = [count * integral(found.density, low, high, 201) for low, high in itertools.pairwise(edges)]
    assert (np.abs(counts - expected) < 5.0 * np.sqrt(np.maximum(expected, 1.0)) + 1.0).all()
    np.testing.assert_allclose(sample.std(), found.scale_km, rtol=5.0 / np.sqrt(2.0 * count))


def test_fault_of_an_exact_pair_is_normal():
    # Closed form: nothing but the fault.
    found = difference(("bounded", 0.0, 0.0), faults=ControlFaults(offset_km=2.0))
    x = np.array([0.0, 3.0, -40.0])
    np.testing.assert_allclose(found.density(x), stats.norm.pdf(x, scale=2.0), rtol=1e-12)


@pytest.mark.parametrize("offset_km", [0.001, 0.05, 1.0])
def test_fault_tail_of_one_uniform(offset_km):
    # Closed form: a difference of two normal distribution functions over the width; relative, far out in the tail.
    found = difference(("bounded", 50.0, 0.0), ("bounded", 0.0, 0.0), faults=ControlFaults(offset_km=offset_km))
    x = np.concatenate([[0.0, 0.049, 0.05], 0.05 + offset_km * np.array([1.0, 5.0, 12.0, 30.0])])
    expected = (stats.norm.sf((x - 0.05) / offset_km) - stats.norm.sf((x + 0.05) / offset_km)) / 0.1
    np.testing.assert_allclose(found.density(x), expected, rtol=1e-9)


def test_fault_tail_of_a_trapezium():
    # Slow twin: adaptive quadrature of the convolution, relative, far out in the tail.
    found = difference(("bounded", 100.0, 0.0), ("bounded", 40.0, 0.0), faults=ControlFaults(offset_km=0.3))
    for x in (0.0, 0.1, 1.0, 6.0):

        def integrand(y, x=x):
            box = np.clip((0.14 - abs(y)) / (4.0 * 0.1 * 0.04), 0.0, 5.0)
            return box * stats.norm.pdf(x - y, scale=0.3)

        expected = integrate.quad(integrand, -0.14, 0.14, points=[-0.06, 0.06], epsabs=0.0, epsrel=1e-11)[0]
        np.testing.assert_allclose(found.density(x), expected, rtol=5e-6)


def test_mixed_distributions():
    # Closed form: one normal and one bounded satellite: normalised, variances add.
    found = difference(("normal", 30.0, 1e-5), ("bounded", 100.0, 1e-5))
    assert found.support_km == np.inf
    x = np.linspace(-1.2, 1.2, 4801)
    np.testing.assert_allclose(np.trapezoid(found.density(x), x), 1.0, rtol=1e-6)
    np.testing.assert_allclose(np.trapezoid(found.density(x) * x**2, x), found.scale_km**2, rtol=1e-5)


METRES = st.just(0.0) | st.floats(1e-3, 1e3)
ECCENTRICITIES = st.just(0.0) | st.floats(1e-10, 1e-4)


@settings(max_examples=30, deadline=None)
@given(METRES, METRES, ECCENTRICITIES, ECCENTRICITIES)
def test_any_sizes_give_a_density(b_1, b_2, e_1, e_2):
    # Property: finite, not negative, falling from the middle, whatever the sizes of the terms.
    found = difference(("bounded", b_1, e_1), ("bounded", b_2, e_2))
    if found.is_point:
        return
    x = np.linspace(0.0, 1.01 * found.support_km, 301)
    density = found.density(x)
    assert np.isfinite(density).all() and (density >= 0.0).all()
    assert (np.diff(density) <= 1e-7 * density.max()).all()


def test_point():
    # Limits: no tolerance at all is a point, not a density.
    found = difference(("normal", 0.0, 0.0), ("bounded", 0.0, 0.0))
    assert found.is_point and found.support_km == 0.0 and found.scale_km == 0.0
    assert found.density([-1.0, 0.0, 1.0]).tolist() == [0.0, np.inf, 0.0]
    assert not difference(("normal", 0.0, 0.0), ("bounded", 1.0, 0.0)).is_point


def test_shapes_and_blocks():
    # Shapes: any shape comes back, long arrays are done in blocks with the same values.
    found = RadiusDifference(0.1, (0.05, 0.05), (0.02, 0.0))
    assert found.density(0.3).shape == ()
    assert found.density(np.zeros((0,))).shape == (0,)
    x = np.linspace(-1.0, 1.0, 2500).reshape(50, 50)
    np.testing.assert_array_equal(found.density(x)[40:], found.density(x[40:]))


def test_all_normal_terms_add():
    # Closed form: variances add, of an excursion the way over 3 pi.
    found = difference(("normal", 20.0, 1e-5, 30.0, 7.0, 2.0), ("normal", 50.0, 2e-5, 10.0, 5.0, 0.0))
    excursion = 2.0 / (3.0 * np.pi)
    own = 0.02**2 + 0.069**2 + 0.03**2 + 0.007**2 + excursion**2
    other = 0.05**2 + 0.1382**2 + 0.01**2 + 0.005**2
    np.testing.assert_allclose(found.normal_km, np.sqrt(own + other), rtol=1e-14)


def test_four_uniforms_are_a_cubic_spline():
    # Closed form: Irwin and Hall's density of the sum of four equal uniform terms.
    half = 0.05
    way = half * 3.0 * np.pi
    found = difference(("bounded", 50.0, 0.0, 0.0, 0.0, way))
    np.testing.assert_allclose(found.support_km, 4.0 * half, rtol=1e-14)
    x = np.array([-0.19, -0.11, 0.0, 0.03, 0.1, 0.17, 0.21])
    expected = stats.irwinhall(4, loc=-4.0 * half, scale=2.0 * half).pdf(x)
    np.testing.assert_allclose(found.density(x), expected, rtol=1e-3, atol=1e-5)
    np.testing.assert_allclose(found.density(x[1:5]), expected[1:5], rtol=2e-5)


def test_knowledge_makes_a_bounded_tail_normal():
    # Closed form: a uniform term and a normal one, whose tail goes on beyond the bound.
    found = difference(("bounded", 80.0, 0.0, 12.0), ("bounded", 0.0, 0.0, 5.0, 0.0))
    assert found.support_km == np.inf and found.bounded_support_km == pytest.approx(0.08)
    x = np.array([0.0, 0.08, 0.12, 0.2])
    sigma = 0.013
    expected = (stats.norm.sf((x - 0.08) / sigma) - stats.norm.sf((x + 0.08) / sigma)) / 0.16
    np.testing.assert_allclose(found.density(x), expected, rtol=1e-9)
