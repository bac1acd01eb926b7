"""Rates of mean elements, integration, short-period terms."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from shells import constants
from shells.motion import arrays
from shells.motion.air import kernels as kernels_of_air
from shells.motion.atmosphere import EXPONENTIAL_TABLE, exponential_density
from shells.motion.averaged import kernels
from shells.motion.averages import averaged_terms
from shells.motion.forces import Forces
from shells.motion.shape import mean_radius, semi_major_axis
from tests.calling import way_to
from tests.populations import random_elements
from tests.truth import MU, RADIUS, ZONALS, integrate, zonal_acceleration

EPOCH = np.datetime64("2027-03-21T05:20:00", "ns")
body_at = way_to(kernels.body_at)
ZONALS_AND_AIR = Forces(air="exponential", sun=False, moon=False, radiation=False)


def moved(rows, times, *, ballistic=0.0, forces=ZONALS_AND_AIR):
    """Return values and ends of free objects."""
    properties = np.column_stack([np.full(len(rows), ballistic), np.full(len(rows), 0.6 * ballistic)])
    values, _, ends = arrays.integrate(rows, properties, times, epoch=EPOCH, forces=forces)
    return values, ends


def internal(rows):
    rows = np.array(rows, dtype=float)
    rows[:, 3:] = np.radians(rows[:, 3:])
    return rows


def rates_of(elements, *, forces=None, ballistic=0.0, zonals=1.0):
    """Return rates of free objects; ``zonals`` scales the field."""
    out = np.empty_like(elements)
    model = (forces or ZONALS_AND_AIR).model(EPOCH, 86400.0)
    properties = np.column_stack([np.full(len(elements), ballistic), np.zeros(len(elements))])
    instants = np.full(len(elements), 4000.0)
    kernels.mean_rates(elements, properties, instants, model._replace(zonals=zonals * model.zonals), out)
    return out


def first_order_rates(elements, **options):
    """Return what the zonals do to first order: of a weak field, the part of the rates that is odd in it."""
    return 50.0 * (rates_of(elements, zonals=0.01, **options) - rates_of(elements, zonals=-0.01, **options))


def test_air_table_joins():
    # Vallado, Fundamentals of Astrodynamics and Applications, 4th ed. 2013, Table 8-4 (from memory): each layer meets
    # the next to better than 0.015 %, but for 0 to 25 km (0.14 %).
    base, density, scale = EXPONENTIAL_TABLE.T
    reached = density[:-1] * np.exp(-np.diff(base) / scale[:-1])
    mismatch = np.abs(reached / density[1:] - 1.0)
    assert mismatch[0] < 1.5e-3
    assert mismatch[1:].max() < 1.5e-4
    np.testing.assert_allclose(
        exponential_density([400.0, 750.0]), [3.725e-12, 3.614e-14 * np.exp(-50 / 88.667)], rtol=1e-12
    )


@pytest.mark.parametrize(
    ("a", "e", "i", "published"),
    [
        # nodal periods of ERS-1 phase C, phase F and ERS-2 phase A [s]: DEOS, deos.tudelft.nl/ers/phases
        (7159.49565, 0.001165, 98.5429, 6035.928143),
        (7147.19068, 0.001165, 98.4913, 6020.406470),
        (7159.49596, 0.001165, 98.5421, 6035.928144),
    ],
)
def test_published_nodal_periods_and_node_rates(a, e, i, published):
    rates = rates_of(internal([[a, 1e-9, e, i, 40.0, 70.0]]))[0]
    assert 2.0 * np.pi / rates[5] == pytest.approx(published, rel=1e-5)
    # sun-synchronous: 360 deg in a tropical year, 0.98565 deg a day. Whose mean inclination is published is not said;
    # 6e-4 of the rate is 0.005 deg of it. The rate itself is held to 1e-5 against numerical integration.
    assert np.degrees(rates[4]) * 86400.0 == pytest.approx(0.98565, rel=1e-3)


def test_node_rate_closed_form():
    # 1.5 n J2 (R/p)^2 cos i (Kaula 1966, eq. 3.74)
    rows = internal(random_elements(np.random.default_rng(3), 40, eccentricity=(0.01, 0.6)))
    e2 = rows[:, 1] ** 2 + rows[:, 2] ** 2
    n = np.sqrt(MU / rows[:, 0] ** 3)
    expected = -1.5 * n * ZONALS[2] * (RADIUS / (rows[:, 0] * (1 - e2))) ** 2 * np.cos(rows[:, 3])
    forces = Forces(zonal_degree=2, drag=False, sun=False, moon=False, radiation=False)
    np.testing.assert_allclose(first_order_rates(rows, forces=forces)[:, 4], expected, rtol=2e-9)


def test_averages_equal_quadrature():
    """Slow twin: Gauss's equations with the full zonal acceleration, averaged over the orbit by quadrature."""
    rows = internal(
        [
            [7438.0, 0.011, -0.017, 86.5, 33.0, 10.0],
            [6920.0, -0.002, 0.001, 53.0, 210.0, 80.0],
            [9000.0, 0.12, 0.19, 97.1, 300.0, 20.0],
            [24000.0, -0.5, 0.48, 7.0, 17.0, 170.0],
        ]
    )
    # powers of the eccentricity that turn an element by less than 1e-9 a year, 3e-17 a second, are left out
    for row, rate in zip(rows, first_order_rates(rows), strict=True):
        np.testing.assert_allclose(
            rate, averaged_by_quadrature(row, lambda position, _: zonal_acceleration(position)), rtol=1e-8, atol=3e-17
        )


