"""Fleet design against published values: Walker patterns, smallest distances, frozen orbits, secular J2 rates.

Marks: "published" was read in the source named; "computed" was computed independently of this library, with other code,
and has no publication behind it; "from memory" was not verified in the source.
"""

import numpy as np
import pytest

import shells.constants as constants
from shells.fleet.distances import minimum_distance, pattern_distances
from shells.fleet.patterns import walker
from shells.motion.frozen import frozen_eccentricity, frozen_gap, frozen_orbit, frozen_radius
from shells.motion.periodic.kernels import follow
from shells.motion.secular import j2_rates, mean_motion, nodal_period, sun_synchronous_inclination

EGM96_RADIUS = constants.REFERENCE_RADIUS.value
WGS84 = {"mu": 398600.4418, "radius": 6378.137, "j2": 1.08262668e-3}


def distances(total, planes, altitude, inclination, eccentricity=0.0, span=360.0, radius=6378.137):
    return pattern_distances(
        total=total,
        planes=planes,
        span_deg=span,
        mean_radius_km=radius + altitude,
        inclination_deg=inclination,
        eccentricity=eccentricity,
    )


def fleet(total, planes, altitude, inclination, **options):
    return walker(total=total, planes=planes, altitude_km=altitude, inclination_deg=inclination, **options)


@pytest.mark.parametrize(
    ("total", "planes", "altitude", "inclination", "phasing", "distance"),
    [(1584, 22, 550, 53, 17, 61.83), (1296, 36, 610, 42, 11, 55.89)],
)
def test_best_phasing_published(total, planes, altitude, inclination, phasing, distance):
    # Published: Liang, Chaudhry & Yanikomeroglu 2021, arXiv:2109.13994, circular orbits, R = 6378.137 km, two decimals.
    best = fleet(total, planes, altitude, inclination, pattern="delta", phasing="best")
    step = best["mean_argument_of_latitude"].values[best["slot"].values == 0][1]
    np.testing.assert_allclose(step, phasing * 360.0 / total, rtol=0, atol=1e-12)
    np.testing.assert_allclose(minimum_distance(best), distance, rtol=0, atol=0.005)


def test_every_phasing_of_the_published_patterns():
    # Computed, two decimals; confirmed there by a brute scan.
    first = [0, 2.32, 0, 1.80, 0, 24.50, 0, 57.96, 0, 31.86, 0, 5.00, 0, 14.98, 0, 1.63, 0, 61.83, 0, 13.27, 0, 6.12]
    np.testing.assert_allclose(distances(1584, 22, 550, 53), first, rtol=0, atol=0.0051)
    second = [0, 45.07, 0, 49.49, 0, 16.58, 0, 33.93, 0, 2.82, 0, 55.89, 0, 29.14, 0, 2.66, 0, 29.46]
    second += [0, 45.42, 0, 2.82, 0, 19.93, 0, 20.73, 0, 8.41, 0, 49.21, 0, 45.42, 0, 2.66, 0, 29.46]
    np.testing.assert_allclose(distances(1296, 36, 610, 42), second, rtol=0, atol=0.0051)


@pytest.mark.parametrize(
    ("total", "planes", "altitude", "inclination", "best", "distance", "zero", "one"),
    [
        (1584, 72, 550, 53, 65, 71.52, 0.0, 3.37),
        (1584, 24, 550, 53, 13, 93.86, 0.0, 26.66),
        (1600, 32, 1110, 53.8, 15, 68.53, 0.0, 19.98),
    ],
)
def test_best_phasing_of_further_patterns(total, planes, altitude, inclination, best, distance, zero, one):
    # Computed, R = 6378.1363 km, two decimals.
    found = distances(total, planes, altitude, inclination, radius=EGM96_RADIUS)
    assert np.argmax(found) == best
    np.testing.assert_allclose(found[[best, 0, 1]], [distance, zero, one], rtol=0, atol=0.0051)


def test_share_of_bad_phasings():
    # Computed: how many phasings bring satellites within 1 km and within 10 km, R = 6378.1363 km.
    for total, planes, altitude, inclination, below_1, below_10 in [
        (1584, 72, 550, 53, 39, 47),
        (1584, 24, 550, 53, 12, 15),
        (1600, 32, 1110, 53.8, 16, 18),
    ]:
        found = distances(total, planes, altitude, inclination, radius=EGM96_RADIUS)
        assert ((found < 1.0).sum(), (found < 10.0).sum()) == (below_1, below_10)


