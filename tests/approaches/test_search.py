"""The exact search against its brute-force twin: every approach found, none invented."""

import numpy as np
import pytest
import xarray as xr

from benchmarks.stepping import brute_force, distances, minimise
from shells.approaches.search import find_approaches
from shells.approaches.trains import trains_of
from shells.errors import InputError
from shells.motion.arrays import field
from shells.motion.propagation import element_array, node_clock, positions, propagate, rate_array, seconds_since
from tests.approaches.comparing import assert_same, table
from tests.populations import objects_of, random_elements, small_fleet

DAY = 1.0 / 365.25


def crossing_debris(rng, count):
    """Return debris of all kinds whose perigee-apogee intervals contain a shell at 1,060 km."""
    near = random_elements(rng, count, perigee=(1030.0, 1075.0), eccentricity=(0.0, 0.003))
    round_ones = random_elements(rng, count, perigee=(850.0, 1070.0), eccentricity=(0.005, 0.03))
    steep = random_elements(rng, count // 2, perigee=(250.0, 1070.0), eccentricity=(0.1, 0.7))
    sun_synchronous = random_elements(rng, count, perigee=(1000.0, 1065.0), inclination=(98.0, 100.0))
    flat = random_elements(rng, count // 4, perigee=(1000.0, 1065.0), inclination=(0.01, 2.0))
    return objects_of(np.concatenate([near, round_ones, steep, sun_synchronous, flat]), first=10_001)


def test_fleet_and_debris_against_the_twin():
    fleet = propagate(small_fleet(), years=1.5 * DAY, node_days=0.75)
    debris = propagate(crossing_debris(np.random.default_rng(17), 80), years=1.5 * DAY, node_days=0.75)
    approaches = find_approaches(fleet, debris, within_km=10.0)
    twin = brute_force(fleet, debris, within_km=10.0, days=1.5, step=15.0)
    assert assert_same(table(approaches, fleet["time"].values[0]), twin) > 40


def test_fleet_against_itself_against_the_twin():
    fleet = propagate(small_fleet(planes=6, satellites=40, step=0.5), years=1.0 * DAY)
    approaches = find_approaches(fleet, within_km=8.0)
    twin = brute_force(fleet, None, within_km=8.0, days=1.0, step=15.0)
    assert assert_same(table(approaches, fleet["time"].values[0]), twin) > 40


@pytest.mark.long
@pytest.mark.parametrize("seed", range(6))
def test_many_approaches_against_the_twin(seed):
    rng = np.random.default_rng([2026, seed])
    altitude, inclination = rng.uniform(500.0, 1300.0), rng.choice([53.0, 74.0, 86.5, 98.6])
    fleet = small_fleet(planes=6, satellites=20, altitude=altitude, inclination=inclination, held=bool(seed % 2))
    rows = random_elements(rng, 1500, perigee=(altitude - 60.0, altitude + 5.0), eccentricity=(0.0, 0.01))
    steep = random_elements(rng, 200, perigee=(300.0, altitude), eccentricity=(0.05, 0.7))
    moved = [propagate(o, years=2.0 * DAY) for o in (fleet, objects_of(np.concatenate([rows, steep]), first=10_001))]
    approaches = find_approaches(*moved, within_km=10.0)
    twin = brute_force(*moved, within_km=10.0, days=2.0, step=12.0)
    assert assert_same(table(approaches, moved[0]["time"].values[0]), twin) > 500


def test_the_twin_finds_minima_at_the_borders_of_time():
    """Straight lines, whose closest approach is known, near the first and last instant and near a re-entry."""
    closest = np.array([0.006, -0.006, 79.995, 80.005, 39.99, 40.01])
    ends = np.array([80.0, 80.0, 80.0, 80.0, 40.0, 40.0])

    def distance(rows, columns, times):
        apart = np.hypot(1.3, 0.7 * (times - closest[rows]))
        return np.where(times <= ends[rows], apart, np.nan)

    candidates = np.array([[row, row, time] for row in range(6) for time in np.arange(0.0, ends[row] + 1.0, 8.0)])
    never = np.full(len(candidates), np.inf)
    found = minimise(distance, candidates, end=80.0, step=8.0, within_km=5.0, periods=never)
    assert found[:, 0].tolist() == [0, 2, 4]
    # distances are rounded to 2e-16 km: a time is known to the root of that
    np.testing.assert_allclose(found[:, 2], closest[[0, 2, 4]], atol=1e-6)
    np.testing.assert_allclose(found[:, 3], 1.3, rtol=1e-12)


def test_the_twin_of_nobody_finds_nothing():
    gone = objects_of([[6378.137 + 122.0, 1e-4, 1e-3, 86.5, 30.0, 10.0]], area_to_mass=0.5)
    orbits = propagate(gone, years=2 * DAY)
    others = propagate(objects_of([[6500.0, 1e-4, 2e-3, 40.0, 70.0, 90.0]], first=10_001), years=2 * DAY)
    assert len(brute_force(orbits, others, within_km=50.0, days=2.0)) == 0
    assert find_approaches(orbits, others, within_km=50.0).sizes["approach"] == 0


def test_times_near_reentry():
    """Within a millisecond on either side of every approach the pair is farther apart, however fast both fall."""
    rng = np.random.default_rng(1)
    sides = [
        propagate(
            objects_of(
                random_elements(rng, 160, perigee=(200.0, 215.0), eccentricity=(0.0, 0.002)),
                area_to_mass=0.002,
                first=first,
            ),
            years=8.0 * DAY,
        ).compute()
        for first in (1, 10_001)
    ]
    rates = [np.nanmax(np.abs(rate_array(side)[..., 0])) * 86400.0 for side in sides]
    assert min(rates) > 200.0  # km a day
    approaches = find_approaches(*sides, within_km=20.0)
    assert approaches.sizes["approach"] > 3000
    brief = approaches.isel(approach=np.isnat(approaches["start"].values))
    start, spacing, _ = node_clock(sides[0])
    times = seconds_since(brief["time"].values, start)
    rows = [
        np.searchsorted(side["object"].values, brief[name].values)
        for side, name in zip(sides, ("first", "second"), strict=True)
    ]
    arrays = [array(side) for side in sides for array in (element_array, rate_array)]
    apart = np.empty((3, times.size))
    for k, shift in enumerate((-1e-3, 0.0, 1e-3)):
        distances(*arrays, spacing, *rows, times + shift, field(), apart[k])
    np.testing.assert_array_less(apart[1], apart[0])
    np.testing.assert_array_less(apart[1], apart[2])


def test_approach_is_a_minimum_and_its_frame_is_right():
    fleet = propagate(small_fleet(planes=6, satellites=40, step=0.5), years=DAY)
    approaches = find_approaches(fleet, within_km=8.0)
    assert approaches.sizes["approach"] > 5
    for j in range(5):
        event = approaches.isel(approach=j)
        near = event["time"].values + np.array([-500, 0, 500], dtype="timedelta64[ms]")
        states = positions(fleet, near).sel(object=[event["first"].item(), event["second"].item()])
        apart = (states["position"][1] - states["position"][0]).values
        distance = np.linalg.norm(apart, axis=1)
        assert distance[1] < distance[0]
        assert distance[1] < distance[2]
        assert distance[1] == pytest.approx(event["miss_distance"].item(), abs=1e-8)
        position, velocity = (states[name].values[0, 1] for name in ("position", "velocity"))
        radial = position / np.linalg.norm(position)
        normal = np.cross(position, velocity)
        normal /= np.linalg.norm(normal)
        frame = np.array([radial, np.cross(normal, radial), normal])
        expected = [event[name].item() for name in ("radial", "in_track", "cross_track")]
        np.testing.assert_allclose(frame @ apart[1], expected, atol=1e-6)
        assert event["radius_altitude"].item() == pytest.approx(np.linalg.norm(position) - 6378.137, abs=1e-6)


def test_trains_only_save_time():
    """Satellites searched as trains and one by one give the same approaches."""
    fleet = small_fleet(planes=3, satellites=6)
    alone = fleet.assign(plane=("object", np.full(fleet.sizes["object"], -1), fleet["plane"].attrs))
    debris = propagate(crossing_debris(np.random.default_rng(5), 60), years=DAY)
    as_trains = find_approaches(propagate(fleet, years=DAY), debris, within_km=20.0)
    one_by_one = find_approaches(propagate(alone, years=DAY), debris, within_km=20.0)
    assert trains_of(propagate(fleet, years=DAY)).leaders.size == 3
    assert as_trains.sizes["approach"] > 5
    for name in ("first", "second"):
        np.testing.assert_array_equal(as_trains[name], one_by_one[name])
    np.testing.assert_allclose(as_trains["miss_distance"], one_by_one["miss_distance"], atol=1e-6)


def test_blocks_do_not_change_a_bit():
    fleet = propagate(small_fleet(), years=DAY)
    debris = propagate(crossing_debris(np.random.default_rng(9), 60), years=DAY)
    whole = find_approaches(fleet, debris, within_km=10.0)
    parts = [
        find_approaches(fleet, debris.isel(object=slice(first, first + 50)), within_km=10.0)
        for first in range(0, debris.sizes["object"], 50)
    ]
    joined = xr.concat(parts, "approach")
    joined = joined.isel(approach=np.lexsort((joined["second"], joined["first"], joined["time"])))
    for name in whole:
        np.testing.assert_array_equal(joined[name].values, whole[name].values)


def test_orbits_that_cannot_meet():
    rows = [[7438.0, 1e-4, 1e-3, 86.5, 30.0, 10.0], [7638.5, 2e-4, 1e-3, 86.6, 30.2, 14.0]]
    approaches = find_approaches(propagate(objects_of(rows), years=DAY), within_km=5.0)
    assert approaches.sizes["approach"] == 0


def test_objects_that_end_are_searched_until_then():
    falling = objects_of(
        [[6378.137 + 195.0, 1e-4, 1e-3, 86.5, 30.0, 10.0], [7438.0, 1e-4, 1e-3, 60.0, 30.0, 10.0]], area_to_mass=0.1
    )
    orbits = propagate(falling, years=10 * DAY)
    assert not orbits["alive"].values[0, -1]
    assert np.isfinite(orbits["reentry"].values[0].astype(float))
    approaches = find_approaches(orbits, within_km=50.0)
    assert approaches.sizes["approach"] == 0


def test_faults_are_named():
    orbits = propagate(objects_of([[7438.0, 1e-4, 1e-3, 86.5, 30.0, 10.0]]), years=DAY)
    others = propagate(objects_of([[7438.0, 1e-4, 1e-3, 86.5, 30.0, 10.0]]), years=2 * DAY)
    with pytest.raises(
        InputError,
        match=r"(?s)within_km -1.0; expected more than zero.*the nodes of both sides differ",
    ):
        find_approaches(orbits, others, within_km=-1.0)
    with pytest.raises(
        InputError, match=r"(?s)within_km '5'; expected more than zero, and finite.*nodes of both sides"
    ):
        find_approaches(orbits, others, within_km="5")


def test_an_object_does_not_approach_itself():
    fleet = propagate(small_fleet(planes=2, satellites=6), years=DAY)
    debris = propagate(crossing_debris(np.random.default_rng(3), 20), years=DAY)
    with pytest.raises(InputError, match=r"on both sides: 8; expected different objects: leave out"):
        find_approaches(fleet, xr.concat([debris, fleet.isel(object=[7])], "object"), within_km=5.0)
    # identifiers are those of each side: equal ones alone say nothing
    same = debris.assign_coords(object=debris["object"] - 10_000)
    found, expected = (find_approaches(fleet, others, within_km=20.0) for others in (same, debris))
    assert found.sizes["approach"] > 0
    np.testing.assert_array_equal(found["second"] + 10_000, expected["second"])


def test_mates_on_an_orbit_that_stretches():
    """Sun and Moon lengthen the ellipse of a plane, whose satellites then come nearer to each other at apogee."""
    rows = [[24500.0, 0.35, 0.61, 7.0, 40.0, ahead] for ahead in (10.0, 16.0)]
    orbits = propagate(objects_of(rows, plane=[0, 0]), years=0.5)
    e = np.hypot(orbits["eccentricity_x"].values, orbits["eccentricity_y"].values)[0]
    least = [0.98 * 2.0 * 24500.0 * np.sqrt((1.0 - x) / (1.0 + x)) * np.sin(np.radians(3.0)) for x in (e[0], e.max())]
    assert least[1] < least[0] - 3.0
    trains = trains_of(orbits)
    assert trains.sizes.tolist() == [2]
    assert 2.0 * trains.chord(0) * np.sin(np.radians(3.0)) == pytest.approx(least[1], rel=1e-3)