THIRD_BODY_ROWS = [
    [7438.0, 0.011, -0.017, 86.5, 33.0, 10.0],
    [9000.0, 0.12, 0.19, 97.1, 300.0, 20.0],
    [24000.0, -0.5, 0.48, 17.0, 47.0, 170.0],
    [42164.0, 0.02, -0.1, 4.0, 217.0, 70.0],
]


@pytest.mark.parametrize("body", ["sun", "moon"])
def test_third_body_averages_equal_quadrature(body):
    """Slow twin: the gradient of mu r^2/d^3 P2 (+ mu r^3/d^4 P3 for the Moon), averaged over the orbit."""
    forces = Forces(zonal_degree=0, drag=False, radiation=False, sun=body == "sun", moon=body == "moon")
    model = forces.model(EPOCH, 86400.0)
    table = model.sun if body == "sun" else model.moon
    mu = model.sun_mu if body == "sun" else model.moon_mu
    place = np.array(body_at(table, model.ephemeris_spacing, 4000.0))
    distance = np.linalg.norm(place)
    direction = place / distance

    def force(position, _):
        along = direction @ position
        square = (position**2).sum(axis=0)
        total = mu / distance**3 * (3.0 * along * direction[:, None] - position)
        if body == "moon":
            total += mu / distance**4 * ((7.5 * along**2 - 1.5 * square) * direction[:, None] - 3.0 * along * position)
        return total

    rows = internal(THIRD_BODY_ROWS)
    for row, rate in zip(rows, rates_of(rows, forces=forces), strict=True):
        rate[5] -= np.sqrt(MU / row[0] ** 3)
        np.testing.assert_allclose(rate, averaged_by_quadrature(row, force), rtol=1e-7, atol=1e-18)


