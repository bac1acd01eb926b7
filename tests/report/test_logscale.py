import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.figure import Figure

from shells.report.logscale import DECADES, ZeroAxis


def test_values_stand_where_they_are_and_zero_below():
    values = np.array([3.0, 0.02, 0.0, np.nan])
    axis = ZeroAxis.holding(values)
    assert (axis.low, axis.high, axis.less) == (-2, 1, None)
    height = axis.height(values)
    np.testing.assert_array_equal(height[:2], values[:2])
    assert height[2] == axis.zero < 1e-2
    assert np.isnan(height[3])


def test_small_values_and_zeros_stand_in_rows_of_their_own():
    values = np.array([1.0, 1e-200, 0.0])
    axis = ZeroAxis.holding(values)
    assert 0.0 < axis.zero < axis.less < 10.0**axis.low
    np.testing.assert_array_equal(axis.height(values), [1.0, axis.less, axis.zero])


@pytest.mark.parametrize("values", [[0.0, 0.0], [np.nan], [], [5e-7], [1e-7, 1e-7], [1e-300, 0.0]])
def test_axis_of_anything(values):
    axis = ZeroAxis.holding(values)
    axes = Figure().subplots()
    axis.apply(axes)
    bottom, top = axes.get_ylim()
    height = axis.height(np.array(values))
    assert ((height > bottom) & (height < top))[~np.isnan(values)].all()
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert ("zero" in labels) == (0.0 in values)


@given(st.lists(st.one_of(st.just(0.0), st.floats(1e-320, 1e30)), min_size=1, max_size=8))
def test_order_of_values_is_kept(values):
    axis = ZeroAxis.holding(values)
    values = np.sort(values)
    height = axis.height(values)
    assert (np.diff(height) >= 0.0).all()
    assert axis.high - axis.low <= DECADES + 1
    assert (height[values > 0.0] > (axis.zero or 0.0)).all()


def test_labels_are_plain_near_one_and_powers_elsewhere():
    for values, labels in (([0.02, 30.0], ["0.01", "0.1", "1", "10", "100"]), ([2e-5, 2e-4], None)):
        axes = Figure().subplots()
        ZeroAxis.holding(values).apply(axes)
        found = [label.get_text() for label in axes.get_yticklabels()]
        assert found == labels or found == ["$10^{-5}$", "$10^{-4}$", "$10^{-3}$"]
