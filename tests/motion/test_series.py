"""Elementary functions as series against numpy's."""

import math

import numpy as np
import pytest

from shells.motion.series import kernels


@pytest.mark.parametrize("seed", [3])
def test_sine_and_cosine(seed):
    angles = np.random.default_rng(seed).uniform(-60.0, 60.0, 2000)
    found = np.array([kernels.sine_and_cosine(angle) for angle in angles])
    np.testing.assert_allclose(found, np.stack([np.sin(angles), np.cos(angles)], axis=1), rtol=0, atol=1e-14)


@pytest.mark.parametrize("seed", [4])
def test_angle_in_all_quadrants(seed):
    places = np.random.default_rng(seed).uniform(-9.0, 9.0, (2000, 2))
    places = np.concatenate([places, [[0.0, 2.0], [0.0, -2.0], [3.0, 0.0], [-3.0, 0.0]]])
    found = [kernels.angle_of(y, x) for y, x in places]
    np.testing.assert_allclose(found, np.arctan2(places[:, 0], places[:, 1]), rtol=0, atol=1e-14)


def test_exponential_of_logarithms_of_density():
    logarithms = np.linspace(-50.0, 0.3, 3001)
    found = [kernels.exponential(x) for x in logarithms]
    # 32 times the remainder of the series (Lagrange) over its sum
    part = np.abs(logarithms + 28.0) / 32.0
    remainder = 32.0 * part**14 / math.factorial(14) * np.exp(part)
    assert (np.abs(found / np.exp(logarithms) - 1.0) < remainder + 1e-13).all()
    assert remainder[logarithms < -5.0].max() < 1e-11
