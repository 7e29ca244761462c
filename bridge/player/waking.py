"""When the player is to be awake next, and whether it has anything to do until then but to send."""

from __future__ import annotations

from bridge.player.leading import Leading
from bridge.player.part import Part
from bridge.player.rejoining import Rejoining
from bridge.player.sending import STAGE_NS, Sender
from bridge.player.songclock import SongClock
from bridge.player.standing import Standing
from bridge.player.stride import AHEAD_NS, GUARD_NS

IDLE_NS = 1_000_000_000
CHECK_NS = 10_000_000
SOON_NS = 50_000
"""A wait is never shorter."""


class Waking:
    """Works out the time of the next step.

    While levels glide, it is awake a hundred times a second, and most of these times only to send.
    So it is known until when nothing else need be looked at.
    """

    def __init__(
        self,
        song: SongClock,
        part: Part,
        leading: Leading,
        sender: Sender,
        standing: Standing,
        rejoining: Rejoining,
        horizon_ns: int,
    ) -> None:
        """`horizon_ns`: an event gets its deadline so long before it may leave."""
        self._song, self._part, self._leading, self._sender = song, part, leading, sender
        self._standing, self._rejoining, self._horizon = standing, rejoining, horizon_ns
        self._calm_until = 0
        self._work_at = 0

    def disturb(self) -> None:
        """Somebody has asked for something: the next step looks at everything."""
        self._calm_until = 0

    def next(self, now: int, earliest: int, walk_at: int) -> int:
        """
        The time of the next step, when everything is done that is to be done by now.

        Args:
            now: monotonic ns.
            earliest: the most by which anything may leave before its tick, ns.
            walk_at: when the way to a far place goes on, while the song stands.
        """
        song, part, sender = self._song, self._part, self._sender
        times = [now + IDLE_NS]
        if (tick := sender.timeline.next_tick()) is not None and song.ready:
            times.append(song.time_of(tick) - earliest - self._horizon)
        if self._leading.send_to and song.ready:
            times.append(self._leading.next_clock(song.time_of) - self._horizon)
        self._calm_until = 0
        if song.playing:
            must = song.time_of(part.rendered) - earliest - self._horizon
            if song.following:
                times.append(now + CHECK_NS)
            if part.catching_up is not None:
                times.append(self._rejoining.next_ns(now, part, sender.slack(now)))
            else:
                # From then on the next bars are rendered, where there is time.
                self._calm_until = min(must - AHEAD_NS, *times)
            times.append(must - GUARD_NS if must - GUARD_NS > now else must)
            self._work_at = min(times)
        elif part.seeking:
            times.append(walk_at)
        elif self._standing.at is not None:
            times.append(self._standing.at)
        if (value := sender.outputs.next_value()) is not None:
            times.append(value if value > now else now + STAGE_NS // 2)
        if (due := sender.next_due()) is not None:
            times.append(due - sender.lead_ns)
        return max(min(times), now + SOON_NS)

    def calm(self, now: int) -> bool:
        """Whether nothing is to be done by now: what was due has left, no value waits for its turn,
        and what comes next is not near."""
        return (
            now < self._calm_until
            and not self._sender.outputs.values_wait
            and not self._sender.near(now)
            and self._sender.pacing is None
        )

    def next_sent(self, now: int) -> int:
        """The time of the next step where all is calm: when the next messages are to be encoded."""
        due = self._sender.next_due()
        at = self._work_at if due is None else min(self._work_at, due - self._sender.lead_ns)
        return max(at, now + SOON_NS)
