"""The reference integrator against closed forms, conserved quantities, and scipy's DOP853 on equations written anew."""

import csv
from functools import partial
from importlib.resources import files
from math import factorial

import astropy.units as u
import erfa
import mpmath
import numpy as np
import pytest
from astropy.coordinates import GCRS, TETE, get_body_barycentric
from astropy.time import Time
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicHermiteSpline
from scipy.special import lpmv

from shells import constants, reference
from shells.errors import InputError, SchemaError
from shells.motion import atmosphere
from shells.motion.averaged.kernels import body_at
from shells.motion.bodies import SPACING, sun_and_moon
from shells.motion.forces import Forces
from shells.motion.numerical import kernels
from shells.motion.numerical.reference import (
    greenwich_angle,
    integrate_states,
    no_tesserals,
    states_in_blocks,
    tesserals_from,
)
from shells.motion.propagation import positions, propagate
from tests.calling import way_to
from tests.populations import EPOCH, objects_of
from tests.truth import MU, RADIUS, zonal_acceleration

DAY = 86400.0
EQUATOR = constants.EQUATORIAL_RADIUS.value
FLATTENING = constants.FLATTENING.value
ROTATION = constants.EARTH_ROTATION_RATE.value
LOW = np.array([[-3122.4, 4711.3, 4021.7, -6.0213, -4.6711, 0.8713]])
PROPERTIES = np.array([[0.031, 0.024]])
NOTHING = {"drag": False, "sun": False, "moon": False, "radiation": False}


def ellipse(a, e, eccentric_anomaly=0.6):
    """Return a state (1, 6) on an ellipse whose plane and perigee lie askew."""
    i, node, perigee = 0.9, 0.4, 1.1
    turn = erfa.rxr(erfa.rz(-node, np.eye(3)), np.eye(3)) @ erfa.rx(-i, np.eye(3)) @ erfa.rz(-perigee, np.eye(3))
    c, s, eta = np.cos(eccentric_anomaly), np.sin(eccentric_anomaly), np.sqrt(1.0 - e * e)
    speed = np.sqrt(MU / a) / (1.0 - e * c)
    return np.concatenate([turn @ [a * (c - e), a * eta * s, 0.0], turn @ [-speed * s, speed * eta * c, 0.0]])[None]


def kepler(state, times):
    """Return positions (n, 3) of two bodies by Lagrange's f and g."""
    place, velocity = state[:3], state[3:]
    r = np.linalg.norm(place)
    a = 1.0 / (2.0 / r - velocity @ velocity / MU)
    motion, cosine, sine = np.sqrt(MU / a**3), 1.0 - r / a, place @ velocity / np.sqrt(MU * a)
    x = motion * times
    for _ in range(50):
        slope = 1.0 - cosine * np.cos(x) + sine * np.sin(x)
        x = x - (x - cosine * np.sin(x) + sine * (1.0 - np.cos(x)) - motion * times) / slope
    f, g = 1.0 - a / r * (1.0 - np.cos(x)), times - (x - np.sin(x)) / motion
    return f[:, None] * place + g[:, None] * velocity


@pytest.mark.parametrize(("a", "e"), [(7003.0, 0.01), (26011.0, 0.7)])
def test_two_bodies_follow_keplers_equation_to_a_millimetre(a, e):
    # closed form; times between the steps try the continuous extension too
    times = np.arange(0.0, DAY + 1.0, 97.0)
    model = Forces(zonal_degree=0, **NOTHING).model(EPOCH, DAY)
    state = ellipse(a, e)
    found, ends = integrate_states(state, PROPERTIES, times, model, no_tesserals())
    assert np.linalg.norm(found[0, :, :3] - kepler(state[0], times), axis=1).max() < 1e-6
    assert np.isnan(ends).all()


