"""Work out the exact state after a far jump while the music already plays there.

A jump of a running song is due at once. If its exact state takes too long to work out, lanes fall
in: what counts, drifts or walks begins anew. A second renderer then works out the exact state in
the spare time of the player, one millisecond at a time. It repeats every command that came after
the jump, at the same tick. Once it has caught up, it takes over at a bar line.
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
from bridge.player.pace import Longest
from bridge.player.pieces import Pieces
from bridge.protocol.command import Command

if TYPE_CHECKING:
    from bridge.protocol.state import PerformanceState

PIECE_NS = 1_000_000
"""Intended length of one piece of work."""
FIRST_NS = 3_000_000
"""Assumed length of a piece before one has been measured."""
SAFETY_FACTOR = 2
"""Work starts only if nothing is due for this many times the time that it may take."""
MOST_NS = 10_000_000_000
"""Limit of the work for one jump. Beyond it, lanes go on as they fell in."""
CHANGES_MOST = 5_000
"""Limit of the commands to repeat: a fader that moves for some minutes without a pause."""
NEAR_TICKS = 480
"""Distance below which the rest is worked out at the bar line itself."""
LINES_MOST = 64
"""Limit of the bar lines at which there was no time to take over; then it is given up."""


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
    """The work for one jump.

    Args:
        way: how much was worked out before lanes fell in.
        score: the set.
        state: the state of the performance at `tick`.
        tick: where lanes fell in, or an earlier tick.
        clock: reads the monotonic time in ns.
        spare: a renderer of the same set that can be used again, or None.
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
        """Bar lines at which it could have taken over, but there was no time."""
        self._way, self._score, self._state, self._tick = way, score, state, tick
        self._clock = clock
        self._renderer, self._begun = spare, False
        self._building = _building(score)
        self._changes: deque[Change] = deque()
        self._pieces = Pieces(clock)
        self._spent = 0
        self._longest = Longest(FIRST_NS)

    @property
    def useless(self) -> bool:
        """Whether one of its limits is passed, so that it is to be given up."""
        return self._spent > MOST_NS or len(self._changes) > CHANGES_MOST or self.lines > LINES_MOST

    def note(self, change: Change) -> None:
        """Remember a change, to repeat it at its tick."""
        self._changes.append(change)

    def room_ns(self) -> int:
        """For how long nothing may be due, so that the next piece makes nothing late."""
        return SAFETY_FACTOR * max(PIECE_NS, self._longest.ns)

    def join_ns(self, rendered: int) -> int:
        """Estimate how long the rest takes when it is `near`."""
        renderer = self._renderer
        assert renderer is not None
        return max(PIECE_NS, self._pieces.playing_ns(rendered - renderer.position))

    def near(self, rendered: int) -> bool:
        """Whether so little is left that it can be worked out at a bar line."""
        renderer = self._renderer
        if renderer is None or not self._begun or self._changes:
            return False
        return 0 <= rendered - renderer.position <= NEAR_TICKS

    def arrived(self, rendered: int) -> bool:
        """Whether nothing is left to work out."""
        renderer = self._renderer
        there = renderer is not None and self._begun and renderer.position == rendered
        return there and not self._changes

    def step(self, rendered: int, room_ns: int = 0) -> int:
        """Do one piece of work.

        Args:
            rendered: the tick up to which the music is rendered.
            room_ns: how long the piece may take at most.

        Returns:
            How long it took, in ns.
        """
        begun = self._clock()
        if not self._begun:
            self._begin()
        else:
            self._go(rendered, room_ns)
        took = self._clock() - begun
        self._spent += took
        self._longest.took(took)
        return took

    def finish(self, rendered: int) -> Renderer:
        """Do all that is left at once; returns the renderer, which is exact at `rendered` then."""
        while not self.arrived(rendered):
            self.step(rendered)
        assert self._renderer is not None
        return self._renderer

    def way(self, score: Score) -> Way | None:
        """How much is worked out by now, or None if a renderer of `score` cannot use it."""
        if self._score is not score or any(isinstance(one, Swapped) for one in self._changes):
            return None
        return self._renderer.way if self._begun and self._renderer is not None else self._way

    def spare(self, score: Score) -> Renderer | None:
        """The renderer, for use after another jump of the same score. It is used again because
        renderers refer to themselves, and such cycles are not collected while the music plays."""
        renderer = self._renderer
        return renderer if renderer is not None and renderer.score is score else None

    def _built(self) -> Renderer | None:
        """Build the renderer for the time of one piece; None until it is ready."""
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
        if renderer.position != goal:  # also when it is behind us: the jump went back
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
            with contextlib.suppress(CommandError):  # the player has refused it, too
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
    """Build a renderer in small steps, since all of it at once may take long.

    Yields:
        None after each step, and the renderer at last.
    """
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