def test_star_pattern():
    # Computed: 87.9:720/18 over 180 deg of node at 1200 km, three decimals; the best phasings 9, 11 and 13 are equal.
    found = distances(720, 18, 1200, 87.9, span=180.0, radius=EGM96_RADIUS)
    np.testing.assert_allclose(found[[9, 11, 13, 0, 1]], [28.340, 28.340, 28.340, 0.760, 0.603], rtol=0, atol=5.1e-4)
    best = fleet(720, 18, 1200 - 0.0007, 87.9, pattern="star", phasing="best")
    np.testing.assert_allclose(minimum_distance(best), 28.340, rtol=0, atol=5.1e-4)


def test_small_pattern():
    # Computed, brute force equal to the closed form: 53:24/6/1 at 550 km, R = 6378.1363 km: 2790.117 km, 23.233147 deg.
    found = distances(24, 6, 550, 53, radius=EGM96_RADIUS)[1]
    np.testing.assert_allclose(found, 2790.117, rtol=0, atol=5e-4)
    angle = np.degrees(2.0 * np.arcsin(0.5 * found / (EGM96_RADIUS + 550)))
    np.testing.assert_allclose(angle, 23.233147, rtol=0, atol=5e-7)


def test_smallest_distances_of_walker_table():
    # Computed, R = 6378.137 km, three decimals.
    large = distances(24, 3, 23222, 56)
    np.testing.assert_allclose(large, [658.252, 4725.406, 6030.647], rtol=0, atol=5.1e-4)
    shell = distances(1584, 72, 550, 53)
    expected = {1: 3.373, 3: 58.236, 5: 35.506, 13: 30.577, 17: 20.172, 39: 49.806, 47: 40.480, 49: 0.017, 65: 71.519}
    np.testing.assert_allclose(shell[list(expected)], list(expected.values()), rtol=0, atol=5.1e-4)
    np.testing.assert_allclose(shell[::2], 0.0, rtol=0, atol=5e-4)
    for total, planes, altitude, inclination, best, distance in [
        (1156, 34, 630, 51.9, 7, 78.264),
        (1296, 36, 610, 42, 11, 55.888),
        (784, 28, 590, 33, 17, 109.321),
        (1584, 72, 540, 53.2, 65, 47.928),
    ]:
        found = distances(total, planes, altitude, inclination)
        # of the last pattern the phasings 13, 25, 61 and 65 are equally good
        assert found[best] > found.max() * (1.0 - 1e-9)
        np.testing.assert_allclose(found[best], distance, rtol=0, atol=5.1e-4)


