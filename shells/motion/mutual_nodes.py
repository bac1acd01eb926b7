"""Where two orbital planes cross: the angle between them and the places on both orbits, for arrays of planes.

Source: the spherical triangle of the two ascending nodes and the crossing. Radians.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class MutualNode(NamedTuple):
    """One of the two mutual nodes of two planes, each an array; the other lies opposite.

    Parameters
    ----------
    first, second : ndarray
        Arguments of latitude of the node on both orbits [rad]. Any where the planes coincide.
    sine, cosine : ndarray
        Of the angle between the planes [1].
    """

    first: Floats
    second: Floats
    sine: Floats
    cosine: Floats


def mutual_node(first_inclination: ArrayLike, second_inclination: ArrayLike, node_difference: ArrayLike) -> MutualNode:
    """Return where two planes cross.

    Parameters
    ----------
    first_inclination, second_inclination : array_like
        [rad].
    node_difference : array_like
        Right ascension of the second ascending node less that of the first [rad].

    Returns
    -------
    MutualNode
        Of the shape of the broadcast arguments.
    """
    difference = np.asarray(node_difference, dtype=np.float64)
    cos_1, sin_1 = np.cos(first_inclination), np.sin(first_inclination)
    cos_2, sin_2 = np.cos(second_inclination), np.sin(second_inclination)
    east_1, east_2 = np.sin(difference) * sin_2, np.sin(difference) * sin_1
    north_1 = cos_1 * sin_2 * np.cos(difference) - sin_1 * cos_2
    north_2 = cos_1 * sin_2 - sin_1 * cos_2 * np.cos(difference)
    return MutualNode(
        np.arctan2(east_1, north_1),
        np.arctan2(east_2, north_2),
        np.hypot(east_1, north_1),
        cos_1 * cos_2 + sin_1 * sin_2 * np.cos(difference),
    )
