"""Published inclination functions."""

import numpy as np
import pytest

from shells.motion.ripple.tesserals import inclination_function


@pytest.mark.parametrize("i", [0.3, 1.1, 1.9, 2.8])
def test_inclination_functions(i):
    # W. M. Kaula, Theory of Satellite Geodesy, 1966, table 1 (from memory)
    s, c = np.sin(i), np.cos(i)
    published = {
        (2, 0, 0): -3 / 8 * s**2,
        (2, 0, 1): 3 / 4 * s**2 - 1 / 2,
        (2, 0, 2): -3 / 8 * s**2,
        (2, 1, 0): 3 / 4 * s * (1 + c),
        (2, 1, 1): -3 / 2 * s * c,
        (2, 1, 2): -3 / 4 * s * (1 - c),
        (2, 2, 0): 3 / 4 * (1 + c) ** 2,
        (2, 2, 1): 3 / 2 * s**2,
        (2, 2, 2): 3 / 4 * (1 - c) ** 2,
        (3, 0, 0): -5 / 16 * s**3,
        (3, 0, 1): 15 / 16 * s**3 - 3 / 4 * s,
        (3, 1, 0): -15 / 16 * s**2 * (1 + c),
        (3, 1, 1): 15 / 16 * s**2 * (1 + 3 * c) - 3 / 4 * (1 + c),
        (3, 1, 2): 15 / 16 * s**2 * (1 - 3 * c) - 3 / 4 * (1 - c),
        (3, 2, 0): 15 / 8 * s * (1 + c) ** 2,
        (3, 2, 1): 15 / 8 * s * (1 - 2 * c - 3 * c**2),
        (3, 2, 2): -15 / 8 * s * (1 + 2 * c - 3 * c**2),
        (3, 3, 0): 15 / 8 * (1 + c) ** 3,
        (3, 3, 1): 45 / 8 * s**2 * (1 + c),
        (3, 3, 3): 15 / 8 * (1 - c) ** 3,
    }
    for key, value in published.items():
        assert inclination_function(*key, i)[0] == pytest.approx(value, rel=1e-12, abs=1e-14), key