def potential(place):
    """Return the potential [km2 s-2] of the zonals at places (n, 3), from numpy's Legendre series."""
    r = np.linalg.norm(place, axis=1)
    series = [-constants.zonal_coefficients()[n] * (RADIUS / r) ** n for n in range(16)]
    sine = place[:, 2] / r
    return MU / r * (1.0 + sum(s * np.polynomial.legendre.legval(sine, np.eye(16)[n]) for n, s in enumerate(series)))


def test_zonals_conserve_energy_and_polar_momentum():
    # property: ten days in an axially symmetric field
    times = np.linspace(0.0, 10.0 * DAY, 400)
    model = Forces(**NOTHING).model(EPOCH, times[-1])
    found, _ = integrate_states(LOW, PROPERTIES, times, model, no_tesserals())
    x, y, z, vx, vy, vz = found[0].T
    energy = 0.5 * (vx**2 + vy**2 + vz**2) - potential(np.stack([x, y, z], axis=1))
    polar = x * vy - y * vx
    np.testing.assert_allclose(energy, energy[0], rtol=1e-11)
    np.testing.assert_allclose(polar, polar[0], rtol=1e-11)


def coefficients():
    """Return rows (n, m, C, S) of EGM96 without the normalisation, tesserals only."""
    with (files("shells.motion") / "gravity_egm96.csv").open() as lines:
        for row in csv.DictReader(line for line in lines if not line.startswith("#")):
            n, m = int(row["n"]), int(row["m"])
            scale = np.sqrt(2 * (2 * n + 1) * factorial(n - m) / factorial(n + m))
            if 0 < m <= n <= 8:
                yield n, m, scale * float(row["C"]), scale * float(row["S"])


_N, _M, _C, _S = np.array(list(coefficients())).T


def tesseral_acceleration(place, angle):
    """Return the acceleration (3,) by the tesserals: the gradient in spherical coordinates, singular at the poles."""
    r, across = np.linalg.norm(place), np.hypot(place[0], place[1])
    sine, cosine = place[2] / r, across / r
    longitude = np.arctan2(place[1], place[0]) - angle
    phase = (-1.0) ** _M  # scipy's functions have the phase of Condon and Shortley
    legendre = phase * lpmv(_M, _N, sine)
    by_latitude = ((_N + _M) * phase * lpmv(_M, _N - 1, sine) - _N * sine * legendre) / cosine
    size = MU / r**2 * (RADIUS / r) ** _N
    wave = _C * np.cos(_M * longitude) + _S * np.sin(_M * longitude)
    wave_slope = _M * (_S * np.cos(_M * longitude) - _C * np.sin(_M * longitude))
    outwards, north = -np.sum(size * (_N + 1) * legendre * wave), np.sum(size * by_latitude * wave)
    east = np.sum(size * legendre * wave_slope) / cosine
    cos_l, sin_l = place[0] / across, place[1] / across
    axes = [[cosine * cos_l, cosine * sin_l, sine], [-sine * cos_l, -sine * sin_l, cosine], [-sin_l, cos_l, 0.0]]
    return np.array([outwards, north, east]) @ np.array(axes)


def body_acceleration(place, body, mu):
    apart = body - place
    return mu * (apart / np.linalg.norm(apart) ** 3 - body / np.linalg.norm(body) ** 3)


def outside_shadow(place, sun):
    """Return the distance [km] from the shadow's edge, negative inside; continuous."""
    towards = sun / np.linalg.norm(sun)
    lit_side = place @ towards >= 0.0
    return np.linalg.norm(place if lit_side else np.cross(place, towards)) - EQUATOR


def light_acceleration(sun, strength):
    distance = np.linalg.norm(sun)
    pressure = constants.SOLAR_IRRADIANCE.value / constants.SPEED_OF_LIGHT.value  # N m-2, of km s-1: 1000 times
    au = constants.ASTRONOMICAL_UNIT.value
    return -1e-6 * pressure * strength * (au / distance) ** 2 * sun / distance


