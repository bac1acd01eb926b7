"""Tolerances and control faults: what is accepted."""

import numpy as np
import pytest
from astropy import units

from shells.errors import InputError
from shells.fleet.tolerances import ControlFaults, Tolerances


def test_quantities_become_numbers():
    tolerances = Tolerances("bounded", 0.1 * units.km, units.Quantity(1e-5))
    assert tolerances == Tolerances("bounded", 100.0, 1e-5)
    faults = ControlFaults(0.05 / units.yr, 500.0 * units.m, 48.0 * units.h)
    assert (faults.per_satellite_year, faults.offset_km, faults.duration_days) == (0.05, 0.5, 2.0)


def test_share_of_time():
    # Closed form: two faults a year of a tenth of a year each.
    np.testing.assert_allclose(ControlFaults(2.0, 1.0, 36.525).share_of_time, 0.2, rtol=1e-15)
    assert ControlFaults(0.0).share_of_time == 0.0


def test_errors_of_tolerances():
    with pytest.raises(InputError) as error:
        Tolerances("square", -1.0, np.nan)
    assert str(error.value).splitlines() == [
        "Tolerances: arguments cannot be used:",
        "  - distribution: 'square' found; allowed: 'normal', 'bounded'",
        "  - mean_radius_m: -1 m found; allowed: 0 to 1e+06 m",
        "  - eccentricity: nan found; allowed: 0 to 0.005",
    ]


def test_errors_of_faults():
    with pytest.raises(InputError) as error:
        ControlFaults(-0.1, "far", 1e9)
    assert str(error.value).splitlines() == [
        "ControlFaults: arguments cannot be used:",
        "  - per_satellite_year: -0.1 1/yr found; allowed: 0 to 1000 1/yr",
        "  - offset_km: 'far' found; allowed: one number in km, bare or as a Quantity",
        "  - duration_days: 1e+09 day found; allowed: 0 to 100000 day",
    ]
    with pytest.raises(InputError) as error:
        ControlFaults(10.0, 1.0, 40.0)
    assert str(error.value).splitlines()[1] == (
        "  - per_satellite_year: 10.0 faults of 40.0 days each found, more than a year holds; allowed: up to 365.25 "
        "days of "
        "faults in a year"
    )
