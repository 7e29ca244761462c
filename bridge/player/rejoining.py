"""Decide when the player has time to work on the exact state after a far jump.

See `bridge.player.catchup`. Each piece of work, and taking over, starts only if nothing is due for
`SAFETY_FACTOR` times as long as it may take.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from bridge.music import place
from bridge.player.catchup import SAFETY_FACTOR
from bridge.player.part import Part
from bridge.player.stands import LANE_NS, Stands
from bridge.player.tape import Tape
from bridge.player.timeline import Item

REST_SHARE = 3
"""After each piece, wait this many times as long as it took."""
SPARE_NS = 1_000_000
"""Extra time that must be free for taking over."""
LATER_NS = 1_000_000_000
"""When to look again if the next events decide whether there is time."""
SOON_NS = 50_000
"""The shortest wait for the next piece."""


class Rejoining:
    """Works on the exact state for a part.

    Args:
        clock: reads the monotonic time in ns.
        stands: tells the tape where lanes fell in; taking over waits for that.
    """

    def __init__(self, clock: Callable[[], int], stands: Stands) -> None:
        self._clock = clock
        self._stands = stands
        self._at = 0
        self._took = 0  # the longest take-over of late, ns

    def next_ns(self, now: int, part: Part, slack: int) -> int:
        """When to wake for the next piece (monotonic ns)."""
        catch_up = part.catching_up
        if catch_up is None or catch_up.arrived(part.rendered):
            return now + LATER_NS
        at = max(self._at, now + SOON_NS)
        return at if now + slack - at > catch_up.room_ns() else now + LATER_NS

    def look(self, part: Part, slack: Callable[[int], int]) -> None:
        """Do one piece if there is time. `slack` gives the ns until something is due."""
        catch_up, now = part.catching_up, self._clock()
        if catch_up is None or now < self._at or catch_up.arrived(part.rendered):
            return
        room = slack(now)
        if room > catch_up.room_ns():
            took = catch_up.step(part.rendered, room // SAFETY_FACTOR)
            self._at = self._clock() + REST_SHARE * took

    def room_ns(self, part: Part) -> int:
        """For how long nothing may be due, so that taking over now makes nothing late."""
        catch_up = part.catching_up
        own = self._took or LANE_NS * len(part.score.lanes)
        rest = 0 if catch_up is None else catch_up.join_ns(part.rendered)
        return SPARE_NS + SAFETY_FACTOR * (rest + own)

    def at_line(
        self, part: Part, tape: Tape | None, slack: Callable[[int], int], urgent: bool
    ) -> Iterator[Item]:
        """Take over at this bar line if there is time; otherwise let the bar line pass if
        rendering on is `urgent`, or do nothing yet.

        Yields:
            The values of outputs that change by taking over.
        """
        if not self._stands.waits and slack(self._clock()) > self.room_ns(part):
            yield from self._join(part, tape)
        elif urgent:
            part.pass_line()

    def _join(self, part: Part, tape: Tape | None) -> Iterator[Item]:
        """Take over, and tell the tape: a replay cannot know when there was time."""
        begun = self._clock()
        yield from list(part.join())
        if tape is not None and tape.running:
            facts = part.stands()
            tape.joins(begun, {**facts, "place": place.plain(facts["place"])})
        took = self._clock() - begun
        self._took = max(took, self._took - self._took // 8)