def test_sunlight_averages_equal_quadrature():
    """Slow twin: a constant push away from the Sun outside a cylinder, in 200,000 points of the orbit."""
    forces = Forces(zonal_degree=0, drag=False, sun=False, moon=False)
    model = forces.model(EPOCH, 86400.0)
    place = np.array(body_at(model.sun, model.ephemeris_spacing, 4000.0))
    distance = np.linalg.norm(place)
    sun = place / distance
    # 1361 W m-2 at 149597870.7 km over the speed of light, reflectivity times area-to-mass 0.7 m2 kg-1
    push = 1361.0 / 299792458.0 / 1000.0 * 0.7 * (149597870.7 / distance) ** 2

    def force(position, _):
        along = sun @ position
        dark = (along < 0.0) & ((position**2).sum(axis=0) - along**2 < constants.EQUATORIAL_RADIUS.value**2)
        return np.where(dark, 0.0, -push) * sun[:, None]

    rows = internal(THIRD_BODY_ROWS)
    out = np.empty_like(rows)
    properties = np.column_stack([np.zeros(len(rows)), np.full(len(rows), 0.7)])
    kernels.mean_rates(rows, properties, np.full(len(rows), 4000.0), model, out)
    for row, rate in zip(rows, out, strict=True):
        expected = averaged_by_quadrature(row, force, points=200_000)
        rate[5] -= np.sqrt(MU / row[0] ** 3)
        scale = push / np.sqrt(MU / row[0])
        np.testing.assert_allclose(rate[:1], expected[:1], rtol=2e-3, atol=2e-4 * scale * row[0])
        np.testing.assert_allclose(rate[1:], expected[1:], rtol=2e-3, atol=2e-4 * scale)
    assert (np.abs(out[:, 0]) > 1e-12).sum() == 3  # three meet the shadow, which alone changes a


@pytest.mark.parametrize("e", [0.0003, 0.013, 0.31, 0.72, 0.94])
@pytest.mark.parametrize("inclination", [53.0, 98.3])
def test_drag_averages_equal_quadrature(e, inclination):
    """Slow twin: air that turns with the Earth, over an ellipsoid, in 40,000 points of the orbit."""
    forces = Forces(zonal_degree=0, sun=False, moon=False, radiation=False)
    model = forces.model(EPOCH, 86400.0)
    ballistic, rotation = 0.022, np.array([0.0, 0.0, constants.EARTH_ROTATION_RATE.value])
    flattening = constants.FLATTENING.value
    logarithm_of_density = way_to(kernels_of_air.logarithm_of_density)
    level, share = way_to(kernels_of_air.flux_row)(4000.0, model)

    def force(position, velocity):
        r = np.linalg.norm(position, axis=0)
        sine = position[2] / r
        ground = constants.EQUATORIAL_RADIUS.value * (1.0 - flattening)
        height = r - ground / np.sqrt((1.0 - flattening) ** 2 * (1.0 - sine**2) + sine**2)
        density = np.exp([logarithm_of_density(h, level, share, model.air) for h in height])
        density[height > kernels_of_air.AIR_CEILING] = 0.0
        past = velocity - np.cross(rotation, position.T).T
        return -500.0 * ballistic * density * np.linalg.norm(past, axis=0) * past

    row = internal([[6790.0 / (1.0 - e), 0.8 * e, -0.6 * e, inclination, 33.0, 10.0]])
    found = rates_of(row, forces=forces, ballistic=ballistic)[0]
    found[5] -= np.sqrt(MU / row[0, 0] ** 3)
    expected = np.array(averaged_by_quadrature(row[0], force, points=40_000))
    # the rate of u by drag, of the order of what the others do to it, is left out
    scale = np.abs(expected[0]) / row[0, 0]
    np.testing.assert_allclose(found[0], expected[0], rtol=1e-4)
    np.testing.assert_allclose(found[1:5], expected[1:5], rtol=0, atol=1e-4 * scale)


