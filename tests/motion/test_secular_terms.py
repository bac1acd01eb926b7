"""Secular terms of J2 cubed and of J2 times another zonal: against their derivation and against periodic orbits."""

import numpy as np
import pytest
from scipy.optimize import brentq

from shells.motion.kernels import means_from_states
from shells.motion.periodic import kernels as meridian
from shells.motion.ripple.kernels import secular_terms
from shells.motion.ripple.make_secular_terms import bracket, brouwer_generator, zonal_hamiltonians
from shells.motion.ripple.make_secular_terms import secular_terms as derived_terms
from tests.motion.test_ripple_zonals import averaged_hamiltonian
from tests.truth import MU, RADIUS, ZONALS


def field(j2, **others):
    zonals = np.zeros(16)
    zonals[2] = j2
    for name, value in others.items():
        zonals[int(name[1:])] = value
    return zonals


def terms(a, i, zonals):
    """Return rates of perigee and node, and the forced rate."""
    return np.array(secular_terms(a, np.cos(i), np.sin(i), MU, RADIUS, zonals))


def in_hamiltonian(series, el, z, sine):
    """Return the value of a mean series [mu = radius = 1] at (Z, S)."""
    scaled = z / np.sqrt(el)
    total = sum(
        float(value) * scaled**a * np.conj(scaled) ** b * sine**q for (_, a, b, q), value in series.terms.items()
    )
    return el**series.weight * total.real


def test_published_second_order_comes_out_of_the_derivation():
    # published: Brouwer 1959, F2* (from memory), which is even in J2; what is left out is of the order e^6
    oblateness = zonal_hamiltonians(2, 6)[2]
    second = bracket(oblateness + oblateness.mean(), brouwer_generator(oblateness, 6), 6).mean()
    a, e, i, perigee = 1.13 * RADIUS, 0.01, 0.83, 0.61
    el, eta = np.sqrt(MU * a), np.sqrt(1.0 - e * e)
    swing, polar = np.sqrt(2.0 * el * (1.0 - eta)), el * eta * np.cos(i)
    actions = np.array([el, swing * np.cos(perigee), swing * np.sin(perigee), polar])
    both = [averaged_hamiltonian(actions, field(j2)) for j2 in (1e-3, -1e-3)]
    unit = np.sqrt(MU * RADIUS)
    z = swing / np.sqrt(unit) * np.exp(1j * (perigee - 0.5 * np.pi))
    found = 0.5e-6 * MU / RADIUS * in_hamiltonian(second, el / unit, z, np.sqrt(1.0 - (polar / el) ** 2))
    np.testing.assert_allclose(found, 0.5 * sum(both), rtol=1e-10)


@pytest.mark.parametrize("highest", [8, pytest.param(15, marks=pytest.mark.long)])
def test_coefficients_are_those_derived(highest):
    a, i = 7310.0, 0.97
    z, ratio, n = np.sin(i) ** 2, RADIUS / a, np.sqrt(MU / a**3)
    for degree, rates in derived_terms(highest).items():
        zonals = field(1.1e-3) if degree == 2 else field(1.1e-3, **{f"j{degree}": 3e-6})
        size = n * 1.1e-3 * ratio**2 * ((1.1e-3 * ratio**2) ** 2 if degree == 2 else 3e-6 * ratio**degree)
        rest = 0.0 if degree == 2 else terms(a, i, field(1.1e-3))
        perigee, node, forced = (
            np.polyval([float(value) for value in reversed(row)], z)
            for row in (rates.perigee, rates.node, rates.forced)
        )
        expected = size * np.array([perigee, np.cos(i) * node, np.sin(i) * forced])
        np.testing.assert_allclose(terms(a, i, zonals) - rest, expected, rtol=1e-9, atol=1e-25)


# --- periodic orbits of the full field: exact to all orders ---------------------------------------------------------


def follow(start, polar, zonals, half_turns):
    states = np.zeros((32 * half_turns + 1, 4))
    states[0, :3] = start
    meridian.follow(0.5 * np.pi, np.pi / 32, polar, MU, RADIUS, zonals, states)
    return states


