"""Compiled kernels of risk: metres in, probabilities out, no xarray and no errors raised.

Short-encounter collision probability: a two-dimensional normal density integrated over a disc. In principal axes, x
along the smaller deviation, the integral over y is a difference of normal distribution functions, and what remains in
x is log-concave (A. Prekopa 1973, Acta Scientiarum Mathematicarum 34, 335-343): it is integrated over the interval in
which it matters, found by bisection, with the ends of the disc made smooth by a sine.
"""

import math

import numpy as np

from shells.compiled import allocating_kernel, kernel

_SPLITTER = 134217729.0  # 2^27 + 1, T. J. Dekker 1971, Numerische Mathematik 18, 224-242
_SMALLEST_EXPONENT = -745.0  # exp of less is zero
_DROP = 45.0  # exp(-45) is below the rounding of the whole
_ACCURACY = 1e-12
_DEEPEST = 40


@kernel
def _product_error(a, b, product):
    """Return what rounding took from a * b (Dekker)."""
    t = _SPLITTER * a
    a_high = t - (t - a)
    a_low = a - a_high
    t = _SPLITTER * b
    b_high = t - (t - b)
    b_low = b - b_high
    return a_low * b_low - (((product - a_high * b_high) - a_low * b_high) - a_high * b_low)


@kernel
def principal(c_xx, c_xy, c_yy, m_x, m_y):
    """Return deviation and offset along the smaller, then along the larger principal axis."""
    larger = 0.5 * (c_xx + c_yy) + math.hypot(0.5 * (c_xx - c_yy), c_xy)
    if larger <= 0.0:
        return 0.0, abs(m_x), 0.0, abs(m_y)
    if c_xy == 0.0:
        # exact axes: a rotation by a rounded right angle would mix offsets
        if c_xx <= c_yy:
            return math.sqrt(c_xx), abs(m_x), math.sqrt(c_yy), abs(m_y)
        return math.sqrt(c_yy), abs(m_y), math.sqrt(c_xx), abs(m_x)
    # determinant with the rounding of both products put back: for long thin ellipses it is all that is left
    first, second = c_xx * c_yy, c_xy * c_xy
    determinant = (first - second) + (_product_error(c_xx, c_yy, first) - _product_error(c_xy, c_xy, second))
    angle = 0.5 * math.atan2(2.0 * c_xy, c_xx - c_yy)
    cosine, sine = math.cos(angle), math.sin(angle)
    smaller = max(determinant, 0.0) / larger
    return math.sqrt(smaller), abs(m_y * cosine - m_x * sine), math.sqrt(larger), abs(m_x * cosine + m_y * sine)


@kernel
def _strip(half, offset, deviation, nodes, weights):
    """Return the probability that a normal variable about `offset` >= 0 lies within -half and half."""
    if deviation == 0.0:
        return 1.0 if offset <= half else 0.0
    width, distance = half / deviation, offset / deviation
    if 2.0 * width * (1.0 + distance) < 1.0:
        # the difference of the two distribution functions would cancel
        total = 0.0
        for k in range(nodes.size):
            total += weights[k] * math.exp(-0.5 * (distance + width * nodes[k]) ** 2)
        return total * width / math.sqrt(2.0 * math.pi)
    root = math.sqrt(2.0)
    # upper tails on both sides: accurate in relative terms however far out the strip lies
    return 0.5 * (math.erfc((distance - width) / root) - math.erfc((distance + width) / root))


@kernel
def _exponent(v, start, lead, radius, s_x, y, s_y):
    """Return the largest exponent of the density on the chord at start + v."""
    half = math.sqrt(max((radius - start - v) * (radius + start + v), 0.0))
    return -0.5 * (((v + lead) / s_x) ** 2 + (max(y - half, 0.0) / s_y) ** 2)


@kernel
def _peak(start, lead, radius, s_x, y, s_y):
    """Return the chord, as offset from `start`, on which the density is largest: bisection of the slope."""
    low, high = -start, 0.0
    for _ in range(60):
        v = 0.5 * (low + high)
        half = math.sqrt((radius - start - v) * (radius + start + v))
        slope = -(v + lead) / s_x**2
        if half < y:
            slope -= (y - half) / s_y**2 * (start + v) / half
        if slope > 0.0:
            low = v
        else:
            high = v
    return high


@kernel
def _edge(inside, outside, floor, start, lead, radius, s_x, y, s_y):
    """Return where the exponent falls under the floor between two chords, or the outer one if it does not."""
    if _exponent(outside, start, lead, radius, s_x, y, s_y) >= floor:
        return outside
    for _ in range(30):
        v = 0.5 * (inside + outside)
        if _exponent(v, start, lead, radius, s_x, y, s_y) >= floor:
            inside = v
        else:
            outside = v
    return outside