def averaged_by_quadrature(row, acceleration, points=4000):
    a, ex, ey, i, node, _ = row
    e = np.hypot(ex, ey)
    w = np.arctan2(ey, ex)
    anomaly = (np.arange(points) + 0.5) / points * 2.0 * np.pi
    p = a * (1 - e * e)
    f = anomaly
    r = p / (1 + e * np.cos(f))
    weight = (r / a) ** 2 / np.sqrt(1 - e * e)  # dM / df
    weight = weight / weight.sum()
    theta = f + w
    radial = np.array(
        [
            np.cos(theta) * np.cos(node) - np.sin(theta) * np.cos(i) * np.sin(node),
            np.cos(theta) * np.sin(node) + np.sin(theta) * np.cos(i) * np.cos(node),
            np.sin(theta) * np.sin(i),
        ]
    )
    normal = np.array([np.sin(i) * np.sin(node), -np.sin(i) * np.cos(node), np.cos(i)])
    track = np.cross(normal, radial.T).T
    speed = np.sqrt(MU / p)
    force = acceleration(r * radial, speed * (e * np.sin(f) * radial + (1.0 + e * np.cos(f)) * track))
    s, t, n = (force * radial).sum(0), (force * track).sum(0), normal @ force
    h = np.sqrt(MU * p)
    sin_t, cos_t = np.sin(theta), np.cos(theta)
    node_rate = r * sin_t * n / (h * np.sin(i))
    rates = [
        2 * a * a / h * (e * np.sin(f) * s + p / r * t),
        (p * sin_t * s + ((p + r) * cos_t + r * ex) * t) / h + ey * np.cos(i) * node_rate,
        (-p * cos_t * s + ((p + r) * sin_t + r * ey) * t) / h - ex * np.cos(i) * node_rate,
        r * cos_t * n / h,
        node_rate,
    ]
    # mean argument of latitude: perigee plus mean anomaly, [R. H. Battin 1999, section 10.4]
    eta = np.sqrt(1 - e * e)
    perigee = (-p * np.cos(f) * s + (p + r) * np.sin(f) * t) / (h * e) - np.cos(i) * node_rate
    mean = eta / (h * e) * ((p * np.cos(f) - 2 * r * e) * s - (p + r) * np.sin(f) * t)
    rates.append(perigee + mean)
    return [(weight * rate).sum() for rate in rates]


def test_mean_radius_is_the_average_of_the_osculating_radius():
    # the definition is of first order in J2: the average holds terms of J2 squared and J4 besides, some metres
    inclination = np.array([53.0, 87.9, 12.0])
    a = semi_major_axis(np.array([6928.0, 7578.0, 7400.0]), inclination)
    for axis, i, expected in zip(a, inclination, (6928.0, 7578.0, 7400.0), strict=True):
        u = np.linspace(0.0, 2.0 * np.pi, 200, endpoint=False)
        rows = np.column_stack([np.full(200, axis), np.zeros((200, 2)), np.full((200, 2), np.radians([i, 20.0])), u])
        radius = np.linalg.norm(arrays.states_from_mean_elements(rows)[:, :3], axis=1)
        assert radius.mean() == pytest.approx(expected, abs=0.03)
    np.testing.assert_allclose(mean_radius(a, inclination), (6928.0, 7578.0, 7400.0), rtol=1e-14)
    # published sizes of a less mean radius: -4.3 km at 1,200 km and 87.9 deg, +0.4 km at 550 km and 53 deg
    assert semi_major_axis(7578.137, 87.9) - 7578.137 == pytest.approx(-4.3, abs=0.1)
    assert semi_major_axis(6928.137, 53.0) - 6928.137 == pytest.approx(0.4, abs=0.05)


def test_states_and_mean_elements_are_inverse():
    rng = np.random.default_rng(11)
    rows = internal(
        np.concatenate(
            [
                random_elements(rng, 50),
                random_elements(rng, 50, eccentricity=(0.1, 0.94)),
                random_elements(rng, 20, inclination=(0.001, 0.1)),
                random_elements(rng, 20, inclination=(179.9, 179.999)),
            ]
        )
    )
    states = arrays.states_from_mean_elements(rows)
    again = arrays.states_from_mean_elements(arrays.mean_elements_from_states(states[:, :3], states[:, 3:]))
    np.testing.assert_allclose(again, states, rtol=0, atol=2e-7)


def fit_and_compare(row, *, days=1.0):
    """Fit mean elements to the truth over a day and return the residuals of radius [m] and position [m]."""
    times = np.arange(0.0, days * 86400.0 + 1.0, 150.0)
    truth = integrate(arrays.states_from_mean_elements(row[None])[0], times)
    means = arrays.mean_elements_from_states(truth[:3].T, truth[3:].T)
    taper = np.sin(np.pi * np.arange(times.size) / (times.size - 1)) ** 2
    taper /= taper.sum()
    fitted = row[None].copy()
    for _ in range(4):
        apart = means - moved(fitted, times)[0][0]
        apart[:, 4:] = np.remainder(apart[:, 4:] + np.pi, 2.0 * np.pi) - np.pi
        late = times - taper @ times
        slope = taper @ (late * apart[:, 5]) / (taper @ late**2)
        change = taper @ apart
        change[0] = -slope * fitted[0, 0] / (1.5 * np.sqrt(MU / fitted[0, 0] ** 3))
        change[5] -= slope * (taper @ times)
        fitted[0] += change
    states = arrays.states_from_mean_elements(moved(fitted, times)[0][0])
    radius = np.linalg.norm(states[:, :3], axis=1) - np.linalg.norm(truth[:3], axis=0)
    return 1000.0 * radius, 1000.0 * np.linalg.norm(states[:, :3] - truth[:3].T, axis=1)


