"""Expressions that compare what hits at one tick, and nothing else.

What such an expression says depends only on which of its lanes hit there, as written and with
mutes; so it is worked out once for each combination, and then looked up. On the way to a far place
this is all that is asked of most derived lanes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import reduce
from operator import and_, or_, xor

from bridge.music.logic_functions import Evaluate
from bridge.music.logic_parse import Term
from bridge.music.node import BOTH, SOUNDING, WRITTEN, Window
from bridge.music.step_hits import StepHits, everywhere, joined_flags

JOINING = ("and", "or", "xor", "not", "at-least", "exactly")
_POINTWISE = ("lane", *JOINING)

Slots = Sequence[tuple[int, int, bool]]
"""Of each lane that an expression reads: its place among the masks, its position, and whether it
is read before its mute."""


def is_pointwise(term: Term) -> bool:
    """Whether a term compares hits tick by tick and remembers nothing."""
    return term.op in _POINTWISE and all(is_pointwise(part) for part in term.terms)


def joined(term: Term, parts: Sequence[int], full: int) -> int:
    """
    What an operator makes of its operands, at many places at once.

    Args:
        term: the operator is one of `JOINING`.
        parts: its operands, a bit for each place.
        full: all of these bits.
    """
    match term.op:
        case "and":
            return reduce(and_, parts)
        case "or":
            return reduce(or_, parts)
        case "xor":
            return reduce(xor, parts)
        case "not":
            return full & ~parts[0]
    enough = [full, *(0 for _ in parts)]  # by number: where at least so many are true
    for part in parts:
        for number in range(len(parts), 0, -1):
            enough[number] |= enough[number - 1] & part
    wanted = int(term.numbers[0])
    least = enough[wanted] if wanted < len(enough) else 0
    if term.op == "at-least":
        return least
    more = enough[wanted + 1] if wanted + 1 < len(enough) else 0
    return least & ~more


class TruthTable:
    """What a pointwise term says, by what hits."""

    def __init__(
        self, term: Term, evaluate: Evaluate, slots: Slots, width: int, positions: Mapping[str, int]
    ) -> None:
        """
        Args:
            term: what is compared.
            evaluate: the term at work.
            slots: the lanes that it reads.
            width: how many masks the term is given.
            positions: of all lanes, by name.
        """
        self.slots = slots
        self.term = term
        self._evaluate = evaluate
        self._width = width
        self._positions = positions
        self._known: dict[int, int] = {}

    def written(self, window: Window) -> int:
        """How often the term is true as written in a window."""
        joined = self.joined(window)
        if joined is not None:
            return joined.written
        return sum(bits & WRITTEN for _, bits in self.hits(window))

    def joined(self, window: Window) -> StepHits | None:
        """Where in a window the term is true, when all that it compares are flags of the same
        steps; else None."""
        like: StepHits | None = None
        found: list[StepHits | None] = []
        for _, lane, _ in self.slots:
            hits = window.hits.get(lane, ())
            if not isinstance(hits, StepHits):
                if hits:
                    return None
                found.append(None)
                continue
            if like is None:
                like = hits
            elif not hits.beside(like):
                return None
            found.append(hits)
        if like is None:
            return None
        size = len(like.flags)
        values: dict[tuple[int, bool], int] = {}
        together = 0
        for (_, lane, before), one in zip(self.slots, found, strict=True):
            bits = 0 if one is None else one.bits
            together |= bits
            if not before and window.muted(lane, window.start):
                bits &= everywhere(WRITTEN, size)
            values[lane, before] = bits
        either = (together | together >> 1) & everywhere(WRITTEN, size)
        full = everywhere(BOTH, size)
        return joined_flags(like, self._joint(self.term, values, full) & either * BOTH)

    def _joint(self, term: Term, values: Mapping[tuple[int, bool], int], full: int) -> int:
        """A term of many places at once, two bits a place."""
        if term.op == "lane":
            return values[self._positions[term.name], term.before_mute]
        return joined(term, [self._joint(part, values, full) for part in term.terms], full)

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
