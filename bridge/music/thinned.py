"""Which steps of a pattern sound at the density of each of its passes, for many passes at once.

At a density that stays the same the passes are alike, up to the place in the bar. One that a wave
moves is asked for where it decides; when it comes round, so do the passes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import gcd, lcm
from typing import NamedTuple

from bridge.music.node import BOTH

Bounds = tuple[float, float]
Marks = tuple[int, ...]
_MOST_PASSES = 160
"""So many passes of a lane are kept until they come again."""


class Asked(NamedTuple):
    """The density of a lane on the way.

    Attributes:
        bounds: between which values it stays.
        at: says it at a step of the lane, by the step's number.
        steps: the numbers of the steps at which it may be asked for.
        size: after how many steps it comes round again; 0 when it does not.
        known: what sounds in passes that came before, by where in the period they begin, and their
            marks.
    """

    bounds: Bounds
    at: Callable[[int], float]
    steps: range
    size: int
    known: dict[tuple[int, bytes], bytes]


class Thinned:
    """What sounds in passes with the same marks."""

    __slots__ = ("_again", "_alike", "_asked", "_limits", "_marks", "_rows", "_span", "_written")

    def __init__(
        self,
        marks: Marks,
        span: int,
        alike: int,
        limits: Callable[[Marks, int], Sequence[float]],
        asked: Asked,
    ) -> None:
        """
        Args:
            marks: of the passes.
            span: how many steps a pass has.
            alike: passes that begin so many steps apart have the same limits.
            limits: of the marks and the number of its first step, the density from which on each
                step of a pass sounds.
            asked: the density.
        """
        self._marks, self._span, self._alike = marks, span, alike
        self._limits, self._asked, self._written = limits, asked, bytes(marks)
        # After how many steps all of it comes round; 0 when it does not.
        self._again = lcm(asked.size, alike)
        self._rows: dict[int, tuple[bytes, list[tuple[int, float]]]] = {}

    def __call__(self, begin: int, passes: int) -> bytes:
        """A byte for each step of some passes: `BOTH` where it sounds, as far as it is known.
        `begin` is the number of the first step of the first of them."""
        span = self._span
        low, high = self._asked.bounds
        if low < high:
            firsts = range(begin, begin + span * passes, span)
            if not self._again:
                return b"".join([self._one(first) for first in firsts])
            again, written, known = self._again, self._written, self._asked.known
            return b"".join(
                [known.get((first % again, written)) or self._anew(first) for first in firsts]
            )
        unlike = min(passes, self._alike // gcd(span, self._alike))
        flags = b"".join([self._one(begin + span * number) for number in range(unlike)])
        whole, rest = divmod(passes, unlike)
        return flags * whole + flags[: rest * span]

    def _one(self, first: int) -> bytes:
        """One pass; `first` is the number of its first step."""
        place = first % self._alike
        if place not in self._rows:
            low, high = self._asked.bounds
            limits = self._limits(self._marks, first)
            sure = bytes(BOTH if limit <= low else 0 for limit in limits)
            self._rows[place] = sure, [each for each in enumerate(limits) if low < each[1] <= high]
        sure, unsure = self._rows[place]
        flags, steps, at = bytearray(sure), self._asked.steps, self._asked.at
        for step, limit in unsure:
            if first + step in steps and at(first + step) >= limit:
                flags[step] = BOTH
        return bytes(flags)

    def _anew(self, first: int) -> bytes:
        """One pass that did not come before, where the density comes round."""
        flags, steps, known = self._one(first), self._asked.steps, self._asked.known
        whole = steps.start <= first and first + self._span <= steps.stop
        if whole and len(known) < _MOST_PASSES:
            known[first % self._again, self._written] = flags
        return flags
