"""Avoidance workload: areas above thresholds against closed forms, counts against areas."""

import numpy as np
import pytest
import xarray as xr
from scipy import integrate, optimize

from shells.errors import InputError
from shells.risk.encounter import encounter_plane
from shells.risk.probability import collision_probability
from shells.risk.series.kernels import areas_above
from shells.risk.short_encounter import quadrature_rules, short_encounter_probability
from shells.risk.workload import (
    WORKLOAD,
    WORKLOAD_OF_OBJECTS,
    avoidance_workload,
    small_body_area,
    total_workload,
    workload_of_objects,
)
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


def workload(events, within_km, satellite_years, thresholds=(1e-4, 1e-5, 1e-6), **known):
    known = {"covariance_first_m2": FIRST, "covariance_second_m2": SECOND, "hard_body_radius_m": 12.0} | known
    return avoidance_workload(
        events,
        collision_probability(events, **known),
        **known,
        within_km=within_km,
        satellite_years=satellite_years,
        thresholds=thresholds,
    )


def test_counts_agree_with_areas():
    # Monte Carlo: misses uniform in the plane; of 8000 encounters so many pass as the areas say, within the spread of a
    # binomial count.
    events = encounters(8000, 3.0)
    found = workload(events, 3.0, 160.0)
    WORKLOAD.check(found, stage="test")
    assert found["lasting"] == 0
    assert found["encounters"] == 50.0
    np.testing.assert_array_equal(found["threshold"], [1e-4, 1e-5, 1e-6])
    spread = 50.0 * np.sqrt(found["share"] / 8000.0)
    assert (found["share"] > 0.01).all()
    assert (abs(found["encounters_above_counted"] - found["encounters_above"]) < 3.0 * spread).all()
    np.testing.assert_allclose(found["encounters_above"], 50.0 * found["share"], rtol=1e-14)
    np.testing.assert_allclose(found["encounters_above_small_body"], found["encounters_above"], rtol=0.05)
    assert (found["reach"] < 3.0).all()
    passed = collision_probability(
        events, covariance_first_m2=FIRST, covariance_second_m2=SECOND, hard_body_radius_m=12.0
    )["collision_probability"].values
    np.testing.assert_allclose(found["encounters_above_counted"][1], 50.0 * (passed >= 1e-5).mean(), rtol=1e-14)
    # property: the order of the approaches has no part in it
    assert workload(events.isel(approach=slice(None, None, -1)), 3.0, 160.0).identical(found)


def test_decisions():
    # By hand, straight through: revolutions of 97 min at 600 km. One pair meets three times on successive revolutions,
    # twice above the threshold, and once more two days later; another once; a third stays below.
    minutes = np.array([0.0, 97.0, 194.0, 3000.0, 50.0, 60.0])
    miss = np.array(
        [[0.0, 0.0, 0.05], [0.0, 0.0, 5.0], [0.0, 0.0, 0.07], [0.0, 0.0, 0.02], [0.0, 0.0, 0.03], [0, 0, 4.0]]
    )
    events = approaches(6, 90.0)
    for axis, part in zip(("radial", "in_track", "cross_track"), miss.T, strict=True):
        events[axis].values[:] = part
    times = events["time"].values + (minutes * 60e9).astype("timedelta64[ns]")
    events = events.assign(
        time=("approach", times),
        first=("approach", np.ones(6, dtype=np.int64)),
        second=("approach", [7, 7, 7, 7, 8, 9]),
    )
    found = workload(events, 10.0, 2.0, thresholds=[1e-6])
    np.testing.assert_array_equal(found["encounters_above_counted"], [4 / 2.0])
    np.testing.assert_array_equal(found["decisions_counted"], [3 / 2.0])
    np.testing.assert_allclose(found["decisions_counted_error"], [np.sqrt(2**2 + 1) / 2.0], rtol=1e-14)


def varied(events, factor):
    """Return an error of the first that depends on the second object, so that objects differ."""
    return FIRST * (1.0 + events["second"].values % factor)[:, None, None]


def each_alone(events, within_km, first):
    """Return the share above 1e-5 of each approach, all with objects of their own."""
    known = {"covariance_first_m2": first, "covariance_second_m2": SECOND, "hard_body_radius_m": 12.0}
    alone = events.assign(second=("approach", np.arange(events.sizes["approach"])))
    found = workload_of_objects(
        alone, collision_probability(alone, **known), **known, within_km=within_km, thresholds=[1e-5]
    )
    return found["above"].values[:, 0]


