"""Blocks in words: how many, which, and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import groupby

from shells.study.cases import Block


def counted(number: int) -> str:
    """Return a number of blocks in words."""
    return f"{number} block{'s' if number != 1 else ''}"


def numbers(blocks: Iterable[Block]) -> str:
    """Return the numbers of blocks in words, more than two neighbours as a range.

    Parameters
    ----------
    blocks : iterable of Block
        At least one, in any order.

    Returns
    -------
    str
        Such as "blocks 2, 5 to 9".
    """
    found = sorted(block.number for block in blocks)
    runs = [[number for _, number in run] for _, run in groupby(enumerate(found), lambda pair: pair[1] - pair[0])]
    texts = [f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs]
    return f"block{'s' if len(found) > 1 else ''} {', '.join(texts)}"


def by_reason(reasons: Mapping[Block, str]) -> str:
    """Return a list of what befell blocks, those of one reason in one line.

    Parameters
    ----------
    reasons : mapping of Block to str
        What befell each.

    Returns
    -------
    str
        One line a reason.
    """
    groups: dict[str, list[Block]] = {}
    for block, reason in reasons.items():
        groups.setdefault(reason, []).append(block)
    return "\n".join(f"  - {numbers(blocks)}: {reason}" for reason, blocks in groups.items())
