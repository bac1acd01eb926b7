"""Secular J2 rates: limits and errors; published values are in tests/published/test_fleet.py."""

import numpy as np
import pytest

from shells.errors import InputError
from shells.motion.secular import j2_rates, nodal_period, sun_synchronous_inclination

FIELD = {"mu": 398600.4418, "radius": 6378.137, "j2": 1.08262668e-3}


def test_no_oblateness_is_kepler():
    # Limit: J2 = 0 leaves the Keplerian period and no rates.
    rates = j2_rates(7000.0, 0.1, 50.0, mu=398600.4418, radius=6378.137, j2=0.0)
    assert all(rate == 0.0 for rate in rates)
    period = nodal_period(7000.0, 0.1, 50.0, mu=398600.4418, radius=6378.137, j2=0.0)
    np.testing.assert_allclose(period, 2.0 * np.pi * np.sqrt(7000.0**3 / 398600.4418), rtol=1e-14)


def test_zeros_of_the_rates():
    # Closed form: the node stands still over the poles, the perigee at the critical inclination.
    assert abs(j2_rates(7000.0, 0.1, 90.0, **FIELD).node) < 1e-14
    critical = np.degrees(np.arcsin(np.sqrt(0.8)))
    assert abs(j2_rates(7000.0, 0.1, critical, **FIELD).perigee) < 1e-14


def test_eccentricity_enters_by_the_parameter():
    # Closed form: node and perigee rates go with (1 - e^2)^-2, the mean anomaly's with (1 - e^2)^-3/2.
    circular, eccentric = (j2_rates(8000.0, e, 40.0, **FIELD) for e in (0.0, 0.3))
    np.testing.assert_allclose(eccentric.node / circular.node, 0.91**-2, rtol=1e-14)
    np.testing.assert_allclose(eccentric.perigee / circular.perigee, 0.91**-2, rtol=1e-14)
    np.testing.assert_allclose(eccentric.mean_anomaly / circular.mean_anomaly, 0.91**-1.5, rtol=1e-14)


def test_inclination_is_the_inverse_of_the_node_rate():
    # Property: turning with the rate found.
    a = np.array([6800.0, 7500.0, 9000.0])
    node = j2_rates(a, 0.02, sun_synchronous_inclination(a, 0.02, **FIELD), **FIELD).node
    np.testing.assert_allclose(node, 360.0 / 365.2421897, rtol=1e-13)


def test_error():
    fastest = -j2_rates(13000.0, 0.0, 0.0, **FIELD).node
    message = (
        "sun_synchronous_inclination: a node rate of 1.0 deg/day found; at semi-major axis up to 13000.0 km only "
        "rates up "
        f"to {fastest:.6f} deg/day exist; lower the orbit"
    )
    with pytest.raises(InputError) as error:
        sun_synchronous_inclination([7000.0, 13000.0], node_rate_deg_day=1.0, **FIELD)
    assert str(error.value) == message
