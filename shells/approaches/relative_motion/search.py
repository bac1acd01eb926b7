"""Search of pairs on relative motion: arrays in, arrays out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shells.approaches.capacity import refuse_too_many
from shells.approaches.kernels import COLUMNS
from shells.approaches.relative_motion import kernels
from shells.motion.arrays import Field

Floats = NDArray[np.float64]

#: Rows first set aside for approaches; as many as there are when they do not suffice.
FIRST_CAPACITY = 4096


def search_pairs(
    first_values: Floats,
    first_rates: Floats,
    second_values: Floats,
    second_rates: Floats,
    spacing: float,
    rows: Floats,
    within_km: float,
    field: Field,
) -> Floats:
    """Find every approach of given pairs in given spans of time.

    An approach is a local minimum of the distance of the trajectories of `state_at`, below the threshold and with its
    time in the half-open span (the end of the orbits belongs to the last one). An encounter, the time below the
    threshold, that is longer than a tenth of the shorter period is lasting: it is one approach at its smallest
    distance, with start and end, which may lie outside the span. It starts or ends with the orbits where they do; its
    smallest distance may then be there. Minima between which the distance rises by less than a metre count as one, the
    lowest, so that a distance which stays the same but for noise gives one approach.

    Parameters
    ----------
    first_values, first_rates, second_values, second_rates : ndarray, shape (objects, nodes, 6)
        Mean elements and rates per second [km, rad, s] at the nodes; NaN after re-entry. The trajectory of an object
        that re-enters ends with its last node before.
    spacing : float
        Of the nodes [s].
    rows : ndarray, shape (k, 4)
        Row of first, row of second, from and until [s].
    within_km : float
        Threshold [km].
    field : tuple
        Gravitational parameter [km3 s-2], reference radius [km] and J_n [1].

    Returns
    -------
    ndarray, shape (m, COLUMNS + 2)
        Columns of `approaches.kernels.record`, then start and end of a lasting encounter [s], NaN otherwise.

    Raises
    ------
    InputError
        More approaches than one call may find.
    """
    if not len(rows):  # kernels that nobody needs are not compiled
        return np.empty((0, COLUMNS + 2))
    capacity = FIRST_CAPACITY
    while True:
        found = np.empty((capacity, COLUMNS + 2))
        count = kernels.search_pairs(
            first_values, first_rates, second_values, second_rates, spacing, rows, within_km, field, found
        )
        if count <= capacity:
            return found[:count]
        refuse_too_many(count, within_km)
        capacity = count
