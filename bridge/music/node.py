"""How lanes are evaluated: one node per lane, in dependency order, window by window.

A window is a half-open range of grid ticks ``[start, end)``. Windows follow one another without
gaps, so a node keeps what it needs (counters, the last value) between them; it must work strictly
in tick order, so that the same music comes out however the time is cut. Nodes read only lanes
that stand before them in the order, and only at the same tick or earlier.

Mutes must never move a melody or a counter. So every hit says in `exists_in` whether it is
*written* (it happens when nothing at all is muted) and whether it *sounds* (it happens with the
mutes of the lanes it derives from as they are; its own mute comes on top and is not part of it).
Everything that counts hits (``advance``, ``reset``, nth, toggle) counts written ones; what is
played are the sounding ones.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import inf
from typing import NamedTuple, Protocol

from bridge.music.ticks import Bends

WRITTEN = 1
SOUNDING = 2
BOTH = WRITTEN | SOUNDING


class Feel(NamedTuple):
    """
    How far a hit sounds from its place on the grid; lanes moved by or derived from it inherit this.

    `offset` is the whole way in ticks, all swings included. `late` is the part of it that stays the
    same at any other place (shift, humanise), `bends` are the swings that depend on the place.
    `caused` is false for a hit that no hit causes (a state, on a step of its lane).
    """

    offset: float = 0.0
    late: float = 0.0
    bends: Bends = ()
    caused: bool = True

    def at(self, grid: int) -> Feel:
        """The same feel at another place of the grid."""
        offset = self.late + sum(bend.at(grid) for bend in self.bends)
        return self._replace(offset=offset)

    def plus(self, grid: int, bends: Bends, late: float) -> Feel:
        """This feel with a lane's own swing and lateness on top."""
        if not bends and not late:
            return self
        offset = self.offset + late + sum(bend.at(grid) for bend in bends)
        return Feel(offset, self.late + late, self.bends + bends, self.caused)


ON_GRID = Feel()


class Hit(NamedTuple):
    """A hit on the grid: `grid` is the nominal tick, `tick` when it sounds (swing, shift,
    humanise and repeats applied), `length` in ticks. `accent` is 0, 0.5 or 1; `repeat` counts the
    repeats within a step; `exists_in` is `WRITTEN`, `SOUNDING` or `BOTH`; `feel` is that of the
    first hit of the step."""

    grid: int
    tick: int
    level: float
    length: int
    accent: float = 0.0
    causes: tuple[int, ...] = ()
    repeat: int = 0
    exists_in: int = BOTH
    feel: Feel = ON_GRID


class Change(NamedTuple):
    """A value lane moves to `value` at grid tick `grid`, sounding at `tick`, gliding for `glide`
    ticks. For notes the value is a note number, else a level."""

    grid: int
    tick: int
    value: float
    glide: int = 0


class Trace(NamedTuple):
    """The values of a lane of values in a window: `before` was its value until the step `first`,
    and one follows for each step from there on. `step` and `origin` say where steps are."""

    before: float
    first: int = 0
    step: Fraction = Fraction(1)
    origin: int = 0
    values: Sequence[float] = ()


class State(Protocol):
    """A derived lane that is true or false at every tick, for those that read it.

    `looks` are the ticks of this window at which it was worked out, with its values there; between
    them `rest` tells it.
    """

    looks: list[tuple[int, int]]

    def rest(self, window: Window, tick: int) -> int:
        """Whether it is true just after all looks before `tick`, as `WRITTEN` and `SOUNDING`."""
        ...


