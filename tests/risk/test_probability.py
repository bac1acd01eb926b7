"""Collision probability of short encounters; published values are in tests/published/test_collision_probability.py."""

import mpmath
import numpy as np
import pytest
from astropy import units
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from shells.errors import InputError, SchemaError
from shells.risk.covariances import smallest_correlation_eigenvalue
from shells.risk.encounter import encounter_plane
from shells.risk.probability import PROBABILITIES, collision_probability
from shells.risk.short_encounter import greatest_probability, short_encounter_probability
from shells.schema import APPROACHES


def probability(sigma_x, sigma_y, x, y, radius, method="quicker"):
    return short_encounter_probability([[x, y]], [np.diag([sigma_x**2, sigma_y**2])], radius, method=method)[0]


def principal(covariance, miss):
    """Deviations and offsets along the axes of exactly these floats, in many digits."""
    a, b, c = (mpmath.mpf(float(covariance[k])) for k in ((0, 0), (0, 1), (1, 1)))
    large = (a + c) / 2 + mpmath.sqrt((a - c) ** 2 / 4 + b**2)
    angle = mpmath.atan2(2 * b, a - c) / 2
    m = [mpmath.mpf(float(value)) for value in miss]
    along = m[0] * mpmath.cos(angle) + m[1] * mpmath.sin(angle)
    across = m[1] * mpmath.cos(angle) - m[0] * mpmath.sin(angle)
    return (mpmath.sqrt((a * c - b**2) / large), mpmath.sqrt(large)), (abs(across), abs(along))


def by_series(sigmas, offsets, radius):
    """H. Ruben 1962, Annals of Mathematical Statistics 33, 542-570: a mixture of central chi-square distributions.

    All terms are positive for the scale beta of the smaller variance; converges for radius / sigma up to some tens.
    """
    beta = min(sigmas) ** 2
    shrink = [1 - beta / s**2 for s in sigmas]
    squared = [(m / s) ** 2 for m, s in zip(offsets, sigmas, strict=True)]
    weights = [mpmath.exp(-sum(squared) / 2) * mpmath.sqrt(beta / sigmas[0] ** 2) * mpmath.sqrt(beta / sigmas[1] ** 2)]
    half = mpmath.mpf(radius) ** 2 / beta / 2
    # distribution function of the central chi-square, 2 + 2 k degrees of freedom
    poisson = mpmath.exp(-half)
    tail, total, driving = 1 - poisson, mpmath.mpf(0), [None]
    for k in range(4000):
        term = weights[k] * tail
        total += term
        if k > half and term < total * mpmath.mpf(10) ** -20:
            break
        n = k + 1
        driving.append(sum(q**n + n * b * (1 - q) * q ** (n - 1) for q, b in zip(shrink, squared, strict=True)))
        weights.append(sum(driving[n - r] * weights[r] for r in range(n)) / (2 * n))
        poisson *= half / n
        tail -= poisson
    return total


def by_quadrature(sigmas, offsets, radius):
    """Chords of the disc, in many digits, broken where the integrand bends."""
    (s_x, s_y), (x, y), r = sigmas, offsets, mpmath.mpf(radius)
    points = {mpmath.pi * k / 160 for k in range(-80, 81)}
    for k in range(-20, 21, 2):
        if abs(x + k * s_x) < r:
            points.add(mpmath.asin((x + k * s_x) / r))
        if 0 < y + k * s_y < r:
            points |= {mpmath.acos((y + k * s_y) / r), -mpmath.acos((y + k * s_y) / r)}

    def integrand(t):
        half, scale = r * mpmath.cos(t), mpmath.sqrt(2) * s_y
        strip = mpmath.erfc((y - half) / scale) - mpmath.erfc((y + half) / scale)
        return mpmath.exp(-(((r * mpmath.sin(t) - x) / s_x) ** 2) / 2) * strip * half

    return mpmath.quad(integrand, sorted(points), maxdegree=5) / (2 * s_x * mpmath.sqrt(2 * mpmath.pi))