def periodic_orbit(zonals, i):
    """Return states (65, 4) of one turn of the near-circular periodic orbit from its northern apex, and H."""
    momentum = np.sqrt(MU * 7000.0)
    polar = momentum * np.cos(i)
    # even zonals: level at the node, too; with an odd one at the southern apex
    steps = 32 if zonals[3::2].any() else 16

    def closing(e):
        return follow([7000.0 * (1.0 + e), 0.0, momentum], polar, zonals, 1)[steps, 1]

    e = brentq(closing, -0.02, 0.02, xtol=1e-15, rtol=1e-14)
    return follow([7000.0 * (1.0 + e), 0.0, momentum], polar, zonals, 2), polar


def averages(states, polar, zonals):
    """Return L = the action of the closed orbit over 2 pi, and the mean rate of the node."""
    slopes, node = np.empty((64, 4)), np.empty(64)
    for k in range(64):
        angle = 0.5 * np.pi + k * np.pi / 32
        meridian.rates(np.sin(angle), np.cos(angle), states[k], polar, MU, RADIUS, zonals, slopes[k])
        # the argument of latitude turns by h / r^2 less cos i times the node
        node[k] = (states[k, 2] / states[k, 0] ** 2 * slopes[k, 3] - 1.0) * states[k, 2] / polar
    el = np.mean(states[:64, 1] * slopes[:, 0] + states[:64, 2])
    return el, 2.0 * np.pi * node.mean() / states[64, 3]


def perigee_turn(states, polar, zonals):
    """Return how far the eccentricity vector turns in a revolution: the phase of the linearised return map."""
    columns = []
    for size in np.diag([1e-3 * states[0, 0], 1e-3 * states[0, 2], 1e-3 * states[0, 2]]):
        size = size * np.array([1.0, 1.0 / states[0, 0], 1.0])
        ends = [follow(states[0, :3] + k * size, polar, zonals, 2)[64, :3] for k in (-2, -1, 1, 2)]
        columns.append((ends[0] - 8.0 * ends[1] + 8.0 * ends[2] - ends[3]) / 12.0 / size.max())
    return np.abs(np.angle(np.linalg.eigvals(np.array(columns).T))).max()


def averaged(el, polar, zonals):
    """Return second derivatives by X and Y, and the first by Y and by H, of the averaged Hamiltonian at e = 0."""
    step = 0.004 * np.sqrt(el)

    def at(x, y, h=0.0):
        return averaged_hamiltonian(np.array([el, x, y, polar + h]), zonals)

    def second(values):
        return (-values[0] + 16.0 * values[1] - 30.0 * values[2] + 16.0 * values[3] - values[4]) / (12.0 * step**2)

    places = step * np.arange(-2, 3)
    xx, yy = second([at(x, 0.0) for x in places]), second([at(0.0, y) for y in places])
    y = [at(0.0, y) for y in places]
    h = [at(0.0, 0.0, 1e-3 * el * k) for k in (-2, -1, 1, 2)]
    by_y = (y[0] - 8.0 * y[1] + 8.0 * y[3] - y[4]) / (12.0 * step)
    by_h = (h[0] - 8.0 * h[1] + 8.0 * h[2] - h[3]) / (12.0 * 1e-3 * el)
    return xx, yy, by_y, by_h


def left_over(zonals, i):
    """Return what the averaged Hamiltonian leaves of the exact rates of perigee and node, with a and i [km], [rad]."""
    states, polar = periodic_orbit(zonals, i)
    el, node = averages(states, polar, zonals)
    xx, yy, _, by_h = averaged(el, polar, zonals)
    turning = -np.sign(xx) * np.sqrt(xx * yy)
    exact = np.sign(turning) * perigee_turn(states, polar, zonals) / states[64, 3]
    return np.array([exact - turning, node - by_h]), el * el / MU, np.arccos(polar / el)


def limit(ratios):
    """Return the ratio at J2 = 0 from those at some J2 and at half of it."""
    return 2.0 * ratios[1] - ratios[0]


SIZES = (2e-3, 1e-3)


