"""Frozen orbits: the closed form against its limits and against itself; published values are in tests/published."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.polynomial import legendre

from shells.constants import REFERENCE_RADIUS, zonal_coefficients
from shells.errors import InputError
from shells.motion.frozen import frozen_eccentricity, frozen_gap, frozen_radius, is_near_critical

RADIUS = 7578.0


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
        "least "
        "2.0 deg away from 63.4349 and 116.5651 deg; move the inclination"
    )
    with pytest.raises(InputError) as error:
        frozen_eccentricity(RADIUS, [63.0, 53.0, 117.0])
    assert str(error.value) == message
    with pytest.raises(InputError, match=r"^frozen_eccentricity: degree 16 found; allowed: 3 to 15$"):
        frozen_eccentricity(RADIUS, 53.0, 16)
