"""Encounter rates of pairs of orbits against published formulas."""

import numpy as np
import pytest

from shells.approaches import kernels

YEAR = 365.25 * 86400.0
NO_ZONALS = np.zeros(16)
MU = 398600.4418
DISTANCE = 0.01  # combined radius of 10 m


def averaged_rate(first, second, turns, samples):
    """Average the rate of a pair over the perigee of the second orbit and over (node difference, perigee of first).

    ``turns`` lists the latter; two-body motion: J2 is zero.
    """
    geometry = np.empty((2, 2, kernels.FIELDS))
    periods = [2.0 * np.pi * np.sqrt(a**3 / MU) for a in (first[0], second[0])]
    total = 0.0
    for node, perigee in turns:
        a = orbit(first, 0.3, perigee)
        for j in range(samples + 1):
            b = orbit(second, 0.3 + node, 2.0 * np.pi * j / samples)
            kernels.node_geometry(a, b, DISTANCE, MU, 6378.137, NO_ZONALS, geometry[j % 2])
            if j == 0:
                continue
            for side in range(2):
                before, after = geometry[(j + 1) % 2, side], geometry[j % 2, side]
                c = 0.5 * (before[kernels.C] + after[kernels.C])
                speed = 0.5 * (before[kernels.V_PERP] + after[kernels.V_PERP])
                total += kernels.mean_chord(DISTANCE, c, before[kernels.X], after[kernels.X]) / speed
    return total / (samples * len(turns)) / (periods[0] * periods[1]) * YEAR


def orbit(shape, node, perigee):
    a, e, inclination = shape
    return np.array([a, e * np.cos(perigee), e * np.sin(perigee), np.radians(inclination), node, 0.4])


@pytest.mark.parametrize(
    ("a", "e", "mutual", "published"),
    [
        # E. J. Opik 1951, Proc. R. Irish Acad. 54A, 165: per revolution (R/a0)^2 U / (pi sin I |Ux|), target circular
        # at 7178.137 km, R = 10 m, mu = 398600.4418; computed from the formula, itself from memory
        (7178.137, 0.02, 60.0, 1.8598795354e-7),
        (7228.137, 0.01, 90.0, 6.2317895896e-7),
    ],
)
def test_opik(a, e, mutual, published):
    # the target lies 20 deg from the equator with the node in common
    target = (7178.137, 0.0, 20.0)
    found = averaged_rate(target, (a, e, 20.0 + mutual), [(0.0, 0.0)], 20_000)
    assert found == pytest.approx(published, rel=5e-3)


@pytest.mark.parametrize(
    ("first", "second", "published"),
    [
        # D. J. Kessler 1981, Icarus 48, 39: spatial densities of two orbits, angles random; quadrature converged to 9
        # digits (computed from the formula, itself from memory)
        ((7178.137, 0.0005, 98.6), (7178.137, 0.02, 74.0), 4.31069156e-7),
        ((6928.137, 0.0001, 53.0), (7000.0, 0.03, 98.0), 2.384872e-7),
    ],
)
def test_kessler_pairs(first, second, published):
    nodes = (np.arange(96) + 0.37) / 96 * 2.0 * np.pi
    perigees = (np.arange(6) + 0.21) / 6 * 2.0 * np.pi
    turns = [(node, perigees[j % 6]) for j, node in enumerate(nodes)]
    assert averaged_rate(first, second, turns, 2000) == pytest.approx(published, rel=5e-3)