@kernel
def _window(start, lead, radius, s_x, y, s_y):
    """Return the chords, as offsets from `start`, between which the density matters; twice the same if nowhere."""
    low, high = -radius - start, radius - start
    bound = -0.5 * ((lead / s_x) ** 2 + (max(y - radius, 0.0) / s_y) ** 2)
    if bound < _SMALLEST_EXPONENT:
        return 0.0, 0.0
    # the exponent is concave: where it is large at both ends it is large everywhere, and no search is needed
    ends = min(_exponent(low, start, lead, radius, s_x, y, s_y), _exponent(high, start, lead, radius, s_x, y, s_y))
    if ends >= bound - _DROP:
        return low, high
    peak = _peak(start, lead, radius, s_x, y, s_y)
    floor = _exponent(peak, start, lead, radius, s_x, y, s_y) - _DROP
    if floor + _DROP < _SMALLEST_EXPONENT:
        return 0.0, 0.0
    widest = math.sqrt(-2.0 * floor) * s_x
    low = _edge(peak, max(low, -lead - widest), floor, start, lead, radius, s_x, y, s_y)
    high = _edge(peak, min(high, -lead + widest), floor, start, lead, radius, s_x, y, s_y)
    return low, high


@kernel
def _panel(low, high, centre, reach, start, lead, radius, s_x, y, s_y, nodes, weights, inner_nodes, inner_weights):
    """Return the Gauss-Legendre sum over one panel of the sine variable."""
    total = 0.0
    for k in range(nodes.size):
        turn = 0.5 * math.pi * (0.5 * (low + high) + 0.5 * (high - low) * nodes[k])
        v = centre + reach * math.sin(turn)
        half = math.sqrt(max((radius - start - v) * (radius + start + v), 0.0))
        density = math.exp(-0.5 * ((v + lead) / s_x) ** 2)
        total += weights[k] * density * _strip(half, y, s_y, inner_nodes, inner_weights) * math.cos(turn)
    return total * 0.25 * math.pi * (high - low) * reach


@allocating_kernel
def disc_probability(s_x, x, s_y, y, radius, nodes, weights, inner_nodes, inner_weights):
    """Return the probability of one disc; deviations s_x <= s_y, offsets x, y >= 0 along them."""
    if s_x == 0.0:
        if x > radius:
            return 0.0
        return _strip(math.sqrt((radius - x) * (radius + x)), y, s_y, inner_nodes, inner_weights)
    # chords are counted from the one nearest to the centre of the density: no digits are lost there
    start = min(x, radius)
    lead = start - x
    low, high = _window(start, lead, radius, s_x, y, s_y)
    centre, reach = 0.5 * (low + high), 0.5 * (high - low)
    shape = (centre, reach, start, lead, radius, s_x, y, s_y, nodes, weights, inner_nodes, inner_weights)
    # panels are halved until both halves agree with the whole; the stack holds at most one panel a level
    lows, highs, sums = np.empty(_DEEPEST + 2), np.empty(_DEEPEST + 2), np.empty(_DEEPEST + 2)
    levels = np.zeros(_DEEPEST + 2, dtype=np.int64)
    lows[0], highs[0], sums[0], count = -1.0, 1.0, _panel(-1.0, 1.0, *shape), 1
    total, scale = 0.0, 0.0
    while count > 0:
        count -= 1
        a, b, whole, level = lows[count], highs[count], sums[count], levels[count]
        middle = 0.5 * (a + b)
        left, right = _panel(a, middle, *shape), _panel(middle, b, *shape)
        if level == 0:
            scale = left + right
        if abs(left + right - whole) <= _ACCURACY * scale or level >= _DEEPEST:
            total += left + right
            continue
        lows[count], highs[count], sums[count], levels[count] = middle, b, right, level + 1
        lows[count + 1], highs[count + 1], sums[count + 1], levels[count + 1] = a, middle, left, level + 1
        count += 2
    return min(total / (s_x * math.sqrt(2.0 * math.pi)), 1.0)


@allocating_kernel
def disc_probabilities(miss, covariance, radius, rules):
    """Return the probability of each encounter.

    Arrays of shape (n, 2), (n, 2, 2) and (n,) [m, m2, m], then nodes and weights of the outer and of the inner
    Gauss-Legendre rule; an array (n,) out.
    """
    probability = np.zeros(radius.size)
    for k in range(radius.size):
        if radius[k] > 0.0:
            s_x, x, s_y, y = principal(
                covariance[k, 0, 0], covariance[k, 0, 1], covariance[k, 1, 1], miss[k, 0], miss[k, 1]
            )
            probability[k] = disc_probability(s_x, x, s_y, y, radius[k], *rules)
    return probability
