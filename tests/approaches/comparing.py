"""Approaches of a search beside those of its brute-force twin."""

import numpy as np

from shells.motion.propagation import seconds_since


def table(approaches, start):
    """Return rows of first, second, time, distance, start and end [s], [km], as the twin does."""
    times = [seconds_since(approaches[name].values, start) for name in ("time", "start", "end")]
    return np.column_stack(
        [approaches["first"], approaches["second"], times[0], approaches["miss_distance"], *times[1:]]
    )


def assert_same(ours, twin):
    """Same pairs, each once; distances to 1 m; times to 1 ms, or as well as distances tell them apart.

    Positions are rounded to some 1e-10 km by the argument of latitude (200 rad x 2^-53 x 7000 km), so that a shallow
    minimum has no sharper time than distances equal to 1e-8 km give.
    """
    ours, twin = (rows[np.lexsort((rows[:, 2], rows[:, 1], rows[:, 0]))] for rows in (ours, twin))
    assert len(ours) == len(twin)
    np.testing.assert_array_equal(ours[:, :2], twin[:, :2])
    np.testing.assert_allclose(ours[:, 3], twin[:, 3], rtol=0, atol=1e-3)
    apart, uneven = np.abs(ours[:, 2] - twin[:, 2]), np.abs(ours[:, 3] - twin[:, 3])
    assert np.all((apart < 1e-3) | (uneven < 1e-8)), np.column_stack([ours, twin])[(apart >= 1e-3) & (uneven >= 1e-8)]
    np.testing.assert_allclose(ours[:, 4:], twin[:, 4:], rtol=0, atol=1e-3)
    return len(ours)
