"""Mean motion against the numerical reference: how closely both must agree, with the settings that make it fast.

Other method: random orbits are integrated numerically, mean elements fitted to their first day, and both compared later
(`benchmarks.accuracy`, where the limits stand). The reference itself is held against scipy's DOP853, sgp4 and closed
forms in `test_reference` and `tests.published.test_reference`.
"""

import pytest

from benchmarks import accuracy

long = pytest.mark.long


@pytest.mark.parametrize(
    ("measure", "orbits"),
    [
        (accuracy.radius_in_zonals, 8),
        (accuracy.radius_with_tesserals, 8),
        (accuracy.radius_of_eccentric, 8),
        (accuracy.along_track, 8),
        (accuracy.decay, 6),
        pytest.param(accuracy.radius_in_zonals, 100, marks=long),
        pytest.param(accuracy.radius_of_eccentric, 100, marks=long),
        pytest.param(accuracy.along_track, 100, marks=long),
        pytest.param(accuracy.radius_after_a_year, 24, marks=long),
        pytest.param(accuracy.secular_rates, 24, marks=long),
    ],
)
def test_mean_motion_keeps_its_limits(measure, orbits):
    row = measure(orbits)
    missed = {what: (value, limit) for what, value, limit in row.figures if limit is not None and not value < limit}
    assert not missed, f"{row.name}: {missed}"
