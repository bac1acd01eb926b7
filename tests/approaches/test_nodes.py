"""The pads of the search at mutual nodes hold against what they bound, and with them all is found."""

import dask
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks.stepping import brute_force
from shells.approaches import capacity, search
from shells.approaches.nodes import kernels
from shells.approaches.search import IN_ONE_TRAIN, find_approaches
from shells.approaches.trains import SAME, trains_of
from shells.errors import InputError
from shells.motion.arrays import field
from shells.motion.control import Control
from shells.motion.kernels import first_order_terms, short_period
from shells.motion.propagation import element_array, node_clock, propagate, rate_array
from tests.approaches.comparing import assert_same, table
from tests.populations import objects_of, random_elements, small_fleet

YEAR = 365.25
MU, RADIUS, ZONALS = field()


def terms_on_an_orbit(e, i, count=48):
    """Yield first-order terms and all terms at true anomalies and arguments of latitude round an orbit."""
    p = 7100.0 * (1.0 + e)  # perigee at 7,100 km
    eta = np.sqrt(1.0 - e * e)
    for f in np.linspace(0.1, 6.2, count):
        kappa, sigma = e * np.cos(f), e * np.sin(f)
        from_perigee = 2.0 * np.arctan(np.sqrt((1.0 - e) / (1.0 + e)) * np.tan(0.5 * f))
        centre = f - (from_perigee - e * np.sin(from_perigee)) % (2.0 * np.pi)
        for w in np.linspace(0.05, 6.1, 7):
            angle = np.sin(f + w), np.cos(f + w), np.cos(i), np.sin(i)
            first = first_order_terms(p, kappa, sigma, eta, centre, *angle, MU, RADIUS, ZONALS[2])
            whole = short_period(p, kappa, sigma, eta, centre, *angle, MU, RADIUS, ZONALS)
            yield p, kappa, angle, first, whole


def shifts(angle, terms):
    """Return the displacement along and across the track [rad]."""
    sin_t, cos_t, cos_i, sin_i = angle
    return terms[1] + cos_i * terms[2], terms[3] * sin_t - sin_i * cos_t * terms[2]


@pytest.mark.parametrize("e", [0.001, 0.02, 0.1, 0.4, 0.7, 0.9])
@pytest.mark.parametrize("i_deg", [3.0, 35.0, 63.0, 87.0, 120.0, 177.0])
def test_short_period_shift_is_bounded(e, i_deg):
    """The scan leaves out shifts along and across the track."""
    bound = 0.5 * ZONALS[2] * (kernels.SHIFT + kernels.SHIFT_WITH_E * e / (1.0 - e) ** 2)
    for p, _, angle, first, _ in terms_on_an_orbit(e, np.radians(i_deg)):
        along, across = shifts(angle, first)
        assert abs(along) <= bound * (RADIUS / p) ** 2
        assert abs(across) <= bound * (RADIUS / p) ** 2


@pytest.mark.parametrize("i_deg", [3.0, 35.0, 63.0, 87.0, 120.0, 177.0])
def test_second_order_is_within_its_pad(i_deg):
    """What the timing leaves out of the position of two objects, in all directions together."""
    for p, kappa, angle, first, whole in terms_on_an_orbit(0.001, np.radians(i_deg)):
        r = p / (1.0 + kappa)
        along, across = np.subtract(shifts(angle, whole), shifts(angle, first)) * r
        assert 2.0 * np.sqrt((whole[0] - first[0]) ** 2 + along**2 + across**2) < kernels.SECOND_ORDER_PAD


def summary_of(orbits, window=0):
    values, rates = element_array(orbits), rate_array(orbits)
    out = np.empty((len(values), kernels.SUMMARY))
    for row in range(len(values)):
        kernels.summary(
            values[row], rates[row], window, node_clock(orbits)[1], np.zeros(3), MU, RADIUS, ZONALS, out[row]
        )
    return out


CLASSES = {
    "near": {"perigee": (560.0, 1500.0), "eccentricity": (1e-4, 0.01), "inclination": (20.0, 160.0)},
    "steep": {"perigee": (400.0, 1500.0), "eccentricity": (0.1, 0.85), "inclination": (10.0, 170.0)},
    "flat": {"perigee": (700.0, 1500.0), "eccentricity": (1e-3, 0.05), "inclination": (0.08, 8.0)},
    "low": {"perigee": (230.0, 300.0), "eccentricity": (1e-3, 0.02), "inclination": (20.0, 160.0)},
}


