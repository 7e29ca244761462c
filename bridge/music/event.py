"""What the score says happens: one row per event, in ticks."""

from __future__ import annotations

from typing import Literal, NamedTuple

EventKind = Literal["hit", "pitch", "level"]


class Event(NamedTuple):
    """One event of the score.

    `tick` is when it sounds, after swing, shift and humanise; `grid` is the nominal step it
    belongs to. `value` is the level 0..1 of a hit, the note number of a pitch, the volts of a
    level. `length` is in ticks (hits only). `lane` is the position in `Score.lanes`; below 0 it
    is a macro: -1 the first, -2 the second. `causes` are the positions of the lanes whose hits at
    the same grid tick made a derived hit.
    """

    tick: int
    lane: int
    kind: EventKind
    value: float
    length: int
    output: str | None
    grid: int
    causes: tuple[int, ...] = ()
