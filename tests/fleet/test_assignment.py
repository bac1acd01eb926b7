"""The search for the cheapest order, against all orders."""

from itertools import permutations

import numpy as np
import pytest

from shells.fleet import assignment
from shells.fleet.assignment import cheapest_order, cost_of, searched_order


def some_costs(count, seed, scatter=0.5):
    """Costs that fall with distance, each pair and distance by itself, above and below alike in no way."""
    rng = np.random.default_rng(seed)
    distance = np.abs(np.arange(1 - count, count))
    costs = rng.lognormal(0.0, scatter, (count, count, distance.size)) * np.exp(-rng.uniform(0.3, 2.0) * distance)
    for i, j in zip(*np.tril_indices(count, -1), strict=True):
        costs[i, j] = costs[j, i, ::-1]
    return costs


def summed(costs, order):
    """Slow twin of the cost of an order."""
    count = len(order)
    rank = {plane: r for r, plane in enumerate(order)}
    pairs = [(i, j) for i in range(count) for j in range(i + 1, count)]
    return sum(costs[i, j, rank[i] - rank[j] + count - 1] for i, j in pairs)


def test_cost():
    # Slow twin: pair by pair.
    costs, order = some_costs(6, 1), np.array([3, 0, 5, 1, 4, 2])
    assert cost_of(costs, order) == pytest.approx(summed(costs, order), rel=1e-14)


@pytest.mark.parametrize("count", [2, 3, 5, 6])
def test_all_orders(count):
    # Slow twin: every order.
    costs = some_costs(count, count, scatter=1.5)
    least = min(summed(costs, order) for order in permutations(range(count)))
    found = cheapest_order(costs, [np.arange(count)], np.random.default_rng(0))
    assert cost_of(costs, found) == pytest.approx(least, rel=1e-14)


@pytest.mark.parametrize("seed", range(8))
def test_the_search_finds_what_trying_all_orders_does(seed):
    # Other method: all orders of seven planes, for costs that differ by as much as those of crossing planes do.
    costs = some_costs(7, seed, scatter=0.3)
    start = np.random.default_rng(seed).permutation(7)
    exact = cheapest_order(costs, [start], np.random.default_rng(0))
    found = searched_order(costs, [start], np.random.default_rng(0))
    assert cost_of(costs, found) == pytest.approx(cost_of(costs, exact), rel=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_changes_by_moves(seed):
    # Slow twin: every stretch reversed and shifted either way, and priced anew.
    count = 7
    costs = assignment._without_self(some_costs(count, 10 + seed))
    order = np.random.default_rng(seed).permutation(count)

    def turned(stretch):
        return stretch[::-1]

    def risen(stretch):
        return np.roll(stretch, -1)

    def sunk(stretch):
        return np.roll(stretch, 1)

    found = assignment._shifts(costs, order, assignment._placements(costs, order))
    for (change, targets), move in zip(found, (turned, risen, sunk), strict=True):
        changes = []
        for low in range(count):
            for high in range(low + 1, count):
                moved = order.copy()
                moved[low : high + 1] = move(moved[low : high + 1])
                changes.append(summed(costs, moved) - summed(costs, order))
        assert change == pytest.approx(min(changes), rel=1e-12, abs=1e-13)
        moved = np.empty_like(order)
        moved[targets] = order
        assert summed(costs, moved) - summed(costs, order) == pytest.approx(change, rel=1e-12, abs=1e-13)


def test_no_exchange_is_left():
    # Slow twin: after the exchanges no two planes can be exchanged with a gain.
    count = 8
    costs = assignment._without_self(some_costs(count, 4))
    order = np.random.default_rng(4).permutation(count)
    left = assignment._exchanged(costs, order, assignment._placements(costs, order)[-1])
    least = summed(costs, left)
    assert least < summed(costs, order)
    for low, high in zip(*np.triu_indices(count, 1), strict=True):
        moved = left.copy()
        moved[[low, high]] = moved[[high, low]]
        assert summed(costs, moved) >= least * (1.0 - 1e-9)


def test_never_worse_than_a_start_and_the_same_again():
    # Property: for 30 planes, more than a stretch that moves; the seed decides.
    costs = some_costs(30, 5)
    starts = [np.arange(30), np.arange(30)[::-1]]
    found = [searched_order(costs, starts, np.random.default_rng(2)) for _ in range(2)]
    np.testing.assert_array_equal(*found)
    assert sorted(found[0]) == list(range(30))
    assert cost_of(costs, found[0]) < min(cost_of(costs, start) for start in starts)


def test_of_equal_orders_the_first():
    # Closed form: costs that depend on distance alone make all orders equal.
    distance = np.abs(np.arange(-9.0, 10.0))
    costs = np.broadcast_to(np.exp(-distance), (10, 10, 19))
    for search in (cheapest_order, searched_order):
        found = search(costs, [np.random.default_rng(1).permutation(10), np.arange(10)], np.random.default_rng(0))
        assert found.tolist() == list(range(10))