def drag_acceleration(place, velocity, ballistic, flux):
    _, _, height = erfa.gc2gde(EQUATOR, FLATTENING, place)
    relative = velocity - np.cross([0.0, 0.0, ROTATION], place)
    air = float(atmosphere.density(height, flux))
    return -500.0 * air * ballistic * np.linalg.norm(relative) * relative


def rates(time, y, lit, forces, tesserals, sun, moon):
    """Return the rates (6,) of a state, by equations written without the library's."""
    place = y[:3]
    total = -MU * place / np.linalg.norm(place) ** 3 + zonal_acceleration(place, forces.zonal_degree)
    if tesserals:
        total += tesseral_acceleration(place, greenwich_angle(EPOCH) + ROTATION * time)
    if forces.sun:
        total += body_acceleration(place, sun(time), constants.SUN_GRAVITATIONAL_PARAMETER.value)
    if forces.moon:
        total += body_acceleration(place, moon(time), constants.MOON_GRAVITATIONAL_PARAMETER.value)
    if forces.radiation and lit:
        total += light_acceleration(sun(time), PROPERTIES[0, 1])
    if forces.drag:
        total += drag_acceleration(place, y[3:], PROPERTIES[0, 0], 140.0)
    return np.concatenate([y[3:], total])


def independent_rates(forces, tesserals):
    tables = sun_and_moon(EPOCH, DAY)
    splines = [CubicHermiteSpline(np.arange(len(t)) * SPACING, t[:, :3], t[:, 3:]) for t in tables]
    return partial(rates, forces=forces, tesserals=tesserals, sun=splines[0], moon=splines[1])


def kernel_acceleration(time, y, properties, model, tesserals, lit=True):
    out = np.empty(6)
    kernels.rates(time, y, lit, properties, 0.0, model, tesserals, np.empty(3), np.empty((10, 10)), out)
    return out[3:]


SINGLE = {
    "tesserals": {"zonal_degree": 15, **NOTHING},
    "zonals": {"zonal_degree": 15, **NOTHING},
    "sun": {"zonal_degree": 0, **NOTHING, "sun": True},
    "moon": {"zonal_degree": 0, **NOTHING, "moon": True},
    "radiation": {"zonal_degree": 0, **NOTHING, "radiation": True},
    "drag": {"zonal_degree": 0, **NOTHING, "drag": True},
}


@pytest.mark.parametrize("force", SINGLE)
def test_acceleration_of_each_force(force):
    # slow twin: each force relative to its own size, at states all around the Earth; what is compared is what it adds
    # to two bodies, so 1e-16 of those is lost
    forces, tesserals = Forces(**SINGLE[force]), force == "tesserals"
    model = forces.model(EPOCH, DAY)
    field = tesserals_from(EPOCH) if tesserals else no_tesserals()
    expected_rates = independent_rates(forces, tesserals)
    random = np.random.default_rng(3)
    for _ in range(50):
        y = np.concatenate([random.normal(size=3), random.normal(size=3)])
        y[:3] *= random.uniform(6600.0, 8800.0) / np.linalg.norm(y[:3])
        y[3:] *= 7.5 / np.linalg.norm(y[3:])
        time = random.uniform(0.0, DAY)
        central = -MU * y[:3] / np.linalg.norm(y[:3]) ** 3
        sun = expected_rates.keywords["sun"](time)
        lit = outside_shadow(y[:3], sun) > 0.0
        assert kernels.in_light(*y[:3], sun, EQUATOR) == lit
        found = kernel_acceleration(time, y, PROPERTIES[0], model, field, lit) - central
        expected = expected_rates(time, y, lit)[3:] - central
        np.testing.assert_allclose(found, expected, rtol=0.0, atol=1e-12 * np.linalg.norm(expected) + 1e-17)