def test_random_cases_against_the_series():
    # Slow twin by another method: aspect ratios to 1e4, turned at random, down to 1e-27 and below.
    rng = np.random.default_rng(508)
    smallest = 1.0
    for _ in range(25):
        radius = 10.0 ** rng.uniform(-1.0, 1.5)
        sigma = radius * 10.0 ** rng.uniform(-0.3, 4.0) * np.array([1.0, 10.0 ** rng.uniform(0.0, 4.0)])
        cosine, sine = np.cos(angle := rng.uniform(0.0, np.pi)), np.sin(angle)
        turn = np.array([[cosine, -sine], [sine, cosine]])
        covariance = turn @ np.diag(sigma**2) @ turn.T
        covariance = 0.5 * (covariance + covariance.T)
        direction = rng.uniform(0.0, 2.0 * np.pi)
        miss = turn @ (rng.uniform(0.0, 12.0) * sigma * [np.cos(direction), np.sin(direction)])
        with mpmath.workdps(50):
            expected = by_series(*principal(covariance, miss), radius)
        for method in ("series", "quadrature"):
            found = short_encounter_probability([miss], [covariance], radius, method=method)[0]
            np.testing.assert_allclose(found, float(expected), rtol=1e-9)
        smallest = min(smallest, found)
    assert smallest < 1e-27


@pytest.mark.parametrize(
    ("sigma_x", "sigma_y", "x", "y", "radius"),
    [
        # ten sigma out, where the difference of two error functions is zero in double precision: 1e-27
        (100.0, 100.0, 800.0, 750.0, 5.0),
        (1000.0, 100.0, 0.0, 1100.0, 10.0),
        # centimetres against a disc of metres: inside, across the rim, grazing, outside
        (0.01, 0.02, 6.0, 7.0, 10.0),
        (0.01, 0.02, 7.07, 7.07, 10.0),
        (0.02, 0.01, 9.995, 0.1, 10.0),
        (0.01, 0.05, 9.9, 2.0, 10.0),
        (0.01, 0.02, 0.005, 10.02, 10.0),
        # long thin ellipses through and beside the disc
        (1e-3, 1e3, 9.9999, 0.0, 10.0),
        (1e-4, 1e2, 0.0, 300.0, 10.0),
        (0.3, 1e6, 10.5, 2e6, 10.0),
        # far outside a disc that is large against the deviations
        (1.0, 3.0, 40.0, 8.0, 20.0),
    ],
)
def test_extreme_cases_against_quadrature(sigma_x, sigma_y, x, y, radius):
    # Slow twin: mpmath with 25 digits, both ways round.
    with mpmath.workdps(25):
        expected = float(
            by_quadrature([mpmath.mpf(sigma_x), mpmath.mpf(sigma_y)], [mpmath.mpf(x), mpmath.mpf(y)], radius)
        )
    np.testing.assert_allclose(probability(sigma_x, sigma_y, x, y, radius), expected, rtol=1e-10)
    np.testing.assert_allclose(probability(sigma_y, sigma_x, -y, x, radius, "quadrature"), expected, rtol=1e-10)
    by_terms = probability(sigma_x, sigma_y, x, y, radius, "series")
    if radius <= 1000.0 * min(sigma_x, sigma_y):
        np.testing.assert_allclose(by_terms, expected, rtol=1e-8)
    else:
        assert np.isnan(by_terms)


def test_two_methods_agree_over_all_decades():
    # Other method: series and quadrature share nothing but the axes. Radii of 1/1e5 to 200 deviations, aspect ratios
    # to 1e6.
    rng = np.random.default_rng(20)
    radius = 10.0
    sigmas = radius * 10.0 ** rng.uniform(-2.3, 5.0, 1500)
    sigmas = np.stack([sigmas, sigmas * 10.0 ** rng.uniform(0.0, 6.0, 1500)], axis=1)
    miss = rng.uniform(-1.0, 1.0, (1500, 2)) * (9.0 * sigmas + radius)
    covariance = sigmas[:, :, None] ** 2 * np.eye(2)
    terms = short_encounter_probability(miss, covariance, radius, method="series")
    chords = short_encounter_probability(miss, covariance, radius, method="quadrature")
    np.testing.assert_allclose(terms, chords, rtol=1e-8, atol=1e-290)
    decades = np.floor(-np.log10(chords[chords > 0.0]))
    assert set(range(21)) <= set(decades.astype(int))


