"""A MIDI clock, followed: stamps in, phase and tempo out.

    follower = Follower()
    steps = follower.pulse(ns)            # each F8, stamped on arrival; how many clocks went by
    anchor = follower.anchor(origin)      # a tempo.Anchor whose tick 0 is clock `origin`
    ns = follower.time_of_clock(i)        # prediction for clock i (float; also between clocks)
    follower.index                        # number of the latest clock on the follower's own count
    follower.anew()                       # at Start, Continue: the next pulse may begin a new phase
    follower.bpm, follower.display_bpm, follower.jitter_ms, follower.state(now_ns)
    follower.block_ms, follower.two       # what is odd about the clock

To play: hand `steps` to `transport.event("pulse", steps)`; when that says ``play C`` or ``jump C``,
remember ``origin = follower.index - C``; from then on ``follower.anchor(origin)`` maps song ticks
to time. The anchor changes a little at every pulse; take it anew after each. It may move back a
little in song time: a tick that was played is not played again.

**The count is the truth.** Hosts count their clocks, and no transport loses single ones, but all of
them are late at times: each stamp is the next clock, however odd its time. A host that stood still
sends all it owes in a bunch, and the last of the bunch is in time again. There are two exceptions:

- *a gap*: after a silence the clocks come at their usual pace, and no bunch makes the silence good.
  Only then were clocks lost (a cable out), as many as the line says. It takes two clocks to tell;
  until then the line runs on alone. When a bunch comes after all, the gap is taken back;
- *two clocks on one input*: see `merged`. The line that was good before is kept, and of all stamps
  only those near its clocks count, until one clock is left.

The line is found in one of two ways. Where stamps come in audio blocks (see `blocks`) by what is
possible (see `strip`), elsewhere along their early edge (see `track`).
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from itertools import pairwise
from typing import Literal, NamedTuple

from bridge.clock.blocks import Blocks
from bridge.clock.envelope import Line, Point
from bridge.clock.merged import Merged, Row
from bridge.clock.reading import ClockReading, bpm_of
from bridge.clock.strip import POINTS_MOST, Strip
from bridge.clock.tempo import TICKS_PER_CLOCK, Anchor
from bridge.clock.track import BUNCH, FLOOR_NS, LONGEST_NS, SHORTEST_NS, Track

ClockState = Literal["waiting", "locked", "alone", "lost"]

FREE_AFTER = 3
"""Expected intervals without a clock, beyond what stamps are late anyway: then it goes on alone."""
LOST_AFTER_NS = 30_000_000_000
"""Silence after which the old phase says nothing: half a clock of drift at 1 in 3000."""
LOCK_PULSES = 6
_FIRM = 24  # clocks after which a new tempo is looked for at all
_EVEN = 1.7  # the longest over the shortest of the gaps that lock at once
_SURELY = 96  # clocks after which any line is as good as it gets
_BLOCK_JITTER_NS = 200_000
_OURS = 0.15  # of the period: how near a stamp of the followed one of two clocks is
_PACE = 0.3  # of the period: the first clocks after a silence come at the usual pace
_BUNCH = 1.5  # periods that were made good at once
_BACK_NS = 500_000_000  # after this a silence is no more made good
_EVEN_HELD = 5
_EVEN_GAPS = 1.3
_ROOM = 3  # usual latenesses
_UNLIKE = 0.12  # of the period: another tempo


class _Gap(NamedTuple):
    """A gap that may still be taken back."""

    missing: int
    before: list[Point]
    line: Line  # that was played behind it


class Follower:
    """Follows one MIDI clock. Stamps are integer ns of one monotonic clock, and never fall.

    `began` is the index of the first clock of the present count, which goes on through everything
    but a silence of half a minute. `pulses` counts stamps, `lost_clocks` those that a gap
    swallowed.
    """

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forgets everything: the next pulse is the first."""
        self.pulses = 0
        self.index = 0
        self.lost_clocks = 0
        self._track = Track()
        self._strip: Strip | None = None
        self._strip_from = 0  # the clock at which the blocks were known
        self._blocks = Blocks()
        self._merged = Merged()
        self._reading = ClockReading()
        self._points: deque[Point] = deque(maxlen=POINTS_MOST)  # of the present tempo and phase
        self._good: list[Line] = []  # lines from a while ago, when the stamps were even
        self._held: list[Point] = []  # after a silence: a bunch, or clocks that go on behind a gap
        self._last_ns = 0
        self._back_ns = 0  # when the latest silence ended
        self._last_gap: _Gap | None = None
        self.began = 0
        self._locked = False
        self._anew = False

    # --- reading -------------------------------------------------------------------------------

    @property
    def _line(self) -> Line:
        return self._strip.line if self._strip else self._track.line

    @property
    def period_ns(self) -> float:
        """Length of one clock by the line, or 0 while nothing is known."""
        return self._line.period

    @property
    def bpm(self) -> float:
        """The tempo of the line, or 0 while nothing is known."""
        return bpm_of(self._line.period)

    @property
    def display_bpm(self) -> float:
        """A steady reading of the tempo (see `reading`), or 0 while nothing is known."""
        return self._reading.bpm or self.bpm

    @property
    def jitter_ms(self) -> float:
        """The lateness that 95 of 100 stamps stay below, in ms; 0 before there are enough."""
        return 0.95 * self.block_ms or self._track.spread.usual_ns / 1e6

    @property
    def block_ms(self) -> float:
        """Length of the audio blocks that the clock comes in, in ms; 0 where there are none.
        Stamps are late by half of it on average. That much the line has taken out."""
        return self._blocks.length / 1e6

    @property
    def two(self) -> tuple[float, float] | None:
        """The tempos in bpm of the two clocks that come in on this input, the slower one
        first; None for one clock."""
        rows = self._merged.rows
        if rows is None:
            return None
        low, high = sorted(row.bpm for row in rows)
        return low, high

    def time_of_clock(self, index: float) -> int:
        """When clock `index` falls, in ns. ValueError while no tempo is known."""
        if not self._line.period:
            raise ValueError("no clock is followed yet")
        return round(self._line.at(index))

    def anchor(self, origin: int = 0) -> Anchor:
        """The line as an Anchor whose tick 0 is clock `origin`. ValueError as `time_of_clock`."""
        ns = self.time_of_clock(self.index)
        return Anchor((self.index - origin) * TICKS_PER_CLOCK, ns, self.bpm)

    def state(self, now_ns: int) -> ClockState:
        """``waiting`` until the tempo is sure and while it is in doubt, ``locked``, ``alone`` after
        three expected intervals without a clock, ``lost`` after half a minute without."""
        if not self._line.period:
            return "waiting"
        silent = now_ns - self._last_ns
        if silent > LOST_AFTER_NS:
            return "lost"
        if self._line.period < 1.01 * SHORTEST_NS:
            return "waiting"  # too quick to be believed
        if self._held or silent > self._patience():
            return "alone"
        if not self._locked or self._in_doubt():
            return "waiting"
        return "locked"

    def _in_doubt(self) -> bool:
        """Whether this may be two clocks that are not told apart yet, or blocks not known yet."""
        if self._strip:
            return not self._blocks.known and self.index - self._strip_from < _SURELY
        return self._merged.in_doubt(_ROOM * self._track.spread.quantile(0.5))

    # --- one pulse -----------------------------------------------------------------------------

    def anew(self) -> None:
        """The next pulse may fall anywhere. To be called at Start and Continue: a host may let its
        clock run while stopped and begin a new phase with them."""
        self._anew = True

    def pulse(self, ns: int) -> int:
        """Takes one F8, stamped `ns`. Returns how many clocks went by: 1, or more when a gap is
        recognised; 0 for a clock that is not the followed one; below 0 when clocks turn out to have
        been of another one."""
        self.pulses += 1
        before = self.index
        silent = ns - self._last_ns
        self._last_ns = ns
        if self.pulses == 1 or silent > LOST_AFTER_NS:
            self._begin(ns)
        elif not self._line.period:
            self._second(ns, silent)
        elif self._anew:
            self._renew(ns)
        else:
            self._next(ns, silent)
        self._anew = False
        return self.index - before

    def _begin(self, ns: int) -> None:
        """The first clock of all, or the first after a long silence."""
        self.index += 1
        period = self._line.period
        self.began = self.index
        self._locked = False
        self._held.clear()
        self._last_gap = None
        self._blocks.take(ns)
        self._merged.restart()
        self._good.clear()
        self._restart([(self.index, ns)], period)

    def _second(self, ns: int, silent: int) -> None:
        """Until there is a period at all: one from 14.7 to 424 bpm."""
        self._blocks.take(ns)
        if silent > LONGEST_NS and len(self._points) == 1:
            self._begin(ns)
            return
        self.index += 1
        self._points.append((self.index, ns))
        at = self._points[0][1]
        if ns - at >= SHORTEST_NS:
            self._restart(list(self._points), 0.0)

    def _renew(self, ns: int) -> None:
        """The first clock after Start or Continue: in the old phase, or the first of a new one."""
        self.index += 1
        self._settle_held()
        self._last_gap = None
        self._blocks.take(ns)
        late = ns - self._line.at(self.index)
        spread = self._track.spread
        usual = spread.quantile(0.5) + FLOOR_NS
        if self._strip:
            fits = -self._strip.width / 8 < late < 9 / 8 * self._strip.width
        else:
            fits = -2 * usual < late < spread.worst + FLOOR_NS
        if fits:
            self._learn(ns)
        else:
            self._restart([(self.index, ns)], self._line.period)

    def _next(self, ns: int, silent: int) -> None:
        if not self._blocks.known and self._heard_two(ns):
            return
        if self._blocks.take(ns):
            self._settle_held()
            self._use_blocks()
        silence = silent > self._patience()
        if self._held or (self._locked and silence):
            self._await(ns, silence=silence)
        else:
            self.index += 1
            if not self._last_gap or not self._takes_back(ns, self._last_gap):
                self._learn(ns)

    def _patience(self) -> float:
        """A silence that is more than lateness, in ns."""
        return FREE_AFTER * self._line.period + self._late_most()

    def _late_most(self) -> float:
        if self._strip:
            return self._strip.width
        return min(self._track.spread.worst, self._line.period / 2) + FLOOR_NS

    def _width(self) -> float:
        return self._strip.width if self._strip else 0.0

    def _learn(self, ns: int) -> None:
        """The line takes the stamp of clock `index`."""
        self._points.append((self.index, ns))
        if self._strip:
            self._strip.add(self.index, ns)
        else:
            self._track.add(self.index, ns, firm=self.index - self.began >= _FIRM)
        line = self._line
        settled = len(self._strip or self._track)
        self._reading.take(self.index, ns, line.period, settled)
        self._locked = self._locked or self._sure()

    def _sure(self) -> bool:
        clocks = self.index - self.began + 1
        if clocks < LOCK_PULSES:
            return False
        if self._strip:
            return self._strip.sure
        times = [ns for _, ns in list(self._points)[-LOCK_PULSES:]]
        gaps = [b - a for a, b in pairwise(times)]
        even = min(gaps) > SHORTEST_NS / 2 and max(gaps) < _EVEN * min(gaps)
        return even or clocks > _SURELY

    # --- another beginning -----------------------------------------------------------------------

    def _restart(self, points: list[Point], hint: float) -> None:
        """A new phase or tempo: only these stamps are of it."""
        self._points.clear()
        self._points.extend(points)
        self._reading.restart()
        if self._strip:
            self._strip.restart(points, hint)
        else:
            self._track.restart(points, hint)

    def _use_blocks(self) -> None:
        """The blocks are known now, or are others, or none any more: another way to the line."""
        line, locked = self._line, self._locked
        points = list(self._points)
        if not self._blocks.length:
            self._strip = None
            self._track.restart(points[-_FIRM:], line.period)
            return
        self._strip_from = self.index
        self._strip = Strip(self._blocks.length + _BLOCK_JITTER_NS)
        self._strip.refill(points, line if locked else None)
        if not locked:
            self._reading.restart()

    # --- two clocks ------------------------------------------------------------------------------

    def _heard_two(self, ns: int) -> bool:
        """Whether two clocks come in; if so, the stamp is dealt with."""
        merged = self._merged
        changed = merged.take(ns)
        if merged.rows is None:
            if changed:  # one clock again: its phase and its tempo may be those of the other one
                self.index += 1
                self._restart([(self.index, ns)], self._line.period)
            elif merged.even:
                self._good = [*self._good[-1:], self._line] if self._locked else []
                merged.even = False
            return changed
        if changed or merged.fresh:
            self._keep_one(merged.rows, first=changed)
        line = self._line
        clocks = round((ns - line.at(self.index)) / line.period)
        if clocks > 0 and abs(ns - line.at(self.index + clocks)) < _OURS * line.period:
            self.index += clocks
        return True

    def _keep_one(self, rows: tuple[Row, Row], *, first: bool) -> None:
        """Keeps to the line that was good before the second clock came; where there was none, to
        the clock that was heard first."""
        self._held.clear()
        self._last_gap = None
        if self._strip:  # what looked like blocks was the beat of the two
            self._strip = None
            self._blocks = Blocks()
        if not first:
            good = self._line
        elif self._good:
            good = self._good[0]
        else:
            index, ns = self._points[0]
            good = Line(index, ns, rows[0].period)
        row = min(rows, key=lambda row: _unlike(row, good))
        if abs(row.period / good.period - 1) > _UNLIKE:
            good = replace(good, period=row.period)
        index = good.index + round((row.last - good.ns) / good.period)
        if first:
            self.index = index
        back = min(row.stamps, _FIRM)
        places = [(index - n, round(row.last - n * row.period)) for n in reversed(range(back))]
        self._restart(places, 0.0)

    # --- silence ---------------------------------------------------------------------------------

    def _await(self, ns: int, *, silence: bool) -> None:
        """A stamp after a silence: part of the bunch that makes it good, or of what goes on behind
        a gap."""
        self.index += 1
        self._held.append((self.index, ns))
        if silence:
            self._back_ns = ns
        line, held = self._line, self._held
        late = ns - line.at(self.index)
        if late < self._late_most() + line.period / 2:
            self._settle_held()
            return
        if len(held) < 2:
            return
        span = ns - self._back_ns
        lates = [at - line.at(index) for index, at in held]
        bunch = lates[0] - min(lates) > self._width() + _BUNCH * line.period
        pace = (ns - held[-2][1]) / line.period
        if bunch:
            # Much came at once, so nothing was lost, however late the end of it still seems, and
            # whatever of it a slower tempo loses again. (The first stamp after another silence is
            # no end: what is owed may come with the next.)
            if (pace > 1 / 2 and not silence) or self._even_held():
                self._settle_held()
            return
        usual = abs(pace - 1) < _PACE and span > self._width()
        if usual or span > _BACK_NS or self._even_held():
            self._gap()

    def _even_held(self) -> bool:
        """Whether the clocks since the silence are even, but for their blocks: of a far slower
        tempo, or behind a gap."""
        times = [ns for _, ns in self._held[-_EVEN_HELD:]]
        gaps = [b - a for a, b in pairwise(times)]
        if len(times) < _EVEN_HELD or min(gaps) < self._line.period / 2:
            return False
        return max(gaps) < max(_EVEN_GAPS * min(gaps), min(gaps) + 1.1 * self._width())

    def _settle_held(self) -> None:
        """The silence is made good: all held stamps were clocks, in their order."""
        held, self._held = self._held, []
        index = self.index
        nearest = BUNCH * self._line.period
        for place, (at, ns) in enumerate(held, 1):
            ends = place == len(held) or held[place][1] - ns > nearest
            if ends or self._strip:  # to a track only the last of a bunch says anything
                self.index = at
                self._learn(ns)
        self.index = index

    def _pace_held(self) -> float:
        """The time from clock to clock of the held ones: of all, or of the newest where a bunch
        before them shortens that: of even ones, or of the first ones of blocks, which waited about
        as long."""
        held = self._held
        half = (held[0][1] + held[-1][1]) / 2
        late = [b for a, b in pairwise(held) if b[1] > half and b[1] - a[1] > self._width() / 2]
        even = held[-_EVEN_HELD:] if self._even_held() else []
        return max(_slope(points) for points in (held, late, even) if len(points) > 1)

    def _gap(self) -> None:
        """No bunch came: clocks were lost, or the tempo is far slower, so that all came that was
        due since the last clock."""
        period = self._pace_held()
        held, self._held = self._held, []
        line = self._line
        index, last = self._points[-1]
        owed = held[-1][1] - last < (len(held) + 0.5) * period + self._width()
        if owed and abs(period - line.period) > _UNLIKE * line.period:
            self._restart([(index, last), *held], 0.0)
            return
        late = min(ns - line.at(index) for index, ns in held)
        missing = max(0, round(late / line.period - 0.1))
        before = list(self._points)
        self.index += missing
        self.lost_clocks += missing
        placed = [(index + missing, ns) for index, ns in held]
        late -= missing * line.period
        usual = self._track.spread.quantile(0.5) + FLOOR_NS
        if self._strip or not -2 * usual < late < self._track.spread.worst + FLOOR_NS:
            self._restart(placed, line.period)
        else:
            self._held = placed
            self._settle_held()
        self._last_gap = _Gap(missing, before, self._line)

    def _takes_back(self, ns: int, gap: _Gap) -> bool:
        """Whether a bunch came after all: the host stood still a second time just after it had sent
        some of the clocks that it owed. The stamp is dealt with then."""
        if ns - self._back_ns > _BACK_NS:
            self._last_gap = None
            return False
        last = self._points[-1][1]
        early = gap.line.at(self.index) - ns
        if ns - last > BUNCH * gap.line.period or early < self._width() + _BUNCH * gap.line.period:
            return False
        end, _ = gap.before[-1]
        since = [*(point for point in self._points if point[0] > end), (self.index, ns)]
        self.index -= gap.missing
        self.lost_clocks -= gap.missing
        self._held = [(index - gap.missing, at) for index, at in since]
        self._last_gap = None
        self._points.clear()
        self._points.extend(gap.before)
        if self._strip:
            self._strip.refill(gap.before, None)
        else:
            self._track.restart(gap.before[-_SURELY:], 0.0)
        return True


def _slope(points: list[Point]) -> float:
    """The time from clock to clock, from the first of these to the last."""
    (first, since), (last, until) = points[0], points[-1]
    return (until - since) / (last - first)


def _unlike(row: Row, line: Line) -> float:
    """How badly a row fits a line: in tempo first, then in phase."""
    phase = (row.last - line.ns) / line.period % 1
    return 20 * abs(row.period / line.period - 1) + min(phase, 1 - phase)
