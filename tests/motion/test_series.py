"""Elementary functions as series against numpy's."""

import math

import numpy as np

from shells.motion.series import kernels
from tests.calling import way_to

sine_and_cosine, angle_of, exponential = map(way_to, (kernels.sine_and_cosine, kernels.angle_of, kernels.exponential))


def test_sine_and_cosine():
    angles = np.random.default_rng(3).uniform(-60.0, 60.0, 2000)
    found = np.array([sine_and_cosine(angle) for angle in angles])
    np.testing.assert_allclose(found, np.stack([np.sin(angles), np.cos(angles)], axis=1), rtol=0, atol=1e-14)


def test_angle_in_all_quadrants():
    places = np.random.default_rng(4).uniform(-9.0, 9.0, (2000, 2))
    places = np.concatenate([places, [[0.0, 2.0], [0.0, -2.0], [3.0, 0.0], [-3.0, 0.0]]])
    found = [angle_of(y, x) for y, x in places]
    np.testing.assert_allclose(found, np.arctan2(places[:, 0], places[:, 1]), rtol=0, atol=1e-14)


def test_exponential_of_logarithms_of_density():
    logarithms = np.linspace(-50.0, 0.3, 3001)
    found = [exponential(x) for x in logarithms]
    # 32 times the remainder of the series (Lagrange) over its sum
    part = np.abs(logarithms + 28.0) / 32.0
    remainder = 32.0 * part**14 / math.factorial(14) * np.exp(part)
    assert (np.abs(found / np.exp(logarithms) - 1.0) < remainder + 1e-13).all()
    within = logarithms < -5.0
    assert np.abs(found / np.exp(logarithms) - 1.0)[within].max() < 1e-11


def test_missing_values_stay_missing():
    assert np.isnan(sine_and_cosine(np.nan)).all()
    assert np.isnan(exponential(np.nan))
    assert np.isnan([angle_of(np.nan, 1.0), angle_of(0.0, 0.0)]).all()
