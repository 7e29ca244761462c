"""The exact way to a far place, gone while lanes that fell in there are played already.

A jump of a running song is due at once. Where its way is longer than that allows, lanes fall in,
and what counts, drifts or walks begins anew. A second renderer then goes the exact way in the spare
time of playing, a millisecond at a time, and does again on it, at the same ticks, all that hands
did since. Once it has caught up it takes over at a bar line.
"""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, NamedTuple

from bridge.errors import CommandError
from bridge.music.ensemble import build
from bridge.music.marks import Way
from bridge.music.node import Node
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score
from bridge.player.going_on import Names, go_on
from bridge.player.pieces import Pieces
from bridge.protocol.command import Command

if TYPE_CHECKING:
    from bridge.protocol.state import PerformanceState

PIECE_NS = 1_000_000
"""About how long one piece of the way takes."""
FIRST_NS = 3_000_000
"""How long one may take before any was measured."""
WHOLE = 2
"""The room that a piece is given is this many times the longest of late."""
MOST_NS = 10_000_000_000
"""How much work the way is worth in all. What is farther stays as it fell in."""
CHANGES_MOST = 5_000
"""So many moves are done again: minutes of a fader that never rests."""
NEAR_TICKS = 480
"""So far behind, the rest of the way is gone at the bar line itself."""
LINES_MOST = 64
"""After so many bar lines at which there was no room to take over, nothing takes over."""


class Move(NamedTuple):
    """A command that came at a tick. `running`: macros glide, for ticks pass."""

    tick: int
    command: Command
    client: str
    running: bool


class Reset(NamedTuple):
    """A hand sent a lane to its first step at a tick."""

    tick: int
    lane: str


class Swapped(NamedTuple):
    """Another score took over at a tick; see `bridge.player.part.Part.swap`."""

    tick: int
    score: Score
    renamed: Names
    parts: Mapping[str, object]


Change = Move | Reset | Swapped


class CatchUp:
    """One such way.

    Args:
        way: how far it had come when lanes fell in.
        score: the set.
        state: what is set at `tick`, which is where lanes fell in or before.
        clock: reads the monotonic time in ns.
        spare: a renderer of the set that is of no more use, or None.
    """

    def __init__(
        self,
        way: Way,
        score: Score,
        state: PerformanceState,
        tick: int,
        clock: Callable[[], int],
        spare: Renderer | None,
    ) -> None:
        self.lines = 0
        """Bar lines at which it was there and there was no room."""
        self._way, self._score, self._state, self._tick = way, score, state, tick
        self._clock = clock
        self._renderer, self._begun = spare, False
        self._building = _building(score)
        self._changes: deque[Change] = deque()
        self._pieces = Pieces(clock)
        self._spent = 0
        self._longest = FIRST_NS

    @property
    def useless(self) -> bool:
        """Whether it is given up."""
        return self._spent > MOST_NS or len(self._changes) > CHANGES_MOST or self.lines > LINES_MOST

    def note(self, change: Change) -> None:
        """Something has changed; it is to be done again on the way."""
        self._changes.append(change)

    def room_ns(self) -> int:
        """How long nothing may be due for the next piece."""
        return WHOLE * self._longest

    def join_ns(self, rendered: int) -> int:
        """About how long the rest of the way takes from near."""
        renderer = self._renderer
        assert renderer is not None
        return max(PIECE_NS, self._pieces.playing_ns(rendered - renderer.position))

    def near(self, rendered: int) -> bool:
        """Whether so little is left of the way that it can be gone at a bar line."""
        renderer = self._renderer
        if renderer is None or not self._begun or self._changes:
            return False
        return 0 <= rendered - renderer.position <= NEAR_TICKS

    def arrived(self, rendered: int) -> bool:
        """Whether nothing is left of the way now."""
        renderer = self._renderer
        there = renderer is not None and self._begun and renderer.position == rendered
        return there and not self._changes

    def step(self, rendered: int, room_ns: int = 0) -> int:
        """One piece of the way towards where playing has come to; the ns it took. `room_ns` is how
        long it may take."""
        begun = self._clock()
        if not self._begun:
            self._begin()
        else:
            self._go(rendered, room_ns)
        took = self._clock() - begun
        self._spent += took
        self._longest = max(took, PIECE_NS, self._longest - self._longest // 8)
        return took

    def finish(self, rendered: int) -> Renderer:
        """The rest of the way at once; who stands there then."""
        while not self.arrived(rendered):
            self.step(rendered)
        assert self._renderer is not None
        return self._renderer

    def way(self, score: Score) -> Way | None:
        """How far it has come. None where that is of no use to a renderer of `score`, which came
        later."""
        if self._score is not score or any(isinstance(one, Swapped) for one in self._changes):
            return None
        return self._renderer.way if self._begun and self._renderer is not None else self._way

    def spare(self, score: Score) -> Renderer | None:
        """The renderer that goes the way, for another one of the same score when this is given up.
        Renderers refer to themselves, and nobody collects such rings while music plays."""
        renderer = self._renderer
        return renderer if renderer is not None and renderer.score is score else None

    def _built(self) -> Renderer | None:
        """Goes on with building a renderer for a piece's time; None as long as it is not ready."""
        until = self._clock() + PIECE_NS
        for renderer in self._building:
            if renderer is not None or self._clock() > until:
                return renderer
        return None

    def _begin(self) -> None:
        renderer = self._renderer = self._renderer or self._built()
        if renderer is None:
            return
        renderer.performance.running = True
        renderer.performance.restore(self._state, self._tick)
        renderer.go_on_from(self._way)
        self._begun = True

    def _go(self, rendered: int, room_ns: int) -> None:
        renderer, changes = self._renderer, self._changes
        assert renderer is not None
        goal = changes[0].tick if changes else rendered
        if renderer.position != goal:  # it may be behind, too: the jump was a way back
            self._pieces.go(renderer, goal, PIECE_NS, room_ns)
            return
        while changes and changes[0].tick == goal:
            change = changes[0]
            if isinstance(change, Swapped):
                self._swap(renderer, change)
                return
            self._do(renderer, change)
            changes.popleft()

    def _do(self, renderer: Renderer, change: Move | Reset) -> None:
        performance = renderer.performance
        performance.settle(change.tick)
        if isinstance(change, Reset):
            renderer.reset(change.lane)
        else:
            performance.running = change.running
            with contextlib.suppress(CommandError):  # it was refused then, too
                performance.apply(change.command, change.tick, change.client)

    def _swap(self, renderer: Renderer, change: Swapped) -> None:
        if self._score is not change.score:
            self._score, self._building = change.score, _building(change.score)
        new = self._built()
        if new is None:
            return
        performance = renderer.performance
        performance.settle(change.tick)
        new.performance.running = performance.running
        go_on(new.performance, performance.state(), change.renamed, change.parts, change.tick)
        new.adopt(renderer, change.renamed.get("lanes", {}))
        self._renderer, self._pieces = new, Pieces(self._clock)
        self._changes.popleft()


def _building(score: Score) -> Iterator[Renderer | None]:
    """A renderer of a set, after a None for each part of it: together they may take long."""
    performance = Performance(score)
    yield None
    nodes: dict[int, Node] = {}
    for place in score.order:
        nodes[place] = build(score, place)
        yield None
    renderer = Renderer(score, performance, nodes=nodes)
    for _ in renderer.preparing():
        yield None
    yield renderer
