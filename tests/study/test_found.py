import numpy as np
import pytest

from shells.study.found import FOUND, count, total
from tests.study import fakes

START = np.datetime64("2031-04-01", "ns")


def counted(blocks, debris, years=2.0):
    """Count the fleet's block, then the others."""
    return total(
        count(block, debris if number else None, start=START, years=years) for number, block in enumerate(blocks)
    )


def test_counts_by_kind_and_year():
    debris = fakes.debris(6)  # kinds debris, payload, rocket body, debris, …
    fleet = fakes.approaches([0, 1, 2], [3, 4, 5], [0.0, 365.0, 366.0], [2.0, 1.0, 3.0])
    first = fakes.approaches([0, 1], [50000, 50001], [10.0, 400.0], [0.5, 0.25])
    second = fakes.approaches([7], [50003], [20.0], [0.125])
    found = counted([fleet, first, second], debris)
    FOUND.check(found, stage="test")
    assert found["kind"].values.tolist() == ["fleet", "debris", "payload", "rocket body"]
    # a Julian year has 365.25 days: day 365 is in the first, day 366 in the second
    np.testing.assert_array_equal(found["found"], [[2, 1], [2, 0], [0, 1], [0, 0]])
    np.testing.assert_array_equal(found["smallest_miss"], [1.0, 0.125, 0.25, np.nan])


def test_debris_with_the_numbers_of_satellites_is_not_taken_for_them():
    debris = fakes.debris(3).assign_coords(object=[0, 1, 2])
    fleet = fakes.approaches([0], [1], [1.0], [1.0])
    block = fakes.approaches([0], [1], [1.0], [1.0])
    found = counted([fleet, block], debris)
    assert found["found"].sum("year").values.tolist() == [1, 0, 1, 0]


@pytest.mark.parametrize(("years", "length"), [(0.1, 1), (1.0, 1), (1.5, 2), (10.0, 10)])
def test_last_year_may_be_a_part(years, length):
    end = fakes.approaches([0], [1], [365.25 * years], [1.0])
    found = counted([end], None, years=years)
    assert found.sizes["year"] == length
    assert found["found"].values.tolist() == [[0] * (length - 1) + [1]]


def test_nothing_found():
    empty = fakes.approaches([], [], [], [])
    found = counted([empty, empty], fakes.debris(2))
    assert int(found["found"].sum()) == 0
    assert np.isnan(found["smallest_miss"]).all()
