"""Smallest distances inside shells; published values are in tests/published/test_fleet.py."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shells.errors import InputError
from shells.fleet.distances import DISTANCES, minimum_distance, passage, pattern_distances, plane_distances
from shells.fleet.patterns import SPAN_DEG, walker
from shells.fleet.stack import stack
from shells.motion.shape import semi_major_axis


def fleet(**changes):
    design = {"total": 66, "planes": 6, "pattern": "star", "altitude_km": 780, "inclination_deg": 86.4, "phasing": 2}
    return walker(**{**design, **changes})


def positions(radius, eccentricity, inclination, raan, mean_argument):
    """Two-body positions, perigee at 90 deg: shape (..., 3), Kepler's equation by fixed point."""
    mean = mean_argument - 0.5 * np.pi
    anomaly = mean
    for _ in range(12):
        anomaly = mean + eccentricity * np.sin(anomaly)
    true = 2.0 * np.arctan2(
        np.sqrt(1 + eccentricity) * np.sin(anomaly / 2), np.sqrt(1 - eccentricity) * np.cos(anomaly / 2)
    )
    r, u = radius * (1.0 - eccentricity * np.cos(anomaly)), true + 0.5 * np.pi
    return r[..., None] * np.stack(
        [
            np.cos(raan) * np.cos(u) - np.sin(raan) * np.sin(u) * np.cos(inclination),
            np.sin(raan) * np.cos(u) + np.cos(raan) * np.sin(u) * np.cos(inclination),
            np.sin(u) * np.sin(inclination),
        ],
        axis=-1,
    )


def brute_force(total, planes, phasing, radius, inclination_deg, eccentricity):
    """Smallest distance of satellite 0, as all are alike, to the others over one orbit: small steps and a parabola."""
    t = np.linspace(0.0, 2.0 * np.pi, 3001)
    i, smallest = np.radians(inclination_deg), np.inf
    own = positions(radius, eccentricity, i, 0.0, t)
    for plane in range(planes):
        slots = np.arange(1 if plane == 0 else 0, total // planes)
        phase = 2.0 * np.pi * (slots * planes + phasing * plane) / total
        other = positions(radius, eccentricity, i, 2.0 * np.pi * plane / planes, t + phase[:, None])
        squared = np.sum((other - own) ** 2, axis=-1)
        row, at = np.unravel_index(np.argmin(squared[:, 1:-1]), squared[:, 1:-1].shape)
        before, here, after = squared[row, at : at + 3]
        smallest = min(smallest, here - (after - before) ** 2 / (8.0 * (after - 2.0 * here + before)))
    return np.sqrt(smallest)


@pytest.mark.parametrize(
    ("total", "planes", "phasing", "eccentricity", "expected"),
    [(1584, 72, 17, 0.9783e-3, 3.920), (1584, 22, 17, 0.9783e-3, 51.094), (1584, 22, 17, 0.0, 61.830)],
)
def test_slow_twin(total, planes, phasing, eccentricity, expected):
    # Slow twin: Kepler orbits by brute force, which gave 3.920 and 51.094 km elsewhere too (computed); the closed
    # form is of first order in the eccentricity, which leaves e times the distance.
    found = pattern_distances(
        total=total,
        planes=planes,
        span_deg=360.0,
        mean_radius_km=6928.1363,
        inclination_deg=53.0,
        eccentricity=eccentricity,
    )[phasing]
    brute = brute_force(total, planes, phasing, 6928.1363, 53.0, eccentricity)
    np.testing.assert_allclose(brute, expected, rtol=0, atol=3e-3)
    np.testing.assert_allclose(found, brute, rtol=1.2e-3, atol=1e-3)


def test_slow_twin_in_plane():
    # Slow twin: neighbours on one eccentric orbit come nearest at apogee.
    found = pattern_distances(
        total=8, planes=1, span_deg=360.0, mean_radius_km=7000.0, inclination_deg=53.0, eccentricity=0.001
    )
    np.testing.assert_allclose(found, [brute_force(8, 1, 0, 7000.0, 53.0, 0.001)], rtol=2e-6)


@given(st.floats(0.0, 180.0), st.floats(-180.0, 180.0), st.floats(0.0, 360.0))
def test_passage_against_a_scan(inclination, node_difference, phase):
    # Slow twin: two circles, scanned; squared distance is a sinusoid of twice the time, so four points give its
    # minimum.
    i, dO, du = np.radians([inclination, node_difference, phase])
    t = np.arange(4) * np.pi / 4.0
    squared = np.sum((positions(1.0, 0.0, i, 0.0, t) - positions(1.0, 0.0, i, dO, t + du)) ** 2, axis=-1)
    mean, swing = squared.mean(), np.hypot(squared[0] - squared[2], squared[1] - squared[3]) / 2.0
    pair = passage(inclination, node_difference, 0.0)
    chord = 2.0 * pair.half_angle_cosine * np.abs(np.sin(0.5 * np.radians(phase - pair.meeting_phase_deg)))
    np.testing.assert_allclose(chord**2, mean - swing, rtol=0, atol=1e-13)


@pytest.mark.parametrize("pattern", ["star", "delta"])
@pytest.mark.parametrize("eccentricity", [0.0, 0.0012])
def test_fleet_and_pattern_agree(pattern, eccentricity):
    # Two methods: over all pairs of a fleet, and by the symmetry of the pattern.
    by_pattern = pattern_distances(
        total=66,
        planes=6,
        span_deg=SPAN_DEG[pattern],
        mean_radius_km=6378.137 + 780,
        inclination_deg=86.4,
        eccentricity=eccentricity,
    )
    by_fleet = [
        minimum_distance(fleet(pattern=pattern, phasing=f, eccentricity=eccentricity, raan_deg=200.0)) for f in range(6)
    ]
    np.testing.assert_allclose(by_fleet, by_pattern, rtol=0, atol=1e-8)


def test_given_eccentricity_replaces_the_own():
    # Property: the argument is what the fleet would have.
    expected = minimum_distance(fleet(eccentricity=0.0012))
    assert expected != minimum_distance(fleet())
    np.testing.assert_allclose(minimum_distance(fleet(), eccentricity=0.0012), expected, rtol=1e-14)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.0, 360.0), st.floats(0.0, 360.0), st.randoms(use_true_random=False))