def test_acceleration_by_a_body_keeps_its_digits():
    # other method: the plain difference with 40 digits; double precision would keep 12 of the direct term alone
    place, sun = [-3122.4, 4711.3, 4021.7], [9.1e7, -1.02e8, -4.4e7]
    out = np.zeros(6)
    kernels.add_body(*place, np.array(sun), 1.3e11, out)
    with mpmath.workdps(40):
        apart = [mpmath.mpf(s) - mpmath.mpf(p) for s, p in zip(sun, place, strict=True)]
        near, far = (mpmath.sqrt(sum(x * x for x in v)) ** 3 for v in (apart, [mpmath.mpf(s) for s in sun]))
        expected = [
            float(mpmath.mpf(1.3e11) * (a / near - mpmath.mpf(s) / far)) for a, s in zip(apart, sun, strict=True)
        ]
    np.testing.assert_allclose(out[3:], expected, rtol=1e-14)


def test_the_field_is_regular_at_the_poles():
    # limit: 1 mm beside the pole from both sides, and on it
    model, field = Forces(**NOTHING).model(EPOCH, DAY), tesserals_from(EPOCH)
    sides = [kernel_acceleration(5.0, np.array([x, 0.4 * x, -6900.0, 1, 2, 3.0]), PROPERTIES[0], model, field)
             for x in (-1e-6, 0.0, 1e-6)]  # fmt: skip
    np.testing.assert_allclose(sides[1], 0.5 * (sides[0] + sides[2]), rtol=0.0, atol=1e-17)
    assert np.abs(sides[1][:2]).min() > 1e-9


def scipy_trajectory(forces, tesserals, times):
    """Return states (n, 6) at times from LOW on, by scipy's DOP853, begun anew at each edge of the shadow."""
    acting = independent_rates(forces, tesserals)
    sun = acting.keywords["sun"]

    def edge(time, y, lit):
        return outside_shadow(y[:3], sun(time))

    edge.terminal = True
    state, lit = LOW[0], outside_shadow(LOW[0, :3], sun(0.0)) > 0.0
    found, start = np.empty((times.size, 6)), times[0]
    while start < times[-1]:
        edge.direction = -1.0 if lit else 1.0
        settings = {"method": "DOP853", "rtol": 1e-13, "atol": 1e-11, "events": edge, "dense_output": True}
        part = solve_ivp(acting, (start, times[-1]), state, args=(lit,), **settings)
        here = (times >= start) & (times <= part.t[-1])
        if here.any():
            found[here] = part.sol(times[here]).T
        start, state, lit = part.t[-1], part.y[:, -1], not lit
    return found


def against_scipy(forces, tesserals, span):
    """Return the largest distance [km] between both trajectories."""
    times = np.linspace(0.0, span, 13)
    field = tesserals_from(EPOCH) if tesserals else no_tesserals()
    found, _ = integrate_states(LOW, PROPERTIES, times, forces.model(EPOCH, span), field)
    return np.linalg.norm((found[0] - scipy_trajectory(forces, tesserals, times))[:, :3], axis=1).max()


def test_an_orbit_with_all_forces_agrees_with_scipy():
    # other method; 1e-7 km is ten times what rounding and both tolerances leave
    assert against_scipy(Forces(), True, 6000.0) < 1e-7


@pytest.mark.long
@pytest.mark.parametrize("force", [*SINGLE, "all"])
def test_a_day_agrees_with_scipy(force):
    # other method; errors of a step grow with the square of time
    forces = Forces() if force == "all" else Forces(**SINGLE[force])
    assert against_scipy(forces, force in ("tesserals", "all"), DAY) < 2e-6


def test_heights_agree_with_erfa():
    # other method: erfa.gd2gc, exact in this direction
    for height in (120.0, 550.0, 2000.0, 36000.0, 3e5):
        for latitude in np.radians([-90.0, -89.99, -61.3, -45.0, 1e-3, 33.0, 47.0]):
            place = erfa.gd2gce(EQUATOR, FLATTENING, 0.7, latitude, height)
            np.testing.assert_allclose(kernels.geodetic_height(*place, EQUATOR, FLATTENING), height, rtol=0, atol=1e-9)


