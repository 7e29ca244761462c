"""Ticks to nanoseconds and back, without drift.

An `Anchor` is one straight piece: at `ns` it was `tick`, and from there on it is `bpm`. Whole
ticks are turned into nanoseconds by whole-number arithmetic, so a piece that lasts a day is as
exact in its last hour as in its first: the result is within half a nanosecond of the true value
at any distance. A tempo change begins a new piece at a tick, never at "now", and costs at most
half a nanosecond.

A `TempoMap` keeps the pieces of a performance in order, so that the past can still be asked.
`Tap` turns taps into a tempo.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field, replace

from bridge.errors import CommandError
from bridge.music.model import TICKS_PER_QUARTER

CLOCKS_PER_QUARTER = 24
"""MIDI 1.0 Detailed Specification 4.2.1, p. 30."""
TICKS_PER_CLOCK = TICKS_PER_QUARTER // CLOCKS_PER_QUARTER
LOWEST_BPM = 20.0
HIGHEST_BPM = 400.0

_MINUTE_NS = 60_000_000_000
_NUDGE_MOST = 0.5  # of its span: a nudge may slow to half speed or hurry to double, not stand


def clock_ns(bpm: float) -> float:
    """Length of one MIDI clock in ns at `bpm`: 20 833 333.3 at 120."""
    return _MINUTE_NS / (bpm * CLOCKS_PER_QUARTER)


def check_bpm(bpm: float) -> float:
    """`bpm` as a float, if it is a number from 20 to 400; CommandError otherwise."""
    if isinstance(bpm, bool) or not isinstance(bpm, (int, float)) or not math.isfinite(bpm):
        raise CommandError("the tempo is not a number")
    if not LOWEST_BPM <= bpm <= HIGHEST_BPM:
        raise CommandError(f"the tempo is {bpm:g}, outside {LOWEST_BPM:g} to {HIGHEST_BPM:g}")
    return float(bpm)


@dataclass(frozen=True, slots=True)
class Anchor:
    """At `ns` it is `tick`; from there on, and before, time runs at `bpm`.

    `tick` may be a fraction (a followed clock rarely falls on a whole tick); `bpm` is any number
    above 0 here, since a followed clock may run outside the range a person may set.
    """

    tick: int | float
    ns: int
    bpm: float
    _tick_ns: tuple[int, int] = field(init=False, repr=False, compare=False)
    """How long a tick is, as a fraction: it is asked for a thousand times a second."""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.bpm) and self.bpm > 0 and math.isfinite(self.tick)):
            raise ValueError(f"no anchor at tick {self.tick} with {self.bpm} bpm")
        over, under = self.bpm.as_integer_ratio()
        object.__setattr__(self, "_tick_ns", (_MINUTE_NS * under, over * TICKS_PER_QUARTER))

    def time_of(self, tick: int | float) -> int:
        """Nanoseconds at which `tick` falls, rounded to the nearest. Exact for whole ticks."""
        away = tick - self.tick
        ns, ticks = self._tick_ns
        if isinstance(away, float):
            return self.ns + round(away * (ns / ticks))
        return self.ns + (2 * away * ns + ticks) // (2 * ticks)

    def tick_at(self, ns: int) -> float:
        """The tick at `ns`, with its fraction (good to a billionth of a tick over a day)."""
        each, ticks = self._tick_ns
        whole, rest = divmod((ns - self.ns) * ticks, each)
        return self.tick + whole + rest / each

    def moved(self, ns: int) -> Anchor:
        """The same piece `ns` later (below 0: earlier)."""
        return replace(self, ns=self.ns + ns)


class TempoMap:
    """The pieces of one performance, in order of tick and of time.

    Ticks before the first piece are read off the first piece. The history is bounded: `forget`
    drops what lies behind, and the oldest go by themselves beyond `most` pieces.
    """

    def __init__(self, start: Anchor, most: int = 1024) -> None:
        self._pieces = [start]
        self._most = most

    @property
    def pieces(self) -> tuple[Anchor, ...]:
        return tuple(self._pieces)

    @property
    def last(self) -> Anchor:
        return self._pieces[-1]

    def time_of(self, tick: int | float) -> int:
        """Nanoseconds at which `tick` falls."""
        last = self._pieces[-1]  # nearly always this one
        if tick >= last.tick:
            return last.time_of(tick)
        at = bisect_right(self._pieces, tick, key=lambda piece: piece.tick) - 1
        return self._pieces[max(at, 0)].time_of(tick)

    def tick_at(self, ns: int) -> float:
        """The tick at `ns`, with its fraction."""
        last = self._pieces[-1]
        if ns >= last.ns:
            return last.tick_at(ns)
        at = bisect_right(self._pieces, ns, key=lambda piece: piece.ns) - 1
        return self._pieces[max(at, 0)].tick_at(ns)

    def change(self, tick: int | float, bpm: float) -> Anchor:
        """`bpm` holds from `tick` on; what was planned at or after `tick` is forgotten.

        Raises CommandError for a tempo outside 20..400, and for a tick before the oldest piece
        that is still known.
        """
        bpm = check_bpm(bpm)
        if tick < self._pieces[0].tick:
            raise CommandError("that tick has gone by", "state")
        piece = Anchor(tick, self.time_of(tick), bpm)
        while self._pieces and self._pieces[-1].tick >= tick:
            self._pieces.pop()
        self._pieces.append(piece)
        del self._pieces[: -self._most]
        return piece

    def nudge(self, tick: int | float, ms: float, over: int = TICKS_PER_QUARTER) -> Anchor:
        """Everything after `tick` + `over` falls `ms` later (below 0: earlier).

        The way there is a passage at a slightly other tempo and not a jump, so no tick is skipped
        or passed twice. At most half the length of the passage is given or taken: a larger `ms`
        is clamped. Returns the piece after the passage.
        """
        if isinstance(ms, bool) or not isinstance(ms, (int, float)) or not math.isfinite(ms):
            raise CommandError("the nudge is not a number of milliseconds")
        if over <= 0:
            raise CommandError("a nudge needs a length above 0 ticks")
        bpm = self.last.bpm  # inside an earlier nudge's passage: the tempo it leads back to
        begin = self.time_of(tick)
        length = Anchor(0, 0, bpm).time_of(over)
        # What an unfinished nudge still owes is part of the aim, so nudges add up.
        aim = self.last.time_of(tick + over) + round(ms * 1e6) - begin
        took = max(length - int(length * _NUDGE_MOST), min(length + int(length * _NUDGE_MOST), aim))
        self.change(tick, bpm)
        self._pieces[-1] = Anchor(tick, begin, bpm * (length / took))
        after = Anchor(tick + over, begin + took, bpm)
        self._pieces.append(after)
        return after

    def forget(self, tick: int | float) -> None:
        """Drops the pieces that end before `tick`."""
        keep = bisect_right(self._pieces, tick, key=lambda piece: piece.tick) - 1
        del self._pieces[: max(keep, 0)]


class Tap:
    """Taps to a tempo: the best straight line through the last taps.

    A pause longer than a quarter at the slowest tempo, or a gap far from the others, begins anew.
    """

    _MOST = 8
    _PAUSE_NS = 3_200_000_000  # a quarter at 20 bpm is 3 s
    _FAR = 1.5

    def __init__(self) -> None:
        self._taps: list[int] = []

    def tap(self, ns: int) -> float | None:
        """The tempo after this tap (20..400), or None while one tap alone says nothing."""
        taps = self._taps
        if taps and not 0 < ns - taps[-1] <= self._PAUSE_NS:
            taps.clear()
        if len(taps) >= 2:
            usual = (taps[-1] - taps[0]) / (len(taps) - 1)
            if not usual / self._FAR < ns - taps[-1] < usual * self._FAR:
                del taps[:-1]
        taps.append(ns)
        del taps[: -self._MOST]
        if len(taps) < 2:
            return None
        middle = (len(taps) - 1) / 2
        spread = sum((i - middle) ** 2 for i in range(len(taps)))
        slope = sum((i - middle) * (t - taps[0]) for i, t in enumerate(taps)) / spread
        return max(LOWEST_BPM, min(HIGHEST_BPM, _MINUTE_NS / slope))
