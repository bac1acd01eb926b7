"""Compiled kernels of the short encounter as a power series, and searches that need many probabilities.

With x along the smaller deviation, p = R^2 / 2 sx^2 and q = p (1 - sx^2 / sy^2), the Laplace transform of the
distribution of the squared distance (R. Serra et al. 2016, Journal of Guidance, Control, and Dynamics 39, 1009-1021)
gives, with X = x^2 R^2 / 4 sx^4 and Y = y^2 R^2 / 4 sy^4,

``P = R^2 / (2 sx sy) exp(-p - x^2 / 2 sx^2 - y^2 / 2 sy^2)  sum over k of c_k / (k + 1)!``

where c_k are the coefficients of (1 - q z)^(-1/2) (1 - p z)^(-1) exp(X z + Y z / (1 - q z)). The source has them from a
recurrence with differences; here the logarithmic derivative is taken apart, so that every term is a sum of positive
ones and nothing can cancel, however thin the ellipse.
"""

import math

import numpy as np

from shells.compiled import allocating_kernel, kernel
from shells.risk.kernels import disc_probability, principal

_NEGLIGIBLE = 1e-16  # share of the sum that all further terms may have
_LARGE = 1e200  # where sums are scaled down
_LOG_LARGE = 200.0 * math.log(10.0)
_MOST_TERMS = 4_000_000
_QUICK = 30.0  # up to so large an argument the series is quicker than the quadrature
_GOLDEN = 0.5 * (3.0 - math.sqrt(5.0))
_SCALE_ACCURACY = 1e-7  # the square of it is the accuracy of a greatest value
_DIRECTIONS = 24  # in a quadrant


@kernel
def _arguments(s_x, x, s_y, y, radius):
    """Return p, q, X and Y of the series."""
    p = 0.5 * (radius / s_x) ** 2
    q = p * (1.0 - s_x / s_y) * (1.0 + s_x / s_y)
    return p, q, (0.5 * (x / s_x) * (radius / s_x)) ** 2, (0.5 * (y / s_y) * (radius / s_y)) ** 2


@kernel
def series_probability(s_x, x, s_y, y, radius):
    """Return the probability; deviations 0 < s_x <= s_y, offsets along them; NaN where it takes too many terms."""
    if radius == 0.0:
        return 0.0
    p, q, x_part, y_part = _arguments(s_x, x, s_y, y, radius)
    exponent = math.log(0.5 * (radius / s_x) * (radius / s_y)) - p - 0.5 * ((x / s_x) ** 2 + (y / s_y) ** 2)
    # b, u, v, c over k!: of (1 - qz)^(-1/2) exp(...), the same over (1 - qz), over (1 - qz)^2, and b over (1 - pz)
    b = u = v = c = total = term = 1.0
    scalings = 0
    for k in range(1, _MOST_TERMS):
        b = (0.5 * q * u + x_part * b + y_part * v) / (k * k)
        u = q / k * u + b
        v = q / k * v + u
        c = p / k * c + b
        ratio = c / (k + 1.0) / term
        term *= ratio
        total += term
        if ratio < 1.0 and term * ratio <= _NEGLIGIBLE * total * (1.0 - ratio):
            # added up at once: each sum of its own would round the large exponent
            return min(math.exp(exponent + (scalings * _LOG_LARGE + math.log(total))), 1.0)
        if total > _LARGE:
            b, u, v, c = b / _LARGE, u / _LARGE, v / _LARGE, c / _LARGE
            total, term = total / _LARGE, term / _LARGE
            scalings += 1
    return math.nan


@allocating_kernel
def _probability(s_x, x, s_y, y, radius, rules):
    """Return the probability by the quicker of the two methods."""
    if s_x > 0.0:
        p, _, x_part, y_part = _arguments(s_x, x, s_y, y, radius)
        if p + math.sqrt(x_part) + math.sqrt(y_part) < _QUICK:
            return series_probability(s_x, x, s_y, y, radius)
    return disc_probability(s_x, x, s_y, y, radius, *rules) if radius > 0.0 else 0.0


@kernel
def _distance(s_x, x, s_y, y):
    """Return the Mahalanobis distance; infinite off a certain position."""
    along_x = 0.0 if x == 0.0 else x / s_x
    along_y = 0.0 if y == 0.0 else y / s_y
    return math.hypot(along_x, along_y)


@allocating_kernel
def series_probabilities(miss, covariance, radius):
    """Return the probability of each encounter by the series; NaN for a covariance without extent in one direction."""
    probability = np.empty(radius.size)
    for k in range(radius.size):
        s_x, x, s_y, y = principal(
            covariance[k, 0, 0], covariance[k, 0, 1], covariance[k, 1, 1], miss[k, 0], miss[k, 1]
        )
        probability[k] = series_probability(s_x, x, s_y, y, radius[k]) if s_x > 0.0 else math.nan
    return probability


@allocating_kernel
def probabilities(miss, covariance, radius, rules):
    """Return probability, Mahalanobis distance and smaller deviation of each encounter, by the quicker method."""
    probability, distance, deviation = np.empty(radius.size), np.empty(radius.size), np.empty(radius.size)
    for k in range(radius.size):
        s_x, x, s_y, y = principal(
            covariance[k, 0, 0], covariance[k, 0, 1], covariance[k, 1, 1], miss[k, 0], miss[k, 1]
        )
        probability[k] = _probability(s_x, x, s_y, y, radius[k], rules)
        distance[k] = _distance(s_x, x, s_y, y)
        deviation[k] = s_x
    return probability, distance, deviation


