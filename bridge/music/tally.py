"""Expressions that compare what hits at one tick, and nothing else.

What such an expression says depends only on which of its lanes hit there, as written and with
mutes; so it is worked out once for each combination, and then looked up. On the way to a far place
this is all that is asked of most derived lanes.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.music.logic_functions import Evaluate
from bridge.music.logic_parse import Term
from bridge.music.node import BOTH, SOUNDING, WRITTEN, Window

_POINTWISE = ("lane", "and", "or", "xor", "not", "at-least", "exactly")

Slots = Sequence[tuple[int, int, bool]]
"""Of each lane that an expression reads: its place among the masks, its position, and whether it
is read before its mute."""


def is_pointwise(term: Term) -> bool:
    """Whether a term compares hits tick by tick and remembers nothing."""
    return term.op in _POINTWISE and all(is_pointwise(part) for part in term.terms)


class TruthTable:
    """What a pointwise term says, by what hits."""

    def __init__(self, evaluate: Evaluate, slots: Slots, width: int) -> None:
        """
        Args:
            evaluate: the term.
            slots: the lanes that it reads.
            width: how many masks the term is given.
        """
        self.slots = slots
        self._evaluate = evaluate
        self._width = width
        self._known: dict[int, int] = {}

    def hits(self, window: Window) -> list[tuple[int, int]]:
        """Where in a window the term is true, in order, with the bits in which it is."""
        places: dict[int, int] = {}
        for slot, lane, before in self.slots:
            heard = BOTH if before or not window.muted(lane, window.start) else WRITTEN
            for hit in window.hits.get(lane, ()):
                grid = hit.grid
                places[grid] = places.get(grid, 0) | (hit.exists_in & heard) << 2 * slot
        known = self._known
        found = []
        for grid in sorted(places):
            key = places[grid]
            bits = known.get(key)
            if bits is None:
                bits = known[key] = self._of(key)
            if bits:
                found.append((grid, bits))
        return found

    def _of(self, key: int) -> int:
        masks = [key >> 2 * slot & BOTH for slot in range(self._width)]
        masks[-1] = 0  # no step of the lane's own
        return self._evaluate(masks, 0) & (WRITTEN | SOUNDING)
