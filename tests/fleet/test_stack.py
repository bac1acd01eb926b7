"""Stacking planes into shells."""

import json

import numpy as np
import pytest
from astropy import units
from hypothesis import given
from hypothesis import strategies as st

from shells.errors import InputError
from shells.fleet.frozen import freeze
from shells.fleet.patterns import walker
from shells.fleet.stack import stack
from shells.motion.frozen import standing_eccentricity
from shells.motion.shape import mean_radius
from shells.schema import OBJECTS


def fleet(planes=6, altitude=1200.0, **options):
    return walker(
        total=4 * planes, planes=planes, pattern="star", altitude_km=altitude, inclination_deg=87.9, **options
    )


def altitudes(stacked):
    """Altitude of the mean radius of each plane [km]."""
    first = stacked.isel(object=np.flatnonzero(stacked["slot"].values == 0))
    return mean_radius(first["semi_major_axis"].values, first["inclination"].values) - 6378.137


def test_monotone_about_the_altitude_of_the_fleet():
    # Closed form: steps of 4 km, the middle at 1200 km.
    stacked = stack(fleet(), step_km=4.0)
    OBJECTS.check(stacked, stage="test")
    np.testing.assert_allclose(altitudes(stacked), [1190, 1194, 1198, 1202, 1206, 1210], rtol=0, atol=1e-9)


@pytest.mark.parametrize(("planes", "upwards"), [(6, [0, 2, 4, 1, 3, 5]), (5, [0, 2, 4, 1, 3])])
def test_interleaved(planes, upwards):
    # Closed form: even planes below odd ones, so that neighbours in node are about half the stack apart.
    stacked = stack(fleet(planes), step_km=1.0, order="interleaved")
    assert np.argsort(altitudes(stacked)).tolist() == upwards
    assert np.abs(np.diff(altitudes(stacked))).min() >= (planes - 1) // 2 - 1e-9
    assert json.loads(stacked.attrs["provenance"])["stack"] == {"step_km": 1.0, "order": upwards}


@given(st.permutations(range(6)), st.floats(0.0, 50.0))
def test_listed_order(upwards, step):
    # Property: planes from the lowest shell to the highest, one step apart, the mean kept; the rest of the orbit too.
    base = fleet()
    stacked = stack(base, step_km=step, order=upwards)
    found = altitudes(stacked)
    np.testing.assert_allclose(np.diff(found[upwards]), step, rtol=0, atol=1e-9)
    np.testing.assert_allclose(found.mean(), 1200.0, rtol=0, atol=1e-9)
    for name in ("inclination", "raan", "mean_argument_of_latitude", "eccentricity_y"):
        np.testing.assert_array_equal(stacked[name], base[name])


def test_stacking_anew_replaces_the_stack():
    # Property: only the last stack counts.
    base = fleet()
    twice = stack(stack(base, step_km=9.0, order="interleaved"), step_km=3.0)
    np.testing.assert_allclose(altitudes(twice), altitudes(stack(base, step_km=3.0)), rtol=0, atol=1e-9)


def test_frozen_stays_frozen():
    # Property: freezing before or after stacking is the same; a circular fleet stays circular.
    after, before = freeze(stack(fleet(), step_km=10.0)), stack(freeze(fleet()), step_km=10.0)
    np.testing.assert_allclose(before["eccentricity_y"], after["eccentricity_y"], rtol=0, atol=1e-15)
    radius = altitudes(before)[before["plane"].values] + 6378.137
    np.testing.assert_allclose(before["eccentricity_y"], standing_eccentricity(radius, 87.9), rtol=0, atol=1e-15)
    assert (stack(fleet(), step_km=10.0)["eccentricity_y"] == 0.0).all()


def test_the_input_is_left_alone():
    base = freeze(fleet())
    copy = base.copy(deep=True)
    stack(base, step_km=10.0)
    assert base.identical(copy)


def test_quantity():
    assert stack(fleet(), step_km=4000.0 * units.m).equals(stack(fleet(), step_km=4.0))


NAMES = "'monotone', 'interleaved', 'best'"


@pytest.mark.parametrize(
    ("options", "faults"),
    [
        ({"step_km": -1.0}, ["step_km: -1 km found; allowed: at least 0 km"]),
        (
            {"step_km": np.nan, "order": "upwards"},
            [
                "step_km: nan km found; allowed: at least 0 km",
                f"order: 'upwards' found; allowed: {NAMES}, or the plane numbers from the lowest to the highest",
            ],
        ),
        (
            {"step_km": 1.0, "order": [0, 1, 2, 2, 9]},
            [
                "order: unknown planes [9], planes left out [3, 4, 5], planes given twice [2]; allowed: each of the "
                "6 plane "
                "numbers once, from the lowest shell to the highest"
            ],
        ),
        ({"step_km": 1.0, "order": None}, [f"order: None found; allowed: {NAMES}, or whole plane numbers"]),
        ({"step_km": 1.0, "order": [0.5, 1]}, [f"order: [0.5, 1] found; allowed: {NAMES}, or whole plane numbers"]),
    ],
)
def test_errors(options, faults):
    with pytest.raises(InputError) as error:
        stack(fleet(), **options)
    assert str(error.value) == "\n".join(["stack: arguments cannot be used:", *(f"  - {fault}" for fault in faults)])


def test_a_plane_pushed_too_low():
    with pytest.raises(InputError) as error:
        stack(fleet(altitude=300.0), step_km=60.0)
    assert str(error.value) == (
        "stack: fleet cannot be changed so:\n  - altitude: perigees of planes [0] under 160 km, the lowest at "
        "150.000 km; "
        "raise the fleet or narrow the stack"
    )
