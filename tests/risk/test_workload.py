"""Avoidance workload: areas above thresholds against closed forms, counts against areas."""

import numpy as np
import pytest
from scipy import integrate, optimize

from shells.errors import InputError
from shells.risk.encounter import encounter_plane
from shells.risk.probability import collision_probability
from shells.risk.series.kernels import areas_above
from shells.risk.short_encounter import quadrature_rules, short_encounter_probability
from shells.risk.workload import WORKLOAD, avoidance_workload, small_body_area, total_workload
from tests.risk.test_probability import FIRST, SECOND, approaches


def area_of(sigmas, radius, threshold):
    return areas_above(np.diag(np.square(sigmas))[None], np.array([radius]), threshold, quadrature_rules())


@pytest.mark.parametrize("threshold", [1e-4, 1e-5, 1e-6])
def test_small_body_area(threshold):
    # Closed form: ellipse of half axes s sqrt(2 ln(peak / threshold)), peak = R^2 / (2 s1 s2). A body of finite size
    # adds terms of (R / s)^2.
    sigmas, radius = np.array([90.0, 400.0]), 3.0
    rounds = 2.0 * np.log(radius**2 / (2.0 * sigmas.prod()) / threshold)
    area, reach = area_of(sigmas, radius, threshold)
    expected = np.pi * sigmas.prod() * max(rounds, 0.0)
    np.testing.assert_allclose(small_body_area(np.diag(sigmas**2)[None], np.array([radius]), threshold), expected)
    np.testing.assert_allclose(area, expected, rtol=(radius / sigmas[0]) ** 2)
    np.testing.assert_allclose(reach, sigmas[1] * np.sqrt(max(rounds, 0.0)), rtol=(radius / sigmas[0]) ** 2)


@pytest.mark.parametrize(
    ("sigmas", "radius"), [((90.0, 400.0), 3.0), ((9.0, 40.0), 12.0), ((2.0, 60.0), 12.0), ((3.0, 3.5), 12.0)]
)
def test_areas_add_up_to_the_body(sigmas, radius):
    # Exact: the integral of the area over all thresholds is that of the probability over all misses, pi R^2, whatever
    # the size of the body (the threshold's logarithm makes it smooth).
    peak = short_encounter_probability([[0.0, 0.0]], [np.diag(np.square(sigmas))], radius)[0]

    def integrand(logarithm):
        return area_of(sigmas, radius, np.exp(logarithm))[0][0] * np.exp(logarithm)

    total = integrate.quad(integrand, np.log(peak) - 36.0, np.log(peak), epsrel=1e-9, limit=200)[0]
    np.testing.assert_allclose(total, np.pi * radius**2, rtol=1e-6)


def test_area_of_a_large_body_by_rays():
    # Other method: the level sought by scipy along 720 even directions of the plane.
    sigmas, radius, threshold = np.array([6.0, 25.0]), 14.0, 1e-4
    angles = (np.arange(720) + 0.5) * 2.0 * np.pi / 720

    def level(distance, angle):
        miss = [[distance * np.cos(angle), distance * np.sin(angle)]]
        found = short_encounter_probability(miss, [np.diag(sigmas**2)], radius, method="quadrature")[0]
        return np.log(found / threshold)

    rays = [optimize.brentq(level, 0.0, 200.0, args=(angle,), xtol=1e-9) for angle in angles[:180]]
    np.testing.assert_allclose(
        area_of(sigmas, radius, threshold)[0], 2.0 * np.mean(np.square(rays)) * np.pi / 2.0, rtol=1e-6
    )


def encounters(count, within_km, seed=31):
    """Approaches whose misses are uniform over the disc of their encounter plane."""
    rng = np.random.default_rng(seed)
    events = approaches(count, rng.uniform(20.0, 160.0, count) * rng.choice([-1.0, 1.0], count))
    velocity = np.stack(
        [events[f"relative_velocity_{axis}"].values for axis in ("radial", "in_track", "cross_track")], axis=1
    )
    far, angle = within_km * np.sqrt(rng.random(count)), 2.0 * np.pi * rng.random(count)
    flat = np.stack([far * np.cos(angle), far * np.sin(angle)], axis=1)
    miss = np.einsum("ni,nij->nj", flat, encounter_plane(velocity))
    for axis, part in zip(("radial", "in_track", "cross_track"), miss.T, strict=True):
        events[axis].values[:] = part
    return events.assign(
        second=("approach", rng.integers(100, 180, count)), miss_distance=("approach", far, {"units": "km"})
    )


