"""The reference integrator against values from elsewhere: a frozen orbit computed with other code, and sgp4."""

import numpy as np
from scipy.optimize import brentq
from sgp4.api import WGS72, Satrec

from shells.motion.forces import Forces
from shells.motion.numerical.reference import integrate_states, no_tesserals

EPOCH = np.datetime64("2025-03-20T00:00:00", "ns")
FREE = np.array([[0.02, 0.013]])
ONLY_ZONALS = Forces(drag=False, sun=False, moon=False, radiation=False)


def test_frozen_orbit_from_apex_to_node():
    # Computed independently with other code (DOP853, rtol 1e-13), zonals 2 to 7 of EGM96, mu = 398600.4418 km3/s2,
    # R = 6378.1363 km: 550 km, 53 deg. Digits as given, hence the tolerances.
    zonals = np.zeros(16)
    zonals[2:8] = [
        1.0826266836e-3, -2.5326564853e-6, -1.6196215914e-6, -2.2729608287e-7, 5.4068123911e-7, -3.5235990842e-7,
    ]  # fmt: skip
    mu = 398600.4418
    model = ONLY_ZONALS.model(EPOCH, 1e4)._replace(mu=mu, radius=6378.1363, zonals=zonals)
    latitude = np.radians(53.0)
    apex = [6920.349741457 * np.cos(latitude), 0.0, 6920.349741457 * np.sin(latitude), 0.0, 7.590506186995, 0.0]

    def at(time):
        return integrate_states(np.array([apex]), FREE, np.array([0.0, time]), model, no_tesserals())[0][0, 1]

    # southwards after a quarter of an orbit, northwards after three
    node = brentq(lambda time: at(time)[2], 4000.0, 4600.0, xtol=1e-9)
    again = brentq(lambda time: at(time)[2], 9700.0, 10400.0, xtol=1e-9)
    np.testing.assert_allclose(again - node, 5735.972302, rtol=0.0, atol=2e-6)

    state = at(node)
    place, velocity = state[:3], state[3:]
    r = np.linalg.norm(place)
    outwards = place / r
    momentum = np.cross(place, velocity)
    eccentricity = np.cross(velocity, momentum) / mu - outwards
    ahead = np.cross(momentum, outwards) / np.linalg.norm(momentum)
    np.testing.assert_allclose(r, 6929.147796565, rtol=0.0, atol=2e-8)
    np.testing.assert_allclose(velocity @ outwards, -7.427072940e-3, rtol=0.0, atol=2e-11)
    np.testing.assert_allclose(1.0 / (2.0 / r - velocity @ velocity / mu), 6934.640983004, rtol=0.0, atol=2e-8)
    np.testing.assert_allclose(eccentricity @ outwards, 7.91178e-4, rtol=0.0, atol=1e-9)
    np.testing.assert_allclose(eccentricity @ ahead, 9.79626e-4, rtol=0.0, atol=1e-9)
    inclination = np.degrees(np.arccos(momentum[2] / np.linalg.norm(momentum)))
    np.testing.assert_allclose(inclination, 53.037925861, rtol=0.0, atol=2e-9)


def test_sgp4_over_a_day():
    # Other method: sgp4 without drag, from its own state, in its own field (WGS-72: mu, R, J2 to J4; Spacetrack Report
    # 3). Its short-period terms are of first order, so that its state misplaces the semi-major axis by some J2^2 a =
    # 8 m times a few, and 30 m grow to 4 km along track in a day; across the track there is no such growth.
    satellite = Satrec()
    satellite.sgp4init(
        WGS72, "i", 7, 27000.0, 0.0, 0.0, 0.0, 0.0031, 1.1, np.radians(53.1), 0.7, 2.0 * np.pi / 96.3, 2.2
    )
    zonals = np.zeros(16)
    zonals[2:5] = satellite.j2, satellite.j3, satellite.j4
    model = ONLY_ZONALS.model(EPOCH, 86400.0)
    model = model._replace(mu=satellite.mu, radius=satellite.radiusearthkm, zonals=zonals)
    times = np.linspace(0.0, 86400.0, 200)
    expected = np.array([np.concatenate(satellite.sgp4_tsince(time / 60.0)[1:]) for time in times])
    found = integrate_states(expected[:1], FREE, times, model, no_tesserals())[0][0]
    apart = found[:, :3] - expected[:, :3]
    momentum = np.cross(expected[:, :3], expected[:, 3:])
    across = np.abs(np.sum(apart * momentum, axis=1)) / np.linalg.norm(momentum, axis=1)
    assert np.linalg.norm(apart, axis=1).max() < 6.0
    assert across.max() < 0.1