@pytest.mark.parametrize("i", [0.31, 0.83, 1.27, 2.4])
def test_j2_cubed_against_the_return_map(i):
    # other method: the exact rates less those of lower order, over the terms, are one but for the next power of J2
    ratios = []
    for j2 in SIZES:
        left, a, mean_i = left_over(field(j2), i)
        ratios.append(left / terms(a, mean_i, field(j2))[:2])
    np.testing.assert_allclose(limit(ratios), 1.0, atol=5e-3)


@pytest.mark.parametrize("degree", [4, 6, 8, 10, 12, 14])
@pytest.mark.parametrize("i", [0.31, 0.83, 2.63])
def test_even_zonals_against_the_return_map(degree, i):
    ratios = []
    for j2 in SIZES:
        left, found = np.zeros(2), np.zeros(2)
        for sign in (1.0, -1.0):
            zonals = field(j2, **{f"j{degree}": sign * 0.02 * j2})
            part, a, mean_i = left_over(zonals, i)
            left += sign * part
            found += sign * terms(a, mean_i, zonals)[:2]
        ratios.append(left / found)
    np.testing.assert_allclose(limit(ratios), 1.0, atol=5e-3)


def mean_eccentricity(states, polar, zonals):
    """Return the average of e sin(perigee) of the mean elements along a periodic orbit."""
    angle = 0.5 * np.pi + np.arange(64) * np.pi / 32
    r, radial, momentum = states[:64, :3].T
    cos_i = polar / momentum
    sin_i = np.sqrt(1.0 - cos_i**2)
    outward = np.array([np.cos(angle), np.sin(angle) * cos_i, np.sin(angle) * sin_i])
    along = np.array([-np.sin(angle), np.cos(angle) * cos_i, np.cos(angle) * sin_i])
    osculating = np.concatenate([r * outward, radial * outward + momentum / r * along]).T
    means = np.empty((64, 6))
    means_from_states(np.ascontiguousarray(osculating), MU, RADIUS, zonals, means)
    return means[:, 2].mean()


def frozen_eccentricity(el, polar, zonals, *, complete):
    """Return e sin(perigee) at which the averaged motion rests, with or without the terms."""
    _, by_yy, by_y, _ = averaged(el, polar, zonals)
    forced, turning = by_y / np.sqrt(el), -by_yy
    perigee, _, more = terms(el * el / MU, np.arccos(polar / el), zonals)
    return (forced + more) / (turning + perigee) if complete else forced / turning


@pytest.mark.parametrize("degree", [3, 5, 7, 9, 11, 13, 15])
@pytest.mark.parametrize("i", [0.31, 1.18, 2.63])
def test_odd_zonals_against_frozen_orbits(degree, i):
    ratios = []
    for j2 in SIZES:
        zonals = field(j2, **{f"j{degree}": 1e-4 * j2})
        states, polar = periodic_orbit(zonals, i)
        el, _ = averages(states, polar, zonals)
        without = frozen_eccentricity(el, polar, zonals, complete=False)
        change = frozen_eccentricity(el, polar, zonals, complete=True) - without
        ratios.append((mean_eccentricity(states, polar, zonals) - without) / change)
    np.testing.assert_allclose(limit(ratios), 1.0, atol=5e-3)


@pytest.mark.parametrize("i", [0.31, 0.83, 1.27, 1.72])
def test_frozen_eccentricity_of_the_earth(i):
    # other method: the exact frozen orbit; without the terms up to 8e-7 is missing
    states, polar = periodic_orbit(ZONALS, i)
    el, _ = averages(states, polar, ZONALS)
    found = frozen_eccentricity(el, polar, ZONALS, complete=True)
    assert abs(found - mean_eccentricity(states, polar, ZONALS)) < 2e-8


def test_terms_of_the_mirrored_inclination():
    # property: the field is symmetric about the equator plane and does not turn
    perigee, node, forced = terms(7310.0, 0.97, ZONALS)
    np.testing.assert_allclose(terms(7310.0, np.pi - 0.97, ZONALS), [perigee, -node, forced], rtol=1e-10)
