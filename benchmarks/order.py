"""How long the best order of planes takes to find, and what it gains in stars numbered at random."""

import time

import numpy as np

from shells.fleet.frozen import freeze
from shells.fleet.order import best_order
from shells.fleet.patterns import walker
from shells.fleet.tolerances import Tolerances

TOLERANCES = Tolerances("bounded", 50.0, 1e-4)


def main(largest: int = 100) -> None:
    """Order stars and deltas of up to so many planes, with nodes matched and left to drift for ten years."""
    best_order(star(3), step_km=1.0, tolerances=TOLERANCES)
    print("pattern  planes   drift   CPU [s]   share avoided of the order by number, of the interleaved one")
    for planes in sorted({count for count in (6, 12, 25, 50, 100) if count < largest} | {largest}):
        for name, fleet in (("star", star(planes)), ("delta", delta(planes))):
            for years in (0.0, 10.0):
                begun = time.process_time()
                found = best_order(fleet, step_km=1.0, tolerances=TOLERANCES, drift_years=years)
                spent = time.process_time() - begun
                monotone, interleaved, _ = found["reduction"].values
                print(f"{name:8} {planes:6} {years:5.0f} yr {spent:8.2f} {monotone:9.1%} {interleaved:9.1%}")


def star(planes):
    """Return a near-polar star whose planes are numbered at random."""
    return numbered_at_random(
        walker(total=2 * planes, planes=planes, pattern="star", altitude_km=1200.0, inclination_deg=87.9)
    )


def delta(planes):
    """Return an inclined delta whose planes are numbered at random."""
    return numbered_at_random(
        walker(total=2 * planes, planes=planes, pattern="delta", altitude_km=1200.0, inclination_deg=53.0)
    )


def numbered_at_random(fleet):
    """Return the fleet frozen, with its plane numbers shuffled."""
    number = np.random.default_rng(1).permutation(int(fleet["plane"].max()) + 1)
    return freeze(fleet.assign(plane=fleet["plane"].copy(data=number[fleet["plane"].values])))
