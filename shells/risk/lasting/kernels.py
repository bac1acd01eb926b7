"""Compiled kernels of encounters that last, in the turning frame of the first object [m, s], errors constant in it.

An error d of the relative position is a collision if the path p(t) + d enters the sphere about the origin. Half of the
errors are drawn as they are distributed, half by where the path would enter: an instant and a place on the sphere. Each
is weighted with its true density over the mean of the two it was drawn from, so that no weight exceeds two (E. Veach &
L. J. Guibas 1995, Proc. SIGGRAPH, 419-428); rare collisions come from the second half, likely ones from the first.
"""

import math

import numpy as np

from shells.compiled import allocating_kernel, kernel


@allocating_kernel
def relative_path(state, rate, times):
    """Return the relative position at each time, shape (m, 3), from position and velocity at time 0, shape (6,)."""
    path = np.empty((times.size, 3))
    x, y, z, v_x, v_y, v_z = state
    for k in range(times.size):
        turn = rate * times[k]
        sine, cosine = math.sin(turn), math.cos(turn)
        path[k, 0] = (4.0 - 3.0 * cosine) * x + sine / rate * v_x + 2.0 * (1.0 - cosine) / rate * v_y
        path[k, 1] = (
            6.0 * (sine - turn) * x + y - 2.0 * (1.0 - cosine) / rate * v_x + (4.0 * sine - 3.0 * turn) / rate * v_y
        )
        path[k, 2] = cosine * z + sine / rate * v_z
    return path


@kernel
def _log_density(whiten, x, y, z):
    """Return the logarithm of the normal density less its constant; `whiten`: factor of the inverse covariance."""
    a = whiten[0, 0] * x
    b = whiten[1, 0] * x + whiten[1, 1] * y
    c = whiten[2, 0] * x + whiten[2, 1] * y + whiten[2, 2] * z
    return -0.5 * (a * a + b * b + c * c)


@kernel
def _entrances(path, densities, first_density, d_x, d_y, d_z, radius):
    """Return how often the path moved by an error enters the sphere, and with what density such an entrance is drawn.

    To be inside at the start counts as an entrance.
    """
    inside = (path[0, 0] + d_x) ** 2 + (path[0, 1] + d_y) ** 2 + (path[0, 2] + d_z) ** 2 < radius**2
    count, density = (1, first_density) if inside else (0, 0.0)
    for j in range(path.shape[0] - 1):
        x, y, z = path[j, 0] + d_x, path[j, 1] + d_y, path[j, 2] + d_z
        w_x, w_y, w_z = path[j + 1, 0] - path[j, 0], path[j + 1, 1] - path[j, 1], path[j + 1, 2] - path[j, 2]
        ends = (x + w_x) ** 2 + (y + w_y) ** 2 + (z + w_z) ** 2 < radius**2
        enters = ends
        if not (inside or ends):
            # in and out again within one segment
            length = w_x * w_x + w_y * w_y + w_z * w_z
            along = -(x * w_x + y * w_y + z * w_z)
            enters = 0.0 < along < length and x * x + y * y + z * z - along * along / length < radius**2
        if enters and not inside:
            count += 1
            density += densities[j]
        inside = ends
    return count, density


@allocating_kernel
def _drawing(path, whiten, radius):
    """Return running sums of the share of draws, start first, and the density of an entrance in each, start last.

    Entrances are drawn in proportion to a density along the path, evenly across; the start as a ball in the share that
    an even density would give it.
    """
    count = path.shape[0]
    logs = np.empty(count)
    for j in range(count):
        logs[j] = _log_density(whiten, -path[j, 0], -path[j, 1], -path[j, 2])
    largest = logs.max()
    sums, densities = np.empty(count), np.empty(count)
    densities[-1] = math.exp(logs[0] - largest)
    total = 4.0 / 3.0 * radius * densities[-1]
    sums[0] = total
    for j in range(count - 1):
        w_x, w_y, w_z = path[j + 1, 0] - path[j, 0], path[j + 1, 1] - path[j, 1], path[j + 1, 2] - path[j, 2]
        densities[j] = math.exp(max(logs[j], logs[j + 1]) - largest)
        total += math.sqrt(w_x * w_x + w_y * w_y + w_z * w_z) * densities[j]
        sums[j + 1] = total
    return sums / total, densities / (total * math.pi * radius * radius)


