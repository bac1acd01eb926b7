import pytest
from hypothesis import given
from hypothesis import strategies as st

from shells.report.rounding import significant, with_error


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0.0, 2, "0"),
        (0.0031, 2, "0.0031"),
        (0.00316, 2, "0.0032"),
        (2.44e-7, 2, "2.4e-07"),
        (9.96e-5, 2, "0.00010"),
        (12345.0, 2, "12000"),
        (1234567.0, 2, "1.2e+06"),
        (9.99, 2, "10"),
        (14.04, 3, "14.0"),
        (None, 2, "–"),
        (float("nan"), 2, "–"),
        (float("inf"), 2, "inf"),
    ],
)
def test_significant(value, digits, text):
    assert significant(value, digits) == text


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        (350.0, 18.0, "350 ± 18"),
        (350.0, 28.0, "350 ± 30"),
        (14.23, 0.7, "14.2 ± 0.7"),
        (0.00123, 0.00002, "0.00123 ± 0.00002"),
        (1e-7, 3e-8, "(1.0 ± 0.3)e-07"),
        (1234567.0, 23000.0, "(1.23 ± 0.02)e+06"),
        (123456.0, 2300.0, "123000 ± 2000"),
        (3.0, 0.0, "3.0"),
        (3.0, None, "3.0"),
        (3.0, float("nan"), "3.0"),
        (None, 1.0, "–"),
    ],
)
def test_with_error(value, error, text):
    assert with_error(value, error) == text


@given(st.floats(1e-12, 1e12), st.integers(1, 4))
def test_rounding_stays_within_half_a_digit(value, digits):
    assert float(significant(value, digits)) == pytest.approx(value, rel=0.51 * 10.0 ** (1 - digits))