def test_importance_sampling_of_one_in_a_billion():
    # Monte Carlo: points drawn evenly in the disc, weighted with the density; within 20 % at 1e-9, in fact much nearer.
    sigma, miss, radius = np.array([40.0, 300.0]), np.array([180.0, 900.0]), 7.0
    found = probability(*sigma, *miss, radius)
    assert 1e-10 < found < 1e-8
    rng = np.random.default_rng(9)
    reach, angle = radius * np.sqrt(rng.random(4000)), 2.0 * np.pi * rng.random(4000)
    points = np.stack([reach * np.cos(angle), reach * np.sin(angle)], axis=1)
    weights = np.pi * radius**2 * stats.norm.pdf((points - miss) / sigma).prod(axis=1) / sigma.prod()
    np.testing.assert_allclose(weights.mean(), found, rtol=4.0 * weights.std() / weights.mean() / np.sqrt(4000))


def test_greatest_probability_of_a_small_body():
    # Closed form: R^2 exp(-1) / (sx sy d^2) at the scale d / sqrt(2) (S. Alfano 2005, J. Astronautical Sciences 53).
    sigma, miss = np.array([30.0, 700.0]), np.array([95.0, -1300.0])
    found, scale = greatest_probability([miss], [np.diag(sigma**2)], 0.01)
    square = ((miss / sigma) ** 2).sum()
    np.testing.assert_allclose(found, 0.01**2 * np.exp(-1.0) / (sigma.prod() * square), rtol=1e-6)
    np.testing.assert_allclose(scale, np.sqrt(square / 2.0), rtol=1e-4)


def test_greatest_probability_against_a_scan():
    # Slow twin: scales over three decades about the one found. Bodies of 1/100 to 100 deviations, near and far.
    rng = np.random.default_rng(53)
    sigma = 10.0 * 10.0 ** rng.uniform(-2.0, 2.0, (60, 2))
    angle, far = rng.uniform(0.0, 2.0 * np.pi, 60), 10.0 * 10.0 ** rng.uniform(0.001, 1.5, 60)
    miss = np.stack([far * np.cos(angle), far * np.sin(angle)], axis=1)
    covariance = sigma[:, :, None] ** 2 * np.eye(2)
    found, scale = greatest_probability(miss, covariance, 10.0)
    for k in range(60):
        scales = scale[k] * np.geomspace(0.03, 30.0, 801)
        scaled = scales[:, None, None] ** 2 * covariance[k]
        scanned = short_encounter_probability(np.tile(miss[k], (801, 1)), scaled, 10.0)
        assert found[k] >= scanned.max() * (1.0 - 1e-12)
        np.testing.assert_allclose(found[k], scanned.max(), rtol=1e-4)
        # one maximum: up, then down
        slope = np.sign(np.diff(scanned)[np.abs(np.diff(scanned)) > 1e-12 * found[k]])
        assert (np.diff(slope) != 0).sum() == 1


def test_greatest_probability_limits():
    # Limits: a miss inside the body, on its rim, a certain position outside, no body.
    cases = [
        ([3.0, 1.0], np.eye(2), 5.0),
        ([3.0, 4.0], np.eye(2), 5.0),
        ([30.0, 1.0], np.zeros((2, 2)), 5.0),
        ([30.0, 1.0], np.eye(2), 0.0),
    ]
    found = [greatest_probability([miss], [covariance], radius) for miss, covariance, radius in cases]
    assert [(p.item(), s.item()) for p, s in found] == [(1.0, 0.0), (0.5, 0.0), (0.0, 1.0), (0.0, 1.0)]


@settings(deadline=None)  # the first call may compile
@given(st.floats(-3.0, 3.0), st.floats(0.0, 6.0), st.floats(0.0, 2.0 * np.pi))
def test_isotropic_is_non_central_chi_square(size, distance, direction):
    # Closed form by scipy, in the bulk, where its own digits hold.
    sigma = 10.0**size
    found = probability(sigma, sigma, distance * np.cos(direction), distance * np.sin(direction), 3.0)
    expected = stats.ncx2.cdf((3.0 / sigma) ** 2, 2, (distance / sigma) ** 2)
    if expected > 1e-12:
        np.testing.assert_allclose(found, expected, rtol=1e-7)


