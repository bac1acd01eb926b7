"""Frozen fleets; values of the frozen eccentricity are checked in tests/published and tests/motion."""

import numpy as np
import pytest

from shells.errors import InputError
from shells.fleet.frozen import freeze
from shells.fleet.patterns import walker
from shells.fleet.stack import stack
from shells.motion.frozen import frozen_eccentricity
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
    np.testing.assert_allclose(frozen["eccentricity_y"], frozen_eccentricity(radius, 87.9), rtol=1e-15)
    assert np.unique(frozen["eccentricity_y"].values.round(12)).size == 6
    np.testing.assert_array_equal(frozen["semi_major_axis"], fleet()["semi_major_axis"])


def test_negative_value_is_perigee_at_270():
    # Limit: just above the critical inclination the linear value is negative.
    assert (freeze(fleet(65.6))["eccentricity_y"] < 0.0).all()


def test_critical_inclination_is_refused():
    with pytest.raises(InputError) as error:
        freeze(fleet(63.0))
    assert str(error.value) == (
        "freeze: fleet cannot be frozen:\n  - inclination: [63.0, 63.0, 63.0, 63.0, 63.0, 63.0] deg found for planes "
        "[0, 1, 2, 3, 4, 5]; allowed: at least 2 deg away from 63.4349 and 116.5651 deg, where the linear theory of "
        "frozen "
        "orbits does not hold"
    )