def test_sun_and_moon_agree_with_astropy():
    # other method: astropy's ephemeris and its true equator and equinox, between the nodes of the tables; both rest on
    # ERFA's series, so the bounds [km] are those of the interpolation
    seconds = np.array([0.31, 5.83, 17.27]) * DAY
    time = Time(EPOCH) + seconds * u.s
    frame = TETE(obstime=Time(EPOCH))
    place_of_body = way_to(body_at)
    for name, table, bound in zip(("sun", "moon"), sun_and_moon(EPOCH, 20.0 * DAY), (0.1, 0.3), strict=True):
        apart = get_body_barycentric(name, time, "builtin") - get_body_barycentric("earth", time, "builtin")
        expected = GCRS(apart, obstime=Time(EPOCH)).transform_to(frame).cartesian.xyz.to_value(u.km).T
        for t, place in zip(seconds, expected, strict=True):
            found = np.array(place_of_body(table, SPACING, t))
            assert np.linalg.norm(found - place) < bound, name


def test_greenwich_angle_agrees_with_astropy():
    # other method: astropy's apparent sidereal time with UT1 = UTC
    time = Time(EPOCH, scale="utc")
    time.delta_ut1_utc = 0.0
    expected = time.sidereal_time("apparent", "greenwich").radian
    np.testing.assert_allclose(greenwich_angle(EPOCH), expected, rtol=0.0, atol=1e-9)


def test_blocks_join_without_a_trace():
    # property: the same bits for any size of block, across shadows, the continuous extension and a re-entry
    states = np.concatenate([LOW, ellipse(26011.0, 0.7), ellipse(6530.0, 0.004)])
    properties = np.array([[0.03, 2.0], [0.02, 0.5], [0.1, 0.1]])
    times = np.arange(0.0, 0.5 * DAY, 211.0)
    model, field = Forces().model(EPOCH, DAY), tesserals_from(EPOCH)
    whole, ends = integrate_states(states, properties, times, model, field)
    assert np.isnan(ends[:2]).all()
    assert 0.0 < ends[2] < times[-1]
    for block in (1, 7, 50):
        parts = list(states_in_blocks(states, properties, times, model, field, block=block))
        np.testing.assert_array_equal(np.concatenate([part[0] for part in parts]), times)
        np.testing.assert_array_equal(np.concatenate([part[1] for part in parts], axis=1), whole)
        np.testing.assert_array_equal(parts[-1][2], ends)


def test_the_end_is_at_120_km():
    # the height at the end by erfa; no state after it
    model = Forces().model(EPOCH, DAY)
    state, properties = ellipse(6530.0, 0.004), np.array([[0.1, 0.1]])
    _, (end,) = integrate_states(state, properties, np.array([0.0, DAY]), model, no_tesserals())
    times = np.array([0.0, end - 1.0, end, end + 1e-3, end + 1e4])
    found, ends = integrate_states(state, properties, times, model, no_tesserals())
    np.testing.assert_array_equal(np.isnan(found[0]).any(axis=1), [False, False, False, True, True])
    assert ends[0] == end
    np.testing.assert_allclose(erfa.gc2gde(EQUATOR, FLATTENING, found[0, 2, :3])[2], 120.0, rtol=0.0, atol=1e-6)


def test_a_short_dip_below_the_end_is_seen():
    # closed form: an ellipse whose perigee lies 1 km below the height of the end, between two long steps
    state = ellipse(26011.0, 1.0 - (EQUATOR + 119.0 - 10.0) / 26011.0, 3.3)
    model = Forces(zonal_degree=0, **NOTHING).model(EPOCH, DAY)
    _, (end,) = integrate_states(state, PROPERTIES, np.array([0.0, DAY]), model, no_tesserals())
    place = kepler(state[0], np.array([end]))
    np.testing.assert_allclose(erfa.gc2gde(EQUATOR, FLATTENING, place[0])[2], 120.0, rtol=0.0, atol=1e-6)