@kernel
def _bracket(s_x, x, s_y, y, radius):
    """Return between which scales the probability is greatest; the density at a point is so at d / sqrt(2).

    No point of the disc is nearer or farther than these, in deviations.
    """
    if s_x == 0.0:
        half = math.sqrt((radius - x) * (radius + x))
        return (y - half) / s_y / math.sqrt(2.0), (y + half) / s_y / math.sqrt(2.0)
    distance = _distance(s_x, x, s_y, y)
    low = max(distance - radius / s_x, (math.hypot(x, y) - radius) / s_y)
    return low / math.sqrt(2.0), (distance + radius / s_x) / math.sqrt(2.0)


@allocating_kernel
def _greatest(s_x, x, s_y, y, radius, rules):
    """Return the greatest probability over scales of both deviations, and that scale (R. P. Brent 1973, chapter 5)."""
    offset = math.hypot(x, y)
    if radius > 0.0 and offset <= radius:
        # certainty makes it a hit; on the rim half of it, as of a half plane
        return 1.0 if offset < radius else 0.5, 0.0
    if radius == 0.0 or s_y == 0.0 or (s_x == 0.0 and x >= radius):
        return _probability(s_x, x, s_y, y, radius, rules), 1.0
    low, high = _bracket(s_x, x, s_y, y, radius)
    best = second = third = low + _GOLDEN * (high - low)
    f_best = f_second = f_third = _probability(s_x * best, x, s_y * best, y, radius, rules)
    step = before = 0.0
    while True:
        middle = 0.5 * (low + high)
        nearest = _SCALE_ACCURACY * best
        if abs(best - middle) <= 2.0 * nearest - 0.5 * (high - low):
            return f_best, best
        # vertex of the parabola through the three best, unless it falls outside or hardly converges
        r = (best - second) * (f_best - f_third)
        t = (best - third) * (f_best - f_second)
        top, bottom = (best - third) * t - (best - second) * r, 2.0 * (t - r)
        move = -top / bottom if bottom != 0.0 else math.inf
        if abs(move) < 0.5 * abs(before) and low < best + move < high:
            before, step = step, move
        else:
            before = (low if best >= middle else high) - best
            step = _GOLDEN * before
        at = best + (step if abs(step) >= nearest else math.copysign(nearest, step))
        found = _probability(s_x * at, x, s_y * at, y, radius, rules)
        if found >= f_best:
            if at >= best:
                low = best
            else:
                high = best
            third, second, best = second, best, at
            f_third, f_second, f_best = f_second, f_best, found
        else:
            if at < best:
                low = at
            else:
                high = at
            if found >= f_second or second == best:
                third, second = second, at
                f_third, f_second = f_second, found
            elif found >= f_third or third in (best, second):
                third, f_third = at, found


@allocating_kernel
def greatest_probabilities(miss, covariance, radius, rules):
    """Return the greatest probability over scales of the covariance, and the scale of the deviations, of each."""
    probability, scale = np.empty(radius.size), np.empty(radius.size)
    for k in range(radius.size):
        s_x, x, s_y, y = principal(
            covariance[k, 0, 0], covariance[k, 0, 1], covariance[k, 1, 1], miss[k, 0], miss[k, 1]
        )
        probability[k], scale[k] = _greatest(s_x, x, s_y, y, radius[k], rules)
    return probability, scale


@allocating_kernel
def _level(s_x, u_x, s_y, u_y, radius, threshold, rules):
    """Return how far along (u_x, u_y) the probability exceeds the threshold; it does at the centre.

    The logarithm is nearly linear in the squared offset: false position in its Illinois form (M. Dowell & P. Jarratt
    1971, BIT 11, 168-174).
    """
    wanted = math.log(threshold)
    low, high = 0.0, 1.0
    above = math.log(_probability(s_x, 0.0, s_y, 0.0, radius, rules)) - wanted
    while True:
        root = math.sqrt(high)
        below = math.log(max(_probability(s_x, root * u_x, s_y, root * u_y, radius, rules), 1e-305)) - wanted
        if below <= 0.0:
            break
        low, above = high, below
        high *= 2.0
    side = 0
    for _ in range(200):
        square = (above * high - below * low) / (above - below)
        if not low < square < high:
            square = 0.5 * (low + high)
        root = math.sqrt(square)
        found = math.log(max(_probability(s_x, root * u_x, s_y, root * u_y, radius, rules), 1e-305)) - wanted
        if abs(found) < 1e-12 or high - low < 1e-13 * high:
            break
        if found > 0.0:
            low, above = square, found
            below = 0.5 * below if side == 1 else below
            side = 1
        else:
            high, below = square, found
            above = 0.5 * above if side == -1 else above
            side = -1
    return root


@allocating_kernel
def areas_above(covariance, radius, threshold, rules):
    """Return area and greatest offset of the misses whose probability exceeds the threshold, of each encounter.

    The set is convex and symmetric (a normal density and a disc are), so it is seen whole from its centre; the rule in
    angle converges exponentially because the radii are periodic and smooth.
    """
    area, reach = np.zeros(radius.size), np.zeros(radius.size)
    for k in range(radius.size):
        s_x, _, s_y, _ = principal(covariance[k, 0, 0], covariance[k, 0, 1], covariance[k, 1, 1], 0.0, 0.0)
        if _probability(s_x, 0.0, s_y, 0.0, radius[k], rules) <= threshold:
            continue
        wide_x, wide_y = math.hypot(s_x, radius[k]), math.hypot(s_y, radius[k])
        for j in range(_DIRECTIONS):
            angle = 0.5 * math.pi * (j + 0.5) / _DIRECTIONS
            far = _level(s_x, wide_x * math.cos(angle), s_y, wide_y * math.sin(angle), radius[k], threshold, rules)
            area[k] += math.pi / _DIRECTIONS * far * far * wide_x * wide_y
        reach[k] = wide_y * _level(s_x, 0.0, s_y, wide_y, radius[k], threshold, rules)
    return area, reach
