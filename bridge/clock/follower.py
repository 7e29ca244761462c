"""A MIDI clock, followed: stamps in, phase and tempo out.

    follower = Follower()
    steps = follower.pulse(ns)            # each F8, stamped on arrival; how many clocks went by
    anchor = follower.anchor(origin)      # a tempo.Anchor whose tick 0 is clock `origin`
    ns = follower.time_of_clock(i)        # prediction for clock i (float; also between clocks)
    follower.index                        # number of the latest clock on the follower's own count
    follower.bpm, follower.display_bpm, follower.jitter_ms, follower.state(now_ns)

`index` counts clocks as they must have been sent: it rises by 2 over a lost one and stays when one
comes twice. To play: when the transport says ``play C`` or ``jump C`` at a pulse, remember
``origin = follower.index - C``; from then on ``follower.anchor(origin)`` maps song ticks to time.
`anchor` changes a little at every pulse; the player takes it anew after each. It may move back a
little in song time: a tick that was played is not played again.

How it works: see `envelope` for the line through the early edge. The window of the line is as long
as the tempo is steady and is cut when the tempo changes, which shows in two ways:

- early: a stamp well before the line cannot be jitter; two of them close together prove that the
  clock runs faster now;
- late: lateness is usual, but a run of stamps that are *all* late is not. For every run length
  there is a lateness that a run has by chance once in ten million; it is read off the stamps
  themselves (`spread`), so that a rough link needs more proof than a good one.
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from typing import Literal

from bridge.clock.envelope import Envelope, Line, Point
from bridge.clock.spread import Spread
from bridge.clock.tempo import CLOCKS_PER_QUARTER, TICKS_PER_CLOCK, Anchor

ClockState = Literal["waiting", "locked", "free", "lost"]

FREE_AFTER = 3  # expected intervals without a clock, then it runs free (R6)
LOST_AFTER_NS = 30_000_000_000
LOCK_PULSES = 6
SHORTEST_NS = 5_500_000  # a clock at 450 bpm and more is a fault
LONGEST_NS = 170_000_000  # slower than 15 bpm: a pause
_FLOOR_NS = 100_000
_RUNS = (3, 4, 5, 6, 8, 12, 16, 24, 32, 48)
_CHANCE = 1e-7
_LEVELS = tuple((run, 1 - _CHANCE ** (1 / run)) for run in _RUNS)
_MINUTE_NS = 60_000_000_000


class Follower:
    """Follows one MIDI clock. Stamps are integer ns of a monotonic clock, in rising order."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forgets everything: the next pulse is the first."""
        self.pulses = 0
        self.index = 0
        self.lost_clocks = 0
        self.extra_clocks = 0
        self._window = Envelope()
        self._spread = Spread()
        self._line = Line(0, 0.0, 0.0)
        self._last_ns = 0
        self._raw: deque[Point] = deque(maxlen=5)
        self._held = False  # the window is young: its tempo is still the one before
        self._early: deque[int] = deque(maxlen=2)
        self._display = 0.0

    # --- reading -------------------------------------------------------------------------------

    @property
    def bpm(self) -> float:
        """The tempo of the line, or 0 while nothing is known."""
        return self._bpm(self._line.period)

    @property
    def display_bpm(self) -> float:
        return self._display

    @property
    def jitter_ms(self) -> float:
        """Lateness that 95 of 100 stamps stay below, in ms."""
        return self._spread.quantile(0.95) / 1e6

    @staticmethod
    def _bpm(period: float) -> float:
        return _MINUTE_NS / (period * CLOCKS_PER_QUARTER) if period else 0.0

    def time_of_clock(self, index: float) -> int:
        return round(self._line.at(index))

    def anchor(self, origin: int = 0) -> Anchor:
        """The line as an Anchor whose tick 0 is clock `origin`. ValueError while waiting."""
        if not self._line.period:
            raise ValueError("no clock is followed yet")
        tick = (self.index - origin) * TICKS_PER_CLOCK
        return Anchor(tick, self.time_of_clock(self.index), self.bpm)

    def state(self, now_ns: int) -> ClockState:
        if not self._line.period:
            return "waiting"
        silent = now_ns - self._last_ns
        if silent > LOST_AFTER_NS:
            return "lost"
        if silent > FREE_AFTER * self._line.period + self._spread.worst:
            return "free"
        return "locked" if self.index >= LOCK_PULSES else "waiting"

    # --- one pulse -----------------------------------------------------------------------------

    def pulse(self, ns: int) -> int:
        """Takes one F8, stamped `ns`. Returns how many clocks went by: 1, or more over lost ones,
        0 for one that came twice; below 0 when an earlier count turns out wrong."""
        self.pulses += 1
        before = self.index
        first = self.pulses == 1
        silent = ns - self._last_ns
        self._last_ns = ns
        if first or silent > LOST_AFTER_NS or (not self._line.period and silent > LONGEST_NS):
            self._begin(ns)
        elif not self._line.period:
            self._second(ns)
        else:
            self._place(ns, silent)
            self._raw.append((self.index, ns))
            self._relock()
        self._show()
        return self.index - before

    def _begin(self, ns: int) -> None:
        self.index += 1
        self._window.refill([(self.index, ns)])
        self._line = Line(self.index, ns, self._line.period)
        self._held = True
        self._raw.clear()
        self._raw.append((self.index, ns))

    def _second(self, ns: int) -> None:
        apart = ns - self._window.points[-1][1]
        if apart < SHORTEST_NS:
            self.extra_clocks += 1
            return
        self.index += 1
        self._window.add(self.index, ns)
        self._raw.append((self.index, ns))
        self._held = False
        self._line = self._window.line()

    def _place(self, ns: int, silent: int) -> None:
        """Finds which clock this stamp is, and learns from it."""
        line = self._line
        late = ns - line.at(self.index + 1)
        period = line.period
        if late < -period / 2:
            self.extra_clocks += 1
            return
        tolerance = min(period / 4, 2 * self._spread.quantile(0.5) + _FLOOR_NS)
        back = silent > FREE_AFTER * period
        more = max(0, int((late + (period / 2 if back else tolerance)) // period))
        self.lost_clocks += more
        self.index += 1 + more
        late -= more * period
        if back and not -tolerance < late < self._spread.worst + _FLOOR_NS:
            self._window.refill([(self.index, ns)])
            self._held = True
            self._early.clear()
        else:
            self._window.add(self.index, ns)
            if late < -(0.35 * self._spread.quantile(0.68) + _FLOOR_NS):
                self._faster()
        self._fit()
        self._slower()

    def _fit(self) -> None:
        points = self._window.points
        if self._held and len(points) < 8:
            period = self._line.period
            index, ns = min(points, key=lambda point: point[1] - point[0] * period)
            self._line = Line(index, ns, period)
            return
        self._held = False
        self._line = self._window.line()

    def _faster(self) -> None:
        """An early stamp. Two within three clocks prove a faster clock."""
        self._early.append(self.index)
        if len(self._early) < 2 or self._early[1] - self._early[0] > 2:
            return
        begin = self._early[0] - 1
        knee = (begin, round(self._line.at(begin)))
        self._early.clear()
        after = [point for point in self._window.points if point[0] > begin]
        self._window.refill([knee, *after])
        self._held = False

    def _slower(self) -> None:
        """Looks for a run of late stamps at the end of the window."""
        points = self._window.points
        count = len(points)
        if count < 8:
            return
        line = self._line
        spread = self._spread
        lowest = float("inf")
        at = 1
        for run, level in _LEVELS:
            if run > count - 3:
                break
            while at <= run:
                index, ns = points[-at]
                lowest = min(lowest, ns - line.at(index))
                at += 1
            bound = spread.quantile(level) if run > 3 else spread.worst * 1.25
            if lowest > bound + _FLOOR_NS:
                self._window.keep_from(points[-run][0])
                self._fit()
                return
        if count >= 32:
            index, ns = points[-16]
            spread.add(ns - line.at(index))

    def _relock(self) -> None:
        """Another tempo altogether: the last intervals agree with each other but not with us."""
        if len(self._raw) < 5:
            return
        stamps = [ns for _, ns in self._raw]
        gaps = [b - a for a, b in pairwise(stamps)]
        mean = (stamps[-1] - stamps[0]) / 4
        off = abs(mean - self._line.period)
        if off < 0.12 * self._line.period or off * 4 < 3 * self._spread.quantile(0.9):
            return
        if min(gaps) * 1.35 < max(gaps) or not SHORTEST_NS < mean < LONGEST_NS:
            return
        first = self._raw[0][0]
        self.index = first + 4
        self._window.refill((first + i, ns) for i, ns in enumerate(stamps))
        self._raw.extend(self._window.points)
        self._held = False
        self._line = self._window.line()

    def _show(self) -> None:
        """The displayed tempo: slow while steady, quick after a change."""
        bpm = self.bpm
        if not bpm:
            return
        if not self._display:
            self._display = bpm
        count = len(self._window)
        if count < 12:
            return
        self._display += (bpm - self._display) * (0.25 if count < 32 else 1 / 24)