@pytest.mark.parametrize(
    ("row", "radius_rms", "position"),
    [
        ([7572.0, 2e-4, 1.1e-3, 87.9, 20.0, 40.0], 5.0, 100.0),
        ([6930.0, -3e-3, 0.012, 53.0, 20.0, 40.0], 5.0, 400.0),
        ([7200.0, -3e-3, 0.017, 98.6, 20.0, 200.0], 5.0, 400.0),
        ([7600.0, 0.05, -0.08, 74.0, 20.0, 40.0], 10.0, 400.0),
    ],
)
def test_osculating_radius_against_numerical_truth(row, radius_rms, position):
    # zonal field to degree 15 in scipy's DOP853; 5 m RMS and 15 m worst in radius are the library's accuracy target
    radius, apart = fit_and_compare(internal([row])[0])
    assert radius.std() < radius_rms
    assert np.abs(radius - radius.mean()).max() < 3.0 * radius_rms
    assert apart.max() < position


def test_circular_decay_against_scipy():
    """Closed form of the rate on an equatorial circular orbit, integrated by scipy over the same density."""
    ballistic, height = 0.022, 400.0
    offset = 1.5 * ZONALS[2] * RADIUS**2  # mean radius is a - offset / a at i = 0
    rotation = constants.EARTH_ROTATION_RATE.value
    surface = constants.EQUATORIAL_RADIUS.value

    def rate(_, a):
        r = a[0] - offset / a[0]
        speed = np.sqrt(MU / a[0]) - rotation * a[0]
        density = float(exponential_density(r - surface))
        return [-1000.0 * density * ballistic * speed**2 * a[0] / np.sqrt(MU / a[0])]

    def low(_, a):
        return a[0] - surface - constants.REENTRY_ALTITUDE.value

    low.terminal = True
    start = float(semi_major_axis(surface + height, 0.0))
    slow = solve_ivp(rate, (0.0, 1e8), [start], events=low, rtol=1e-9, max_step=86400.0).t_events[0][0]
    row = np.array([[start, 1e-7, 1e-7, 1e-9, 0.3, 0.4]])
    forces = Forces(zonal_degree=2, air="exponential", sun=False, moon=False, radiation=False)
    end = moved(row, np.arange(0.0, 1e8, 86400.0), ballistic=ballistic, forces=forces)[1][0]
    assert end == pytest.approx(slow, rel=5e-3)


@pytest.mark.parametrize("count", [1, 31, 32, 33, 65])
def test_nodes_do_not_depend_on_how_many_are_asked(count):
    rows = internal([[7100.0, 1e-3, 2e-3, 98.1, 400.0, 40.0]])
    times = np.arange(0.0, 66.0) * 0.25 * 86400.0
    whole, _ = moved(rows, times, ballistic=0.02, forces=Forces())
    part, _ = moved(rows, np.append(times[:count], times[-1]), ballistic=0.02, forces=Forces())
    np.testing.assert_array_equal(part[:, :count], whole[:, :count])


@pytest.mark.parametrize("inclination", [0.02, 2.0, 53.0, 98.3, 179.98])
@pytest.mark.parametrize("a", [7100.0, 42164.0])
def test_angles_are_continuous_from_where_they_start(a, inclination):
    rows = internal([[a, 2e-3, 1e-3, inclination, 400.0, 10.0]])
    values, _ = moved(rows, np.arange(0.0, 3.0 * 365.0) * 86400.0, ballistic=0.005, forces=Forces())
    node = values[0, :, 4]
    assert node[0] == pytest.approx(np.radians(400.0), abs=1e-9)
    assert np.abs(np.diff(node)).max() < np.pi
    along = values[0, :, 5] + (1.0 if inclination < 90.0 else -1.0) * node  # smooth where the node is not
    assert np.abs(np.diff(along, n=2)).max() < 0.05


