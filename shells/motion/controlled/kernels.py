"""Compiled motion of held satellites about the reference orbit of their plane.

Units: km, s, radians. What the motion is, and from which sources, stands with `shells.motion.control`.
"""

import numpy as np

from shells.compiled import allocating_kernel, inner_kernel, kernel

#: Knots whose windows overlap at any time, and the width of a window in correlation times.
OVERLAP = 3


@allocating_kernel
def limit_cycle(decay, mean_motion, dead_band, slot_box, accuracy):
    """Return how the mean semi-major axis cycles: largest and smallest departure of a half cycle, and its duration.

    The first half of a cycle takes the departure from +largest to +smallest while the satellite slides backwards from
    the front of its box; the second half is its mirror image in time. Scalars or arrays that broadcast.

    Parameters
    ----------
    decay : float
        Loss of semi-major axis [km s-1], zero or more.
    mean_motion : float
        [rad s-1].
    dead_band, slot_box, accuracy : float
        Half width of the semi-major axis, half length along the track, smallest amplitude [km].

    Returns
    -------
    tuple of float
        [km], [km], [s].
    """
    slide = 1.5 * mean_motion  # speed along the track for each unit of semi-major axis [s-1]
    room = np.sqrt(4.0 * slot_box * decay / slide)
    largest = np.maximum(accuracy, np.minimum(dead_band, room))
    smallest = np.sqrt(np.maximum(largest * largest - room * room, 0.0))
    reach = np.maximum(largest, room)
    length = 2.0 * slot_box * (largest / reach) ** 2  # (3/4) n A^2 / d, at most the box, also without any drag
    return largest, smallest, 2.0 * length / (slide * (largest + smallest))


@inner_kernel
def drift_at(time, node, times, drift):
    """Return the drift at a time before ``times[node]`` and not before the node ahead of it, on a straight line."""
    if node == 0:
        return drift[0]
    share = (time - times[node - 1]) / (times[node] - times[node - 1])
    return drift[node - 1] + share * (drift[node] - drift[node - 1])


@allocating_kernel
def cycles(times, axis, mean_motion, drift, fraction, dead_band, slot_box, accuracy, values, rates):
    """Fill the first and last columns of ``values`` and ``rates`` of one satellite, shape (nodes, 4).

    Parameters
    ----------
    times : shape (nodes,)
        Ascending [s].
    axis, mean_motion : float
        Of the reference orbit [km], [rad s-1].
    drift : shape (nodes,)
        Rate of the semi-major axis [km s-1], zero or less.
    fraction : float
        Share of the first cycle that is over at ``times[0]``.
    dead_band, slot_box, accuracy : float
        As for `limit_cycle`.
    """
    slide = 1.5 * mean_motion
    node, start, half = 0, times[0], 0.0
    while True:
        decay = -drift_at(start, node, times, drift)
        largest, _, half = limit_cycle(decay, mean_motion, dead_band, slot_box, accuracy)
        if node == 0:
            start = times[0] - 2.0 * fraction * half
        while node < times.size and times[node] < start + 2.0 * half:
            lapse, side = times[node] - start, 1.0
            if lapse >= half:
                lapse, side = 2.0 * half - lapse, -1.0
            departure = side * (largest - decay * lapse)
            values[node, 0], rates[node, 0] = departure, -decay
            values[node, 3] = (slot_box - slide * lapse * (largest - 0.5 * decay * lapse)) / axis
            rates[node, 3] = -slide * departure / axis
            node += 1
        if node == times.size:
            return
        start += 2.0 * half


@kernel
def wander(times, knots, fraction, spacing, radius, values, rates):
    """Fill the two middle columns of ``values`` and ``rates`` of one satellite, shape (nodes, 4).

    Parameters
    ----------
    times : shape (nodes,)
        Ascending from zero or later [s].
    knots : shape (knots, 2)
        Independent normal numbers, enough to reach three beyond the last time.
    fraction : float
        Where time zero lies between two knots.
    spacing : float
        Of the knots [s].
    radius : float
        Of the disc [1].
    """
    third = 2.0 * np.pi / OVERLAP
    scale = np.sqrt(2.0) / 3.0  # the squares of the windows then sum to one
    for node in range(times.size):
        position = times[node] / spacing + fraction
        first = int(position)
        x, y, x_rate, y_rate = 0.0, 0.0, 0.0, 0.0
        for k in range(OVERLAP):
            angle = third * (position - first + 0.5 - k)
            window, slope = scale * (1.0 + np.cos(angle)), -scale * third / spacing * np.sin(angle)
            x += window * knots[first + k, 0]
            y += window * knots[first + k, 1]
            x_rate += slope * knots[first + k, 0]
            y_rate += slope * knots[first + k, 1]
        square, square_rate = x * x + y * y, 2.0 * (x * x_rate + y * y_rate)
        share = -np.expm1(-0.5 * square) / square
        factor = radius * np.sqrt(share)
        growth = 0.5 * (0.5 * np.exp(-0.5 * square) - share) / (square * share) * square_rate
        values[node, 1], rates[node, 1] = factor * x, factor * (x_rate + growth * x)
        values[node, 2], rates[node, 2] = factor * y, factor * (y_rate + growth * y)


@allocating_kernel
def departures(
    times, axes, mean_motions, drift, fractions, knots, dead_band, slot_box, accuracy, spacing, radius, values, rates
):
    """Fill ``values`` and ``rates``, shape (objects, nodes, 4), of many satellites; see `cycles` and `wander`.

    ``fractions`` of shape (objects, 2) are those of the first cycle and of the knots, ``knots`` is of shape
    (objects, knots, 2).
    """
    for j in range(axes.size):
        cycles(
            times, axes[j], mean_motions[j], drift[j], fractions[j, 0], dead_band, slot_box, accuracy, values[j],
            rates[j],
        )  # fmt: skip
        wander(times, knots[j], fractions[j, 1], spacing, radius, values[j], rates[j])