def test_counts_agree_with_areas():
    # Monte Carlo: misses uniform in the plane; of 8000 encounters so many pass as the areas say, within the spread of a
    # binomial count.
    events = encounters(8000, 3.0)
    options = {"covariance_first_m2": FIRST, "covariance_second_m2": SECOND, "hard_body_radius_m": 12.0}
    found = avoidance_workload(events, **options, within_km=3.0, encounters_per_satellite_year=50.0)
    WORKLOAD.check(found, stage="test")
    assert found["lasting"] == 0
    np.testing.assert_array_equal(found["threshold"], [1e-4, 1e-5, 1e-6])
    spread = 50.0 * np.sqrt(found["share"] / 8000.0)
    assert (found["share"] > 0.01).all()
    assert (abs(found["manoeuvres_counted"] - found["manoeuvres"]) < 3.0 * spread).all()
    np.testing.assert_allclose(found["manoeuvres"], 50.0 * found["share"], rtol=1e-14)
    np.testing.assert_allclose(found["manoeuvres_small_body"], found["manoeuvres"], rtol=0.05)
    assert (found["reach"] < 3.0).all()
    passed = collision_probability(events, **options)["collision_probability"].values >= 1e-5
    np.testing.assert_allclose(found["manoeuvres_counted"][1], 50.0 * passed.mean(), rtol=1e-14)
    # property: the order of the approaches has no part in it
    turned = avoidance_workload(
        events.isel(approach=slice(None, None, -1)), **options, within_km=3.0, encounters_per_satellite_year=50.0
    )
    assert turned.identical(found)


def test_resampled_error():
    # Slow twin: second objects resampled in fact.
    events = encounters(160, 3.0)
    options = {"covariance_second_m2": SECOND, "hard_body_radius_m": 12.0}
    # errors that depend on the object, so that objects differ
    second = events["second"].values
    first = FIRST * (1.0 + (second % 7))[:, None, None]
    options |= {"within_km": 3.0, "encounters_per_satellite_year": 1.0, "thresholds": [1e-5]}
    found = avoidance_workload(events, covariance_first_m2=first, **options)
    singles = np.array(
        [
            avoidance_workload(events.isel(approach=[k]), covariance_first_m2=first[k], **options)["share"].item()
            for k in range(160)
        ]
    )
    objects, member = np.unique(second, return_inverse=True)
    sums, counts = np.bincount(member, weights=singles), np.bincount(member)
    rng = np.random.default_rng(4)
    picks = rng.integers(0, objects.size, (4000, objects.size))
    resampled = (sums[picks].sum(axis=1) / counts[picks].sum(axis=1)).std()
    np.testing.assert_allclose(found["manoeuvres_error"], resampled, rtol=0.05)


def test_lasting_encounters_are_counted():
    # Limit: satellites side by side have no area in a plane; what they are counts.
    slow = approaches(1, angle=0.001, miss=(0.03, 0.05, -0.02))
    found = avoidance_workload(
        slow,
        covariance_first_m2=FIRST,
        covariance_second_m2=SECOND,
        hard_body_radius_m=12.0,
        within_km=1.0,
        encounters_per_satellite_year=3.0,
    )
    assert found["lasting"] == 1
    np.testing.assert_array_equal(found["manoeuvres"], found["manoeuvres_counted"])
    assert found["manoeuvres"][2] == 3.0
    assert np.isnan(found["manoeuvres_error"]).all()


def test_errors():
    options = {"covariance_first_m2": FIRST, "covariance_second_m2": -SECOND, "hard_body_radius_m": 12.0}
    with pytest.raises(InputError) as error:
        avoidance_workload(
            approaches(0), **options, within_km=0.0, encounters_per_satellite_year=np.nan, thresholds=[0.0, 1e-4]
        )
    assert str(error.value).splitlines()[:2] == [
        "avoidance_workload: arguments cannot be used:",
        "  - approaches: none found; their geometry is needed",
    ]
    for word in ("within_km", "encounters_per_satellite_year", "thresholds"):
        assert f"  - {word}: " in str(error.value)


def test_workloads_against_different_objects_add_up():
    # Exact: the rates of all encounters are those of its parts, each part weighted with its own encounters
    events = encounters(60, 0.4)
    known = {"covariance_first_m2": FIRST, "covariance_second_m2": SECOND, "hard_body_radius_m": 9.0}

    def workload(chosen, rate):
        return avoidance_workload(
            chosen, **known, within_km=0.4, encounters_per_satellite_year=rate, thresholds=[1e-4, 1e-6]
        )

    whole = workload(events, 6.0)
    parts = [
        workload(events.isel(approach=part), 0.1 * count) for part, count in ((slice(0, 21), 21), (slice(21, 60), 39))
    ]
    added = total_workload(parts)
    for name in ("share", "manoeuvres", "manoeuvres_counted", "manoeuvres_small_body", "reach"):
        np.testing.assert_allclose(added[name], whole[name], rtol=1e-12, err_msg=name)
    assert added["manoeuvres"].values[1] > 0.0
    with pytest.raises(InputError, match="parts: none found"):
        total_workload([])
