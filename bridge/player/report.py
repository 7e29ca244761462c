"""The state of the player as plain data: all of it, or what has changed since last asked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bridge.music.ticks import position
from bridge.player.core import PlayerCore

if TYPE_CHECKING:
    from bridge.protocol.state import ClockState, PlayerReport, ProcessAbout, TransportState

SLOW_NS = 500_000_000
"""How often figures that move all the time (lateness, jitter, place) are given again."""


class Report:
    """Tells what `player` is doing. `about` holds what the process knows, and may be changed."""

    def __init__(self, player: PlayerCore, about: ProcessAbout) -> None:
        self._player = player
        self.about = about
        self._told: dict[str, object] = {}
        self._versions: dict[str, object] = {}
        self._slow_at = 0

    def full(self, now: int) -> PlayerReport:
        """The whole state; times in it are monotonic ms."""
        return {
            **self.about,
            "revision": self._player.part.revision,
            "set": self._player.part.score.spec.name,
            "meter": list(self._player.part.score.spec.meter),
            "transport": self.transport(now),
            "clock": self.clock(now),
            **self._player.performance.state(),
            "lateness": self._player.outputs.lateness.state(),
            "warnings": list(self._player.warnings),
        }

    def changed(self, now: int) -> dict[str, object]:
        """The top-level keys that differ from what was last given. Cheap when nothing moved."""
        player = self._player
        new: dict[str, object] = {}
        slow = now >= self._slow_at
        if slow:
            self._slow_at = now + SLOW_NS
        performance = (
            id(player.performance),
            player.performance.changes,
            player.part.revision,
            # what glides is somewhere else each time
            player.part.rendered if player.performance.moving else None,
        )
        if self._moved("performance", performance):
            new.update(player.performance.state())
            new["revision"] = player.part.revision
            new["set"] = player.part.score.spec.name
            new["meter"] = list(player.part.score.spec.meter)
        song = player.song
        place = song.transport.position if not song.playing else None
        shown = (song.transport.state, round(song.shown_bpm, 1), place)
        if self._moved("transport", shown) or slow:
            new["transport"] = self.transport(now)
        clock = (song.source, song.state(now), player.offset_ns, round(song.shown_bpm, 1))
        if self._moved("clock", clock) or (slow and song.following):
            new["clock"] = self.clock(now)
        if slow and self._moved("lateness", player.outputs.lateness.count):
            new["lateness"] = player.outputs.lateness.state()
        if self._moved("warnings", len(player.warnings)):
            new["warnings"] = list(player.warnings)
        for name, value in self.about.items():
            if self._told.get(name) != value:
                new[name] = value
        changed = {name: value for name, value in new.items() if self._told.get(name) != value}
        self._told.update(changed)
        return changed

    def transport(self, now: int) -> TransportState:
        song, spec = self._player.song, self._player.part.score.spec
        tick = song.place(now)
        at = position(int(tick), spec.meter)
        return {
            "state": song.transport.state,
            "tick": round(tick, 3),
            "bar": at.bar,
            "beat": at.beat,
            "tempo": round(song.shown_bpm, 2),
            "at_ms": now / 1e6,
        }

    def clock(self, now: int) -> ClockState:
        player, song = self._player, self._player.song
        return {
            "source": song.source,
            "state": song.state(now),
            "tempo": round(song.shown_bpm, 2),
            "jitter_ms": round(song.follower.jitter_ms, 2) if song.following else 0.0,
            "block_ms": round(song.follower.block_ms, 1) if song.following else 0.0,
            "two": [round(bpm, 1) for bpm in song.follower.two or ()] if song.following else [],
            "offset_ms": player.offset_ns / 1e6,
            "others": dict(player.incoming.others),
        }

    def _moved(self, what: str, version: object) -> bool:
        if self._versions.get(what) == version:
            return False
        self._versions[what] = version
        return True
