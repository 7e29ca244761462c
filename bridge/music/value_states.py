"""What the nodes of lanes of values hand on to those that take their place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from bridge.music.line import Piece
from bridge.music.node import Change
from bridge.music.pace import PacingState
from bridge.music.pattern import CursorState


@dataclass(slots=True)
class StepsState:
    """Of a lane that goes by steps: its cursor; the number of the next step, and its tick; when it
    is reset next, and every how many ticks; its pace, which knows how long a step is."""

    cursor: CursorState
    index: int
    next: int
    next_reset: int
    reset_ticks: int
    pacing: PacingState


class Start(NamedTuple):
    """A tick at which a lane starts again; `lead` is how much later the cause sounds."""

    grid: int
    lead: int
    level: float


@dataclass(slots=True)
class SamplesState:
    """Of a lane that is sampled on a grid: the next sample, how much later it sounds than it is
    written, up to where the lane has been played, the starts to come, and the value sent last.

    `twin` is the whole state of the node in sounding time beside it; `runs` is false for a node
    that stood still while only its twin ran.
    """

    next: int
    lead: int
    done: int
    later: list[Start]
    sent: float | None
    runs: bool
    twin: ValueState | None


@dataclass(slots=True)
class ValueState:
    """Of any lane of values: its line, as written and as heard; how far it is transposed, and will
    be; whether its values are notes; and its lag.

    `origin` is the tick from which its steps or cycles are counted, `hand` that of the last reset
    by hand which it has followed: a lane that becomes one of another kind keeps both. `own` is what
    its kind keeps besides.
    """

    pieces: list[Piece]
    heard: list[Piece]
    moved_by: float
    transposing: list[Change]
    notes: bool
    lag: int
    origin: int = 0
    hand: int = -1
    steps: StepsState | None = None
    samples: SamplesState | None = None
    own: object = None


@dataclass(slots=True)
class DriftState:
    """Of written values: which places drift, and what they play instead."""

    changed: frozenset[int]
    moved: dict[int, int]


@dataclass(slots=True)
class WalkState:
    """Of a random walk: where it is, 0..1 (None before it begins), and after how many steps."""

    at: float | None
    count: int


class SampleDue(NamedTuple):
    """A sample to be taken at `tick` of sounding time, for the hit at `grid`; `interval` is how
    far a note that is held is transposed."""

    tick: int
    grid: int
    interval: float


@dataclass(slots=True)
class SampleState:
    """Of sample and hold: the samples to come, and up to where they have been taken."""

    waiting: list[SampleDue]
    done: int


@dataclass(slots=True)
class CycleState:
    """Of a cyclic form: how often it began anew, how far it is in cycles, and at which tick."""

    restarts: int
    cycles: float
    at: int


@dataclass(slots=True)
class DecayState:
    """Of an envelope: the level of its hit and the tick it fell at, whether it still moves, and
    when the first hit of the step sounded."""

    level: float
    at: int
    moving: bool
    first: int
