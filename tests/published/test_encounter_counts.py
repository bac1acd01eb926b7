"""Counts of encounters inside one shell whose inputs are complete, on trajectories of the numerical reference."""

import numpy as np
import pytest

from benchmarks.stepping import minimise, step_through
from shells import constants
from shells.motion.forces import Forces
from shells.motion.numerical.reference import integrate_states, no_tesserals

DAY = constants.DAY.value
STEP = 30.0

# Computed independently, no published value behind it: integration in fixed steps of 10, 15 or 30 s, order 8, which
# agree on every count. Inputs, complete: pattern 55:288/32/4, nodes over 360 deg; every satellite starts with
# osculating a = R + 1,200 km, e = 0 and u = 2 pi (slot / 9 + 4 plane / 288); EGM96 with J2 alone or to J7, nothing
# else; local minima of distance within a day. Smallest distance printed to 0.1 m, its time to 1 ms.
COUNTS = [
    (2, {10.0: 72, 5.0: 32, 1.0: 0, 0.1: 0}, 1.1721, None),
    (7, {50.0: 828, 20.0: 320, 10.0: 72, 5.0: 32, 1.0: 4, 0.1: 0}, 0.9398, 84957.189),
]


def circular_pattern(total: int, planes: int, phasing: int, height_km: float, inclination_deg: float) -> np.ndarray:
    """Return osculating states (total, 6) of circular orbits."""
    slots = total // planes
    plane, slot = np.divmod(np.arange(total), slots)
    node = 2.0 * np.pi * plane / planes
    u = 2.0 * np.pi * (slot / slots + phasing * plane / total)
    radius = constants.REFERENCE_RADIUS.value + height_km
    speed = np.sqrt(constants.GRAVITATIONAL_PARAMETER.value / radius)
    cos_i, sin_i = np.cos(np.radians(inclination_deg)), np.sin(np.radians(inclination_deg))

    def along(angle):
        cosine, sine = np.cos(angle), np.sin(angle)
        return np.stack(
            [
                cosine * np.cos(node) - sine * cos_i * np.sin(node),
                cosine * np.sin(node) + sine * cos_i * np.cos(node),
                sine * sin_i,
            ],
            axis=1,
        )

    return np.concatenate([radius * along(u), speed * along(u + 0.5 * np.pi)], axis=1)


@pytest.mark.long
@pytest.mark.parametrize(("degree", "counts", "smallest", "at"), COUNTS)
def test_counts_of_a_shell_read_as_osculating(degree, counts, smallest, at):
    forces = Forces(zonal_degree=degree, drag=False, sun=False, moon=False, radiation=False)
    model = forces.model(np.datetime64("2027-01-01", "ns"), DAY)
    times = np.arange(0.0, DAY + 1.5 * STEP, STEP)
    start = circular_pattern(288, 32, 4, 1200.0, 55.0)
    states, _ = integrate_states(start, np.zeros((288, 2)), times, model, no_tesserals())

    def at_sample(time):
        return states[:, round(time / STEP)]

    def distance(rows, columns, instants):
        """Cubic Hermite polynomials between samples: 1 cm."""
        node = np.minimum((instants / STEP).astype(int), times.size - 2)
        x = (instants / STEP - node)[:, None]
        y = 1.0 - x
        apart = states[columns, node] - states[rows, node], states[columns, node + 1] - states[rows, node + 1]
        position = (1.0 + 2.0 * x) * y * y * apart[0][:, :3] + (1.0 + 2.0 * y) * x * x * apart[1][:, :3]
        position += x * y * STEP * (y * apart[0][:, 3:] - x * apart[1][:, 3:])
        return np.linalg.norm(position, axis=1)

    widest = max(counts)
    candidates = np.concatenate(list(step_through(at_sample, None, end=DAY, step=STEP, within_km=widest)))
    periods = np.full(len(candidates), 2.0 * np.pi * np.linalg.norm(start[0, :3]) / np.linalg.norm(start[0, 3:]))
    found = minimise(distance, candidates, end=DAY, step=STEP, within_km=widest, periods=periods)
    assert {within: int((found[:, 3] < within).sum()) for within in counts} == counts
    nearest = found[found[:, 3].argmin()]
    assert nearest[3] == pytest.approx(smallest, abs=5e-5)
    if at is not None:
        assert np.abs(found[found[:, 3] < nearest[3] + 5e-5, 2] - at).min() < 5e-4