def test_objects_start_where_positions_puts_them():
    objects = objects_of([[7438.0, 1e-4, 1e-3, 86.5, 30.0, 10.0], [8000.0, 0.1, -0.15, 40.0, 300.0, 200.0]], first=7)
    times = EPOCH + np.array([0, 3600, 7200], dtype="timedelta64[s]")
    found = reference(objects, times=times)
    mean = positions(propagate(objects, years=0.01), times)
    np.testing.assert_allclose(found["position"][:, 0], mean["position"][:, 0], rtol=0.0, atol=1e-9)
    assert np.abs((found["position"] - mean["position"]).values[0]).max() < 0.1
    assert found["object"].values.tolist() == [7, 8]
    assert np.isnat(found["reentry"].values).all()
    # the same from states at the start, whose areas are the defaults and those of `objects_of`, and without the start
    again = reference(found.isel(instant=[0]), times=times[1:])
    np.testing.assert_allclose(again["position"], found["position"][:, 1:], rtol=0.0, atol=1e-9)


def test_tesserals_and_reentry_reach_the_dataset():
    objects = objects_of([6378.137 + 160.0, 1e-3, 1e-3, 53.0, 30.0, 10.0], area_to_mass=0.05)
    times = EPOCH + np.arange(0, 172800, 3600).astype("timedelta64[s]")
    found = reference(objects, times=times, tesserals=True)
    end = found["reentry"].values[0]
    assert EPOCH < end < times[-1]
    np.testing.assert_array_equal(np.isnan(found["position"].values[0, :, 0]), times > end)
    plain = reference(objects, times=times[:2])
    apart = np.linalg.norm(plain["position"][0, 1] - found["position"][0, 1])
    assert 0.05 < apart < 3.0


def test_faults_are_told_at_once():
    good = reference(objects_of([7438.0, 1e-4, 1e-3, 86.5, 30.0, 10.0]), times=EPOCH)
    rows = [[7000.0, 1.0, 2.0, 1.0, 11.0, 1.0], [6300.0, 1.0, 2.0, 0.1, 7.0, 0.1], [np.nan, 1, 2, 3, 4, 5.0]]
    bad = good.isel(object=[0, 0, 0]).assign_coords(object=("object", [11, 12, 13]))
    bad["position"].values[:, 0], bad["velocity"].values[:, 0] = np.array(rows)[:, :3], np.array(rows)[:, 3:]
    with pytest.raises(InputError) as caught:
        reference(bad, times=[EPOCH, EPOCH - np.timedelta64(1, "s")])
    message = str(caught.value)
    assert "missing values in the states of objects 13: 1; expected none" in message
    assert "speed over that of escape of objects 11: 1.03924; expected less than 1, an ellipse" in message
    assert "height [km] of objects 12: -78.1366; expected more than 120" in message
    assert "times that do not ascend from the start, 2026-03-01T06:00:00" in message
    model = Forces().model(EPOCH, DAY)
    with pytest.raises(InputError) as caught:
        integrate_states(LOW, np.array([[-0.01, -0.02]]), np.array([0.0, -1.0]), model, no_tesserals())
    message = str(caught.value)
    assert "drag coefficient x area-to-mass [m2 kg-1] of objects 0: -0.01; expected zero or more" in message
    assert "reflectivity x area-to-mass [m2 kg-1] of objects 0: -0.02; expected zero or more" in message
    assert "times that do not ascend, or none; expected ascending times, none missing" in message
    with pytest.raises(InputError, match="states at 2 instants; expected one"):
        reference(good.isel(instant=[0, 0]), times=EPOCH)
    with pytest.raises(SchemaError, match="semi_major_axis"):
        reference(good.drop_vars("position"), times=EPOCH)