@pytest.mark.parametrize("kind", CLASSES)
def test_quadratics_keep_to_their_error(kind):
    """x and both phases at the nodes, quadratic over a part, against the same geometry all along it."""
    rng = np.random.default_rng([7, len(kind)])
    near = {**CLASSES["near"], "perigee": (320.0, 400.0)} if kind == "low" else CLASSES["near"]
    rows = np.concatenate([random_elements(rng, 12, **near), random_elements(rng, 12, **CLASSES[kind])])
    orbits = propagate(objects_of(rows), years=12.0 / YEAR)
    values, rates, spacing = element_array(orbits), rate_array(orbits), node_clock(orbits)[1]
    bounds = summary_of(orbits)
    steep = np.empty((2, kernels.STEEPNESS))
    geometry, work, row = np.empty((9, kernels.GEOMETRY)), np.zeros((9, 6)), np.empty((2, kernels.FIELDS))
    radii = np.empty((9, 2))
    tracks = np.empty((24, 1, kernels.FIELDS, kernels.WINDOW + 1))
    kernels.tracks(values, np.arange(24), RADIUS, ZONALS[2], tracks)
    tried = 0
    for a, b in zip(range(12), range(12, 24), strict=True):
        if np.isnan(values[[a, b], -1, 0]).any():
            continue
        highest = min(bounds[a, kernels.HIGH], bounds[b, kernels.HIGH])
        kernels.steepness(bounds[a], kernels.WIDER * highest, steep[0])
        kernels.steepness(bounds[b], kernels.WIDER * highest, steep[1])
        turning = bounds[a, kernels.TILT] + bounds[b, kernels.TILT]
        turning += max(
            abs(bounds[a, kernels.NODE_RATE_HIGH] - bounds[b, kernels.NODE_RATE_LOW]),
            abs(bounds[b, kernels.NODE_RATE_HIGH] - bounds[a, kernels.NODE_RATE_LOW]),
        )
        sines = np.linalg.norm(np.cross(tracks[a, 0, :3, :13].T, tracks[b, 0, :3, :13].T), axis=1)
        sine = sines.min() - 0.5 * turning * spacing
        if sine < 0.05:
            continue
        limit = min(
            kernels.LARGEST_TURN,
            (kernels.WIDER - 1.0) * highest / max(steep[0, kernels.SLOPE], steep[1, kernels.SLOPE]),
        )
        length, error, phase_a, phase_b = kernels.part_length(
            bounds[a], bounds[b], steep, turning, sine, limit, spacing
        )
        for side in (1.0, -1.0):
            for k, place in enumerate(4.0 * (length < 4.0) + np.linspace(0.0, length, 9)):
                for j, which in enumerate((a, b)):
                    when = (0, place, spacing)
                    kernels.row_at(
                        values[which], rates[which], tracks[which, 0], when, RADIUS, ZONALS[2], work[0], row[j]
                    )
                line = side * np.cross(row[0, :3], row[1, :3])
                radii[k] = row[:, 6] / (1.0 + row[:, 3:6] @ line / np.linalg.norm(line))
                kernels.crossing(row[0], row[1], side, MU, RADIUS, ZONALS, geometry[k])
            if radii.min(axis=0).max() > highest:
                continue  # the bounds are for where both can meet
            tried += 1
            before, middle, after = geometry[0], geometry[4], geometry[8]
            kernels.quadratic(before[kernels.X], middle[kernels.X], after[kernels.X], work[0])
            kernels.fit(before, middle, after, kernels.COS_FIRST, kernels.SIN_FIRST, kernels.LEAD_FIRST, work[1:5])
            kernels.fit(before, middle, after, kernels.COS_SECOND, kernels.SIN_SECOND, kernels.LEAD_SECOND, work[5:9])
            for k, z in enumerate(np.linspace(0.0, 1.0, 9)):
                x = work[0, 0] + z * (work[0, 1] + z * work[0, 2])
                assert abs(x - geometry[k, kernels.X]) <= error + 1e-9
                for run, columns, phase in (
                    (work[1:5], (kernels.COS_FIRST, kernels.SIN_FIRST, kernels.LEAD_FIRST), phase_a),
                    (work[5:9], (kernels.COS_SECOND, kernels.SIN_SECOND, kernels.LEAD_SECOND), phase_b),
                ):
                    cosine, sin, lead = geometry[k, list(columns)]
                    apart = kernels.node_phase(run, z) - np.arctan2(sin, cosine) - lead
                    assert abs((apart + np.pi) % (2.0 * np.pi) - np.pi) <= phase + 2e-7
    assert tried >= 3


def test_scan_is_the_crossing_without_shifts():
    """x of the scan differs from that of the timing by the shifts and the second order only."""
    rng = np.random.default_rng(23)
    orbits = propagate(objects_of(random_elements(rng, 30, **CLASSES["near"])), years=4.0 / YEAR)
    values = element_array(orbits)
    tracks = np.empty((30, 1, kernels.FIELDS, kernels.WINDOW + 1))
    kernels.tracks(values, np.arange(30), RADIUS, ZONALS[2], tracks)
    bounds = summary_of(orbits)
    x, sines, out = np.empty((2, 33)), np.empty(33), np.empty(kernels.GEOMETRY)
    for a in range(15):
        b = a + 15
        kernels.scan(tracks[a, 0], tracks[b, 0], 4, x, sines)
        for side in range(2):
            for j in range(5):
                first, second = tracks[a, 0, :, j].copy(), tracks[b, 0, :, j].copy()
                kernels.crossing(first, second, 1.0 - 2.0 * side, MU, RADIUS, ZONALS, out)
                a_e = [bounds[k, kernels.AXIS] * bounds[k, kernels.MOST_E] * 1.03 for k in (a, b)]
                pad = a_e[0] * bounds[a, kernels.SHIFTS] + a_e[1] * bounds[b, kernels.SHIFTS]
                assert abs(out[kernels.X] - x[side, j]) <= pad * (1.0 + 1.0 / sines[j]) + 1e-6


