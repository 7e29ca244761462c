"""A MIDI clock, followed: stamps in, phase and tempo out.

    follower = Follower()
    steps = follower.pulse(ns)            # each F8, stamped on arrival; how many clocks went by
    anchor = follower.anchor(origin)      # a tempo.Anchor whose tick 0 is clock `origin`
    ns = follower.time_of_clock(i)        # prediction for clock i (float; also between clocks)
    follower.index                        # number of the latest clock on the follower's own count
    follower.anew()                       # at Start, Continue: the next pulse may begin a new phase
    follower.bpm, follower.display_bpm, follower.jitter_ms, follower.state(now_ns)

`index` counts clocks as they must have been sent: it rises by 2 over a lost one and stays when one
comes twice. To play: hand `steps` to `transport.event("pulse", steps)`; when that says ``play C``
or ``jump C``, remember ``origin = follower.index - C``; from then on ``follower.anchor(origin)``
maps song ticks to time. The anchor changes a little at every pulse; take it anew after each. It
may move back a little in song time: a tick that was played is not played again.

How the line is found, and when it is given up: see `envelope` and `track`. Here each stamp gets
its place on the count, from where the line expects it:

    more than half a period before the next clock    one that came twice, or the tail of a burst
    up to nearly one period late                     the next clock
    later                                            one or more clocks were lost
    after a silence of three periods                 the nearest clock; the phase may be a new one

A burst after a pause so becomes one clock, in the right place, and a few extra ones. What looks
like clocks lost or doubled again and again is another tempo: five stamps evenly apart, unlike the
line, begin a new line and put the count right (`pulse` may then return less than 0).
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from typing import Literal

from bridge.clock.envelope import Point
from bridge.clock.reading import Reading, bpm_of
from bridge.clock.tempo import TICKS_PER_CLOCK, Anchor
from bridge.clock.track import FLOOR_NS, Track

ClockState = Literal["waiting", "locked", "free", "lost"]

FREE_AFTER = 3
"""Expected intervals without a clock, then it runs free (R6)."""
LOST_AFTER_NS = 30_000_000_000
"""Silence after which the old phase says nothing: half a clock of drift at 1 in 3000."""
LOCK_PULSES = 6
SHORTEST_NS = 5_500_000  # 454 bpm: anything quicker at the beginning is one clock that came twice
LONGEST_NS = 170_000_000  # 14.7 bpm: anything slower at the beginning is a pause
_TWICE_NS = 3_000_000  # a clock that comes twice does so within this, usually
_EVEN = 1.35  # the longest over the shortest of intervals that count as evenly apart
_REGULAR = 8  # pulses in a row, each the next clock, after which the count is beyond doubt
_UNLIKE = 0.12  # of the period: another tempo, not jitter


class Follower:
    """Follows one MIDI clock. Stamps are integer ns of one monotonic clock, and never fall.

    `pulses` counts stamps, `lost_clocks` and `extra_clocks` those that never came or came twice.
    """

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forgets everything: the next pulse is the first."""
        self.pulses = 0
        self.index = 0
        self.lost_clocks = 0
        self.extra_clocks = 0
        self._track = Track()
        self._reading = Reading()
        self._last_ns = 0
        self._began = 0  # index of the first clock after silence
        self._anew = False
        self._raw: deque[Point] = deque(maxlen=5)
        self._sure = (0, 0, 0.0)  # (pulses, index, period) when the count was last beyond doubt
        self._regular = 0  # pulses since then that were each the next clock

    # --- reading -------------------------------------------------------------------------------

    @property
    def period_ns(self) -> float:
        """Length of one clock by the line, or 0 while nothing is known."""
        return self._track.line.period

    @property
    def bpm(self) -> float:
        """The tempo of the line, or 0 while nothing is known."""
        return bpm_of(self._track.line.period)

    @property
    def display_bpm(self) -> float:
        """A steady reading of the tempo (see `reading`), or 0 while nothing is known."""
        return self._reading.bpm or self.bpm

    @property
    def jitter_ms(self) -> float:
        """The lateness that 95 of 100 stamps stay below, in ms; 0 before there are enough."""
        return self._track.spread.usual_ns / 1e6

    def time_of_clock(self, index: float) -> int:
        """When clock `index` falls, in ns. ValueError while no tempo is known."""
        if not self._track.line.period:
            raise ValueError("no clock is followed yet")
        return round(self._track.line.at(index))

    def anchor(self, origin: int = 0) -> Anchor:
        """The line as an Anchor whose tick 0 is clock `origin`. ValueError as `time_of_clock`."""
        ns = self.time_of_clock(self.index)
        return Anchor((self.index - origin) * TICKS_PER_CLOCK, ns, self.bpm)

    def state(self, now_ns: int) -> ClockState:
        """``waiting`` until some clocks have come, ``locked``, ``free`` after three expected
        intervals without a clock, ``lost`` after half a minute without."""
        if not self._track.line.period:
            return "waiting"
        silent = now_ns - self._last_ns
        if silent > LOST_AFTER_NS:
            return "lost"
        if silent > FREE_AFTER * self._track.line.period:
            return "free"
        return "locked" if self.index - self._began >= LOCK_PULSES - 1 else "waiting"

    # --- one pulse -----------------------------------------------------------------------------

    def anew(self) -> None:
        """The next pulse is a clock of its own, wherever it falls. To be called at Start and
        Continue: a host may let its clock run while stopped and begin a new phase with them."""
        self._anew = True

    def pulse(self, ns: int) -> int:
        """Takes one F8, stamped `ns`. Returns how many clocks went by: 1, or more over lost ones,
        0 for one that came twice; below 0 when an earlier count turns out wrong."""
        self.pulses += 1
        before = self.index
        silent = ns - self._last_ns
        self._last_ns = ns
        period = self._track.line.period
        if self.pulses == 1 or silent > LOST_AFTER_NS or (not period and silent > LONGEST_NS):
            self._begin(ns)
        elif not period:
            self._second(ns)
        else:
            placed = self._place(ns, silent)
            self._raw.append((self.index, ns))
            self._vouch(self.index - before == 1)
            if not self._relock() and placed:
                line = self._track.line
                self._reading.take(self.index, ns, line.period, len(self._track))
        self._anew = False
        return self.index - before

    def _begin(self, ns: int) -> None:
        """The first clock of all, or the first after a long silence."""
        self.index += 1
        self._began = self.index
        self._raw.clear()
        self._raw.append((self.index, ns))
        self._sure = (self.pulses, self.index, self._track.line.period)
        self._reading.restart()
        self._track.restart([(self.index, ns)], self._track.line.period)

    def _second(self, ns: int) -> None:
        first = self._raw[0]
        if ns - first[1] < SHORTEST_NS:
            self.extra_clocks += 1
            return
        self.index += 1
        self._raw.append((self.index, ns))
        self._track.restart([first, (self.index, ns)])

    def _place(self, ns: int, silent: int) -> bool:
        """Finds which clock this stamp is and learns from it; False for an extra one."""
        track = self._track
        period = track.line.period
        late = ns - track.line.at(self.index + 1)
        usual = track.spread.quantile(0.5) + FLOOR_NS
        tolerance = min(period / 8, usual)
        back = silent > FREE_AFTER * period
        young = self.index - self._began < LOCK_PULSES and not back
        if late < -period / 2 and not self._anew and not (young and silent > _TWICE_NS):
            self.extra_clocks += 1
            return False
        if young or late < 0:
            more = 0  # a young line is no measure: better to trust the count
        else:
            more = int((late + (period / 2 if back else tolerance)) // period)
        self.lost_clocks += more
        self.index += 1 + more
        late -= more * period
        fits = -2 * usual < late < track.spread.worst + FLOOR_NS
        if (back or self._anew) and not fits:
            self._reading.restart()
            track.restart([(self.index, ns)], period)
        else:
            track.add(self.index, ns)
        return True

    def _vouch(self, regular: bool) -> None:
        """Remembers where the count was last sure: before the latest odd pulses, if any.

        If the line has found another tempo across odd pulses, they were no faults: each was a
        clock, and the count is put right.
        """
        self._regular = self._regular + 1 if regular else 0
        if self._regular < _REGULAR:
            return
        pulses, index, period = self._sure
        line = self._track.line
        missed = (self.pulses - pulses) - (self.index - index)
        if missed and abs(line.period - period) > _UNLIKE * period:
            self.index += missed
            self._track.shift(missed)
            self._raw.clear()
            self._reading.restart()
        self._sure = (self.pulses, self.index, line.period)

    def _relock(self) -> bool:
        """Another tempo altogether: the last intervals agree with each other but not with us."""
        if len(self._raw) < 5:
            return False
        stamps = [ns for _, ns in self._raw]
        mean = (stamps[-1] - stamps[0]) / 4
        off = abs(mean - self._track.line.period)
        if off < _UNLIKE * self._track.line.period:
            return False
        gaps = [b - a for a, b in pairwise(stamps)]
        even = max(gaps) < _EVEN * min(gaps) and SHORTEST_NS < mean < LONGEST_NS
        if not even or off * 4 < 1.1 * self._track.spread.worst + FLOOR_NS:
            return False
        pulses, index, _ = self._sure
        self.index = index + self.pulses - pulses
        self._sure = (self.pulses, self.index, mean)
        points = [(self.index - 4 + i, ns) for i, ns in enumerate(stamps)]
        self._raw.extend(points)
        self._reading.restart()
        self._track.restart(points)
        return True
