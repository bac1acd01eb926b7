"""Share of the probability of collision inside a search, against closed forms and Monte Carlo."""

import numpy as np
import pytest
from scipy import stats

from shells.errors import InputError
from shells.risk.completeness import share_found, share_within
from shells.risk.probability import collision_probability
from tests.risk.test_probability import FIRST, SECOND, approaches
from tests.risk.test_workload import encounters


def test_share_in_closed_form():
    # Closed forms: 1 - exp(-d^2 / 2 s^2) for a round error (Rayleigh), erf(d / s sqrt 2) for one along a line.
    deviations = np.array([300.0, 1500.0, 4000.0, 9000.0])
    square = deviations[:, None, None] ** 2
    np.testing.assert_allclose(
        share_within(square * np.eye(2), 5.0), stats.rayleigh.cdf(5000.0 / deviations), rtol=1e-12
    )
    line = square * np.array([[0.2, 0.4], [0.4, 0.8]])
    np.testing.assert_allclose(share_within(line, 5.0), stats.norm.cdf(5000.0 / deviations) * 2.0 - 1.0, rtol=1e-12)


def test_all_collisions_are_made_good():
    # Monte Carlo: misses uniform over the search, errors as wide as it. Over the share the probabilities add up to the
    # encounters times (R / d)^2, as many as go through the body, whatever the errors; as they stand they fall short.
    events = encounters(4000, 3.0, seed=3)
    for scale in (1.0, 10.0, 25.0):
        known = {
            "covariance_first_m2": scale**2 * FIRST,
            "covariance_second_m2": scale**2 * SECOND,
            "hard_body_radius_m": 12.0,
        }
        probability = collision_probability(events, **known)["collision_probability"].values
        share = share_found(events, **known, within_km=3.0)
        whole, expected = probability / share, 4000 * (0.012 / 3.0) ** 2
        assert abs(whole.sum() - expected) < 3.0 * whole.std() * np.sqrt(4000)
        assert (probability <= share).all()
    assert share.mean() < 0.8
    assert abs(probability.sum() - expected * share.mean()) < 3.0 * probability.std() * np.sqrt(4000)


def test_errors():
    with pytest.raises(InputError) as error:
        share_found(
            approaches(2),
            covariance_first_m2=FIRST,
            covariance_second_m2=-SECOND,
            hard_body_radius_m=1.0,
            within_km=0.0,
        )
    assert "  - within_km: 0 km found" in str(error.value)
    assert "  - covariance_second_m2: " in str(error.value)
