"""When the exact way to a far place is gone on with, and takes over: where there is time for it.

See `bridge.player.catchup`. Nothing is due for at least twice as long as a piece of it may take.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from bridge.music import place
from bridge.player.part import Part
from bridge.player.stands import LANE_NS, Stands
from bridge.player.tape import Tape
from bridge.player.timeline import Item

REST_SHARE = 3
"""This many times as long at rest as at work."""
SPARE_NS = 1_000_000
"""What is left free besides what is measured."""
WHOLE = 2
"""The room for taking over is this many times what it may take."""
LATER_NS = 1_000_000_000
SOON_NS = 50_000


class Rejoining:
    """Goes on with the way of a part. `clock` reads the monotonic time in ns; `stands` tells the
    tape where lanes fell in, which comes first."""

    def __init__(self, clock: Callable[[], int], stands: Stands) -> None:
        self._clock = clock
        self._stands = stands
        self._at = 0
        self._took = 0  # to take over, of late

    def next_ns(self, now: int, part: Part, slack: int) -> int:
        """When to go on, if nothing is due then; else it is looked for after what is."""
        catch_up = part.catching_up
        if catch_up is None or catch_up.arrived(part.rendered):
            return now + LATER_NS
        at = max(self._at, now + SOON_NS)
        return at if now + slack - at > catch_up.room_ns() else now + LATER_NS

    def look(self, part: Part, slack: Callable[[int], int]) -> None:
        """Go on by a piece, if there is room. `slack` says how many ns are at hand at a time."""
        catch_up, now = part.catching_up, self._clock()
        if catch_up is None or now < self._at or catch_up.arrived(part.rendered):
            return
        room = slack(now)
        if room > catch_up.room_ns():
            took = catch_up.step(part.rendered, room // WHOLE)
            self._at = self._clock() + REST_SHARE * took

    def room_ns(self, part: Part) -> int:
        """How long nothing may be due for the exact way to take over right now."""
        catch_up = part.catching_up
        own = self._took or LANE_NS * len(part.score.lanes)
        rest = 0 if catch_up is None else catch_up.join_ns(part.rendered)
        return SPARE_NS + WHOLE * (rest + own)

    def at_line(
        self, part: Part, tape: Tape | None, slack: Callable[[int], int], urgent: bool
    ) -> Iterator[Item]:
        """Rendering has come to a bar line at which the exact way may take over: it does where
        there is room. Where there is none, the line is passed by if that is `urgent`; else nothing
        happens. Gives values that stand elsewhere then."""
        if not self._stands.waits and slack(self._clock()) > self.room_ns(part):
            yield from self._join(part, tape)
        elif urgent:
            part.pass_line()

    def _join(self, part: Part, tape: Tape | None) -> Iterator[Item]:
        """The tape is told, for nobody could find out when it was."""
        begun = self._clock()
        yield from list(part.join())
        if tape is not None and tape.running:
            facts = part.stands()
            tape.joins(begun, {**facts, "place": place.plain(facts["place"])})
        took = self._clock() - begun
        self._took = max(took, self._took - self._took // 8)
