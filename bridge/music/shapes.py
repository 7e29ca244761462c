"""Lanes of values that move all the time: cyclic shapes, and an envelope for each hit.

They are sampled at every multiple of 20 ticks, and where a hit starts them again; in between the
value stays. A sample is a pure function of where the lane began and of the settings at the
sampled ticks, so the cut of the windows is nowhere to be seen.
"""

from __future__ import annotations

import math
from fractions import Fraction

from bridge.music import chance
from bridge.music.line import CONTROL_GRID
from bridge.music.model import Decay, Lane, SetSpec, Shape
from bridge.music.node import SOUNDING, Change, Period, Window, steps_of
from bridge.music.sampled import SampledNode
from bridge.music.value_node import Placed
from bridge.music.value_states import CycleState, DecayState, Start, ValueState

_RANDOM = ("random-steps", "random-smooth")
_FEW_SAMPLES = 64
_SILENCE = 0.001  # the envelope ends at 1/1000: -60 dB, as reverberation time is counted


def form_at(form: str, phase: float) -> float:
    """The value 0..1 of a regular form at `phase` 0..1 of its cycle.

    sine ``(1 - cos(2 pi p)) / 2``; triangle up, then down; ramp up; saw down; square 1, then 0.
    """
    if form == "sine":
        return 0.5 - 0.5 * math.cos(2.0 * math.pi * phase)
    if form == "triangle":
        return 1.0 - abs(2.0 * phase - 1.0)
    if form == "ramp":
        return phase
    if form == "saw":
        return 1.0 - phase
    return 1.0 if phase < 0.5 else 0.0