@settings(deadline=None)  # the first call may compile
@given(st.floats(0.1, 1e4), st.floats(1.0, 1e3), st.floats(-5.0, 5.0), st.floats(-5.0, 5.0), st.floats(0.0, np.pi))
def test_turning_changes_nothing(sigma, aspect, x, y, angle):
    # Property: the probability does not depend on the axes of the plane.
    cosine, sine = np.cos(angle), np.sin(angle)
    turn = np.array([[cosine, -sine], [sine, cosine]])
    sigmas = np.array([sigma, sigma * aspect])
    miss, covariance = sigmas * [x, y], np.diag(sigmas**2)
    turned = turn @ covariance @ turn.T
    found = short_encounter_probability([miss, turn @ miss], [covariance, 0.5 * (turned + turned.T)], 10.0)
    # rounding of the turned floats: its share of the smaller variance grows with the square of the aspect ratio
    np.testing.assert_allclose(found[1], found[0], rtol=1e-13 * aspect**2 + 1e-9)


@settings(deadline=None)  # the first call may compile
@given(st.floats(0.1, 100.0), st.floats(0.1, 100.0), st.floats(0.0, 50.0), st.floats(0.0, 50.0))
def test_larger_bodies_are_hit_more_often(sigma_x, sigma_y, x, y):
    # Property: monotone in the radius, between 0 and 1.
    radii = np.geomspace(0.01, 1e3, 25)
    found = short_encounter_probability(
        np.tile([x, y], (25, 1)), np.tile(np.diag([sigma_x**2, sigma_y**2]), (25, 1, 1)), radii
    )
    assert (np.diff(found) >= -1e-12).all()
    assert found[0] >= 0.0
    np.testing.assert_allclose(found[-1], 1.0, rtol=1e-12)


def test_small_body_is_density_times_area():
    # Limit: radius against deviation to zero.
    density = np.exp(-0.5 * (0.5**2 + 2.0**2)) / (2.0 * np.pi * 100.0 * 300.0)
    np.testing.assert_allclose(probability(100.0, 300.0, 50.0, 600.0, 1e-4), density * np.pi * 1e-8, rtol=1e-10)


@pytest.mark.parametrize(
    ("sigma_x", "sigma_y", "x", "y", "radius", "expected"),
    [
        (0.0, 0.0, 3.0, 4.0, 5.1, 1.0),
        (0.0, 0.0, 3.0, 4.0, 4.9, 0.0),
        (0.0, 10.0, 3.0, 0.0, 5.0, stats.norm.cdf(0.4) - stats.norm.cdf(-0.4)),
        (10.0, 0.0, 0.0, 5.1, 5.0, 0.0),
        (1.0, 1.0, 0.0, 0.0, 0.0, 0.0),
        (1.0, 2.0, 1e3, 1e3, 5.0, 0.0),
    ],
)
def test_limits(sigma_x, sigma_y, x, y, radius, expected):
    # Limits: certain positions, certain along one axis, no body, beyond the smallest double.
    np.testing.assert_allclose(probability(sigma_x, sigma_y, x, y, radius), expected, rtol=1e-12)


def test_no_encounters():
    assert short_encounter_probability(np.zeros((0, 2)), np.zeros((0, 2, 2)), 1.0).shape == (0,)


def test_array_errors():
    with pytest.raises(
        InputError, match=r"^short_encounter_probability: miss_m of shape \(2,\) found; allowed: \(n, 2\)$"
    ):
        short_encounter_probability([1.0, 2.0], np.eye(2), 1.0)
    with pytest.raises(InputError) as error:
        short_encounter_probability([[1.0, np.nan], [0.0, 0.0]], [np.eye(2), [[1.0, 2.0], [2.0, 1.0]]], [1.0, -1.0])
    assert str(error.value).splitlines() == [
        "short_encounter_probability: arguments cannot be used:",
        "  - miss_m: not finite at approaches [0] (1 of 2); only finite numbers are allowed",
        "  - covariance_m2: not positive semidefinite at approaches [1] (1 of 2): smallest eigenvalue of the "
        "correlation "
        "matrix -1, allowed: from 0; correct the covariance or leave these approaches out",
        "  - hard-body radius: [-1.] m at approaches [1] (1 of 2); allowed: finite, from 0 m",
    ]


