"""Cut the work of a jump into pieces of about equal time.

Far from the goal, lanes only count; near it, they are rendered, which takes far longer for the same
number of ticks. So the speeds of the two are measured separately, and no piece contains both.
"""

from __future__ import annotations

from collections.abc import Callable

from bridge.music.render import Renderer
from bridge.player.pace import Pace

PLAYED_BARS = 16
"""At most so many bars are rendered in one piece."""
COUNTED_BARS = 128
"""At most so many bars are counted in one piece. A short piece takes nearly as long as a long one,
so pieces grow as soon as the time that is given allows it."""
LEAST_BARS = 2
"""Counting is quicker than playing only for more than a bar at once."""
PATIENCE = 4
"""A piece in which lanes count may take this many times as long as was asked for."""


class Pieces:
    """Measures how fast a renderer counts and renders. `clock` reads the monotonic time in ns."""

    def __init__(self, clock: Callable[[], int]) -> None:
        self._clock = clock
        self._counting, self._playing = Pace(memory=2), Pace()

    def go(self, renderer: Renderer, stop: int, within_ns: int, room_ns: int) -> int:
        """
        Do one piece.

        Args:
            renderer: it may have another goal before.
            stop: the tick of the goal.
            within_ns: about how long the piece may take.
            room_ns: how long the first piece may take that measures how fast lanes count.

        Returns:
            How many ns it took.
        """
        begun = self._clock()
        renderer.turn_to(stop)
        at, bar = renderer.position, renderer.score.spec.bar_ticks
        far, least, pace = renderer.counts_until(stop), LEAST_BARS * bar, self._playing
        ticks = pace.ticks(within_ns, PLAYED_BARS * bar)
        if far > at and self._may_count(least, within_ns, room_ns):
            pace = self._counting
            ticks = max(least, pace.ticks(within_ns, COUNTED_BARS * bar))
        end = min(stop, far) if far > at else stop
        renderer.seek(min(end, at + ticks), stop)
        took = self._clock() - begun
        pace.took(renderer.position - at, took)
        return took

    def _may_count(self, ticks: int, within_ns: int, room_ns: int) -> bool:
        """Whether lanes may count for so many ticks at once. As long as nobody knows how long that
        takes, it is taken to last as long as playing."""
        if self._counting.known:
            return self._counting.ns(ticks) <= PATIENCE * within_ns
        return self._playing.known and self._playing.ns(ticks) <= room_ns

    def playing_ns(self, ticks: int) -> int:
        """About how long it takes to play so many ticks; 0 as long as that is not known."""
        return self._playing.ns(ticks)