def test_resampled_error():
    # Closed form: a compound Poisson number, sqrt(sum of squares over objects) (W. Feller 1968, XII.2).
    events = encounters(160, 3.0)
    events = events.assign(second=("approach", 100 + np.arange(160) // 2))
    first = varied(events, 7)
    found = workload(events, 3.0, 5.0, thresholds=[1e-5], covariance_first_m2=first)
    singles = each_alone(events, 3.0, first)
    sums = np.bincount(events["second"].values, weights=singles) / 5.0
    np.testing.assert_allclose(found["encounters_above"], [sums.sum()], rtol=1e-13)
    np.testing.assert_allclose(found["encounters_above_error"], [np.sqrt((sums**2).sum())], rtol=1e-13)
    # one object has an error too: whether it is met at all
    alone = workload(events.isel(approach=[3]), 3.0, 5.0)
    np.testing.assert_allclose(alone["encounters_above_error"], alone["encounters_above"], rtol=1e-14)


def test_errors_of_whole_populations():
    # Monte Carlo: of 500 objects each is met with a chance of 6 %, then one to three times, with errors of its own; the
    # errors stated against the spread of 150 populations (known to 1 / sqrt(300)), that of the decisions too.
    events = encounters(3 * 80, 3.0, seed=5)
    rng = np.random.default_rng(17)
    above, stated, decided, stated_too = [], [], [], []
    for _ in range(150):
        met = rng.integers(0, 80, rng.binomial(500, 0.06))  # each an object of its own, like one of 80
        times = rng.integers(1, 4, met.size)
        rows = np.concatenate([3 * k + np.arange(n) for k, n in zip(met, times, strict=True)])
        one = events.isel(approach=rows).assign(second=("approach", np.repeat(np.arange(met.size), times)))
        found = workload(one, 3.0, 40.0, [1e-5], covariance_first_m2=varied(one, 3))
        above.append(found["encounters_above"].item())
        stated.append(found["encounters_above_error"].item())
        decided.append(found["decisions_counted"].item())
        stated_too.append(found["decisions_counted_error"].item())
    for values, errors in ((above, stated), (decided, stated_too)):
        np.testing.assert_allclose(np.sqrt(np.mean(np.square(errors))), np.std(values), rtol=4.0 / np.sqrt(300.0))


def test_lasting_encounters_are_counted():
    # Limit: satellites side by side have no area in a plane; what they are counts.
    slow = approaches(1, angle=0.001, miss=(0.03, 0.05, -0.02))
    found = workload(slow, 1.0, 1.0 / 3.0)
    assert found["lasting"] == 1
    np.testing.assert_array_equal(found["encounters_above"], found["encounters_above_counted"])
    assert found["encounters_above"][2] == 3.0
    assert found["share_found"] == 1.0


def test_errors():
    known = {"covariance_first_m2": FIRST, "covariance_second_m2": SECOND, "hard_body_radius_m": 12.0}
    probabilities = collision_probability(approaches(1), **known)
    with pytest.raises(InputError) as error:
        avoidance_workload(
            approaches(0),
            probabilities,
            **known | {"covariance_second_m2": -SECOND},
            within_km=0.0,
            satellite_years=0.0,
            thresholds=[0.0, 1e-4],
        )
    assert str(error.value).splitlines()[:3] == [
        "avoidance_workload: arguments cannot be used:",
        "  - approaches: none found; their geometry is needed",
        "  - probabilities: 1 found for 0 approaches",
    ]
    for word in ("within_km", "satellite_years", "thresholds"):
        assert f"  - {word}: " in str(error.value)


def of_objects(events, **known):
    known = {"covariance_first_m2": FIRST, "covariance_second_m2": SECOND, "hard_body_radius_m": 9.0} | known
    asked = {"within_km": 0.4, "thresholds": [1e-4, 1e-6]}
    return workload_of_objects(events, collision_probability(events, **known), **known, **asked)


def test_objects_do_not_depend_on_each_other():
    # Exact, to the last bit: however objects are cut into parts, and whatever order these come in.
    events = encounters(400, 0.4)
    second = events["second"].values
    parts = [second == second[0], (second != second[0]) & (second < 140), (second != second[0]) & (second >= 140)]
    whole = of_objects(events)
    WORKLOAD_OF_OBJECTS.check(whole, stage="test")
    joined = xr.concat([of_objects(events.isel(approach=part)) for part in parts[::-1]], "object", data_vars="minimal")
    xr.testing.assert_identical(joined.sortby("object"), whole)
    xr.testing.assert_identical(
        total_workload(joined, satellite_years=10.0), total_workload(whole, satellite_years=10.0)
    )
    assert (whole["above"].sum("object") > 0.0).all()


def test_sampled_areas_stand_for_all():
    # Other method: the areas of all approaches one by one, of which each object's own mean is taken over four.
    events = encounters(900, 0.4)
    first = varied(events, 5)
    singles = each_alone(events, 0.4, first)
    found = workload(events, 0.4, 1.0, [1e-5], covariance_first_m2=first)
    # some eleven approaches an object, of which those of one differ by their planes alone
    assert found["encounters_above"].item() == pytest.approx(sum(singles), rel=0.03)


def test_objects_without_encounters_above_keep_theirs():
    # By hand: as many encounters with other objects, far too uncertain to pass: half the share.
    events = encounters(60, 0.4)
    sure = of_objects(events)
    vague = of_objects(events, covariance_first_m2=1e6 * FIRST)
    assert (vague["above"] == 0.0).all()
    vague = vague.assign_coords(object=vague["object"] + 1000)
    both = total_workload(xr.concat([sure, vague], "object", data_vars="minimal"), satellite_years=10.0)
    alone = total_workload(sure, satellite_years=10.0)
    np.testing.assert_allclose(both["share"], alone["share"] / 2.0, rtol=1e-14)
    np.testing.assert_allclose(both["encounters"], 12.0, rtol=1e-14)
    np.testing.assert_allclose(both["encounters_above_error"], alone["encounters_above_error"], rtol=1e-14)
