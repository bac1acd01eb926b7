"""Matched node rates; the figures of stacked fleets under Sun and Moon are in tests/published/test_node_spread.py."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import shells.constants as constants
from shells.errors import InputError
from shells.fleet.elements import replace
from shells.fleet.frozen import freeze
from shells.fleet.node_rates import match_node_rates
from shells.fleet.patterns import walker
from shells.fleet.stack import stack
from shells.motion.forces import Forces
from shells.motion.frozen import standing_eccentricity
from shells.motion.propagation import propagate
from shells.motion.secular import j2_rates
from shells.motion.shape import mean_radius
from shells.schema import OBJECTS

OBLATE = Forces(zonal_degree=2, sun=False, moon=False)
ZONAL = Forces(sun=False, moon=False)


def fleet(inclination=87.9, step=10.0, pattern="star", altitude=1200.0, **options):
    base = walker(
        total=24, planes=6, pattern=pattern, altitude_km=altitude, inclination_deg=inclination, raan_deg=7.0, **options
    )
    return stack(base, step_km=step)


def node_rates(objects):
    return j2_rates(
        objects["semi_major_axis"].values,
        np.hypot(objects["eccentricity_x"].values, objects["eccentricity_y"].values),
        objects["inclination"].values,
        mu=constants.GRAVITATIONAL_PARAMETER.value,
        radius=constants.REFERENCE_RADIUS.value,
        j2=constants.zonal_coefficients()[2],
    ).node


def courses(objects, years, forces=None):
    """Return the change of each node in time [deg], by propagation of all satellites."""
    raan = propagate(objects, years=years, forces=forces)["raan"].values
    return raan - raan[:, :1]


def report(objects):
    return json.loads(objects.attrs["provenance"])["match_node_rates"]


@settings(max_examples=20, deadline=None)
@given(st.floats(20.0, 160.0), st.floats(0.0, 20.0))
def test_oblateness_alone_is_the_closed_form(inclination, step):
    # Closed form: first-order J2; its square, in the motion too, is about 1e-3 of the rate, as is what it leaves.
    base = fleet(inclination, step)
    matched = match_node_rates(base, forces=OBLATE)
    OBJECTS.check(matched, stage="test")
    rates = node_rates(base)
    np.testing.assert_allclose(node_rates(matched), rates.mean(), rtol=2e-4, atol=1e-7)
    spread = np.ptp(rates) * 365.25
    np.testing.assert_allclose(report(matched)["spread_before_deg"], spread, rtol=0.01, atol=1e-6)
    assert report(matched)["spread_j2_trim_deg"] <= 0.01 * spread + 1e-6
    assert report(matched)["spread_left_deg"] <= 2e-6
    before, after = (mean_radius(x["semi_major_axis"].values, x["inclination"].values) for x in (base, matched))
    np.testing.assert_allclose(after, before, rtol=1e-14)


@pytest.mark.parametrize(
    ("inclination", "altitude", "pattern"),
    [
        (87.9, 1200.0, "star"),
        (53.0, 550.0, "delta"),
        (97.6, 550.0, "delta"),
        (130.0, 800.0, "delta"),
        (90.0, 900.0, "star"),
    ],
)
def test_nodes_end_together(inclination, altitude, pattern):
    # Other method: all satellites propagated as Datasets, on other nodes in time. Sun-synchronous planes included.
    base = fleet(inclination, 4.0, pattern, altitude)
    matched = match_node_rates(base, years=3.0)
    found, before, after = report(matched), courses(base, 3.0), courses(matched, 3.0)
    np.testing.assert_allclose(after[:, -1], before[:, -1].mean(), rtol=0, atol=1e-5)
    np.testing.assert_allclose(found["spread_before_deg"], np.ptp(before[:, -1]), rtol=1e-6)
    # daily, where the report looks every five days
    for name, course in (("before", before), ("left", after)):
        largest = np.ptp(course, axis=0).max()
        np.testing.assert_allclose(found[f"largest_spread_{name}_deg"], largest, rtol=1e-3, atol=1e-3)
    assert found["spread_left_deg"] < 1e-5 < 0.01 * found["spread_j2_trim_deg"]
    assert found["largest_spread_left_deg"] < found["largest_spread_before_deg"]


def test_report():
    # Closed form: the trim is -d(rate)/(d rate / d i); the node rate goes with r^-3.5, so 25 km are 1.16 % of it.
    matched = match_node_rates(fleet(), years=10.0, forces=ZONAL)
    found = report(matched)
    trims = matched["inclination"].values - 87.9
    np.testing.assert_allclose(found["trim_deg"], trims[matched["slot"].values == 0], rtol=0, atol=1e-12)
    np.testing.assert_allclose(found["largest_trim_deg"], np.abs(trims).max(), rtol=1e-10)
    slope = np.degrees(3.5 * 25.0 / 7578.137 / np.tan(np.radians(87.9)))
    np.testing.assert_allclose(found["largest_trim_deg"], slope, rtol=0.02)
    # without Sun and Moon nodes part steadily
    for name in ("before", "j2_trim"):
        np.testing.assert_allclose(found[f"largest_spread_{name}_deg"], found[f"spread_{name}_deg"], rtol=1e-9)
    assert found["years"] == 10.0
    assert found["forces"] == str(ZONAL)


def test_provenance_is_kept():
    facts = json.loads(match_node_rates(fleet()).attrs["provenance"])
    assert set(facts) == {"walker", "stack", "match_node_rates"}


@pytest.mark.parametrize("forces", [ZONAL, Forces()])
def test_frozen_stays_frozen(forces):
    # Property: the frozen value belongs to the trimmed inclination.
    matched = match_node_rates(freeze(fleet(53.0)), forces=forces)
    radius = mean_radius(matched["semi_major_axis"].values, matched["inclination"].values)
    expected = standing_eccentricity(radius, matched["inclination"].values)
    np.testing.assert_allclose(matched["eccentricity_y"], expected, rtol=0, atol=1e-15)
    assert np.ptp(courses(matched, 1.0, forces)[:, -1]) < 1e-5


def test_planes_of_several_satellites_weigh_more():
    # Property: the target is the mean over satellites; the planes left with one satellite count a quarter.
    base = fleet(53.0)
    thinned = base.isel(object=np.flatnonzero((base["plane"].values > 1) | (base["slot"].values == 0)))
    matched = match_node_rates(thinned, forces=ZONAL)
    change = courses(thinned, 1.0, ZONAL)[:, -1]
    np.testing.assert_allclose(courses(matched, 1.0, ZONAL)[:, -1], change.mean(), rtol=0, atol=1e-5)


def test_trims_follow_the_planes_not_their_order():
    # Property: satellites in another order, and plane numbers with gaps, get the same trims.
    base = fleet(53.0)
    shuffled = np.random.default_rng(3).permutation(base.sizes["object"])
    mixed = replace(base, plane=3 * base["plane"].values + 2).isel(object=shuffled)
    trimmed = match_node_rates(base)["inclination"].values
    np.testing.assert_allclose(match_node_rates(mixed)["inclination"], trimmed[shuffled], rtol=0, atol=1e-9)


def test_polar_planes_need_no_trim_without_sun_and_moon():
    # Limit: over the poles no node turns. Sun and Moon tilt the planes away from there, each its own way.
    matched = match_node_rates(fleet(90.0), forces=ZONAL)
    np.testing.assert_allclose(matched["inclination"], 90.0, rtol=0, atol=1e-10)
    assert report(match_node_rates(fleet(90.0)))["largest_trim_deg"] > 1e-3


def test_one_altitude_needs_no_trim_without_sun_and_moon():
    # Limit: equal rates stay as they are.
    base = fleet(step=0.0)
    np.testing.assert_allclose(match_node_rates(base, forces=ZONAL)["inclination"], 87.9, rtol=0, atol=1e-10)
    assert report(match_node_rates(base))["largest_trim_deg"] > 1e-3


def test_one_plane_needs_no_trim():
    single = walker(total=3, planes=1, pattern="star", altitude_km=700.0, inclination_deg=82.0)
    np.testing.assert_allclose(match_node_rates(single)["inclination"], 82.0, rtol=0, atol=1e-9)


def test_units():
    units = pytest.importorskip("astropy.units")
    matched = match_node_rates(fleet(), years=730.5 * units.day)
    assert report(matched)["years"] == pytest.approx(2.0, rel=1e-12)


def test_unreachable_rates():
    base = fleet(1.0, pattern="delta")
    with pytest.raises(InputError) as error:
        match_node_rates(base)
    assert str(error.value) == (
        "match_node_rates: arguments cannot be used:\n  - node rate: no inclination found that gives planes "
        f"[3, 4, 5] the fleet's mean of {node_rates(base).mean():.6f} deg/day; allowed: mean radii whose rates "
        "overlap; narrow the stack, or move the inclination away from 0 and 180 deg"
    )


def test_equator():
    # Sun and Moon tilt equatorial planes, and none can turn faster than the one that lies flat.
    with pytest.raises(InputError, match="node rate: no inclination found that gives planes"):
        match_node_rates(fleet(0.0, 0.0, "delta"))


def test_frozen_fleet_near_a_critical_inclination():
    with pytest.raises(InputError) as error:
        match_node_rates(freeze(fleet(61.43, step=100.0)))
    assert "match_node_rates: fleet cannot be changed so:\n  - inclination: frozen planes [0, 1, 2]" in str(error.value)


def test_faults_are_told_at_once():
    with pytest.raises(InputError) as error:
        match_node_rates(fleet(), years=-1.0, forces=Forces(zonal_degree=0))
    assert str(error.value) == (
        "match_node_rates: arguments cannot be used:\n"
        "  - years: -1 yr found; allowed: more than 0, up to 100 yr\n"
        "  - forces: zonal_degree 0 found; allowed: 2 or more; without the oblateness no inclination moves the nodes"
    )


@pytest.mark.parametrize(("years", "told"), [(0.0, "0 yr"), (101.0, "101 yr"), (np.nan, "nan yr"), ("long", "'long'")])
def test_span(years, told):
    with pytest.raises(InputError, match=rf"years: {told} found"):
        match_node_rates(fleet(), years=years)
