"""Frozen fleets; values of the frozen eccentricity are checked in tests/published and tests/motion."""

import numpy as np
import pytest
import xarray as xr

from shells.errors import InputError
from shells.fleet.frozen import freeze
from shells.fleet.patterns import walker
from shells.fleet.stack import stack
from shells.motion.frozen import frozen_orbit, standing_eccentricity
from shells.motion.shape import mean_radius
from shells.schema import OBJECTS


def fleet(inclination=87.9):
    return stack(
        walker(total=24, planes=6, pattern="star", altitude_km=1200.0, inclination_deg=inclination), step_km=10.0
    )


def test_each_plane_gets_its_own_value():
    # Other method: the array function at the mean radius of each satellite.
    frozen = freeze(fleet())
    OBJECTS.check(frozen, stage="test")
    radius = mean_radius(frozen["semi_major_axis"].values, frozen["inclination"].values)
    np.testing.assert_array_equal(frozen["eccentricity_x"], 0.0)
    np.testing.assert_allclose(frozen["eccentricity_y"], standing_eccentricity(radius, 87.9), rtol=1e-15)
    assert np.unique(frozen["eccentricity_y"].values.round(12)).size == 6
    np.testing.assert_array_equal(frozen["semi_major_axis"], fleet()["semi_major_axis"])


def test_negative_value_is_perigee_at_270():
    # Limit: just above the critical inclination the linear value is negative.
    assert (freeze(fleet(65.6))["eccentricity_y"] < 0.0).all()


def test_near_critical_planes_follow_the_periodic_orbit():
    # Other method: the array function at the mean radius of each plane; perigee at 270 deg above the critical
    # inclination, and planes of linear theory beside others keep it.
    for inclination, sign in [(63.0, 1.0), (64.0, -1.0)]:
        near, far = fleet(inclination), fleet()
        mixed = xr.concat([near, far.assign(plane=far["plane"] + 6)], dim="object", data_vars="minimal")
        found = freeze(mixed.assign_coords(object=np.arange(mixed.sizes["object"])))["eccentricity_y"].values
        radius = mean_radius(near["semi_major_axis"].values[::4], inclination)
        expected = np.repeat([frozen_orbit(float(r), inclination).eccentricity for r in radius], 4)
        np.testing.assert_allclose(found[:24], expected, rtol=1e-9)
        np.testing.assert_array_equal(found[24:], freeze(far)["eccentricity_y"])
        assert (sign * found[:24] > 0.0).all()


def test_no_frozen_orbit_is_refused():
    with pytest.raises(InputError) as error:
        freeze(fleet(63.42))
    assert str(error.value) == (
        "freeze: fleet cannot be frozen:\n  - inclination: [63.42, 63.42, 63.42, 63.42, 63.42, 63.42] deg found for "
        "planes [0, 1, 2, 3, 4, 5], which have no frozen orbit of eccentricity up to 0.05; allowed: 0.1 deg or more "
        "away from 63.4349 and 116.5651 deg"
    )


def test_low_perigee_is_refused():
    low = walker(total=2, planes=1, pattern="star", altitude_km=300.0, inclination_deg=63.3)
    perigee = 300.0 - 6678.137 * frozen_orbit(6678.137, 63.3).eccentricity
    with pytest.raises(InputError) as error:
        freeze(low)
    assert str(error.value) == (
        "freeze: fleet cannot be frozen:\n  - altitude: frozen perigees of planes [0] under 160 km: "
        f"[{perigee:.1f}] km; raise the fleet, or move the inclination away from 63.4349 and 116.5651 deg"
    )
