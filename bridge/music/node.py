"""How lanes are evaluated: one node per lane, in dependency order, window by window.

A window is a half-open range of grid ticks ``[start, end)``. Windows follow one another without
gaps, so a node keeps what it needs (counters, the last value) between them; it must work strictly
in tick order, so that the same music comes out however the time is cut. Nodes read only lanes
that stand before them in the order, and only at the same tick or earlier.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, Protocol


class Hit(NamedTuple):
    """A hit on the grid: `grid` is the nominal tick, `tick` when it sounds (swing, shift,
    humanise and repeats applied), `length` in ticks. `sub` counts the repeats within a step."""

    grid: int
    tick: int
    level: float
    length: int
    accent: bool = False
    causes: tuple[int, ...] = ()
    sub: int = 0


class Change(NamedTuple):
    """A value lane moves to `value` at grid tick `grid`, sounding at `tick`, gliding for `glide`
    ticks. For notes the value is a note number, else a level."""

    grid: int
    tick: int
    value: float
    glide: int = 0


@dataclass(slots=True)
class Window:
    """What nodes see of one window, and where they put their results (by lane position).

    hits, changes
        results of the lanes evaluated so far in this window, in tick order, before any mute
        (what the lane is written to do).
    setting(lane, name, tick)
        the effective value of a lane's numeric setting at a grid tick: written value, section
        override, hand override, then all drives, clamped to its range.
    muted(lane, tick)
        whether the lane is out at that tick.
    value(lane, tick)
        value of a value lane at a tick (glides applied), before output mixing.
    ms(x)
        milliseconds as ticks (float) at the present tempo.
    """

    start: int
    end: int
    setting: Callable[[int, str, int], float]
    muted: Callable[[int, int], bool]
    value: Callable[[int, int], float]
    ms: Callable[[float], float]
    hits: dict[int, Sequence[Hit]] = field(default_factory=dict)
    changes: dict[int, Sequence[Change]] = field(default_factory=dict)


class Node(Protocol):
    """One lane at work. `lane` is its position in the score; `reads` the positions it reads.

    `early` is how many ticks after `Window.end` its results may still lack sounding ticks, i.e.
    the most that `Hit.tick` may lie before `Hit.grid` (plus what its sources need).
    """

    lane: int
    reads: tuple[int, ...]

    def run(self, window: Window) -> None:
        """Append this window's hits (or changes) under ``window.hits[self.lane]``."""
        ...

    def value_at(self, tick: int) -> float:
        """Value lanes: the value at a tick not before the last window's start (glide applied)."""
        ...

    def carry(self) -> dict[str, Any]:
        """Counters that a new score's node of the same lane may take over."""
        ...

    def adopt(self, carry: dict[str, Any]) -> None:
        """Take over `carry` from the node that played this lane before."""
        ...

    def rewind(self) -> None:
        """Back to tick 0, as built."""
        ...
