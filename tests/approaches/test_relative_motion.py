"""The search on relative motion: against closed forms, its brute-force twin and the search at nodes."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks.stepping import brute_force
from shells.approaches import search
from shells.approaches.kernels import COLUMNS
from shells.approaches.relative_motion import kernels
from shells.approaches.relative_motion.search import search_pairs
from shells.approaches.search import find_approaches
from shells.approaches.trains import trains_of
from shells.motion import kernels as motion
from shells.motion.arrays import field, states_from_mean_elements
from shells.motion.propagation import element_array, node_clock, propagate, rate_array
from tests.approaches.comparing import assert_same, table
from tests.populations import objects_of, random_elements, small_fleet

DAY = 1.0 / 365.25
BASE = np.array([7438.0, 1e-4, 1.1e-3, 86.5, 30.0, 10.0])


# --- populations of all classes ---------------------------------------------------------------------------------------


def near(rng, count, *, a=0.0, e=0.0, i=0.0, raan=0.0, u=0.0):
    """Return rows that depart from one orbit by at most so much in each element."""
    spread = np.array([a, e, e, i, raan, u])
    return BASE + rng.uniform(-1.0, 1.0, (count, 6)) * spread


def opposed(rng, count):
    rows = near(rng, count, a=2.0, e=3e-4, i=0.05, raan=0.05, u=180.0)
    rows[::2, 3], rows[::2, 4] = 180.0 - rows[::2, 3], rows[::2, 4] + 180.0
    return rows


def equatorial(rng, count):
    rows = random_elements(rng, count, perigee=(600.0, 615.0), eccentricity=(0.0, 0.002), inclination=(0.001, 1.3))
    rows[::3, 3] = 180.0 - rows[::3, 3]
    return rows


def steep(rng, count):
    """Return eccentric orbits with about the same plane and perigee direction."""
    rows = random_elements(rng, count, perigee=(500.0, 520.0), eccentricity=(0.1, 0.9), inclination=(63.0, 63.02))
    e, w = np.hypot(rows[:, 1], rows[:, 2]), 1.0 + rng.uniform(-0.002, 0.002, count)
    rows[:, 1], rows[:, 2], rows[:, 4] = e * np.cos(w), e * np.sin(w), 77.0 + rng.uniform(-0.02, 0.02, count)
    rows[:, 5] = np.degrees(w) + rng.uniform(-2.0, 2.0, count)
    return rows


def falling(rng, count):
    rows = near(rng, count, a=3.0, e=3e-4, i=0.05, raan=0.05, u=20.0)
    rows[:, 0] -= 1060.0 - 235.0
    return rows


CLASSES = {
    "nearly coplanar": (lambda rng, n: near(rng, n, a=3.0, e=3e-4, i=0.05, raan=0.05, u=20.0), 0.01),
    "opposed": (opposed, 0.01),
    "in one plane": (lambda rng, n: near(rng, n, a=0.3, e=1e-5, i=1e-4, raan=1e-4, u=0.5), 0.01),
    "on one orbit": (lambda rng, n: near(rng, n, u=0.1), 0.01),
    "formation": (lambda rng, n: near(rng, n, a=0.02, e=2e-4, i=0.01, raan=0.01, u=0.03), 0.01),
    "equatorial": (equatorial, 0.01),
    "steep": (steep, 1e-4),
    "falling": (falling, 0.03),
    "any": (lambda rng, n: random_elements(rng, n, perigee=(600.0, 640.0), eccentricity=(0.0, 0.005)), 0.01),
}


# --- comparison -------------------------------------------------------------------------------------------------------


def arrays_of(orbits):
    orbits = orbits.compute(scheduler="threads")
    return element_array(orbits), rate_array(orbits), node_clock(orbits)[1]


def all_pairs(count):
    return np.column_stack(np.triu_indices(count, 1)).astype(float)


def follow(orbits, within_km, *, pairs=None, span=None):
    """Search pairs (all by default) on relative motion; rows of identifiers, time, distance, start, end."""
    values, rates, spacing = arrays_of(orbits)
    pairs = all_pairs(len(values)) if pairs is None else np.asarray(pairs, dtype=float)
    span = (0.0, (values.shape[1] - 1) * spacing) if span is None else span
    rows = np.column_stack([pairs, np.broadcast_to(span, pairs.shape)])
    found = search_pairs(values, rates, values, rates, spacing, rows, within_km, field())
    found = found[:, [0, 1, 2, 3, COLUMNS, COLUMNS + 1]]
    found[:, :2] = orbits["object"].values[found[:, :2].astype(int)]
    return found


# --- closed forms -----------------------------------------------------------------------------------------------------


def kepler(rows, *, days, spacing=21600.0):
    """Return mean elements and rates at nodes of unperturbed orbits, and a field without zonals."""
    rows = np.atleast_2d(np.asarray(rows, dtype=float)) * [1.0, 1.0, 1.0, *np.radians([1.0, 1.0, 1.0])]
    mu, radius, zonals = field()
    times = np.arange(0.0, days * 86400.0 + spacing, spacing)
    values, rates = np.zeros((2, len(rows), times.size, 6))
    values[:] = rows[:, None]
    pace = np.sqrt(mu / rows[:, 0] ** 3)
    values[:, :, 5] += pace[:, None] * times
    rates[:, :, 5] = pace[:, None]
    return values, rates, spacing, (mu, radius, np.zeros_like(zonals))


def followed(rows, within_km, *, days):
    values, rates, spacing, empty = kepler(rows, days=days)
    end = (values.shape[1] - 1) * spacing
    return search_pairs(values, rates, values, rates, spacing, np.array([[0.0, 1.0, 0.0, end]]), within_km, empty)


def test_circular_coplanar_orbits_by_the_law_of_cosines():
    """The distance is a1^2 + a2^2 - 2 a1 a2 cos of the phase difference, which drifts at n1 - n2."""
    a_1, a_2, ahead = 7438.3, 7436.1, np.radians(1.7)
    found = followed([[a_1, 0, 0, 63.1, 20.2, 11.0], [a_2, 0, 0, 63.1, 20.2, 11.0 - 1.7]], 5.0, days=3)
    mu = field()[0]
    drift = np.sqrt(mu / a_2**3) - np.sqrt(mu / a_1**3)
    edge = np.arccos((a_1**2 + a_2**2 - 25.0) / (2.0 * a_1 * a_2))
    assert len(found) == 1
    # the distance is flat to the rounding of positions within a second or so of its minimum
    assert found[0, 2] == pytest.approx(ahead / drift, abs=2.0)
    assert found[0, 3] == pytest.approx(a_1 - a_2, abs=1e-8)
    np.testing.assert_allclose(found[0, -2:], (ahead + np.array([-edge, edge])) / drift, rtol=0, atol=1e-2)


@pytest.mark.parametrize(("offset", "wide"), [(3.0, 1.0), (1.0, 1.0), (0.4, 1.3)])
def test_neighbour_on_a_relative_orbit(offset, wide):
    """W. H. Clohessy and R. S. Wiltshire 1960: x = -a e cos nt, y = y0 + 2 a e sin nt about a circular orbit.

    The smallest distance follows with sin nt = -(2/3) y0 / (a e) clipped to -1; what the linear equations leave is of
    the size y0^2 / a, 1 m.
    """
    a = 7438.0
    along = np.degrees(offset / a)
    found = followed([[a, 0, 0, 63.1, 20.2, 11.0], [a, wide / a, 0, 63.1, 20.2, 11.0 + along]], 12.0, days=1)
    sine = max(-1.0, -2.0 / 3.0 * offset / wide)
    smallest = np.sqrt(wide**2 * (1.0 - sine**2) + (offset + 2.0 * wide * sine) ** 2)
    assert len(found) == 1
    assert found[0, 3] == pytest.approx(smallest, abs=3e-3)
    np.testing.assert_array_equal(found[0, -2:], [0.0, 86400.0])


def test_counter_rotating_circular_orbits():
    """They meet where u1 + u2 is an odd number of half turns, twice a revolution, as far apart as their radii."""
    a_1, a_2, u_1, u_2 = 7438.3, 7436.1, 11.0, 123.0
    found = followed([[a_1, 0, 0, 63.1, 20.2, u_1], [a_2, 0, 0, 116.9, 200.2, u_2]], 5.0, days=1)
    pace = np.sqrt(field()[0]) * (a_1**-1.5 + a_2**-1.5)
    times = (np.radians(180.0 - u_1 - u_2) + 2.0 * np.pi * np.arange(200)) / pace
    times = times[times < 86400.0]
    assert len(found) == len(times)
    np.testing.assert_allclose(found[:, 2], times, rtol=0, atol=1e-5)
    np.testing.assert_allclose(found[:, 3], a_1 - a_2, rtol=0, atol=1e-8)
    assert np.isnan(found[:, -2:]).all()


def test_distance_from_relative_turns():
    """(r1 - r2)^2 + 4 r1 r2 (D^2 + S^2) is the distance squared, for circular orbits of any orientation."""
    rng = np.random.default_rng(11)
    mu, radius, zonals = field()
    rows = random_elements(rng, 200, eccentricity=(0.0, 0.0), inclination=(0.0, 180.0))
    rows[:, 3:] = np.radians(rows[:, 3:])
    out = np.empty((2, 6))
    for first, second in zip(rows[::2], rows[1::2], strict=True):
        for elements, state in zip((first, second), out, strict=True):
            kernels.state(elements, mu, radius, np.zeros_like(zonals), state)
        apart, across, tilted = kernels.relative_turn(first, second)
        by_turns = (first[0] - second[0]) ** 2 + 4.0 * first[0] * second[0] * (apart**2 + across**2)
        assert np.sum((out[0, :3] - out[1, :3]) ** 2) == pytest.approx(by_turns, rel=1e-12)
        normals = np.cross(out[:, :3], out[:, 3:])
        cosine = normals[0] @ normals[1] / np.prod(np.linalg.norm(normals, axis=1))
        assert 1.0 - 2.0 * tilted**2 == pytest.approx(cosine, abs=1e-12)


# --- bounds -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("eccentricity", [(0.0, 0.01), (0.05, 0.3), (0.5, 0.9)])
def test_bounds_of_a_window_hold(eccentricity):
    """Radius and angle between mean and true place stay in their bounds, sampled."""
    rng = np.random.default_rng(3)
    rows = np.concatenate(
        [random_elements(rng, 30, eccentricity=eccentricity, inclination=tilt) for tilt in ((0.01, 1.0), (2.0, 178.0))]
    )
    orbits = propagate(objects_of(rows), years=DAY)
    values, rates, spacing = arrays_of(orbits)
    mu, radius, zonals = field()
    bounds, means = np.empty(9), np.empty((len(values), 400, 6))
    times = np.sort(rng.uniform(0.0, spacing, 400))
    for j in range(len(values)):
        motion.means(values[j], rates[j], 0.0, spacing, times, means[j])
        kernels.window_bounds(values[j], rates[j], 0, spacing, mu, radius, zonals, bounds)
        states = states_from_mean_elements(means[j])
        r = np.linalg.norm(states[:, :3], axis=1)
        assert bounds[kernels.LOW] < r.min() and r.max() < bounds[kernels.HIGH]
        angle = np.arccos(np.clip(np.sum(states[:, :3] * mean_places(means[j]), axis=1) / r, -1.0, 1.0))
        assert angle.max() < bounds[kernels.PAD]


def mean_places(rows):
    """Return unit vectors of the places with the mean argument of latitude of rows of elements."""
    i, raan, u = rows[:, 3], rows[:, 4], rows[:, 5]
    return np.column_stack(
        [
            np.cos(u) * np.cos(raan) - np.sin(u) * np.cos(i) * np.sin(raan),
            np.cos(u) * np.sin(raan) + np.sin(u) * np.cos(i) * np.cos(raan),
            np.sin(u) * np.sin(i),
        ]
    )


@pytest.mark.parametrize("kind", ["nearly coplanar", "opposed", "equatorial", "any"])
def test_phases_keep_pairs_apart_as_long_as_they_say(kind):
    rng = np.random.default_rng(8)
    rows, area = CLASSES[kind]
    values, rates, spacing = arrays_of(propagate(objects_of(rows(rng, 12), area_to_mass=area), years=DAY))
    mu, radius, zonals = field()
    bounds, work = np.empty((2, 9)), np.zeros((6, 6))
    stepped = 0
    for a, b in all_pairs(len(values)).astype(int):
        for k, j in enumerate((a, b)):
            kernels.window_bounds(values[j], rates[j], 0, spacing, mu, radius, zonals, bounds[k])
        pair = (values[a], rates[a], values[b], rates[b], spacing, field())
        for time in rng.uniform(0.0, spacing, 5):
            kernels.states_of(pair, time, work)
            step = kernels.phase_step(work[4], work[5], bounds, 20.0, spacing - time)
            stepped += step > 0.0
            for instant in time + np.linspace(0.0, 1.0, 20) * step:
                assert step == 0.0 or kernels.states_of(pair, min(instant, spacing), work)[0] > 20.0
    assert stepped > 20


@pytest.mark.parametrize("kind", ["nearly coplanar", "opposed", "steep", "any"])
def test_gravity_keeps_pairs_apart_as_long_as_it_says(kind):
    rng = np.random.default_rng(9)
    rows, area = CLASSES[kind]
    values, rates, spacing = arrays_of(propagate(objects_of(rows(rng, 12), area_to_mass=area), years=DAY))
    mu, radius, zonals = field()
    bounds, work = np.empty((2, 9)), np.zeros((6, 6))
    for a, b in all_pairs(len(values)).astype(int):
        for k, j in enumerate((a, b)):
            kernels.window_bounds(values[j], rates[j], 0, spacing, mu, radius, zonals, bounds[k])
        pair = (values[a], rates[a], values[b], rates[b], spacing, field())
        gravity = (bounds[:, kernels.LOW].min(), mu, bounds[:, kernels.WAVES].sum())
        for time in rng.uniform(0.0, 0.8 * spacing, 5):
            apart, along, speed = kernels.states_of(pair, time, work)
            limit = rng.uniform(0.1, 0.99) * apart
            step = min(kernels.safe_step(apart, along, speed, limit, gravity), 0.2 * spacing)
            for instant in time + np.linspace(0.0, 1.0, 20) * step:
                assert kernels.states_of(pair, instant, work)[0] > limit


def test_what_crosses_far_apart_never_meets():
    """In the windows passed over, a satellite looked at every 5 s stays away; and many windows are passed over."""
    rng = np.random.default_rng(10)
    rows = random_elements(rng, 60, perigee=(300.0, 1060.0), eccentricity=(0.1, 0.8), inclination=(0.02, 179.9))
    rows[0] = [*BASE]
    values, rates, spacing = arrays_of(propagate(objects_of(rows), years=4.0 * DAY))
    mu, radius, zonals = field()
    passed = 0
    for other in range(1, 60):
        for window in range(4):
            if kernels.cross_far_apart(values[0], values[other], window, 150.0, radius, zonals):
                passed += 1
                times = spacing * window + np.arange(0.0, spacing, 5.0)
                states = np.empty((2, times.size, 6))
                pair = values[[0, other]], rates[[0, other]]
                motion.states(*pair, 0.0, spacing, times, mu, radius, zonals, states)
                assert np.linalg.norm(states[1, :, :3] - states[0, :, :3], axis=1).min() > 150.0
    assert passed > 60


# --- the brute-force twin ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "count", "within_km"),
    [
        ("nearly coplanar", 16, 10.0),
        ("opposed", 10, 8.0),
        ("in one plane", 14, 10.0),
        ("on one orbit", 8, 9.0),
        ("formation", 6, 3.0),
        ("equatorial", 14, 15.0),
        ("steep", 20, 30.0),
        ("falling", 20, 20.0),
        ("any", 40, 60.0),
    ],
)
def test_each_class_against_the_twin(kind, count, within_km):
    rng = np.random.default_rng([1, len(kind)])
    rows, area = CLASSES[kind]
    days = 1.6 if kind == "falling" else 0.5
    orbits = propagate(objects_of(rows(rng, count), area_to_mass=area), years=days * DAY, node_days=0.3)
    twin = brute_force(orbits, None, within_km=within_km, days=days, step=10.0)
    assert assert_same(follow(orbits, within_km), twin) > 4
    assert assert_same(table(find_approaches(orbits, within_km=within_km), orbits["time"].values[0]), twin) > 4


@settings(max_examples=8, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    kinds=st.lists(st.sampled_from(sorted(set(CLASSES) - {"falling"})), min_size=1, max_size=3),
    within_km=st.floats(0.5, 100.0),
)
def test_random_pairs_of_all_classes_against_the_twin(seed, kinds, within_km):
    rng = np.random.default_rng(seed)
    rows = np.concatenate([CLASSES[kind][0](rng, 6) for kind in kinds])
    orbits = propagate(objects_of(rows), years=0.2 * DAY, node_days=0.1)
    twin = brute_force(orbits, None, within_km=within_km, days=0.2, step=10.0)
    assert_same(table(find_approaches(orbits, within_km=within_km), orbits["time"].values[0]), twin)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(3))
def test_many_approaches_of_all_classes_against_the_twin(seed, capsys):
    """Over the seeds more than 20,000 approaches of all classes, through the public search."""
    rng = np.random.default_rng([2026, seed])
    within_km, parts = [2.0, 5.0, 10.0, 20.0][seed], []
    for kind, (rows, _) in CLASSES.items():
        if kind != "falling":
            parts.append(rows(rng, {"any": 260, "opposed": 40, "equatorial": 60, "steep": 60}.get(kind, 16)))
    fleet = small_fleet(planes=6, satellites=20, altitude=1060.0, step=0.5, held=bool(seed % 2))
    free = propagate(objects_of(np.concatenate(parts), first=10_001), years=DAY)
    moved = propagate(fleet, years=DAY)
    start = moved["time"].values[0]
    number = 0
    for sides in ((free, None), (moved, free), (moved, None)):
        twin = brute_force(*sides, within_km=within_km, days=1.0, step=10.0)
        number += assert_same(table(find_approaches(*sides, within_km=within_km), start), twin)
    with capsys.disabled():
        print(f"\n{number} approaches within {within_km:g} km equal the twin's")
    assert number > 3000


# --- the two searches, borders, symmetry ------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [3.0, 10.0, 90.0, 170.0, 177.0])
def test_both_searches_give_the_same_list(angle):
    """On either side of the switch, where the picture at the node holds, the same pairs by both."""
    rng = np.random.default_rng(int(angle))
    rows = near(rng, 40, a=2.0, e=2e-4, i=0.1, raan=0.1, u=180.0)
    tilt = near(rng, 40, a=2.0, e=2e-4, i=0.1, u=180.0)
    tilt[:, 4] += angle / np.sin(np.radians(BASE[3]))
    orbits = propagate(objects_of(np.concatenate([rows, tilt])), years=10.0 * DAY)
    half = orbits.isel(object=slice(0, 40)), orbits.isel(object=slice(40, 80))
    plan = search._plan(*half, 4.0)
    second = trains_of(half[1].compute(scheduler="threads"))
    found, left = search._search(plan, second, (0, second.leaders.size))
    assert len(left) == 0
    found = found[:, :4]
    found[:, 0], found[:, 1] = found[:, 0] + 1, found[:, 1] + 41
    pairs = [(a, b) for a in range(40) for b in range(40, 80)]
    other = follow(orbits, 4.0, pairs=pairs)
    assert np.isnan(other[:, 4:]).all()
    assert assert_same(np.pad(found, ((0, 0), (0, 2)), constant_values=np.nan), other) > 15


@pytest.mark.parametrize(("kind", "count"), [("nearly coplanar", 20), ("opposed", 8), ("formation", 5), ("any", 30)])
def test_spans_cut_anywhere_give_each_approach_once(kind, count):
    rng = np.random.default_rng(4)
    rows, area = CLASSES[kind]
    orbits = propagate(objects_of(rows(rng, count), area_to_mass=area), years=2 * DAY)
    whole = follow(orbits, 12.0)
    cuts = [0.0, *np.sort(rng.uniform(0.0, 2 * 86400.0, 7)), 2 * 86400.0]
    parts = [follow(orbits, 12.0, span=span) for span in itertools.pairwise(cuts)]
    for part, low, high in zip(parts, cuts[:-1], cuts[1:], strict=True):
        assert ((low <= part[:, 2]) & ((part[:, 2] < high) | (high == cuts[-1]))).all()
    assert assert_same(np.concatenate(parts), whole) > 4


def test_order_of_a_pair_does_not_change_a_bit():
    rng = np.random.default_rng(6)
    for kind in ("nearly coplanar", "opposed", "equatorial", "formation"):
        orbits = propagate(objects_of(CLASSES[kind][0](rng, 8)), years=DAY)
        pairs = all_pairs(8)
        forth, back = follow(orbits, 12.0, pairs=pairs), follow(orbits, 12.0, pairs=pairs[:, ::-1])
        np.testing.assert_array_equal(forth[:, [1, 0, 2, 3, 4, 5]], back)


def test_blocks_of_slow_pairs_do_not_change_a_bit():
    rng = np.random.default_rng(12)
    rows = [CLASSES[kind][0](rng, 8) for kind in ("nearly coplanar", "opposed", "formation", "equatorial")]
    orbits = propagate(objects_of(np.concatenate(rows)), years=DAY)
    others = propagate(objects_of(np.concatenate(rows)[::-1] + 1e-3, first=1001), years=DAY)
    whole = find_approaches(orbits, others, within_km=6.0)
    parts = [
        find_approaches(orbits, others.isel(object=slice(begin, begin + 5)), within_km=6.0) for begin in range(0, 32, 5)
    ]
    joined = np.concatenate([table(part, orbits["time"].values[0]) for part in parts])
    joined = joined[np.lexsort((joined[:, 1], joined[:, 0], joined[:, 2]))]
    assert len(joined) > 20
    np.testing.assert_array_equal(joined, table(whole, orbits["time"].values[0]))


def test_pairs_outside_the_picture_at_nodes_are_found():
    rows = [
        [7438.0, 1e-4, 1e-3, 86.5, 30.0, 10.0],
        [7438.1, 1e-4, 1e-3, 86.5, 30.0, 10.02],
        [7438.2, 1e-4, 9e-4, 93.5, 210.0, 50.0],
    ]
    orbits = propagate(objects_of(rows), years=3 * DAY)
    found = find_approaches(orbits, within_km=5.0)
    lasting = ~np.isnat(found["start"].values)
    pairs = list(zip(found["first"].values.tolist(), found["second"].values.tolist(), strict=True))
    assert lasting.sum() == 1
    assert pairs[int(np.flatnonzero(lasting)[0])] == (1, 2)
    assert found["start"].values[lasting][0] == orbits["time"].values[0]
    assert {(1, 3), (2, 3)} <= set(pairs)


def test_neighbours_on_one_orbit_give_one_lasting_approach():
    rows = [[7438.0, 1e-4, 1e-3, 86.5, 30.0, u] for u in (10.0, 10.0, 359.99, 0.01, 180.0)]
    orbits = propagate(objects_of(rows, plane=[0] * 5, held=True), years=3 * DAY)
    assert trains_of(orbits).leaders.size == 1
    found = find_approaches(orbits, within_km=5.0)
    assert sorted(zip(found["first"].values.tolist(), found["second"].values.tolist(), strict=True)) == [(1, 2), (3, 4)]
    assert (found["start"] == orbits["time"][0]).all() and (found["end"] == orbits["time"][-1]).all()
    # 0.02 deg apart on a nearly circular orbit, and in the same place
    a, e = 7438.0, np.hypot(1e-4, 1e-3)
    expected = np.radians(0.02) * a
    distances = dict(zip(found["first"].values.tolist(), found["miss_distance"].values.tolist(), strict=True))
    assert distances[1] == pytest.approx(0.0, abs=1e-9)
    assert expected * (1.0 - 3.0 * e) < distances[3] < expected


def test_ended_objects_are_followed_to_their_last_node():
    rng = np.random.default_rng(2)
    orbits = propagate(objects_of(falling(rng, 10), area_to_mass=0.03), years=5 * DAY)
    values, _, spacing = arrays_of(orbits)
    ends = (np.isfinite(values[:, :, 0]).sum(axis=1) - 1) * spacing
    found = follow(orbits, 40.0)
    assert len(found) > 4
    first_end = np.minimum(*(ends[found[:, j].astype(int) - 1] for j in (0, 1)))
    assert (np.fmax(found[:, 2], found[:, 5]) <= first_end).all()
    assert (found[:, 5] == first_end).any()