def test_walker_notation():
    # Published: Walker notation i:t/p/f; spacings of the table computed (56:24/3/1, 53:1584/72, 51.9:1156/34), and a
    # near-polar star of 66/6 with planes 30 deg apart (from memory).
    for total, planes, pattern, apart, in_plane, step in [
        (24, 3, "delta", 120.0, 45.0, 15.0),
        (1584, 72, "delta", 5.0, 16.3636, 0.22727),
        (1156, 34, "delta", 10.5882, 10.5882, 0.31142),
        (66, 6, "star", 30.0, 32.727, 5.4545),
    ]:
        found = fleet(total, planes, 780, 56, pattern=pattern, phasing=1)
        first, second, next_plane = (0, 1, total // planes)
        phase, raan = found["mean_argument_of_latitude"].values, found["raan"].values
        np.testing.assert_allclose(raan[next_plane] - raan[first], apart, rtol=0, atol=5e-5)
        np.testing.assert_allclose(phase[second] - phase[first], in_plane, rtol=0, atol=5e-4)
        np.testing.assert_allclose(phase[next_plane] - phase[first], step, rtol=0, atol=5e-5)


def test_frozen_eccentricity_changes_the_distance():
    # Computed from the closed form with the frozen eccentricity, three decimals, R = 6378.1363 km.
    common = {"eccentricity": 0.9783e-3, "radius": EGM96_RADIUS}
    np.testing.assert_allclose(distances(1584, 72, 550, 53, **common)[17], 3.918, rtol=0, atol=5.1e-4)
    np.testing.assert_allclose(distances(1584, 22, 550, 53, **common)[17], 51.146, rtol=0, atol=5.1e-4)
    # Computed: with the eccentricity of the field to degree 15 the ranking flips, F = 7 gives 50.83, F = 17 50.59 km.
    found = distances(1584, 22, 550, 53, eccentricity=1.0294e-3, radius=EGM96_RADIUS)
    np.testing.assert_allclose(found[[7, 17]], [50.83, 50.59], rtol=0, atol=0.0051)
    assert np.argmax(found) == 7


FROZEN = [
    # altitude over 6378.1363 km, inclination, 1000 e_f by linear theory to degree 3, 7, 15, K [m]
    (550, 53.0, 0.8600, 0.9772, 1.0282, 1013.6),
    (550, 43.0, 0.7344, 0.6510, 0.5868, 739.2),
    (600, 98.0, 1.0587, 1.2217, 1.2160, 1547.3),
    (800, 98.6, 1.0276, 1.1621, 1.1565, 1499.6),
    (1200, 55.0, 0.8064, 0.9688, 0.9928, 974.9),
    (1200, 87.9, 0.9838, 1.1540, 1.1661, 1451.0),
]


@pytest.mark.parametrize(("altitude", "inclination", "to_3", "to_7", "to_15", "swing"), FROZEN)
def test_frozen_eccentricity_and_surface(altitude, inclination, to_3, to_7, to_15, swing):
    # Computed, linear theory with EGM96, four decimals; the numerical periodic orbit agrees to 0.13 %.
    radius = EGM96_RADIUS + altitude
    found = [1000.0 * frozen_eccentricity(radius, inclination, degree) for degree in (3, 7, 15)]
    np.testing.assert_allclose(found, [to_3, to_7, to_15], rtol=0, atol=5.1e-5)
    # the cos 2u term of the radius: half its difference between the node and the mean of both apexes
    apexes = frozen_radius([90.0, 270.0], radius, inclination).mean()
    np.testing.assert_allclose(500.0 * (frozen_radius(0.0, radius, inclination) - apexes), swing, rtol=0, atol=0.06)


@pytest.mark.parametrize(
    ("lower", "upper", "smallest", "largest"),
    [
        ((550, 53.0), (560, 53.2), 9.941, 10.072),
        ((550, 53.0), (560, 43.0), 7.718, 11.735),
        ((550, 53.0), (560, 70.0), 7.020, 13.762),
        ((1200, 55.0), (1210, 87.9), 10.192, 10.762),
    ],
)
def test_gap_between_frozen_surfaces(lower, upper, smallest, largest):
    # Computed, closed form, three decimals; numerical orbits agree to 15 m.
    gap = frozen_gap(
        np.linspace(-90.0, 90.0, 18001),
        lower_radius_km=EGM96_RADIUS + lower[0],
        lower_inclination_deg=lower[1],
        upper_radius_km=EGM96_RADIUS + upper[0],
        upper_inclination_deg=upper[1],
    )
    np.testing.assert_allclose([np.nanmin(gap), np.nanmax(gap)], [smallest, largest], rtol=0, atol=7e-4)


def test_radius_of_a_numerical_frozen_orbit():
    # Computed: periodic orbit of the field J2 to J7 at 550 km, 53 deg, radius at the northern apex and at the ascending
    # node. The polar equation was found to agree within 2.5 m; 3 m with the linear eccentricity.
    found = frozen_radius([90.0, 0.0], EGM96_RADIUS + 550, 53.0, 7)
    np.testing.assert_allclose(found, [6920.349741457, 6929.147796565], rtol=0, atol=3e-3)


def orbit_of_apex(altitude, latitude, degree=15):
    """Return the periodic orbit whose northern apex is at a latitude; the tables of numerical orbits are made so."""
    inclination = latitude
    for _ in range(3):
        orbit = frozen_orbit(EGM96_RADIUS + altitude, inclination, degree)
        inclination += latitude - orbit.inclination_harmonics_deg.sum()
    return orbit


PERIODIC = [
    # altitude over 6378.1363 km, latitude of the apex (180 deg less that of retrograde orbits), 1000 e_f to degree 7
    # and 15, coefficient of cos 2u to 15 [m], range of the radius to degree 7 and 15 [km], r_m e_f / sin i to 15 [km]
    (550, 53.0, 0.9783, 1.0294, 1009.9, 13.553, 14.262, 8.930),
    (550, 43.0, 0.6511, 0.5868, 739.7, 9.019, 8.128, 5.961),
    (600, 98.0, 1.2219, 1.2161, 1541.9, 17.049, 16.968, 8.569),
    (800, 98.6, 1.1622, 1.1565, 1494.6, 16.682, 16.600, 8.396),
    (1200, 55.0, 0.9700, 0.9941, 971.2, 14.699, 15.064, 9.196),
    (1200, 87.9, 1.1543, 1.1664, 1445.5, 17.491, 17.674, 8.845),
]


@pytest.mark.parametrize(("altitude", "latitude", "to_7", "to_15", "swing", "range_7", "range_15", "tilt"), PERIODIC)
def test_periodic_orbits(altitude, latitude, to_7, to_15, swing, range_7, range_15, tilt):
    # Computed: periodic orbits corrected numerically with DOP853, all digits printed.
    orbits = [orbit_of_apex(altitude, latitude, degree) for degree in (7, 15)]
    found = [1000.0 * orbit.eccentricity for orbit in orbits]
    np.testing.assert_allclose(found, [to_7, to_15], rtol=0, atol=5.1e-5)
    np.testing.assert_allclose(-1000.0 * orbits[1].radius_harmonics_km[2], swing, rtol=0, atol=0.051)
    ranges = [np.ptp(orbit.radius(np.arange(0.0, 360.0, 0.25))) for orbit in orbits]
    np.testing.assert_allclose(ranges, [range_7, range_15], rtol=0, atol=5.1e-4)
    found = orbits[1].mean_radius_km * orbits[1].eccentricity / np.sin(np.radians(latitude))
    np.testing.assert_allclose(found, tilt, rtol=0, atol=5.1e-4)


def test_states_of_a_periodic_orbit():
    # Computed: J2 to J7, 550 km, apex at 53 deg, mu 398600.4418 km3/s2. All digits printed but of the lengths, which
    # agree to 1e-10: the mean radius of the source is that well known.
    mu = 398600.4418
    orbit = orbit_of_apex(550, 53.0, 7)
    faster = np.sqrt(mu / constants.GRAVITATIONAL_PARAMETER.value)
    position, velocity = orbit.state(90.0)
    np.testing.assert_allclose(np.linalg.norm(position), 6920.349741457, rtol=2e-10)
    np.testing.assert_allclose(velocity * faster, [-7.590506186995, 0.0, 0.0], rtol=0, atol=1e-9)
    position, velocity = orbit.state(0.0)
    velocity = faster * velocity
    r = np.linalg.norm(position)
    np.testing.assert_allclose(r, 6929.147796565, rtol=2e-10)
    np.testing.assert_allclose(position @ velocity / r, -7.427072940e-3, rtol=0, atol=1e-11)
    momentum = np.cross(position, velocity)
    pole = momentum / np.linalg.norm(momentum)
    np.testing.assert_allclose(1.0 / (2.0 / r - velocity @ velocity / mu), 6934.640983004, rtol=2e-10)
    np.testing.assert_allclose(np.degrees(np.arccos(pole[2])), 53.037925861, rtol=0, atol=1e-9)
    eccentricity = np.cross(velocity, momentum) / mu - position / r
    across = np.cross(pole, [1.0, 0.0, 0.0])
    np.testing.assert_allclose([eccentricity[0], eccentricity @ across], [7.91178e-4, 9.79626e-4], rtol=0, atol=5.1e-10)
    np.testing.assert_allclose(orbit.nodal_period_s / faster, 5735.972302, rtol=0, atol=1.5e-6)


@pytest.mark.parametrize(
    ("lower", "upper", "smallest", "largest"),
    [
        ((550, 53.0), (560, 53.2), 9.941, 10.072),
        ((550, 53.0), (560, 43.0), 7.708, 11.742),
        ((550, 53.0), (560, 70.0), 7.005, 13.768),
        ((1200, 55.0), (1210, 87.9), 10.183, 10.765),
    ],
)
def test_gap_between_periodic_orbits(lower, upper, smallest, largest):
    # Computed: profiles of numerical orbits, three decimals; 1 m for the sampling of the profiles.
    latitude = np.linspace(-90.0, 90.0, 18001)
    gap = orbit_of_apex(*upper).surface(latitude) - orbit_of_apex(*lower).surface(latitude)
    np.testing.assert_allclose([np.nanmin(gap), np.nanmax(gap)], [smallest, largest], rtol=0, atol=1e-3)


def test_space_occupied_is_twice_the_departure():
    # Computed: 2 a e_p [km] of orbits that start circular at the node: e_x as printed, e_y zero.
    for altitude, inclination, e_x, expected in [(550, 53.0, -7.911e-4, 17.976), (1200, 55.0, -6.358e-4, 17.868)]:
        orbit = frozen_orbit(EGM96_RADIUS + altitude, inclination)
        lowest, highest = orbit.occupied_radius([0.0, 70.0], np.hypot(e_x, orbit.eccentricity))
        np.testing.assert_allclose(highest - lowest, expected, rtol=5e-4)


@pytest.mark.long
@pytest.mark.parametrize(
    ("altitude", "inclination", "departure", "occupied"),
    [
        (550, 53.0, 1.2973e-3, {10: 4.622, 30: 12.781, 100: 17.990, 200: 17.990}),
        (1200, 55.0, 1.1789e-3, {10: 2.683, 30: 7.919, 100: 17.866, 200: 17.882}),
    ],
)
def test_space_occupied_without_freezing(altitude, inclination, departure, occupied):
    # Computed: largest radial range over 72 arguments of latitude within 10 to 200 days, J2 to J15, from an osculating
    # circular orbit at the node. A revolution more or less moves the range of short runs by up to 1.5 %.
    mu, per_revolution = 398600.4418, 72
    r = EGM96_RADIUS + altitude
    revolutions = int(200.0 * 86400.0 / (2.0 * np.pi * np.sqrt(r**3 / mu)))
    states = np.zeros((per_revolution * revolutions + 1, 4))
    states[0, [0, 2]] = r, np.sqrt(mu * r)
    polar_momentum = states[0, 2] * np.cos(np.radians(inclination))
    step = 2.0 * np.pi / per_revolution
    follow(0.0, step, polar_momentum, mu, EGM96_RADIUS, constants.zonal_coefficients().copy(), states)
    radius = states[:-1, 0].reshape(revolutions, per_revolution)
    days = states[per_revolution::per_revolution, 3] / 86400.0
    for span, value in occupied.items():
        found = np.ptp(radius[days <= span], axis=0).max()
        np.testing.assert_allclose(found, value, rtol=1.5e-2 if span < 100 else 0.0, atol=1e-3)
    # first order in the departure and in J2: 0.2 % of the range, 30 m; the mean elements are those of the run
    mean_inclination = np.degrees(np.arccos(polar_momentum / states[:, 2])).mean()
    orbit = frozen_orbit(radius.mean(), mean_inclination)
    lowest, highest = orbit.occupied_radius(np.arange(0.0, 360.0, 5.0), departure)
    np.testing.assert_allclose(highest - lowest, occupied[200], rtol=2e-3)
    np.testing.assert_allclose(radius.min(axis=0), lowest, rtol=0, atol=0.03)
    np.testing.assert_allclose(radius.max(axis=0), highest, rtol=0, atol=0.03)


@pytest.mark.long
@pytest.mark.parametrize(("altitude", "latitude"), [(550, 53.0), (1200, 63.3), (550, 63.6)])
def test_frozen_orbits_occupy_no_space(altitude, latitude):
    # Computed: from a frozen start the radial range is 0.0 m over 100 days (J2 to J15), here next to the critical
    # inclination too; 1400 revolutions of 72 steps, from the northern apex.
    orbit = orbit_of_apex(altitude, latitude)
    mu = constants.GRAVITATIONAL_PARAMETER.value
    states = np.zeros((1400 * 72 + 1, 4))
    states[0, [0, 2]] = orbit.radius(90.0), orbit.apex_momentum
    polar_momentum = orbit.apex_momentum * np.cos(np.radians(latitude))
    follow(0.5 * np.pi, np.pi / 36, polar_momentum, mu, EGM96_RADIUS, constants.zonal_coefficients().copy(), states)
    assert states[-1, 3] > 90.0 * 86400.0
    assert np.ptp(states[:-1, 0].reshape(1400, 72), axis=0).max() < 5e-5


@pytest.mark.parametrize(
    ("semi_major_axis", "inclination", "published", "to_7", "to_15"),
    [
        (7159.5, 98.54, 0.001165, 0.001167, 0.001161),
        (7147.19, 98.49, 0.001165, 0.001171, 0.001165),
        (7195.605347, 98.702198, 0.001165, None, 0.0011503),
        (6378.137 + 550, 53.0, None, 0.000977, 0.001029),
        (6378.137 + 560, 97.6, None, 0.001240, 0.001236),
        (6378.137 + 800, 98.6, None, 0.001162, 0.001156),
    ],
)
def test_frozen_eccentricity_of_missions(semi_major_axis, inclination, published, to_7, to_15):
    # Published mean eccentricities (perigee at 90 deg) of ERS-1/2 and Envisat, http://deos.tudelft.nl/ers/phases/,
    # and of a polar weather satellite (GEM10B, 36 x 36); computed with inclination functions, first order in e,
    # EGM96.
    if published:
        np.testing.assert_allclose(frozen_eccentricity(semi_major_axis, inclination), published, rtol=0.02)
    if to_7:
        np.testing.assert_allclose(frozen_eccentricity(semi_major_axis, inclination, 7), to_7, rtol=0, atol=1.5e-6)
    np.testing.assert_allclose(frozen_eccentricity(semi_major_axis, inclination), to_15, rtol=0, atol=1.5e-6)


def test_frozen_eccentricity_to_degree_three():
    # Computed from -(J3 / 2 J2)(Re / a) sin i (textbook form, from memory), six decimals.
    table = {
        (500, 97.40): 0.001076,
        (550, 53.0): 0.000860,
        (550, 97.6): 0.001067,
        (600, 97.79): 0.001059,
        (780, 86.4): 0.001040,
        (800, 98.6): 0.001028,
        (1200, 87.9): 0.000984,
        (1336, 66.04): 0.000884,
    }
    altitude, inclination = np.transpose(list(table))
    found = frozen_eccentricity(6378.137 + altitude, inclination, 3)
    np.testing.assert_allclose(found, list(table.values()), rtol=0, atol=1e-6)


@pytest.mark.parametrize(
    ("semi_major_axis", "inclination", "period"),
    [(7159.49565, 98.5429, 6035.928143), (7147.19068, 98.4913, 6020.406470), (7159.49596, 98.5421, 6035.928144)],
)
def test_nodal_periods_of_missions(semi_major_axis, inclination, period):
    # Published: ERS-1 phases C and F, ERS-2 phase A, http://deos.tudelft.nl/ers/phases/ ; first-order J2 leaves
    # 2.8e-6 in the period and 2e-3 in the node rate, which has to follow the Sun.
    found = nodal_period(semi_major_axis, 0.001165, inclination, **WGS84)
    np.testing.assert_allclose(found, period, rtol=1e-5)
    node = j2_rates(semi_major_axis, 0.001165, inclination, **WGS84).node
    np.testing.assert_allclose(node, constants.SUN_MEAN_RATE.value, rtol=3e-3)


def test_nodal_periods_are_those_of_the_repeat_cycles():
    # Exact: 35 days and 501 revolutions, 168 days and 2411 revolutions of the published phases.
    np.testing.assert_allclose([35 * 86400 / 501, 168 * 86400 / 2411], [6035.928144, 6020.406470], rtol=0, atol=5e-7)


def test_node_rate_of_an_exercise():
    # Published: exercise page on CloudSat, about 0.9825 deg/day; computed 0.982461.
    a, e = 6378.137 + 709.5, 0.5 / (6378.137 + 709.5)
    node = j2_rates(a, e, 98.2, mu=398600.4418, radius=6378.137, j2=0.0010826269).node
    np.testing.assert_allclose(node, 0.982461, rtol=0, atol=5e-7)
    np.testing.assert_allclose(node, 0.9825, rtol=0, atol=5e-5)


def test_teaching_sheet():
    # Published: http://www.tsgc.utexas.edu/tadp/1996/resources/orbit1.html ; the sheet uses the perturbed mean motion
    # n + M' in its period and in its node rate, where first-order theory has n.
    constants_of_sheet = {"mu": 398598.15, "radius": 6378.16, "j2": 0.0010826}
    rates = j2_rates(6150.0235, 0.0, 95.0, **constants_of_sheet)
    keplerian = mean_motion(6150.0235, mu=398598.15)
    perturbed = keplerian + rates.mean_anomaly
    node = np.radians(rates.node * perturbed / keplerian) / 86400.0
    period = 360.0 * 86400.0 / perturbed
    np.testing.assert_allclose(np.radians(perturbed) / 86400.0, 0.00130793, rtol=1e-5)
    np.testing.assert_allclose(node, 1.991e-7, rtol=1e-5)
    np.testing.assert_allclose(period, 4803.9284, rtol=1e-5)
    shift = (node - 7.2921e-5) * period
    np.testing.assert_allclose(np.degrees(shift), -20.01639, rtol=1e-5)
    np.testing.assert_allclose(shift * 6378.16, -2228.222, rtol=1e-5)


def test_sun_synchronous_rule():
    # Read in copies of an encyclopaedia: 7200 km -> 98.7 deg; 6554 km, 88 min -> 96 deg; limit 12352 km, 3.8 h, 180
    # deg; computed 98.695 to 98.697, 96.247, 88.007 min, 12352.66 km.
    found = sun_synchronous_inclination([7200.0, 6554.0], **WGS84)
    np.testing.assert_allclose(found, [98.7, 96.247], rtol=0, atol=5e-3)
    periods = 1440.0 * 360.0 / mean_motion([6554.0, 12352.0], mu=398600.4418)
    np.testing.assert_allclose(periods, [88.007, 3.795 * 60.0], rtol=0, atol=0.04)
    rate = {"node_rate_deg_day": 0.9856474}
    assert sun_synchronous_inclination(12352.0, **WGS84, **rate) > 179.0
    with pytest.raises(ValueError, match=r"12353\.0 km only rates up to 0\.98"):
        sun_synchronous_inclination(12353.0, **WGS84, **rate)


def test_curtis():
    # H. Curtis, Orbital Mechanics for Engineering Students, 2nd ed., Example 4.9 (answer from memory):
    # Sun-synchronous in 100 min: 758.63 km, 98.43 deg; and 280 x 400 km at 51.43 deg: node -5.181, perigee +3.920
    # deg/day (from memory).
    field = {"mu": 398600.0, "radius": 6378.0, "j2": 0.00108263}
    a = (398600.0 * (6000.0 / (2.0 * np.pi)) ** 2) ** (1.0 / 3.0)
    np.testing.assert_allclose(a - 6378.0, 758.63, rtol=0, atol=5e-3)
    found = sun_synchronous_inclination(a, node_rate_deg_day=0.9856, **field)
    np.testing.assert_allclose(found, 98.43, rtol=0, atol=5e-3)
    rates = j2_rates(6718.0, 0.0089312, 51.43, **field)
    np.testing.assert_allclose([rates.node, rates.perigee], [-5.181, 3.920], rtol=0, atol=5e-4)
    np.testing.assert_allclose(
        np.radians([rates.node, rates.perigee]) / 86400.0, [-1.0465e-6, 7.9193e-7], rtol=0, atol=5.1e-11
    )


def test_vallado():
    # D. Vallado, Fundamentals of Astrodynamics and Applications, 4th ed., Example 11-2, read in its companion script,
    # which divides by the sidereal day of 86164.0989 s; computed with a solar day: 98.60308 deg.
    field = {"mu": 398600.4415, "radius": 6378.1363, "j2": 0.00108263}
    rate = 360.0 / 365.2421897
    sidereal = {**field, "node_rate_deg_day": rate * 86400.0 / 86164.0989}
    np.testing.assert_allclose(sun_synchronous_inclination(7178.1363, **sidereal), 98.627, rtol=0, atol=5e-4)
    np.testing.assert_allclose(sun_synchronous_inclination(7179.82095, 0.02, **sidereal), 98.627, rtol=0, atol=5e-7)
    np.testing.assert_allclose(sun_synchronous_inclination(7178.1363, **field), 98.60308, rtol=0, atol=5.1e-6)


def test_nodal_precession_example():
    # From memory: 800 km circular, 56 deg: period 6052.4 s, -7.44e-7 rad/s (three digits).
    node = j2_rates(7178.137, 0.0, 56.0, **WGS84).node
    np.testing.assert_allclose(np.radians(node) / 86400.0, -7.44e-7, rtol=0, atol=5e-10)
    np.testing.assert_allclose(360.0 * 86400.0 / mean_motion(7178.137, mu=398600.4418), 6052.4, rtol=0, atol=0.05)


def test_node_rate_differences():
    # Computed: 550 to 560 km at 53 deg; 53.0 to 53.2 deg at 550 km; 10 km apart about 545 km at 53 deg [deg/day].
    def node(altitude, inclination):
        return j2_rates(6378.137 + altitude, 0.0, inclination, **WGS84).node

    np.testing.assert_allclose([node(550, 53), node(560, 53)], [-4.489193, -4.466588], rtol=0, atol=6e-7)
    np.testing.assert_allclose(node(550, 53.2) - node(550, 53), 0.020822, rtol=0, atol=6e-7)
    np.testing.assert_allclose(node(550, 53) - node(540, 53), 0.0227, rtol=0, atol=6e-5)


def test_table_of_secular_rates():
    # Computed with mu 398600.4418, Re 6378.137, J2 1.082626e-3, circular: rev/day, node and perigee [deg/day],
    # Keplerian and nodal period [min].
    table = np.array(
        [
            [340, 53.0, 15.7663, -4.9998, 3.3685, 91.334, 91.274],
            [525, 53.0, 15.1368, -4.5464, 3.0630, 95.133, 95.073],
            [540, 53.2, 15.0876, -4.4910, 2.9769, 95.443, 95.386],
            [550, 53.0, 15.0549, -4.4892, 3.0244, 95.650, 95.591],
            [560, 97.6, 15.0224, 0.9816, -3.3864, 95.857, 95.980],
            [570, 70.0, 14.9900, -2.5257, -1.5327, 96.064, 96.134],
            [590, 33.0, 14.9255, -6.1312, 9.1998, 96.479, 96.242],
            [610, 42.0, 14.8614, -5.3786, 6.3739, 96.895, 96.737],
            [630, 51.9, 14.7979, -4.4214, 3.2377, 97.311, 97.243],
            [780, 86.4, 14.3352, -0.4178, -3.2613, 100.452, 100.580],
            [800, 98.603, 14.2753, 0.9856, -2.9259, 100.874, 100.991],
            [1200, 87.9, 13.1601, -0.1997, -2.7067, 109.422, 109.547],
            [1325, 50.88, 12.8411, -3.2473, 2.5488, 112.140, 112.066],
        ]
    )
    field = {"mu": 398600.4418, "radius": 6378.137, "j2": 1.082626e-3}
    a, inclination = 6378.137 + table[:, 0], table[:, 1]
    motion, rates = mean_motion(a, mu=398600.4418), j2_rates(a, 0.0, inclination, **field)
    np.testing.assert_allclose(motion / 360.0, table[:, 2], rtol=0, atol=5.1e-5)
    np.testing.assert_allclose(rates.node, table[:, 3], rtol=0, atol=5.1e-5)
    np.testing.assert_allclose(rates.perigee, table[:, 4], rtol=0, atol=5.1e-5)
    np.testing.assert_allclose(1440.0 * 360.0 / motion, table[:, 5], rtol=0, atol=5.1e-4)
    np.testing.assert_allclose(nodal_period(a, 0.0, inclination, **field) / 60.0, table[:, 6], rtol=0, atol=5.1e-4)


def test_table_of_sun_synchronous_inclinations():
    # Computed: circular, 0.9856474 deg/day, J2 only, altitude over 6378.137 km, three decimals.
    table = {
        **{200: 96.327, 300: 96.672, 400: 97.030, 450: 97.214, 500: 97.402, 550: 97.593, 600: 97.788},
        **{650: 97.986, 700: 98.188, 750: 98.394, 800: 98.603, 850: 98.816, 900: 99.033, 1000: 99.479},
        **{1100: 99.941, 1200: 100.419, 1400: 101.427, 1600: 102.505, 1800: 103.658, 2000: 104.890},
    }
    found = sun_synchronous_inclination(6378.137 + np.array(list(table)), **WGS84, node_rate_deg_day=0.9856474)
    np.testing.assert_allclose(found, list(table.values()), rtol=0, atol=5.1e-4)