class ShapeNode(SampledNode):
    """A cyclic form: one cycle in the lane's step, or `hz` of them in a second.

    Synced, its phase is exact: (ticks since it started) / (step length), so after any number of
    cycles it is where it should be. In Hz the phase adds up from sample to sample at the tempo and
    speed of that moment.
    """

    settings = ("hz", "phase", "low", "high")

    def __init__(self, of: Placed, heard: bool = False) -> None:
        super().__init__(of, heard)
        source = of.written.source
        assert isinstance(source, Shape)
        self.form = source.form
        self.random = source.form in _RANDOM
        by = {source.retrigger, of.written.reset, of.written.advance}
        self.started_by = tuple(sorted(of.positions[name] for name in by if isinstance(name, str)))
        self.reset_ticks = (
            of.written.reset * of.spec.bar_ticks if isinstance(of.written.reset, int) else 0
        )
        self.reads = tuple(sorted({*self.reads, *self.started_by}))
        self.due = -1 if self.reads else 0
        self.loose = _loose(of.written, of.spec)
        out = of.written.out
        self.shared = out is not None and sum(lane.out == out for lane in of.spec.lanes) > 1
        self._left_out = range(0)
        self._stream = chance.key(of.spec.seed, of.written.name, "shape")
        self._drawn = (-1, -1, 0.0, 0.0)
        self._known = (0.0, 0.0, 0.0, 0.0)
        if not heard:
            self.pair(ShapeNode(of, True))
        self._origin = 0
        self._restarts = 0  # how often it has started again: chance does not repeat itself
        self._cycles = 0.0
        self._at = 0
        self._hand = -1

    def starts(self, window: Window) -> list[Start]:
        found = [
            Start(*self.place_of(hit), 1.0)
            for lane in self.started_by
            for hit in steps_of(window.hits.get(lane, ()))
        ]
        if self.reset_ticks:
            first = max(1, -(-window.start // self.reset_ticks)) * self.reset_ticks
            found += [Start(at, 0, 1.0) for at in range(first, window.end, self.reset_ticks)]
        hand = window.reset_by_hand(self.lane)
        if self._hand < hand:
            # At the next sample: a lane that has nothing to do is not asked in between.
            at = max(self.next, -(-hand // CONTROL_GRID) * CONTROL_GRID)
            if at < window.end:
                found.append(Start(at, 0, 1.0))
                self._hand = hand
        return found

    def start(self, window: Window, start: Start) -> None:
        self._origin = self._at = start.grid
        self._restarts += 1
        self._cycles = 0.0

    def look(self, window: Window) -> None:
        super().look(window)
        if self.still:
            self._known = self._ask(window, window.start)

    def _send_until(self, window: Window, out: list[Change], grid: int, end: int) -> int:
        """The same; on the way to another place without the samples that nobody will hear, which
        are worked out where they are asked for."""
        if not self.still or self._glide or self._known[0]:
            return super()._send_until(window, out, grid, end)
        wanted = min(end, window.quiet_to - max(0, math.ceil(self._shift)) - CONTROL_GRID)
        if wanted > grid and self.loose:
            grid = self._leave_out(out, grid, (wanted - grid) // CONTROL_GRID)
        lead, shift, known = self.lead, self._shift, self._known
        read = self.read or self.heard_line is not None
        last: Change | None = None
        for at in range(grid, end, CONTROL_GRID):
            self._at = at
            self._cycles, value = self._synced(at, known)
            if value == self._sent:
                continue
            self._sent = value
            tick = max(0, math.floor(at + lead + shift + 0.5))
            if read:
                self.move(out, at, tick, value, 0)
            else:
                last = Change(at, tick, value)
                out.append(last)
        if last is not None:  # of a line that nobody reads, where it stands in the end will do
            self.line.move(last.grid, last.value, 0)
        return max(grid, end + (grid - end) % CONTROL_GRID)

    def _leave_out(self, out: list[Change], grid: int, count: int) -> int:
        """Leave out so many samples from `grid` on; where the next one is. Of an output that other
        lanes play as well, it matters which of them moved it last: that move is sent."""
        stop = grid + count * CONTROL_GRID
        if self.shared and count:
            last = self._last_move(range(grid, stop, CONTROL_GRID))
            if last is None:
                return grid
            at, value = last
            if at >= 0:
                self.move(out, at, max(0, math.floor(at + self.lead + self._shift + 0.5)), value, 0)
                self._sent = value
        else:
            self._sent = None
        first = grid if grid != self._left_out.stop else self._left_out.start
        self._left_out = range(first, stop, CONTROL_GRID)
        return stop

    def _last_move(self, samples: range) -> tuple[int, float] | None:
        """Which of some samples moves the line last, and where to; the sample is -1 when none does.
        None when that is not soon found."""
        value = self._synced(samples[-1], self._known)[1]
        for at in samples[: -_FEW_SAMPLES - 1 : -1]:
            if at == samples[0]:
                return (at, value) if value != self._sent else (-1, value)
            if self._synced(at - CONTROL_GRID, self._known)[1] != value:
                return at, value
        return None

    def value_at(self, tick: int) -> float:
        left_out = self._left_out
        if left_out.start <= tick < left_out.stop:
            at = left_out[(tick - left_out.start) // CONTROL_GRID]
            return self._synced(at, self._known)[1]
        return super().value_at(tick)

    def bounds(self, tick: int, version: int) -> tuple[float, float]:
        if not self.still or self._version != version:
            return super().bounds(tick, version)
        reached = (*self._known[2:], *self.line.bounds_from(tick))
        return min(reached), max(reached)

    def period(self, tick: int, version: int) -> Period | None:
        # A random form never comes round; where a hand has just begun it anew, the old cycle may
        # still be read.
        known = self.still and self._version == version and self.loose
        if not known or self._glide or self._known[0] or self.random:
            return None
        if tick < self._origin:
            return None
        return math.lcm(self.step.numerator, CONTROL_GRID), (self._origin,)

    def coming_value(self, tick: int) -> float:
        """The value at a tick to come, of a line that comes round (see `period`)."""
        return self._synced(tick // CONTROL_GRID * CONTROL_GRID, self._known)[1]

    def _ask(self, window: Window, grid: int) -> tuple[float, float, float, float]:
        lane, setting = self.lane, window.setting
        return (
            setting(lane, "hz", grid),
            setting(lane, "phase", grid),
            setting(lane, "low", grid),
            setting(lane, "high", grid),
        )

    def sample(self, window: Window, grid: int) -> float:
        known = self._known if self.still else self._ask(window, grid)
        hz, phase, low, high = known
        if hz > 0.0:
            self._cycles += hz * (grid - self._at) / window.ms(1000.0)
            self._at = grid
            return low + (high - low) * self._form(*_cycle(self._cycles + phase))
        self._at = grid
        self._cycles, value = self._synced(grid, known)
        return value

    def _synced(self, grid: int, known: tuple[float, float, float, float]) -> tuple[float, float]:
        """Where in its cycle a lane with a rate is at `grid`, and its value there."""
        _, phase, low, high = known
        upper, lower = self.step.numerator, self.step.denominator
        cycles, rest = divmod((grid - self._origin) * lower, upper)
        within = rest / upper
        phase += within
        whole = math.floor(phase)
        return within, low + (high - low) * self._form(whole + cycles, phase - whole)

    def _form(self, cycle: int, phase: float) -> float:
        if self.form == "random-steps":
            return chance.draw(self._stream, self._restarts, cycle)
        if self.form == "random-smooth":
            restarts, drawn, before, after = self._drawn
            if drawn != cycle or restarts != self._restarts:
                before = chance.draw(self._stream, self._restarts, cycle)
                after = chance.draw(self._stream, self._restarts, cycle + 1)
                self._drawn = self._restarts, cycle, before, after
            return before + (after - before) * (0.5 - 0.5 * math.cos(math.pi * phase))
        return form_at(self.form, phase)

    def restart(self, tick: int, bar: int) -> None:
        """Begin the cycle anew, counted from the bar line at `bar`."""
        self._origin, self._at = bar, tick
        self._restarts += 1
        self._cycles = 0.0
        if isinstance(self.twin, ShapeNode):
            self.twin.restart(tick, bar)

    def rewind(self) -> None:
        super().rewind()
        self._left_out = range(0)
        self._origin = self._restarts = self._at = 0
        self._cycles = 0.0
        self._hand = -1

    def own(self) -> object:
        return CycleState(self._restarts, self._cycles, self._at)

    def carry(self) -> ValueState:
        state = super().carry()
        state.origin, state.hand = self._origin, self._hand
        return state

    def take(self, carry: ValueState, at: int) -> None:
        self._origin, self._hand, self._at = carry.origin, carry.hand, at
        if isinstance(carry.own, CycleState):
            own = carry.own
            self._restarts, self._cycles, self._at = own.restarts, own.cycles, own.at


def _loose(written: Lane, spec: SetSpec) -> bool:
    """Whether only drives, outputs and expressions take what a lane does: its value at a tick says
    it all. Nothing starts it but its own rate."""
    name = written.name
    return (
        isinstance(written.advance, Fraction)
        and written.reset is None
        and not any(name == named for lane in spec.lanes for _, named in lane.named())
    )


def _cycle(phase: float) -> tuple[int, float]:
    whole = math.floor(phase)
    return whole, phase - whole


class DecayNode(SampledNode):
    """An envelope for each hit of a lane: to the hit's level at once, then down to 1/1000 of it in
    `decay_ms`: ``level * 10 ** (-3 t / decay_ms)``. It hears its source after mutes unless the lane
    taps before them; repeats within a step start it too."""

    settings = ("decay_ms", "low", "high")

    def __init__(self, of: Placed, heard: bool = False) -> None:
        super().__init__(of, heard)
        assert isinstance(of.written.source, Decay)
        self.of = of.positions[of.written.source.of]
        self.started_by = (self.of,)
        if not heard:
            self.pair(DecayNode(of, True))
        self.after_mute = of.written.reads == "after-mute"
        self.reads = tuple(sorted({*self.reads, self.of}))
        self.due = -1
        self._level = 0.0
        self._at = 0
        self._moving = True  # so that the first sample sets the line to its lower bound
        self._first = 0  # when the first hit of a step sounds

    def starts(self, window: Window) -> list[Start]:
        found: list[Start] = []
        for hit in window.hits.get(self.of, ()):
            if not hit.repeat:
                self._first = hit.tick
            if self.after_mute and (
                not hit.exists_in & SOUNDING or window.muted(self.of, hit.grid)
            ):
                continue
            grid, lead = self.place_of(hit)
            if hit.repeat and (self.on_grid or not self.in_heard_time):
                # A repeat starts it as much later as it sounds after the first hit of its step.
                grid += hit.tick - self._first
                lead = 0 if self.on_grid else hit.tick - grid
            found.append(Start(grid, lead, hit.level))
        return found

    def start(self, window: Window, start: Start) -> None:
        self._level = start.level
        self._at = start.grid
        self._moving = True

    def sample(self, window: Window, grid: int) -> float | None:
        if not self._moving:
            return None
        level = self._level
        if grid > self._at and level > 0.0:
            fall = window.ms(window.setting(self.lane, "decay_ms", grid))
            level *= 10.0 ** (-3.0 * (grid - self._at) / fall)
        if level < self._level * _SILENCE or level <= 0.0:
            level, self._moving = 0.0, False
        low = window.setting(self.lane, "low", grid)
        return low + (window.setting(self.lane, "high", grid) - low) * level

    def rewind(self) -> None:
        super().rewind()
        self._level, self._at, self._moving = 0.0, 0, True
        self._first = 0
        self.due = -1

    def own(self) -> object:
        return DecayState(self._level, self._at, self._moving, self._first)

    def take(self, carry: ValueState, at: int) -> None:
        if isinstance(carry.own, DecayState):
            own = carry.own
            self._level, self._at, self._moving = own.level, own.at, own.moving
            self._first = own.first