@kernel
def _ball(path, radius, draw):
    """Return an error with which the pair is inside at the start."""
    height, reach, turn = 2.0 * draw[1] - 1.0, radius * draw[3] ** (1.0 / 3.0), 2.0 * math.pi * draw[2]
    flat = math.sqrt(1.0 - height * height)
    return (
        reach * flat * math.cos(turn) - path[0, 0],
        reach * flat * math.sin(turn) - path[0, 1],
        reach * height - path[0, 2],
    )


@kernel
def _entrance(path, j, radius, draw):
    """Return an error with which the path enters in a segment: evenly along it and over the disc that it sees."""
    w_x, w_y, w_z = path[j + 1, 0] - path[j, 0], path[j + 1, 1] - path[j, 1], path[j + 1, 2] - path[j, 2]
    length = math.sqrt(w_x * w_x + w_y * w_y + w_z * w_z)
    w_x, w_y, w_z = w_x / length, w_y / length, w_z / length
    # two directions across: the axis least along the segment is never parallel to it
    if abs(w_x) <= abs(w_y) and abs(w_x) <= abs(w_z):
        a_x, a_y, a_z = 0.0, w_z, -w_y
    elif abs(w_y) <= abs(w_z):
        a_x, a_y, a_z = -w_z, 0.0, w_x
    else:
        a_x, a_y, a_z = w_y, -w_x, 0.0
    norm = math.sqrt(a_x * a_x + a_y * a_y + a_z * a_z)
    a_x, a_y, a_z = a_x / norm, a_y / norm, a_z / norm
    b_x, b_y, b_z = w_y * a_z - w_z * a_y, w_z * a_x - w_x * a_z, w_x * a_y - w_y * a_x
    reach, turn = math.sqrt(draw[1]), 2.0 * math.pi * draw[2]
    e_a, e_b = radius * reach * math.cos(turn), radius * reach * math.sin(turn)
    back = radius * math.sqrt(1.0 - reach * reach) + draw[3] * length
    return (
        e_a * a_x + e_b * b_x - back * w_x - path[j, 0],
        e_a * a_y + e_b * b_y - back * w_y - path[j, 1],
        e_a * a_z + e_b * b_z - back * w_z - path[j, 2],
    )


@allocating_kernel
def lasting_probability(path, whiten, wide, radius, draws, errors):
    """Return expected number and probability of entrances with their standard errors.

    Parameters: path (m, 3) of straight segments; lower triangles W (3, 3) with W^T W the inverse covariance, of the
    errors and of the wider one by which entrances are drawn; radius; even draws (s, 4); errors as distributed (s, 3).
    """
    shares, densities = _drawing(path, wide, radius)
    constant = whiten[0, 0] * whiten[1, 1] * whiten[2, 2] / (2.0 * math.pi) ** 1.5
    half = draws.shape[0]
    numbers, hits = np.zeros(2 * half), np.zeros(2 * half)
    for k in range(2 * half):
        if k < half:
            d_x, d_y, d_z = errors[k]
        else:
            j = min(np.searchsorted(shares, draws[k - half, 0], side="right"), shares.size - 1)
            if j == 0:
                d_x, d_y, d_z = _ball(path, radius, draws[k - half])
            else:
                d_x, d_y, d_z = _entrance(path, j - 1, radius, draws[k - half])
        count, drawn = _entrances(path, densities, densities[-1], d_x, d_y, d_z, radius)
        true = constant * math.exp(_log_density(whiten, d_x, d_y, d_z))
        if count > 0 and true > 0.0:
            hits[k] = 2.0 * true / (true + drawn)
            numbers[k] = count * hits[k]
    # each half is a sample of its own
    number_variance = probability_variance = 0.0
    for start in (0, half):
        number_variance += numbers[start : start + half].var() / half / 4.0
        probability_variance += hits[start : start + half].var() / half / 4.0
    return numbers.mean(), math.sqrt(number_variance), hits.mean(), math.sqrt(probability_variance)