@dataclass(slots=True)
class Signal:
    """The gate of a derived lane on gates, for those that read it.

    `before` is what it was at the end of the window before, `changes` hold the tick of each change,
    its grid tick and the value from then on (`WRITTEN` and `SOUNDING`, with accents).
    """

    before: int
    changes: list[tuple[int, int, int]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Passing:
    """Lanes, by position, of which less is asked on the way to a far place (`music.passing`).

    Attributes:
        counted: of their hits only the place on the grid matters, and in which music they exist.
        wanted: lanes of hits that some lane reads which is played on the way.
        idle: lanes that need not be played.
        lasts: lanes of values of whose moves in a window only the last one matters.
        unknown: lanes of values, among those left out, of which nobody knows the value on the way.
        within: within how many ticks something surely happens after which it does not matter what
            an idle lane did before, by lane; for lanes that wait for such a thing.
        traced: those of `lasts` whose values at each step some lane wants to know.
        known: values of settings that come round again, kept on the way: for each step of the
            period, as far as they have been asked for.
        sounding: which steps of a pass such a setting lets sound, kept on the way, by lane: by
            where in the period the pass begins, and the marks of the pass.
    """

    counted: frozenset[int] = frozenset()
    wanted: frozenset[int] = frozenset()
    idle: frozenset[int] = frozenset()
    lasts: frozenset[int] = frozenset()
    unknown: frozenset[int] = frozenset()
    within: Mapping[int, float] = field(default_factory=dict)
    traced: frozenset[int] = frozenset()
    known: dict[object, list[float | None]] = field(default_factory=dict, compare=False)
    sounding: dict[object, dict[tuple[int, bytes], bytes]] = field(
        default_factory=dict, compare=False
    )


NOTHING = Passing()

Period = tuple[int, tuple[int, ...]]
"""Ticks, and the ticks from which cycles are counted."""


@dataclass(slots=True)
class Window:
    """What nodes see of one window, and where they put their results (by lane position).

    hits, changes
        results of the lanes evaluated so far in this window, in grid order, before any mute
        (what the lane is written to do). Lanes without any may be absent: ``hits.get(lane, ())``.
    states
        the lanes on steps evaluated so far that are states.
    traces
        the values at each step of lanes of which that was asked (`Passing.traced`).
    signals
        the gates of derived lanes on gates evaluated so far; None where their hits are read.
    setting(lane, name, tick)
        the effective value of a lane's numeric setting at a grid tick: written value, section
        override, hand override, then all drives, clamped to its range.
    muted(lane, tick)
        whether the lane is muted at that tick.
    value(lane, tick)
        value of a value lane at a tick of the grid (glides applied), before output mixing.
    heard(lane, tick)
        the same at a tick of sounding time: what the lane's output says at that moment. Only of
        lanes that a lane of samples reads.
    sounds
        what lanes of values do in sounding time, where that is more than `changes` at other ticks.
    ms(x)
        milliseconds as ticks (float) at the present tempo.
    version
        changes whenever a setting that is `fixed`, or the tempo, may have a new value. A window
        never straddles such a change.
    reset_by_hand(lane)
        tick of the last reset by hand of the lane, below 0 when there was none.
    fixed(lane, name)
        whether nothing moves a setting of a lane, so that its value holds until `version` changes.
    ahead(lane, window)
        plays on after this window, for as long as it is asked: pairs of the lane's twin and the
        next window it has played. For lengths that depend on what comes next.
    bounds(lane, name)
        between which values a setting stays in this window.
    period(lane, name)
        after how many ticks a setting that lanes move comes round again, while the version stays,
        and from where their cycles are counted; None when it does not, or nobody knows.
    quiet_to
        what sounds before this tick is not given out (on the way to another place). `changes` that
        sound before it may be left out by lanes that no node reads.
    passing
        what else may be left out, far from that place.
    """

    start: int
    end: int
    setting: Callable[[int, str, int], float]
    muted: Callable[[int, int], bool]
    value: Callable[[int, int], float]
    ms: Callable[[float], float]
    hits: dict[int, Sequence[Hit]] = field(default_factory=dict)
    changes: dict[int, Sequence[Change]] = field(default_factory=dict)
    sounds: dict[int, Sequence[Change]] = field(default_factory=dict)
    states: dict[int, State] = field(default_factory=dict)
    traces: dict[int, Trace] = field(default_factory=dict)
    signals: dict[int, Signal | None] = field(default_factory=dict)
    version: int = 0
    reset_by_hand: Callable[[int], int] = lambda lane: -1
    fixed: Callable[[int, str], bool] = lambda lane, name: False
    heard: Callable[[int, int], float] = lambda lane, tick: 0.0
    ahead: Callable[[int, Window], Iterator[tuple[Node, Window]]] = lambda lane, window: iter(())
    bounds: Callable[[int, str], tuple[float, float]] = lambda lane, name: (-inf, inf)
    period: Callable[[int, str], Period | None] = lambda lane, name: None
    quiet_to: int = 0
    passing: Passing = NOTHING


def steps_of(hits: Sequence[Hit]) -> list[Hit]:
    """The hits that others count: written ones, repeats within a step once."""
    return [hit for hit in hits if not hit.repeat and hit.exists_in & WRITTEN]


class Runs(Protocol):
    """What plays one lane, window by window. `lane` is its position in the score.

    `due` is a promise: a window that ends at or before this tick needs no run, for nothing would
    come of it (below 0 when the node cannot say), unless one of the lanes that it `reads` does
    something in it, or the version is new.
    """

    @property
    def lane(self) -> int: ...

    @property
    def reads(self) -> tuple[int, ...]: ...

    @property
    def due(self) -> int: ...

    def run(self, window: Window) -> None:
        """Put this window's hits (or changes) under ``window.hits[self.lane]``."""
        ...


class Node(Runs, Protocol):
    """One lane at work.

    `reads` are the positions of the lanes that it reads. `alone` is set in a node that plays ahead
    only to tell when it hits: lengths do not matter to it.
    """

    reads: tuple[int, ...]
    alone: bool

    def value_at(self, tick: int) -> float:
        """Value lanes: the value at a tick not before the last window's start (glide applied)."""
        ...

    def carry(self) -> object:
        """A copy of the whole state, a dataclass: a fresh node of the same lane that adopts it goes
        on exactly as this one would."""
        ...

    def adopt(self, carry: object, at: int) -> None:
        """Go on at tick `at` as the node that played this lane before, whose state `carry` is (None
        when there was none). What a different kind of lane has left is ignored."""
        ...

    def restart(self, tick: int, bar: int) -> None:
        """Begin at the first step, at the first place at or after `tick` of steps counted from the
        bar line at `bar`; what is random goes on. Nothing to do for what has no steps."""
        ...

    def rewind(self) -> None:
        """Back to tick 0, as built."""
        ...