def test_correlation_eigenvalue():
    # Closed forms: 1 - |correlation|; a zero variance with a covariance, and a negative variance, are none.
    found = smallest_correlation_eigenvalue(
        [[[4.0, 3.0], [3.0, 9.0]], [[0.0, 1.0], [1.0, 1.0]], [[-1.0, 0.0], [0.0, 4.0]], [[0.0, 0.0], [0.0, 0.0]]]
    )
    np.testing.assert_allclose(found, [0.5, 0.5 - np.sqrt(1.25), -1.0, 0.0], rtol=0, atol=1e-14)


@settings(deadline=None)  # the first call may compile
@given(st.lists(st.floats(-10.0, 10.0), min_size=3, max_size=3).filter(lambda v: np.linalg.norm(v) > 1e-3))
def test_encounter_plane(velocity):
    # Property: orthonormal, and normal to the velocity.
    plane = encounter_plane([velocity])[0]
    np.testing.assert_allclose(plane @ plane.T, np.eye(2), rtol=0, atol=1e-13)
    np.testing.assert_allclose(plane @ velocity / np.linalg.norm(velocity), 0.0, rtol=0, atol=1e-13)


def approaches(count=1, angle=60.0, miss=(0.1, 0.2, -0.3)):
    """Encounters of equal circular speeds at a crossing angle, the second moving to the side of its sign."""
    turn = np.radians(np.broadcast_to(angle, count))
    time = np.full(count, np.datetime64("2026-03-01", "ns"))
    values = {
        "first": np.arange(count),
        "second": np.arange(count) + count,
        "time": time,
        "start": np.full(count, np.datetime64("NaT", "ns")),
        "end": np.full(count, np.datetime64("NaT", "ns")),
        "miss_distance": np.full(count, np.linalg.norm(miss)),
        "relative_velocity_radial": np.zeros(count),
        "relative_velocity_in_track": 7.5 * (np.cos(turn) - 1.0),
        "relative_velocity_cross_track": 7.5 * np.sin(turn),
        "geocentric_latitude": np.zeros(count),
        "radius_altitude": np.full(count, 600.0),
        "crossing_angle": np.degrees(np.abs(turn)),
    }
    values |= {
        name: np.full(count, part) for name, part in zip(("radial", "in_track", "cross_track"), miss, strict=True)
    }
    return APPROACHES.build(values)


FIRST = np.array([[2500.0, 300.0, 0.0], [300.0, 90000.0, 100.0], [0.0, 100.0, 1600.0]])
SECOND = np.array([[900.0, -500.0, 10.0], [-500.0, 250000.0, 0.0], [10.0, 0.0, 2500.0]])


@pytest.mark.parametrize("angle", [60.0, -60.0, 170.0, -5.0])
def test_stage_by_hand(angle):
    # Other method: both covariances and the miss vector projected on an explicit pair of axes. Equal speeds at an
    # angle: the relative velocity bisects, so the encounter plane holds the radial direction and the mean velocity.
    found = collision_probability(
        approaches(angle=angle), covariance_first_m2=FIRST, covariance_second_m2=SECOND, hard_body_radius_m=12.0
    )
    PROBABILITIES.check(found, stage="test")
    half = np.radians(0.5 * angle)
    radial, mean = np.array([1.0, 0.0, 0.0]), np.array([0.0, np.cos(half), np.sin(half)])
    in_first = np.stack([radial, mean])
    # seen from the second, the mean velocity points to the other side
    in_second = np.stack([radial, mean * [1.0, 1.0, -1.0]])
    covariance = in_first @ FIRST @ in_first.T + in_second @ SECOND @ in_second.T
    miss = in_first @ [100.0, 200.0, -300.0]
    expected = short_encounter_probability([miss], [covariance], 12.0)
    np.testing.assert_allclose(found["collision_probability"], expected, rtol=1e-10)
    np.testing.assert_allclose(found["mahalanobis_distance"] ** 2, miss @ np.linalg.solve(covariance, miss), rtol=1e-10)
    assert found["collision_probability"].attrs["units"] == "1"


