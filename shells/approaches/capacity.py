"""How many approaches one call may find."""

from __future__ import annotations

from shells.errors import Faults

#: A refusal is kinder than a full memory: no more approaches than this in one call.
LARGEST_NUMBER = 10_000_000


def refuse_too_many(count: int, within_km: float) -> None:
    """Refuse a search that finds more approaches than one call may.

    Parameters
    ----------
    count : int
        Approaches counted.
    within_km : float
        Threshold of distance [km].

    Raises
    ------
    InputError
        More than `LARGEST_NUMBER`.
    """
    faults = Faults("find_approaches")
    faults.require(
        count <= LARGEST_NUMBER,
        f"{count:,} approaches within {within_km:g} km; expected at most {LARGEST_NUMBER:,}: "
        "lower the threshold, shorten the span or search fewer objects at a time",
    )
    faults.raise_if_any()
