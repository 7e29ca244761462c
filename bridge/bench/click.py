"""A host's click against the clock that it sends: the offset that puts the rack on its grid.

How late the audio input is does not count: the click comes in with the same delay as the voices.
"""

from __future__ import annotations

import bisect
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from bridge.clock.tempo import TICKS_PER_CLOCK
from bridge.files.rig import MOST_OFFSET_MS
from bridge.listen import health, wrong
from bridge.listen.audio import Listener, Take, gather
from bridge.listen.onset import onsets, quiet_floor
from bridge.music.model import TICKS_PER_QUARTER
from bridge.protocol.state import PlayerReport

FEWEST_CLICKS = 8
NEAR_BEAT = 0.3  # of a beat: a click further away from it belongs to something else
STEADY_MS = 12.0
PIECE_NS = 1_700_000_000
CUT_MS = 20.0
LEAST_LOST_NS, LOST_BLOCK = 2_000_000, 0.9
"""What is lost is a whole block at least; by less, the times of two pieces may differ for the line
that they are read off is laid anew."""
LONGEST = 3.0
"""Where samples are lost it listens for longer, so many times as long as it was told at most."""
SURE_NS = 3_000_000_000
"""After a gap the times of samples are sure again after this."""
APART_MS = 120.0
"""Clicks are further apart than this up to 500 a minute."""
SETTLED_CLOCKS = 48
"""Clocks after which a followed clock's line is as good as it gets, for the most part."""
REPORTS_MS = 2500.0
"""Reports of the player that are further away from a click say nothing of it."""


def offset_of(away_ms: Sequence[float], first_ms: float) -> float:
    """The offset in ms that puts a voice on the click.

    Args:
        away_ms: how much later than its beat each click came.
        first_ms: how late the voice is after its message.

    Raises:
        ValueError: too few clicks, or they do not go with the clock; in words.
    """
    if len(away_ms) < FEWEST_CLICKS:
        raise ValueError(
            f"only {len(away_ms)} clicks were heard near a beat, and {FEWEST_CLICKS} are "
            "needed: is the click on, on every beat, and on this input?"
        )
    away = sorted(away_ms)
    cut = len(away) // 10
    if away[-1 - cut] - away[cut] > STEADY_MS:
        raise ValueError("what is heard does not keep time with the clock: is it the click alone?")
    offset = round(statistics.median(away) - first_ms, 1)
    if abs(offset) > MOST_OFFSET_MS:
        raise ValueError(
            f"the click is {offset:.0f} ms away from the clock, more than an offset may be; "
            "look at the delay that the host gives its clock"
        )
    return offset


@dataclass
class Grid:
    """A host's MIDI clock and its click, as they come in. The clock is followed as the player
    follows it, so that what is measured is what will be played."""

    source: str
    begun_ns: int
    away_ms: list[float] = field(default_factory=list)
    """How much later than its beat each click came."""
    clocks: int = 0
    _counted: list[float] = field(default_factory=list)
    """When the clocks since Start came."""

    def __post_init__(self) -> None:
        from bridge.player.songclock import SongClock  # follows clocks: only while one is heard

        self._song = SongClock(self.begun_ns, 120.0, self.source)

    def take(self, midi: Sequence[tuple[int, bytes]], clicks: Sequence[float]) -> None:
        """What has come in: stamped MIDI messages, and clicks by their monotonic ns."""
        rows: list[tuple[float, bytes]] = [*midi, *((at, b"") for at in clicks)]
        for at, data in sorted(rows, key=lambda row: row[0]):
            if data:
                if data == b"\xfa":
                    self._counted.clear()
                elif data == b"\xf8":
                    self.clocks += 1
                    self._counted.append(at)
                self._song.midi(int(at), data)
            else:
                self._click(at)

    def _click(self, at: float) -> None:
        song = self._song
        if not (song.playing and song.ready and self.clocks >= SETTLED_CLOCKS):
            return
        beat = round(song.tick_at(int(at)) / TICKS_PER_QUARTER) * TICKS_PER_QUARTER
        away = at - song.time_of(beat)
        clock_ns = song.time_of(beat + TICKS_PER_CLOCK) - song.time_of(beat)
        if abs(away) <= NEAR_BEAT * clock_ns * TICKS_PER_QUARTER / TICKS_PER_CLOCK:
            self.away_ms.append(away / 1e6)

    def _slipped(self) -> bool:
        """Whether the clocks after Start are not as many as the time that they took says: by the
        line through their second half, the first beat lies a clock or more from where it counts."""
        half = len(self._counted) // 2
        if half < SETTLED_CLOCKS:
            return False
        times, numbers = np.array(self._counted), np.arange(len(self._counted))
        period, first = np.polyfit(numbers[half:], times[half:], 1)
        away = (times[:24] - first - period * numbers[:24]) / period
        return bool(away.min() < -0.5 or away[0] > 0.5)  # the first counts: it is tick 0

    def offset_ms(self, first_ms: float) -> float:
        """The offset that puts a voice that is `first_ms` late on the click.

        Raises:
            ValueError: too little was heard, or it does not go with the clock; in words.
        """
        if not self.clocks:
            raise ValueError(f"no clock came from {self.source}: does the host send it?")
        if not self._song.playing:
            raise ValueError("the clock came, but no Start: begin with the host stopped")
        if self._slipped():
            raise ValueError(
                "a clock was lost meanwhile, or came twice, so the offset would be one clock off: "
                "try again, with fewer programs running on this computer"
            )
        return offset_of(self.away_ms, first_ms)


