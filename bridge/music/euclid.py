"""Euclidean patterns: hits spread as evenly as whole steps allow.

The procedure is the grouping one of Toussaint, "The Euclidean Algorithm Generates Traditional
Musical Rhythms" (BRIDGES 2005, pp. 47-56), with its first distribution always made: E(3,8) is
``x..x..x.``, E(2,3) is ``x.x``. Other conventions (the recursive listing of Bjorklund's 2003
timing note, floor and modulo formulas, an overflowing accumulator) give rotations of the same
pattern; use `rotate` to reach them.
"""

from __future__ import annotations

from functools import lru_cache

MOST_STEPS = 64


@lru_cache(maxsize=4096)
def euclid(hits: int, steps: int, left: int = 0) -> tuple[int, ...]:
    """
    E(hits, steps) as one digit per step, 1 a hit and 0 a rest, rotated left by `left` steps.

    `steps` is 1..64 and `hits` 0..steps; more hits than steps are taken as `steps` (live settings
    may pass each other for a moment; files are checked before).

    Raises:
        ValueError: `steps` out of range or `hits` below 0.

    """
    if not 1 <= steps <= MOST_STEPS:
        raise ValueError(f"{steps} steps: from 1 to {MOST_STEPS} are possible")
    if hits < 0:
        raise ValueError(f"{hits} hits: below 0")
    if hits == 0:
        return (0,) * steps
    if hits >= steps:
        return (1,) * steps
    heads: list[tuple[int, ...]] = [(1,)] * hits
    tails: list[tuple[int, ...]] = [(0,)] * (steps - hits)
    first = True
    # Append one tail to each head until at most one tail is left over; the heads that got none,
    # or the tails that found no head, are the next tails.
    while first or len(tails) > 1:
        first = False
        paired = min(len(heads), len(tails))
        spare = heads[paired:] or tails[paired:]
        heads = [h + t for h, t in zip(heads[:paired], tails[:paired], strict=True)]
        tails = spare
    return rotate(tuple(mark for group in heads + tails for mark in group), left)


def rotate(marks: tuple[int, ...], left: int) -> tuple[int, ...]:
    """`marks` with the first `left` steps moved to the end (below 0: the last to the front)."""
    if not marks:
        return marks
    left %= len(marks)
    return marks[left:] + marks[:left]