def test_turning_and_shuffling_change_nothing(raan, phase, random):
    # Property: the distance belongs to the pattern, not to its orientation, its phase or the order of the objects.
    base = fleet(eccentricity=0.001)
    order = list(range(66))
    random.shuffle(order)
    turned = base.isel(object=order)
    for name, angle in (("raan", raan), ("mean_argument_of_latitude", phase)):
        turned[name] = (base[name].isel(object=order) + angle) % 360.0
        turned[name].attrs = base[name].attrs
    np.testing.assert_allclose(minimum_distance(turned), minimum_distance(base), rtol=0, atol=1e-7)


def test_stacked_planes_are_not_compared():
    # Limits: planes in shells of their own leave only their in-plane neighbours, here 2 r sin(180 deg / 11).
    stacked = stack(fleet(), step_km=5.0)
    found = plane_distances(stacked)
    DISTANCES.check(found, stage="test")
    matrix = found["minimum_distance"].values
    assert found["shell"].values.tolist() == [0, 1, 2, 3, 4, 5]
    assert np.isnan(matrix[~np.eye(6, dtype=bool)]).all()
    lowest = 6378.137 + 780 - 12.5
    np.testing.assert_allclose(minimum_distance(stacked), 2.0 * lowest * np.sin(np.pi / 11), rtol=1e-12)


def test_two_planes_in_one_shell_of_a_stack():
    # Limits: one shell of two planes among single ones.
    mixed = stack(fleet(), step_km=5.0)
    mixed["semi_major_axis"][mixed["plane"].values == 3] = mixed["semi_major_axis"].values[0]
    found = plane_distances(mixed)
    matrix = found["minimum_distance"].values
    assert found["shell"].values.tolist() == [0, 1, 2, 0, 3, 4]
    assert np.isfinite(matrix[0, 3]) and matrix[0, 3] == matrix[3, 0]
    assert np.isfinite(matrix).sum() == 8
    assert minimum_distance(mixed) == matrix[0, 3]


def test_lone_satellites():
    # Limits: one satellite has no distance; two planes of one satellite each have no in-plane neighbour.
    assert minimum_distance(fleet(total=1, planes=1, phasing=0)) == np.inf
    two = plane_distances(fleet(total=2, planes=2, phasing=1))["minimum_distance"].values
    assert np.isnan(np.diag(two)).all() and np.isfinite(two[0, 1])


def test_equal_radius_but_other_inclination_is_refused():
    mixed = fleet()
    inside = mixed["plane"].values == 2
    mixed["inclination"][inside] = 86.5
    mixed["semi_major_axis"][inside] = semi_major_axis(6378.137 + 780.0, 86.5)
    with pytest.raises(InputError) as error:
        minimum_distance(mixed)
    assert str(error.value) == (
        "minimum_distance: closed form does not hold:\n  - inclination: 0.1 deg of difference among planes "
        "[0, 1, 2, 3, 4, 5] of equal mean radius; their phases drift through each other, no pattern keeps them "
        "apart; give "
        "them equal inclinations, or stack them"
    )


def test_other_perigees_are_refused():
    tilted = fleet(eccentricity=0.001)
    tilted["eccentricity_x"][:] = 0.0002
    tilted["eccentricity_y"][tilted["plane"].values == 1] = 0.0015
    with pytest.raises(InputError) as error:
        minimum_distance(tilted)
    assert str(error.value) == (
        "minimum_distance: closed form does not hold:\n  - eccentricity: vectors up to 0.0002 along the node and "
        "0.0005 "
        "apart found among planes [0, 1, 2, 3, 4, 5]; allowed: one eccentricity with perigee at 90 or 270 deg; "
        "freeze the "
        "fleet, or give eccentricity="
    )
    assert minimum_distance(tilted, eccentricity=0.001) == minimum_distance(fleet(eccentricity=0.001))


def test_eccentricity_out_of_range():
    with pytest.raises(InputError, match=r"eccentricity: 0\.5 found; allowed: -0\.02 to 0\.02$"):
        minimum_distance(fleet(), eccentricity=0.5)


def test_fleets_that_are_none():
    with pytest.raises(InputError) as error:
        split = fleet()
        split["raan"][3] = 1.0
        minimum_distance(split)
    assert "raan: differs by up to 1 within planes [0]; allowed: 1e-06 (km, deg)" in str(error.value)
    stray = fleet()
    stray["plane"][5] = -1
    with pytest.raises(InputError, match=r"plane: -1 \(none\) found for 1 of 66 objects"):
        minimum_distance(stray)
    with pytest.raises(InputError, match="object: none found"):
        minimum_distance(fleet().isel(object=slice(0, 0)))
