"""Collision probability of an encounter that lasts: a flux of paths into the sphere, by drawing where they enter.

The errors are normal and constant in the frame that turns with the first object; the relative path is that of
W. H. Clohessy & R. S. Wiltshire 1960, J. Aerospace Sciences 27, 653-658 (the first near-circular, the distance small
against the radius). The expected number of entrances of the sphere is the integral of the density times the inward
velocity over its surface and time (S. O. Rice 1945, Bell System Technical Journal 24, 46-156, in space); the
probability counts a path that enters several times once.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shells.risk.lasting.kernels import lasting_probability, relative_path

Floats = NDArray[np.float64]

#: How many deviations of the largest error are followed: beyond it lies 1e-15.
_REACH = 8.0

#: Straight segments of the path: so many for each deviation that it covers, within these bounds.
_SEGMENTS_PER_DEVIATION, _FEWEST, _MOST = 4.0, 256, 20_000

#: Draws of each kind: an error of the result of some 2 to 4 %.
_DRAWS = 1024

#: Deviations under these shares of the hard-body radius and of the largest deviation are raised to them: a density is
#: needed in every direction, and its factors in double precision.
_LEAST_OF_BODY, _LEAST_OF_LARGEST = 1e-3, 1e-6


class Entrances(NamedTuple):
    """Expected number of entrances and probability of at least one [1], each with the standard error of the draws."""

    number: float
    number_error: float
    probability: float
    probability_error: float


def entrances(
    position: Floats, velocity: Floats, covariance: Floats, radius: float, rate: float, rng: np.random.Generator
) -> Entrances:
    """Return how often the relative path enters the hard body within half a revolution of closest approach.

    Parameters
    ----------
    position, velocity : ndarray, shape (3,)
        Of the second relative to the first in the frame of the first, inertial velocity [m, m/s].
    covariance : ndarray, shape (3, 3)
        Of the relative position in that frame [m2].
    radius : float
        Combined hard-body radius [m].
    rate : float
        At which the frame turns [rad/s].
    rng : Generator
        Of the draws.

    Returns
    -------
    Entrances
        A pair that is inside at the beginning has entered once.
    """
    if radius == 0.0:
        return Entrances(0.0, 0.0, 0.0, 0.0)
    deviation = np.sqrt(np.maximum(np.linalg.eigvalsh(covariance), 0.0))
    least = max(_LEAST_OF_BODY * radius, _LEAST_OF_LARGEST * float(deviation[2]))
    spread = covariance + least**2 * np.eye(3) if deviation[0] < least else covariance
    factor = np.linalg.cholesky(spread)
    whiten = np.linalg.inv(factor)
    # seen from the path, the places where it enters are spread by the body too
    wide = np.linalg.inv(np.linalg.cholesky(spread + 0.5 * radius**2 * np.eye(3)))
    turning = velocity - np.cross([0.0, 0.0, rate], position)
    speed = float(np.linalg.norm(turning))
    way = _REACH * float(deviation[2]) + radius + float(np.linalg.norm(position))
    half = np.pi / rate if speed * np.pi < way * rate else way / speed
    state = np.concatenate([position, turning])
    rough = relative_path(state, rate, np.linspace(-half, half, _FEWEST + 1))
    covered = np.linalg.norm(np.diff(rough, axis=0) @ wide.T, axis=1).sum()
    segments = int(np.clip(np.ceil(_SEGMENTS_PER_DEVIATION * covered), _FEWEST, _MOST))
    path = relative_path(state, rate, np.linspace(-half, half, segments + 1))
    errors = rng.standard_normal((_DRAWS, 3)) @ factor.T
    return Entrances(*lasting_probability(path, whiten, wide, radius, rng.random((_DRAWS, 4)), errors))
