"""How many approaches one call may find."""

from __future__ import annotations

from shells.approaches.volumes import Volume
from shells.errors import Faults

#: A refusal is kinder than a full memory: no more approaches than this in one call.
LARGEST_NUMBER = 10_000_000

#: So many blocks, taken from all over, estimate the number of approaches of all, to within this factor.
SAMPLE, DOUBT = 8, 1.5


def refuse_too_many(count: int, within_km: float | Volume, *, done: int = 1, blocks: int = 1) -> None:
    """Refuse a search that finds, or will find, more approaches than one call may.

    Parameters
    ----------
    count : int
        Approaches counted.
    within_km : float, Box or Ellipsoid
        Threshold of distance [km], or volume.
    done, blocks : int
        In how many of how many blocks they were counted.

    Raises
    ------
    InputError
        More than `LARGEST_NUMBER`, counted or, by an estimate from `SAMPLE` blocks or more, to come.
    """
    whole = count / done * blocks
    estimated = f", estimated from {done} of {blocks} blocks" if done < blocks else ""
    faults = Faults("find_approaches")
    faults.require(
        count <= LARGEST_NUMBER and (done < SAMPLE or whole <= DOUBT * LARGEST_NUMBER),
        f"{'about ' if estimated else ''}{whole:,.0f} approaches within {within_km} km{estimated}; expected at most "
        f"{LARGEST_NUMBER:,}: lower the threshold, shorten the span or search fewer objects at a time",
    )
    faults.raise_if_any()
