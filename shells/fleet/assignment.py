"""The cheapest order of planes in altitude, when every pair costs by how far apart the two lie in it.

With ``costs[i, j, m]`` the cost of plane i m ranks above plane j, an order costs the sum over pairs: a quadratic
assignment problem, which nobody solves exactly beyond some twenty planes. Here: all orders of a few planes, and descent
by the best of all exchanges, reversals and shifts for more, from several starts and again after kicks (iterated local
search: H. R. Lourenco, O. C. Martin & T. Stuetzle 2003, Handbook of Metaheuristics, 320-353).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, partial, reduce
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Order = NDArray[np.intp]

#: So many planes have 40,320 orders, tried in hundredths of a second.
_TRIED = 8

#: A gain below this share of the cost is rounding, and orders that cost the same to this share are equally good.
_EQUALLY_GOOD = 1e-10

#: Longest stretch of ranks that a move reverses or shifts: moves of longer ones hardly ever gain, and cost most.
_LONGEST = 25

#: Random starts and kicks of the best order: so many, and in all no more planes than this, as each costs its cube.
_STARTS, _STARTED_PLANES = 10, 120
_KICKS, _KICKED_PLANES = 40, 2000


def cost_of(costs: Floats, order: Order) -> float:
    """Return what an order costs.

    Parameters
    ----------
    costs : ndarray, shape (planes, planes, 2 planes - 1)
        Cost of plane i being m ranks above plane j at ``[i, j, m + planes - 1]``.
    order : ndarray of int, shape (planes,)
        Planes from the lowest rank up.

    Returns
    -------
    float
        Sum over pairs.
    """
    low, high = _all_pairs(order.size)
    return float(costs[order[low], order[high], low - high + order.size - 1].sum())


@cache
def _all_pairs(count: int) -> tuple[Order, Order]:
    low, high = np.triu_indices(count, 1)
    return low, high


def cheapest_order(costs: Floats, starts: list[Order], rng: np.random.Generator) -> Order:
    """Return the cheapest order: exactly for up to eight planes, beyond them the cheapest that a search finds.

    Parameters
    ----------
    costs : ndarray, shape (planes, planes, 2 planes - 1)
        As for `cost_of`; ``costs[j, i, -m]`` is ``costs[i, j, m]``.
    starts : list of ndarray
        Orders of which the cheapest is begun with; the result is never worse than any of them.
    rng : Generator
        Of the search.

    Returns
    -------
    ndarray of int, shape (planes,)
        Planes from the lowest rank up; of orders that cost the same, the first in the order of their numbers.
    """
    return _tried(costs) if len(costs) <= _TRIED else searched_order(costs, starts, rng)


def _tried(costs: Floats) -> Order:
    """Return the cheapest of all orders."""
    count = len(costs)
    orders = np.array(list(permutations(range(count))), dtype=np.intp)
    low, high = _all_pairs(count)
    cost = costs[orders[:, low], orders[:, high], low - high + count - 1].sum(axis=1)
    first: Order = orders[np.argmax(cost <= (1.0 + _EQUALLY_GOOD) * cost.min())]
    return first


def searched_order(costs: Floats, starts: list[Order], rng: np.random.Generator) -> Order:
    """Return the cheapest order that a local search finds; as `cheapest_order` for any number of planes above one."""
    count = len(costs)
    costs = _without_self(costs)
    start = best = reduce(partial(_better, costs), starts)
    for _ in range(1 + min(_STARTS, _STARTED_PLANES // count)):
        best = _better(costs, best, _descend(costs, start))
        start = rng.permutation(count)
    for _ in range(min(_KICKS, _KICKED_PLANES // count)):
        best = _better(costs, best, _descend(costs, _kicked(best, rng)))
    return best


def _without_self(costs: Floats) -> Floats:
    """Return costs in which a plane costs nothing with itself, nor at its own rank: the large terms nobody pays."""
    count = len(costs)
    costs = costs.copy()
    costs[..., count - 1] = 0.0
    costs[np.diag_indices(count)] = 0.0
    return costs


def _better(costs: Floats, first: Order, second: Order) -> Order:
    cost_1, cost_2 = cost_of(costs, first), cost_of(costs, second)
    if abs(cost_1 - cost_2) <= _EQUALLY_GOOD * max(cost_1, cost_2):
        return first if first.tolist() <= second.tolist() else second
    return first if cost_1 < cost_2 else second


def _kicked(order: Order, rng: np.random.Generator) -> Order:
    """Return the order with two neighbouring stretches exchanged, one perhaps turned: no single move undoes that."""
    span = min(order.size, _LONGEST)
    begin = rng.integers(order.size - span + 1)
    first, middle, last = begin + np.sort(rng.choice(span + 1, min(3, span + 1), replace=False))
    turned = order[first:middle][:: rng.choice([-1, 1])]
    return np.concatenate([order[:first], order[middle:last], turned, order[last:]])


def _descend(costs: Floats, order: Order) -> Order:
    """Return the order after the best exchanges, then the best reversals and shifts, until none of those gains."""
    order = _exchanged(costs, order, _placements(costs, order)[-1])
    while True:
        changes, targets = zip(*_shifts(costs, order, _placements(costs, order)), strict=True)
        moved = np.empty_like(order)
        moved[targets[int(np.argmin(changes))]] = order
        if not _gains(costs, order, moved):
            return order
        order = moved


def _gains(costs: Floats, order: Order, moved: Order) -> bool:
    """Return whether a move gains more than rounding, which may hide what sums of changes say of it."""
    return cost_of(costs, moved) < (1.0 - _EQUALLY_GOOD) * cost_of(costs, order)


def _placements(costs: Floats, order: Order) -> Floats:
    """Return what each plane would cost at each rank with the planes now below rank k: shape (k, planes, ranks).

    Shape (planes + 1, planes, planes); at the end stand the costs with all others.
    """
    count = order.size
    upto = np.empty((count + 1, count, count))
    upto[0] = 0.0
    for rank, plane in enumerate(order):
        # of the plane below the one above it, so from the far end
        np.add(upto[rank], costs[plane, :, ::-1][:, count - 1 - rank : 2 * count - 1 - rank], out=upto[rank + 1])
    return upto


def _exchanged(costs: Floats, order: Order, at: Floats) -> Order:
    """Return the order after the best exchanges of two planes, one after another, until none gains.

    ``at`` is what each plane would cost at each rank, shape (planes, ranks).
    """
    ranks = np.arange(order.size)
    middle = order.size - 1
    apart = ranks[:, None] - ranks
    while True:
        here, pairs = at[order], (order[:, None], order)
        own = np.diagonal(here)
        change = here + here.T - own[:, None] - own
        # both sums hold the cost of the two with each other as it was, none as it will be
        change += costs[(*pairs, apart + middle)] + costs[(*pairs, middle - apart)]
        np.fill_diagonal(change, 0.0)
        low, high = np.unravel_index(change.argmin(), change.shape)
        one, other = order[low], order[high]
        moved = order.copy()
        moved[low], moved[high] = other, one
        if not _gains(costs, order, moved):
            return order
        order = moved
        to_low, to_high = ranks - low + middle, ranks - high + middle
        at = at + costs[:, one, to_high] - costs[:, one, to_low] + costs[:, other, to_low] - costs[:, other, to_high]


@dataclass(frozen=True)
class _Windows:
    """All stretches of two ranks or more up to the longest, their ranks one after another."""

    low: Order
    high: Order
    rank: Order
    starts: Order


@cache
def _windows(count: int) -> _Windows:
    low, high = np.triu_indices(count, 1)
    short = high - low < _LONGEST
    low, high = low[short], high[short]
    lengths = high - low + 1
    starts = np.cumsum(lengths) - lengths
    which = np.repeat(np.arange(low.size), lengths)
    return _Windows(low[which], high[which], np.arange(which.size) - starts[which] + low[which], starts)


def _shifts(costs: Floats, order: Order, upto: Floats) -> list[tuple[float, Order]]:
    """Return the best reversal of a stretch, and the best shifts of its ends to its other end.

    Each with its change of cost and the rank to which every rank goes. Within a stretch costs change in each move's
    own way; towards the rest, each plane's costs at its new rank take the place of those at its old.
    """
    count = order.size
    middle = count - 1
    windows = _windows(count)
    low, high, rank = windows.low, windows.high, windows.rank
    plane, bottom, top = order[rank], order[low], order[high]

    beyond, before = (high + 1) * count**2, low * count**2

    def outside(target: Order) -> Floats:
        place = plane * count + target
        costs_outside: Floats = upto[count].take(place) - upto.take(beyond + place) + upto.take(before + place)
        return costs_outside

    stay = outside(rank)
    # a plane costs nothing with itself, so a rank beyond the ends may stand there
    raised = costs[bottom, plane, np.minimum(high - rank + 1, middle) + middle]
    lowered = costs[top, plane, np.maximum(low - rank - 1, -middle) + middle]
    ranks = np.arange(count)
    apart = ranks[:, None] - ranks
    turned = costs[order[:, None], order, middle - apart] - costs[order[:, None], order, apart + middle]
    moves = (
        (low + high - rank, 0.5 * _within(turned, windows)),
        (np.where(rank == low, high, rank - 1), raised - costs[bottom, plane, low - rank + middle]),
        (np.where(rank == high, low, rank + 1), lowered - costs[top, plane, high - rank + middle]),
    )
    found = []
    for target, inside in moves:
        change = np.add.reduceat(outside(target) - stay + inside, windows.starts)
        best = int(change.argmin())
        begin = windows.starts[best]
        targets = ranks.copy()
        stretch = slice(int(begin), int(begin + high[begin] - low[begin] + 1))
        targets[rank[stretch]] = target[stretch]
        found.append((float(change[best]), targets))
    return found


def _within(matrix: Floats, windows: _Windows) -> Floats:
    """Return the sum over each window's columns of a matrix (ranks, ranks), for every rank of the window."""
    upto = np.concatenate([np.zeros((len(matrix), 1)), np.cumsum(matrix, axis=1)], axis=1)
    sums: Floats = upto[windows.rank, windows.high + 1] - upto[windows.rank, windows.low]
    return sums