@dataclass
class PlayedGrid:
    """A host's grid as the player plays by it, from what it reports of its song meanwhile."""

    _rows: list[tuple[float, float, float]] = field(default_factory=list)
    """Monotonic ms, tick and tempo, in order of time."""

    def note(self, state: PlayerReport) -> None:
        """Takes a report of the player; what it says while no clock is followed is left out."""
        transport = state["transport"]
        if transport["state"] != "running" or state["clock"]["state"] != "locked":
            return
        at_ms = transport["at_ms"]
        if not self._rows or at_ms > self._rows[-1][0]:
            self._rows.append((at_ms, transport["tick"], transport["tempo"]))

    def offset_ms(self, clicks_ns: Sequence[float], first_ms: float) -> float:
        """As `Grid.offset_ms`, with the clicks by their monotonic ns."""
        if not self._rows:
            raise ValueError("the player followed no clock meanwhile: does the host run?")
        found = (self._away_ms(at / 1e6) for at in clicks_ns)
        return offset_of([away for away in found if away is not None], first_ms)

    def _away_ms(self, at_ms: float) -> float | None:
        rows = self._rows
        after = bisect.bisect(rows, (at_ms,))
        near = min(rows[max(0, after - 1) : after + 1], key=lambda row: abs(row[0] - at_ms))
        if abs(near[0] - at_ms) > REPORTS_MS:
            return None
        beat_ms = 60_000 / near[2]
        beats = near[1] / TICKS_PER_QUARTER + (at_ms - near[0]) / beat_ms
        settled = at_ms - rows[0][0] >= beat_ms * SETTLED_CLOCKS * TICKS_PER_CLOCK / 960
        away = beats - round(beats)
        return away * beat_ms if settled and abs(away) <= NEAR_BEAT else None


def hear_clicks(
    ear: Listener, seconds: float, since_ns: int, each: Callable[[], None] = lambda: None
) -> list[float]:
    """Hears a click for so long.

    Args:
        ear: the input with the click.
        seconds: how long; what comes just after lost samples is left aside and does not count.
        since_ns: when it begins.
        each: called after each piece of a second or two; what it raises ends it.

    Returns:
        The monotonic ns of each click.

    Raises:
        ListenError: the input is muted, clips, stopped, or loses samples too often.
    """
    takes: list[Take] = []
    latest_ns = since_ns + round(LONGEST * seconds * 1e9)
    heard_ns, sure_ns, begun = 0, 0, False
    while heard_ns < seconds * 1e9:
        if since_ns > latest_ns:
            raise wrong.losing(ear.name)
        take = gather(ear, since_ns, PIECE_NS / 1e9)
        lost_ns = max(LEAST_LOST_NS, LOST_BLOCK * take.block * 1e9 / take.rate)
        if begun and take.ns - since_ns > lost_ns:
            # An offset that is wrong is worse than none: what comes now is not counted.
            sure_ns = take.ns + SURE_NS
        begun = True
        if health.level(take.samples).clipped:
            raise wrong.clipping(ear.name)
        if take.ns >= sure_ns:
            takes.append(take)
            heard_ns += take.end_ns - take.ns
        since_ns = take.end_ns
        each()
    heard = np.concatenate([take.samples for take in takes])
    if health.level(heard).dead:
        raise wrong.muted(ear.name)
    floor = quiet_floor(heard, ear.rate)
    return [
        take.ns + 1e9 * one.at / take.rate
        for take in takes
        for one in onsets(take.samples, take.rate, floor, APART_MS)
        if one.at > CUT_MS * take.rate / 1e3  # what rings on from before its piece is no click
    ]
