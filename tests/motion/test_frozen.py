"""Frozen orbits: the closed form against its limits and itself, the periodic orbit against an independent integration;
published values are in tests/published.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial import legendre

from shells.constants import GRAVITATIONAL_PARAMETER, REFERENCE_RADIUS, zonal_coefficients
from shells.errors import InputError
from shells.motion import arrays
from shells.motion.forces import Forces
from shells.motion.frozen import (
    frozen_eccentricity,
    frozen_gap,
    frozen_orbit,
    frozen_radius,
    is_near_critical,
    standing_eccentricity,
)
from shells.motion.periodic.kernels import follow
from shells.motion.periodic.orbits import frozen_orbits
from shells.motion.shape import semi_major_axis
from tests import truth
from tests.populations import EPOCH

RADIUS = 7578.0
MU = GRAVITATIONAL_PARAMETER.value


def test_degree_three_is_the_textbook_form():
    # Closed form: -(J3 / 2 J2)(R / a) sin i, exactly, at every inclination.
    inclination = np.array([0.0, 20.0, 60.0, 87.9, 90.0, 98.0, 130.0])
    zonals = zonal_coefficients()
    expected = -0.5 * zonals[3] / zonals[2] * REFERENCE_RADIUS.value / RADIUS * np.sin(np.radians(inclination))
    np.testing.assert_allclose(frozen_eccentricity(RADIUS, inclination, 3), expected, rtol=1e-13, atol=1e-18)


def test_slow_twin_by_fourier_transform():
    # Slow twin: the Fourier coefficients of P_n(s sin u) by sampling, the slope of c_0 by differences.
    def coefficients(n, s):
        u = 2.0 * np.pi * np.arange(64) / 64
        transform = np.fft.rfft(legendre.Legendre.basis(n)(s * np.sin(u))) / 64
        return transform[0].real, -2.0 * transform[1].imag, 2.0 * transform[2].real

    i, zonals = np.radians(55.0), zonal_coefficients()
    forcing = stiffness = 0.0
    for n in range(2, 16):
        strength = zonals[n] * (REFERENCE_RADIUS.value / RADIUS) ** n
        c0, b1, c2 = coefficients(n, np.sin(i))
        slope = (coefficients(n, np.sin(i + 1e-5))[0] - coefficients(n, np.sin(i - 1e-5))[0]) / 2e-5
        x2 = (n - 1) * (n - 2) / 8.0
        if n % 2:
            forcing += strength * b1 * (n - 1) / 2.0
        else:
            stiffness += strength * (-2.0 * c0 * (n - 0.5 + 2.0 * x2) + slope / np.tan(i) + 2.0 * c2 * x2)
    np.testing.assert_allclose(frozen_eccentricity(RADIUS, 55.0), forcing / stiffness, rtol=1e-8)


@given(st.floats(6600.0, 8400.0), st.floats(0.0, 61.0))
def test_symmetric_about_the_poles(radius, inclination):
    # Property: zonals know no direction of motion.
    np.testing.assert_allclose(
        frozen_eccentricity(radius, inclination),
        frozen_eccentricity(radius, 180.0 - inclination),
        rtol=1e-9,
        atol=1e-15,
    )


def test_mean_of_the_radius_is_the_mean_radius():
    # Closed form: the mean over the argument of latitude, by equal steps.
    u = np.arange(0.0, 360.0, 5.0)
    np.testing.assert_allclose(frozen_radius(u, RADIUS, 87.9).mean(), RADIUS, rtol=1e-14)


def test_gap_is_the_difference_of_the_radii_at_equal_latitude():
    # Other method: the two orbits evaluated at the arguments of latitude where they cross the latitude.
    latitude = np.array([-50.0, -3.0, 0.0, 20.0, 52.0])
    u_1 = np.degrees(np.arcsin(np.sin(np.radians(latitude)) / np.sin(np.radians(53.0))))
    u_2 = np.degrees(np.arcsin(np.sin(np.radians(latitude)) / np.sin(np.radians(70.0))))
    gap = frozen_gap(
        latitude, lower_radius_km=6928.0, lower_inclination_deg=53.0, upper_radius_km=6938.0, upper_inclination_deg=70.0
    )
    expected = frozen_radius(180.0 - u_2, 6938.0, 70.0) - frozen_radius(u_1, 6928.0, 53.0)
    np.testing.assert_allclose(gap, expected, rtol=0, atol=1e-9)


def test_gap_where_an_orbit_does_not_reach():
    # Limits: NaN above the lower inclination, a value at the apex itself; an equatorial orbit has one at the equator.
    pair = {"lower_radius_km": 6928.0, "upper_radius_km": 6938.0, "upper_inclination_deg": 80.0}
    gap = frozen_gap([53.0, 53.1, -53.1], lower_inclination_deg=53.0, **pair)
    assert np.isfinite(gap).tolist() == [True, False, False]
    flat = frozen_gap([0.0, 1.0], lower_inclination_deg=0.0, **pair)
    assert np.isfinite(flat).tolist() == [True, False]


def test_near_critical():
    # Limits: 63.4349 and 116.5651 deg, 2 deg to either side.
    inclination = [61.4, 61.5, 63.4349, 65.4, 65.5, 114.5, 114.6, 116.5651, 118.5, 118.6]
    assert is_near_critical(inclination).tolist() == [False, True, True, True, False] * 2


def test_errors():
    message = (
        "frozen_eccentricity: inclination 63.0000, 117.0000 deg found (2 of 3 values); the linear theory holds at "
        "least 2.0 deg away from 63.4349 and 116.5651 deg; use frozen_orbit, or move the inclination"
    )
    with pytest.raises(InputError) as error:
        frozen_eccentricity(RADIUS, [63.0, 53.0, 117.0])
    assert str(error.value) == message
    with pytest.raises(InputError, match=r"^frozen_eccentricity: degree 16 found; allowed: 3 to 15$"):
        frozen_eccentricity(RADIUS, 53.0, 16)


def test_two_bodies():
    # Closed form: without zonals the orbit is a Keplerian ellipse, r = p / (1 + e cos f), and its time follows from
    # Kepler's equation; perigee at 40 deg, 12 steps of 3 deg backwards from 70 deg.
    p, e, perigee = 7100.0, 0.09, np.radians(40.0)
    u = np.radians(70.0 - 3.0 * np.arange(13))
    momentum = np.sqrt(MU * p)
    states = np.empty((13, 4))
    states[0] = p / (1.0 + e * np.cos(u[0] - perigee)), MU / momentum * e * np.sin(u[0] - perigee), momentum, 0.0
    follow(u[0], u[1] - u[0], momentum * np.cos(0.7), MU, REFERENCE_RADIUS.value, np.zeros(16), states)
    anomaly = 2.0 * np.arctan(np.sqrt((1.0 - e) / (1.0 + e)) * np.tan(0.5 * (u - perigee)))
    time = (anomaly - e * np.sin(anomaly)) / np.sqrt(MU / (p / (1.0 - e**2)) ** 3)
    np.testing.assert_allclose(states[:, 0], p / (1.0 + e * np.cos(u - perigee)), rtol=1e-13)
    np.testing.assert_allclose(states[:, 1], MU / momentum * e * np.sin(u - perigee), rtol=0, atol=1e-13)
    np.testing.assert_allclose(states[:, 3], time - time[0], rtol=0, atol=1e-10)


def test_energy_is_conserved():
    # Closed form: energy of the zonal field over 100 revolutions of a slightly eccentric orbit, rounding only.
    i, momentum = np.radians(53.0), np.sqrt(MU * 6950.0)
    polar, zonals = momentum * np.cos(i), zonal_coefficients()
    states = np.empty((6401, 4))
    states[0] = 6900.0, 0.03, momentum, 0.0
    follow(0.3, np.pi / 32, polar, MU, REFERENCE_RADIUS.value, zonals.copy(), states)
    r, radial, momentum = states[:, :3].T
    x = np.sqrt(1.0 - (polar / momentum) ** 2) * np.sin(0.3 + np.pi / 32 * np.arange(6401))
    series = [legendre.Legendre.basis(n)(x) * zonals[n] * (REFERENCE_RADIUS.value / r) ** n for n in range(2, 16)]
    energy = 0.5 * (radial**2 + (momentum / r) ** 2) - MU / r * (1.0 - np.sum(series, axis=0))
    np.testing.assert_allclose(energy, energy[0], rtol=3e-13)


@pytest.mark.parametrize(
    ("radius", "inclination"), [(6928.0, 53.0), (7578.0, 63.3), (6928.0, 63.6), (7178.0, 116.4), (7578.0, 89.9)]
)
def test_closes_under_independent_integration(radius, inclination):
    # Other method: scipy's DOP853 in Cartesian coordinates over one nodal period from the descending node, tolerance
    # 1e-11. The node is passed again with the same state but for the node itself, and the radius on the way is the
    # Fourier series at the osculating argument of latitude.
    orbit = frozen_orbit(radius, inclination)
    start = np.concatenate(orbit.state(180.0))
    path = truth.integrate(start, np.linspace(0.0, orbit.nodal_period_s, 181))
    position, velocity = path[:3], path[3:]
    r = np.sqrt((position**2).sum(axis=0))
    radial = (position * velocity).sum(axis=0) / r
    np.testing.assert_allclose(position[2, -1], 0.0, rtol=0, atol=2e-5)
    np.testing.assert_allclose(r[-1], r[0], rtol=0, atol=2e-6)
    np.testing.assert_allclose(radial[-1], radial[0], rtol=0, atol=2e-9)
    pole = np.cross(position.T, velocity.T)
    pole /= np.linalg.norm(pole, axis=1)[:, None]
    node = np.stack([-pole[:, 1], pole[:, 0], np.zeros(181)], axis=1)
    u = np.arctan2((np.cross(pole, node) * position.T).sum(axis=1), (node * position.T).sum(axis=1))
    np.testing.assert_allclose(orbit.radius(np.degrees(u)), r, rtol=0, atol=2e-6)
    latitude = np.degrees(np.arcsin(position[2] / r))
    np.testing.assert_allclose(orbit.surface(latitude), r, rtol=0, atol=5e-6)


def test_means_are_those_asked_for():
    # Closed form: means over the argument of latitude, and the coefficient of sin u, by equal steps.
    orbit = frozen_orbit(6928.0, 63.3)
    u = np.arange(0.0, 360.0, 5.0)
    np.testing.assert_allclose(orbit.radius(u).mean(), 6928.0, rtol=1e-12)
    sine = 2.0 * np.mean(orbit.radius(u) * np.sin(np.radians(u)))
    np.testing.assert_allclose(-sine / 6928.0, orbit.eccentricity, rtol=1e-10)


@settings(max_examples=25)
@given(st.floats(6700.0, 8400.0), st.floats(26.0, 58.0) | st.floats(70.0, 89.0))
def test_periodic_orbit_agrees_with_linear_theory(radius, inclination):
    # Other method, at its own accuracy: terms of J2 squared are left out; and zonals know no direction of motion.
    found = frozen_orbit(radius, inclination).eccentricity
    np.testing.assert_allclose(found, frozen_eccentricity(radius, inclination), rtol=0, atol=2.5e-6)
    np.testing.assert_allclose(frozen_orbit(radius, 180.0 - inclination).eccentricity, found, rtol=0, atol=1e-10)


def test_near_the_critical_inclination():
    # Property, independent of how solutions are found: the eccentricity passes through infinity, not through zero, so
    # that it grows to either side of a gap, perigee at 90 deg below it and at 270 deg above.
    below = [frozen_orbit(6928.0, i).eccentricity for i in (62.0, 62.5, 63.0, 63.2, 63.3, 63.35)]
    above = [frozen_orbit(6928.0, i).eccentricity for i in (66.0, 65.0, 64.0, 63.7, 63.6, 63.51)]
    assert (np.diff([0.0, *below]) > 0.0).all()
    assert (np.diff([0.0, *above]) < 0.0).all()
    assert below[-1] > 0.04
    assert above[-1] < -0.04
    for inclination in (63.37, 63.43, 63.49, 116.57):
        assert frozen_orbits(6928.0, inclination, 15) == []


def test_two_orbits_next_to_the_critical_inclination():
    # Property: to degree 3 a second, more eccentric orbit meets the first and both vanish within 0.001 deg.
    first, second = frozen_orbits(RADIUS, 63.436, 3)
    assert 0.003 < first.eccentricity < 0.02 < second.eccentricity
    assert frozen_orbits(RADIUS, 63.437, 3) == []


def test_perigee_can_be_asked_for():
    assert frozen_orbit(6928.0, 53.0, perigee=90).eccentricity > 0.0
    assert frozen_orbit(6928.0, 64.0, perigee=270).eccentricity < 0.0


def test_state_goes_both_ways_round():
    # Symmetry: the southern apex is the same by either half of the orbit, the ascending node mirrors the descending.
    orbit = frozen_orbit(6928.0, 64.0)
    np.testing.assert_allclose(np.concatenate(orbit.state(270.0)), np.concatenate(orbit.state(-90.0)), atol=1e-8)
    (ascending, up), (descending, down) = orbit.state(0.0), orbit.state(180.0)
    np.testing.assert_allclose(ascending, -descending, rtol=0, atol=1e-8)
    np.testing.assert_allclose(up, down * [1.0, -1.0, -1.0], rtol=0, atol=1e-11)


def test_surface_ends_at_the_apexes():
    orbit = frozen_orbit(6928.0, 53.0)
    apex = orbit.inclination_harmonics_deg.sum()
    found = orbit.surface([apex, apex + 1e-6, -60.0])
    np.testing.assert_allclose(found[0], orbit.radius(90.0), rtol=1e-12)
    assert np.isfinite(found).tolist() == [True, False, False]


def test_gap_next_to_a_critical_inclination():
    # Other method: the two surfaces; the upper one by linear theory is within 15 m of its periodic orbit.
    latitude = np.array([-50.0, -3.0, 20.0, 52.0, 58.0])
    gap = frozen_gap(
        latitude, lower_radius_km=6928.0, lower_inclination_deg=63.0, upper_radius_km=6938.0, upper_inclination_deg=53.0
    )
    expected = frozen_orbit(6938.0, 53.0).surface(latitude) - frozen_orbit(6928.0, 63.0).surface(latitude)
    np.testing.assert_allclose(gap, expected, rtol=0, atol=0.015)
    assert np.isnan(gap[-1])


def test_errors_of_the_periodic_orbit():
    with pytest.raises(InputError) as error:
        frozen_orbit(6000.0, 0.5, 16, perigee=80)
    assert str(error.value) == (
        "frozen_orbit: arguments cannot be used:\n"
        "  - mean_radius_km: 6000.0 found; allowed: more than 6378.1363\n"
        "  - inclination_deg: 0.5 found; allowed: 1 to 179; nearer to the equator use frozen_eccentricity\n"
        "  - degree: 16 found; allowed: 3 to 15\n"
        "  - perigee: 80 found; allowed: 90, 270 or none"
    )
    with pytest.raises(InputError) as error:
        frozen_orbit(6928.0, 63.42)
    assert str(error.value) == (
        "frozen_orbit: no frozen orbit of eccentricity up to 0.05 found at mean radius 6928.000 km and inclination "
        "63.4200 deg, zonals to 15; linear theory would demand 0.506; move the inclination 0.1 deg or more away from "
        "63.4349 and 116.5651 deg"
    )
    with pytest.raises(InputError) as error:
        frozen_orbit(6928.0, 53.0, perigee=270)
    assert str(error.value) == (
        "frozen_orbit: the frozen orbit at mean radius 6928.000 km and inclination 53.0000 deg, zonals to 15, has its "
        "perigee at 90 deg (eccentricity 0.001028); leave out perigee, or move the inclination"
    )


@pytest.mark.parametrize("inclination", [12.0, 53.0, 61.4, 65.5, 87.0, 98.6, 144.0])
def test_standing_eccentricity_stands_still(inclination):
    radius = 7178.0
    e = float(standing_eccentricity(radius, inclination))
    row = np.array([[float(semi_major_axis(radius, inclination)), 0.0, e, np.radians(inclination), 0.7, 0.4]])
    forces = Forces(drag=False, sun=False, moon=False, radiation=False)
    times = np.linspace(0.0, 5.0 * 365.25 * 86400.0, 60)
    values, _, _ = arrays.integrate(row, np.zeros((1, 2)), times, epoch=EPOCH, forces=forces)
    wander = radius * np.hypot(values[0, :, 1], values[0, :, 2] - e)
    assert wander.max() < 1e-3
    # the periodic orbit's harmonic and inclination are averages over the argument of latitude
    assert abs(e - frozen_orbit(radius, inclination).eccentricity) < 1.5e-6
