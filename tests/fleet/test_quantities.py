"""Numbers with a unit."""

import math

import numpy as np
import pytest
from astropy import units

from shells.errors import Faults, InputError
from shells.fleet.quantities import array_in_units, in_units, read_number


def test_bare_numbers_are_in_the_unit():
    assert in_units(3, "km") == 3.0
    assert in_units(np.float64(2.5), "") == 2.5


def test_quantities_are_converted():
    # Closed form: definitions of the units.
    assert in_units(550e3 * units.m, "km") == 550.0
    np.testing.assert_allclose(in_units(0.5 * math.pi * units.rad, "deg"), 90.0, rtol=1e-15)
    assert in_units(units.Quantity(0.02), "") == 0.02
    np.testing.assert_array_equal(array_in_units([1.0, 2.0] * units.km**2, "m2"), [1e6, 2e6])


@pytest.mark.parametrize("value", ["550 km", None, [1.0, 2.0], 3.0 * units.s])
def test_errors(value):
    with pytest.raises(InputError) as error:
        in_units(value, "km")
    assert str(error.value) == f"{value!r} found; allowed: one number in km, bare or as a Quantity"


def test_error_of_arrays():
    with pytest.raises(InputError, match=r"^'x' found; allowed: pure numbers$"):
        array_in_units("x", "")


def test_ranges_are_recorded():
    faults = Faults("here")
    assert math.isnan(read_number(faults, "a", math.inf, "km"))
    assert math.isnan(read_number(faults, "b", -1, "m", low=0.0))
    assert math.isnan(read_number(faults, "c", 3, "", low=0.0, high=2.0))
    assert math.isnan(read_number(faults, "d", "x", "deg"))
    assert read_number(faults, "e", 2.0, "", low=0.0, high=2.0) == 2.0
    assert faults.found == [
        "a: inf km found; allowed: any finite number km",
        "b: -1 m found; allowed: at least 0 m",
        "c: 3 found; allowed: 0 to 2",
        "d: 'x' found; allowed: one number in deg, bare or as a Quantity",
    ]
