"""A line of straight pieces: what a lane of values says from tick to tick."""

from __future__ import annotations

from bisect import bisect_right
from typing import NamedTuple

CONTROL_GRID = 20
"""Ticks between two samples of anything that glides."""

_KEPT = 4096  # ticks of the past that readers may still ask for
_MOST_PIECES = 512


class Piece(NamedTuple):
    """The line from tick `grid` on: from `start` to `target` within `glide` ticks."""

    grid: int
    start: float
    target: float
    glide: int


def along(start: float, target: float, elapsed: int, glide: int) -> float:
    """Where a straight glide is after `elapsed` ticks."""
    if elapsed >= glide:
        return target
    return start + (target - start) * elapsed / glide


class Line:
    """Straight pieces, one after another, read at any tick of the last `_KEPT`."""

    __slots__ = ("_at", "_from_first", "first", "pieces")

    def __init__(self, first: float, notes: bool) -> None:
        """`first` is the value before the first piece."""
        self.first = first
        self._from_first = not notes  # a pitch has nowhere to come from at first; a level has
        self.clear()

    def clear(self) -> None:
        self._at: list[int] = []
        self.pieces: list[Piece] = []

    def put(self, pieces: list[Piece]) -> None:
        """Be made of `pieces`."""
        self.pieces = pieces
        self._at = [piece.grid for piece in pieces]

    def value_at(self, tick: int) -> float:
        place = bisect_right(self._at, tick) - 1
        if place < 0:
            return self.first  # and not where it begins: windows that end before do not know that
        at, start, target, glide = self.pieces[place]
        elapsed = tick - at
        return target if elapsed >= glide else start + (target - start) * elapsed / glide

    def bounds_from(self, tick: int) -> tuple[float, float]:
        """Between which values the line stays from `tick` on until its next move."""
        place = bisect_right(self._at, tick) - 1
        now = self.value_at(tick)
        target = now if place < 0 else self.pieces[place].target
        return min(now, target), max(now, target)

    def move(self, at: int, value: float, glide: int) -> None:
        """Go to `value` from `at` on; what was to come at or after it is void."""
        pieces = self.pieces
        if pieces and pieces[-1].grid + pieces[-1].glide <= at > pieces[-1].grid:
            start = pieces[-1].target
        else:
            start = self.value_at(at) if pieces or self._from_first else value
            while pieces and pieces[-1].grid >= at:
                self._at.pop()
                pieces.pop()
        self._at.append(at)
        pieces.append(Piece(at, start, value, glide))

    def last(self) -> list[Piece]:
        """The newest piece alone: enough to go on from, for a line that no lane reads."""
        return self.pieces[-1:]

    def recent(self) -> list[Piece]:
        """The pieces that may still be asked for."""
        first = bisect_right(self._at, self._at[-1] - _KEPT) - 1 if self._at else 0
        return self.pieces[max(0, first) :]

    def forget(self, before: int) -> None:
        """Drop pieces that nobody may ask for any more, once there are many."""
        if len(self._at) > _MOST_PIECES:
            gone = bisect_right(self._at, before - _KEPT) - 1
            if gone > 0:
                del self._at[:gone]
                del self.pieces[:gone]