def test_one_covariance_for_all_or_one_each():
    # Property: broadcasting, and Quantities.
    three = approaches(3, [60.0, -30.0, 100.0])
    same = collision_probability(three, covariance_first_m2=FIRST, covariance_second_m2=SECOND, hard_body_radius_m=12.0)
    each = collision_probability(
        three,
        covariance_first_m2=np.tile(FIRST, (3, 1, 1)) * 1e-6 * units.km**2,
        covariance_second_m2=np.tile(SECOND, (3, 1, 1)),
        hard_body_radius_m=np.full(3, 12.0) * units.m,
    )
    np.testing.assert_allclose(each["collision_probability"], same["collision_probability"], rtol=1e-12)
    assert np.unique(same["collision_probability"]).size == 3


def test_certain_positions():
    # Limit: no covariance at all: a hit or not, at infinite or zero distance in deviations.
    zero = {"covariance_first_m2": np.zeros((3, 3)), "covariance_second_m2": np.zeros((3, 3))}
    far = collision_probability(approaches(), **zero, hard_body_radius_m=10.0)
    assert (far["collision_probability"].item(), far["mahalanobis_distance"].item()) == (0.0, np.inf)
    hit = collision_probability(approaches(miss=(0.0, 0.0, 0.0)), **zero, hard_body_radius_m=10.0)
    assert (hit["collision_probability"].item(), hit["mahalanobis_distance"].item()) == (1.0, 0.0)


def test_no_approaches():
    found = collision_probability(
        approaches(0), covariance_first_m2=FIRST, covariance_second_m2=SECOND, hard_body_radius_m=12.0
    )
    assert found.sizes["approach"] == 0


def test_stage_errors():
    first = np.tile(FIRST, (3, 1, 1))
    first[1, 0, 0], first[2, 0, 1] = np.nan, 0.0
    still = approaches(3)
    for axis in ("radial", "in_track", "cross_track"):
        still[f"relative_velocity_{axis}"][2] = 0.0
    with pytest.raises(InputError) as error:
        collision_probability(
            still,
            covariance_first_m2=first,
            covariance_second_m2=SECOND - 1e4 * np.eye(3),
            hard_body_radius_m=[1.0, 2.0],
        )
    smallest = smallest_correlation_eigenvalue(SECOND - 1e4 * np.eye(3))
    assert str(error.value).splitlines() == [
        "collision_probability: arguments cannot be used:",
        "  - covariance_first_m2: not finite at approaches [1] (1 of 3); only finite numbers are allowed",
        "  - covariance_first_m2: not symmetric at approaches [2] (1 of 3); give both halves of the matrix",
        "  - covariance_second_m2: not positive semidefinite at approaches [0, 1, 2] (3 of 3): smallest eigenvalue "
        "of the "
        f"correlation matrix {smallest:.3g}, allowed: from 0; correct the covariance or leave these approaches out",
        "  - hard-body radius: shape (2,) found; allowed: () or (3,)",
        "  - relative velocity: zero at approaches [2] (1 of 3); without it an encounter has no encounter "
        "plane; leave "
        "these approaches out",
    ]
    with pytest.raises(InputError) as error:
        collision_probability(
            approaches(7),
            covariance_first_m2=np.eye(2),
            covariance_second_m2="large",
            hard_body_radius_m=np.full(7, np.inf),
        )
    assert str(error.value).splitlines() == [
        "collision_probability: arguments cannot be used:",
        "  - covariance_first_m2: shape (2, 2) found; allowed: (3, 3) or (7, 3, 3)",
        "  - covariance_second_m2: 'large' found; allowed: numbers in m2, bare or as a Quantity",
        "  - hard-body radius: [inf] m at approaches [0, 1, 2, 3, 4] … (7 of 7); allowed: finite, from 0 m",
    ]
    with pytest.raises(InputError, match="hard-body radius: 'x' found; allowed: numbers in m, bare or as a Quantity"):
        collision_probability(
            approaches(), covariance_first_m2=FIRST, covariance_second_m2=SECOND, hard_body_radius_m="x"
        )
    with pytest.raises(SchemaError, match="crossing_angle: missing"):
        collision_probability(
            approaches().drop_vars("crossing_angle"),
            covariance_first_m2=FIRST,
            covariance_second_m2=SECOND,
            hard_body_radius_m=1.0,
        )
