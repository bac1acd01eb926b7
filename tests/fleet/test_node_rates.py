"""Matched node rates."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import shells.constants as constants
from shells.errors import InputError
from shells.fleet.frozen import freeze
from shells.fleet.node_rates import match_node_rates
from shells.fleet.patterns import walker
from shells.fleet.stack import stack
from shells.motion.frozen import frozen_eccentricity
from shells.motion.secular import j2_rates
from shells.motion.shape import mean_radius
from shells.schema import OBJECTS


def fleet(inclination=87.9, step=10.0, pattern="star"):
    base = walker(total=24, planes=6, pattern=pattern, altitude_km=1200.0, inclination_deg=inclination)
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


def report(objects):
    return json.loads(objects.attrs["provenance"])["match_node_rates"]


@settings(max_examples=25, deadline=None)
@given(st.floats(15.0, 165.0), st.floats(0.0, 20.0))
def test_rates_are_equal_and_radii_kept(inclination, step):
    # Property: every plane turns at the mean rate of the fleet given, at the mean radius it had.
    base = fleet(inclination, step)
    matched = match_node_rates(base)
    OBJECTS.check(matched, stage="test")
    np.testing.assert_allclose(node_rates(matched), node_rates(base).mean(), rtol=1e-12, atol=1e-14)
    before, after = (mean_radius(x["semi_major_axis"].values, x["inclination"].values) for x in (base, matched))
    np.testing.assert_allclose(after, before, rtol=1e-14)


def test_report():
    # Closed form: the trim is -d(rate)/(d rate / d i); the node rate goes with r^-3.5, so 25 km are 1.16 % of it.
    base = fleet()
    matched = match_node_rates(base, years=10.0)
    found = report(matched)
    trims = np.abs(matched["inclination"].values - 87.9)
    np.testing.assert_allclose(found["largest_trim_deg"], trims.max(), rtol=1e-12)
    slope = np.degrees(3.5 * 25.0 / 7578.137 / np.tan(np.radians(87.9)))
    np.testing.assert_allclose(found["largest_trim_deg"], slope, rtol=0.02)
    np.testing.assert_allclose(found["spread_before_deg"], np.ptp(node_rates(base)) * 3652.5, rtol=1e-12)
    assert found["spread_left_deg"] < 1e-9
    assert found["years"] == 10.0


def test_provenance_is_kept():
    facts = json.loads(match_node_rates(fleet()).attrs["provenance"])
    assert set(facts) == {"walker", "stack", "match_node_rates"}


def test_frozen_stays_frozen():
    # Property: the frozen value belongs to the trimmed inclination; it moves the rates by the square of its change
    # only.
    matched = match_node_rates(freeze(fleet(53.0)))
    radius = mean_radius(matched["semi_major_axis"].values, matched["inclination"].values)
    expected = frozen_eccentricity(radius, matched["inclination"].values)
    np.testing.assert_allclose(matched["eccentricity_y"], expected, rtol=0, atol=1e-15)
    assert report(matched)["spread_left_deg"] < 1e-3 * report(matched)["spread_before_deg"]


def test_polar_planes_need_no_trim():
    # Limit: over the poles no node turns.
    matched = match_node_rates(fleet(90.0))
    np.testing.assert_allclose(matched["inclination"], 90.0, rtol=0, atol=1e-12)
    assert report(matched)["largest_trim_deg"] < 1e-12


def test_one_altitude_needs_no_trim():
    # Limit: equal rates stay as they are.
    base = fleet(step=0.0)
    np.testing.assert_allclose(match_node_rates(base)["inclination"], base["inclination"], rtol=0, atol=1e-10)


def test_unreachable_rates():
    base = fleet(1.0, pattern="delta")
    with pytest.raises(InputError) as error:
        match_node_rates(base)
    assert str(error.value) == (
        "match_node_rates: arguments cannot be used:\n  - node rate: no inclination gives planes [3, 4, 5] the "
        "fleet's mean "
        f"of {node_rates(base).mean():.6f} deg/day; allowed: mean radii whose rates overlap; narrow the stack, or "
        f"move the "
        "inclination away from 0 and 180 deg"
    )


def test_frozen_fleet_near_a_critical_inclination():
    with pytest.raises(InputError) as error:
        match_node_rates(freeze(fleet(61.43, step=100.0)))
    assert "match_node_rates: fleet cannot be changed so:\n  - inclination: frozen planes [0, 1, 2]" in str(error.value)


def test_negative_span():
    with pytest.raises(InputError, match=r"years: -1 yr found; allowed: at least 0 yr$"):
        match_node_rates(fleet(), years=-1.0)