def assert_found(first, second, within_km, days, step):
    approaches = find_approaches(first, second, within_km=within_km)
    twin = brute_force(first, second, within_km=within_km, days=days, step=step)
    return assert_same(table(approaches, first["time"].values[0]), twin)


def random_pairs(seed, kind, within_km):
    rng = np.random.default_rng(seed)
    altitude = 275.0 if kind == "low" else rng.uniform(600.0, 1300.0)
    fleet = objects_of(
        random_elements(rng, 8, perigee=(altitude - 5.0, altitude + 5.0), eccentricity=(1e-4, 2e-3)), first=1
    )
    bounds = {
        **CLASSES[kind],
        "perigee": (min(altitude - 40.0, 400.0 if kind == "steep" else altitude - 40.0), altitude),
    }
    others = objects_of(random_elements(rng, 60, **bounds), first=1001)
    moved = [propagate(o, years=0.6 / YEAR, node_days=0.3) for o in (fleet, others)]
    return assert_found(*moved, within_km, 0.6, 10.0)


DRAWN = {
    "seed": st.integers(0, 10**6),
    "kind": st.sampled_from(sorted(CLASSES)),
    "within_km": st.sampled_from([1.0, 5.0, 20.0, 50.0]),
}


@settings(max_examples=5)
@given(**DRAWN)
def test_random_pairs_against_the_twin(seed, kind, within_km):
    random_pairs(seed, kind, within_km)


@pytest.mark.long
@settings(max_examples=150)
@given(**DRAWN)
def test_many_random_pairs_against_the_twin(seed, kind, within_km):
    random_pairs(seed, kind, within_km)


def test_satellites_with_tolerances_are_one_train_and_all_is_found():
    control = Control(seed=3)
    fleet = propagate(small_fleet(planes=4, satellites=10), years=2.0 / YEAR, control=control)
    assert trains_of(fleet, SAME).leaders.size == 40
    trains = trains_of(fleet, IN_ONE_TRAIN)
    assert trains.leaders.size == 4
    assert (trains.departures[:, :2] > 1e-4).all()
    rng = np.random.default_rng(41)
    debris = propagate(
        objects_of(random_elements(rng, 250, perigee=(1050.0, 1070.0), eccentricity=(0.0, 0.002)), first=1001),
        years=2.0 / YEAR,
    )
    assert assert_found(fleet, debris, 5.0, 2.0, 20.0) > 10


def test_order_chunks_and_workers_change_no_bit():
    fleet = small_fleet(planes=3, satellites=6)
    rng = np.random.default_rng(77)
    debris = objects_of(random_elements(rng, 150, perigee=(1030.0, 1075.0), eccentricity=(0.0, 0.004)), first=1001)
    orbits, others = propagate(fleet, years=5.0 / YEAR), propagate(debris, years=5.0 / YEAR)
    found = find_approaches(orbits, others, within_km=10.0)
    assert found.sizes["approach"] > 20
    shuffled = rng.permutation(150)
    ways = {
        "order": (orbits.isel(object=rng.permutation(18)), others.isel(object=shuffled)),
        "chunks": (orbits, others.chunk({"object": 7})),
        "memory": (orbits, others.compute()),
    }
    for first, second in ways.values():
        for workers in (1, 3):
            with dask.config.set(num_workers=workers):
                again = find_approaches(first, second, within_km=10.0)
            assert again.identical(found)
    inside = find_approaches(orbits, within_km=30.0)
    turned = find_approaches(orbits.isel(object=rng.permutation(18)), within_km=30.0)
    assert turned.identical(inside)


def test_too_many_are_refused_with_an_estimate(monkeypatch):
    fleet = propagate(small_fleet(planes=3, satellites=12), years=2.0 / YEAR)
    rng = np.random.default_rng(78)
    debris = objects_of(random_elements(rng, 300, perigee=(1030.0, 1075.0), eccentricity=(0.0, 0.004)), first=1001)
    others = propagate(debris, years=2.0 / YEAR).chunk({"object": 10})
    monkeypatch.setattr(capacity, "LARGEST_NUMBER", 300)
    with pytest.raises(InputError, match=r"about [\d,]+ approaches within 50.0 km, estimated from \d+ of 30 blocks"):
        search.find_approaches(fleet, others, within_km=50.0)
    blocks = [a.sizes["approach"] for a in search.approaches_by_block(fleet, others, within_km=50.0)]
    assert len(blocks) == 30
    assert sum(blocks) > 300