def test_shadow_grazed():
    """At the height where the shadow just touches the orbit nothing is lost, whichever way rounding falls."""
    model = Forces(zonal_degree=0, drag=False, sun=False, moon=False).model(EPOCH, 86400.0)
    sun = np.array(body_at(model.sun, model.ephemeris_spacing, 4000.0))
    declination = np.arcsin(sun[2] / np.linalg.norm(sun))
    node = np.arctan2(sun[1], sun[0]) - 0.5 * np.pi  # the Sun stands a quarter turn ahead of the node
    tilt = np.radians(60.0) + declination
    # its direction is `off` from the orbit plane: the shadow touches where r sin(off) = R
    off = tilt - declination
    touching = constants.EQUATORIAL_RADIUS.value / np.sin(off)
    axes = touching * (1.0 + np.concatenate([[-1e-9], np.arange(-20, 21) * 1e-16, [1e-9]]))
    rows = np.column_stack(
        [axes, np.zeros((axes.size, 2)), np.full(axes.size, tilt), np.full(axes.size, node), np.zeros(axes.size)]
    )
    out = np.empty_like(rows)
    properties = np.column_stack([np.zeros(axes.size), np.full(axes.size, 0.7)])
    kernels.mean_rates(rows, properties, np.full(axes.size, 4000.0), model, out)
    assert np.isfinite(out).all()
    np.testing.assert_allclose(out[:, :5], np.tile(out[-1, :5], (axes.size, 1)), rtol=0, atol=1e-4 * np.abs(out[-1, 1]))


def test_mirror_symmetry_of_retrograde_orbits():
    rows = internal(random_elements(np.random.default_rng(8), 20, inclination=(5.0, 85.0)))
    mirrored = rows.copy()
    mirrored[:, 3] = np.pi - rows[:, 3]
    a, b = rates_of(rows), rates_of(mirrored)
    np.testing.assert_allclose(b[:, 4], -a[:, 4], rtol=1e-10)
    np.testing.assert_allclose(b[:, [1, 2, 5]], a[:, [1, 2, 5]], rtol=1e-9, atol=1e-18)


def test_regular_at_the_equator_and_at_zero_eccentricity():
    base = internal([[7000.0, 1e-3, 2e-3, 1e-7, 20.0, 40.0], [7000.0, 1e-3, 2e-3, 1e-12, 20.0, 40.0]])
    values, _ = moved(base, np.arange(0.0, 20.0) * 86400.0, ballistic=0.02, forces=Forces())
    states = [arrays.states_from_mean_elements(orbit) for orbit in values]
    np.testing.assert_allclose(states[0], states[1], atol=1e-3)
    assert np.isfinite(rates_of(internal([[7000.0, 0.0, 0.0, 0.0, 0.0, 0.0]]))).all()


def test_results_do_not_depend_on_neighbours():
    rows = internal(random_elements(np.random.default_rng(4), 6))
    times = np.arange(0.0, 40.0) * 86400.0
    together = moved(rows, times, ballistic=0.02, forces=Forces())[0]
    alone = np.concatenate([moved(rows[j : j + 1], times, ballistic=0.02, forces=Forces())[0] for j in range(6)])
    np.testing.assert_array_equal(together, alone)


def test_terms_cover_all_degrees():
    degree, order, inclination, eccentricity = averaged_terms()
    assert degree.size == 56
    assert set(degree) == set(range(2, 16))
    # J2: P_2 averages to 3/4 sin^2 i - 1/2, and 1 + e cos f to 1
    np.testing.assert_allclose(inclination[0][:2], [-0.5, 0.75])
    np.testing.assert_allclose(eccentricity[0][:2], [1.0, 0.0])
    assert (order < degree - 1).all()
