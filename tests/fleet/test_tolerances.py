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


def test_reshaped_keeps_standard_deviations():
    # Closed form: a uniform term of half width b has b / sqrt(3), a component in a uniformly filled disc r / 2.
    bounded = Tolerances("bounded", 60.0, 3e-5, 7.0, 4.0, 5.0, 0.9)
    normal = bounded.reshaped("normal")
    assert normal.distribution == "normal"
    np.testing.assert_allclose(normal.mean_radius_m, 60.0 / np.sqrt(3.0), rtol=1e-15)
    np.testing.assert_allclose(normal.eccentricity, 1.5e-5, rtol=1e-15)
    np.testing.assert_allclose(normal.excursion_along_track_km, 5.0 / np.sqrt(3.0), rtol=1e-15)
    np.testing.assert_allclose(normal.cross_track_km, 0.45, rtol=1e-15)
    assert (normal.orbit_determination_m, normal.manoeuvre_m) == (7.0, 4.0)
    again = normal.reshaped("bounded")
    np.testing.assert_allclose(again.mean_radius_m, 60.0, rtol=1e-15)
    assert bounded.reshaped("bounded") is bounded


def test_excursion_takes_altitude():
    # Published: 3 pi da along the track per revolution; 5 m give 47 m (tables of control figures).
    assert Tolerances("bounded", 0.0, 0.0, excursion_along_track_km=0.047).excursion_km == pytest.approx(
        0.005, rel=5e-3
    )
    # five kilometres within one revolution take half a kilometre
    assert Tolerances("bounded", 0.0, 0.0, excursion_along_track_km=5.0).excursion_km == pytest.approx(0.53, abs=5e-3)


def test_errors_of_the_smaller_terms():
    with pytest.raises(InputError) as error:
        Tolerances("normal", 1.0, 1e-5, -1.0, np.inf, "far", -0.5)
    assert str(error.value).splitlines()[1:] == [
        "  - orbit_determination_m: -1 m found; allowed: 0 to 1e+06 m",
        "  - manoeuvre_m: inf m found; allowed: 0 to 1e+06 m",
        "  - excursion_along_track_km: 'far' found; allowed: one number in km, bare or as a Quantity",
        "  - cross_track_km: -0.5 km found; allowed: 0 to 1000 km",
    ]
