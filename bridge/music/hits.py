"""Lanes of hits with a pattern: euclid, steps and every, moved by a rate or by another lane."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from bridge.music import chance
from bridge.music.counted import CountedPattern
from bridge.music.euclid import euclid, rotate
from bridge.music.model import SETTINGS, Euclid, Every, SetSpec, Steps, StepShape
from bridge.music.node import ON_GRID, Feel, Hit, Window, steps_of
from bridge.music.pace import Pacing, PacingState
from bridge.music.pattern import (
    Cursor,
    CursorState,
    Drift,
    filled,
    group_thresholds,
    played_order,
    thresholds,
    to_length,
)
from bridge.music.ticks import first_step_from, step_tick

MOVED_GROUP = 16
"""Steps over which density looks where there is no bar of whole steps: on lanes that another lane
moves, and at rates that do not divide the bar."""
PER_PATTERN = ("hits", "steps", "rotate", "length", "drift", "drift_bound")


@dataclass(frozen=True, slots=True)
class PatternState:
    """Where a pattern stands: its cursor, the places that drift, its pace; the tick from which its
    steps are counted, the number of the next one and its tick; its place among the accents; when it
    is reset next, every how many ticks, and the last reset by hand that it has followed."""

    cursor: CursorState
    drift: frozenset[int]
    pacing: PacingState
    origin: int
    index: int
    next_tick: int
    accent_place: int
    next_reset: int
    reset_ticks: int
    hand: int


class PatternNode(CountedPattern):
    """A lane of hits with a pattern of its own: euclid, steps, every."""

    def __init__(
        self,
        lane: int,
        spec: SetSpec,
        step: Fraction,
        advance: int | None = None,
        reset: int | None = None,
    ) -> None:
        """`advance` is the position of the lane whose hits move this one, None for a rate;
        `reset` the position of the lane whose hits send it to its first step."""
        super().__init__(lane, spec, step)
        written = self.written_lane
        self.advance_by = advance
        self.reset_by = reset
        self.reads = tuple(sorted({p for p in (advance, reset) if p is not None}))
        self.reset_ticks = written.reset * spec.bar_ticks if isinstance(written.reset, int) else 0
        kind = written.kind
        self.names = tuple(name for name in PER_PATTERN if kind in SETTINGS[name].kinds)
        self.varying_pattern_settings: tuple[str, ...] = ()
        self.source = written.source
        self.cursor = Cursor(written.direction, chance.key(spec.seed, written.name, "direction"))
        self.drifting = Drift(chance.key(spec.seed, written.name, "drift"))

        start = {name: SETTINGS[name].start for name in PER_PATTERN}
        start.update({k: v for k, v in written.settings.items() if k in start})
        self.hits = start["hits"]
        self.steps = start["steps"]
        self.rotate = start["rotate"]
        self.length = start["length"]
        self.drift = start["drift"]
        self.drift_bound = start["drift_bound"]
        self.base: tuple[int, ...] = ()
        self.shapes = self.source.shapes if isinstance(self.source, Steps) else ()
        self.written_at: tuple[int, ...] = ()  # for each place, the step that is written there
        self.marks: tuple[int, ...] = ()
        self.limits: tuple[float, ...] = ()
        self.order: tuple[int, ...] | None = None
        self.pacing = Pacing(step, spec.bar_ticks)
        self.rewind()

    def step_in(self, step: Fraction) -> None:
        super().step_in(step)
        in_bar = self.bar_ticks / step
        whole = not isinstance(self.written_lane.advance, str) and in_bar.denominator == 1
        self.group = in_bar.numerator if whole else MOVED_GROUP
        self.spread: dict[int, tuple[tuple[float, ...], tuple[float, ...]]] = {}

    # --- state ---

    def rewind(self) -> None:
        self.cursor.rewind()
        self.drifting.clear()
        self.pacing.rewind()
        self.step_in(self.pacing.step)
        self.origin = 0
        self.index = 0
        self.accent_place = 0
        self.next_reset = self.reset_ticks
        self.hand = -1
        self.next_tick = 0
        self.due = -1
        self.version = -1
        self.base = ()

    def carry(self) -> PatternState:
        return PatternState(
            self.cursor.carry(),
            self.drifting.changed,
            self.pacing.carry(),
            self.origin,
            self.index,
            self.next_tick,
            self.accent_place,
            self.next_reset,
            self.reset_ticks,
            self.hand,
        )

    def adopt(self, carry: object, at: int) -> None:
        self.rewind()
        if self.reset_ticks:
            self.next_reset = (at // self.reset_ticks + 1) * self.reset_ticks
        if not isinstance(carry, PatternState):
            self.pacing.begin(at)
            self._begin(at)
            return
        self.pacing.adopt(carry.pacing)
        self.step_in(self.pacing.step)
        self.cursor.adopt(carry.cursor)
        self.drifting.changed = carry.drift
        self.accent_place = carry.accent_place
        self.hand = carry.hand
        if carry.reset_ticks == self.reset_ticks:
            self.next_reset = carry.next_reset
        if self.advance_by is not None:
            return
        self.origin = carry.origin
        if carry.pacing.written == self.pacing.written:
            self.index = carry.index
            self.next_tick = carry.next_tick
        else:
            self._align(at)

    def restart(self, tick: int, bar: int) -> None:
        """Begin at the first step (see `Node.restart`)."""
        self.drifting.clear()
        self._to_first(by_hand=True)
        if self.advance_by is None:
            self.origin = bar
            self._align(tick)

    def _align(self, tick: int) -> None:
        """The next step is the first of the lane's own at or after `tick`."""
        self.index = first_step_from(tick, self.step, self.origin)
        self.next_tick = step_tick(self.index, self.step, self.origin)

    def _begin(self, tick: int) -> None:
        """A lane that was not there before falls in as if it had always been playing."""
        if self.advance_by is not None or tick <= 0:
            return
        if self.reset_ticks:
            self.origin = tick // self.reset_ticks * self.reset_ticks
        self._align(tick)
        steps = max(1, len(self._written()))
        span = 2 * steps - 2 if self.cursor.direction == "back-and-forth" and steps > 1 else steps
        pass_index, step = divmod(self.index, span)
        self.cursor.adopt(CursorState(pass_index, step - 1))
        self.accent_place = self.index

    # --- the pattern ---

    def read_all(self, window: Window) -> None:
        super().read_all(window)
        self.varying_pattern_settings = tuple(
            name for name in self.names if not window.fixed(self.lane, name)
        )
        self._read_pattern(window, window.start, self.names)

    def _read_pattern(self, window: Window, tick: int, names: tuple[str, ...]) -> None:
        for name in names:
            setattr(self, name, window.setting(self.lane, name, tick))
        base = self._written()
        if base != self.base:
            self.base = base
            self.renew()

    def _written(self) -> tuple[int, ...]:
        """The pattern as the settings have it, before fills and drift."""
        source = self.source
        if isinstance(source, Euclid):
            marks = euclid(round(self.hits), max(1, round(self.steps)))
        elif isinstance(source, Steps):
            marks = source.marks
        elif isinstance(source, Every):
            marks = _divider(source.n)
        else:
            raise TypeError(f"{source!r} has no pattern")
        rotation, length = round(self.rotate), round(self.length)
        if self.shapes:
            self.written_at = to_length(rotate(tuple(range(len(marks))), rotation), length)
        return to_length(rotate(marks, rotation) if rotation else marks, length)

    def renew(self) -> None:
        """Work out the marks of this pass: fill, then drift."""
        marks = self.base
        source = self.source
        if isinstance(source, Euclid) and source.fill is not None:
            fill = source.fill
            if (self.cursor.counted + 1) % fill.every == 0:
                marks = filled(marks, euclid(fill.hits, fill.length))
        self.marks = self.drifting.apply(marks)
        self.limits = thresholds(self.marks)
        self.order = played_order(self.marks, self.cursor.direction)
        self.spread = {}

    def begin_pass(self) -> None:
        drift = self.drift
        bound = round(self.drift_bound)
        # A bound that has shrunk calls steps home, also when nothing drifts any more.
        drifts = drift > 0.0 or len(self.drifting.changed) > bound
        fills = isinstance(self.source, Euclid) and self.source.fill is not None
        if drifts and self.cursor.counted > 0:
            fills |= self.drifting.begin_pass(self.cursor.pass_index, self.base, drift, bound)
        if fills:
            self.renew()

    # --- running ---

    def run(self, window: Window) -> None:
        if window.version != self.version:
            self.read_all(window)
        out: list[Hit] = []
        window.hits[self.lane] = out
        resets: list[int] = []
        if self.reset_by is not None:
            resets = [hit.grid for hit in steps_of(window.hits.get(self.reset_by, ()))]
        hand = window.reset_by_hand(self.lane)
        if hand <= self.hand or hand >= window.end:
            hand = -1
        self.passing = self.lane in window.passing.counted
        if self.passing and self.steady(window):
            self.count(window)
        elif self.advance_by is None:
            self._run_rate(window, out, resets, hand)
        else:
            self._run_moved(window, out, resets, hand)
        self.finish(window, out)

    def _reset_due(self, tick: int, resets: list[int], hand: int) -> int:
        """Carry out what resets at or before `tick`; what is left of `hand`."""
        while resets and resets[0] <= tick:
            del resets[0]
            self._to_first(by_hand=False)
        if 0 <= hand <= tick:
            self.hand = hand
            self.drifting.clear()
            self._to_first(by_hand=True)
            self.renew()
            return -1
        return hand

    def _to_first(self, by_hand: bool) -> None:
        self.cursor.reset(by_hand)
        self.accent_place = 0

    def _run_rate(self, window: Window, out: list[Hit], resets: list[int], hand: int) -> None:
        end = window.end
        upper, lower = self.step.numerator, self.step.denominator
        tick = self.next_tick
        special = bool(resets) or hand >= 0 or self.reset_ticks > 0
        line = self.pacing.line
        while True:
            if line <= tick and line < end:
                # What sends the lane to its first step before this line comes before it.
                if special:
                    hand = self._reset_due(line - 1, resets, hand)
                if self._pace_at(window, line):
                    upper, lower = self.step.numerator, self.step.denominator
                    tick = self.next_tick
                line = self.pacing.line
                continue
            if special:
                if self.reset_ticks and self.next_reset <= tick and self.next_reset < end:
                    # A reset by bars puts the first step on the bar line itself.
                    tick = self.origin = self.next_reset
                    self.index = 0
                    self.next_reset += self.reset_ticks
                    self._to_first(by_hand=False)
                hand = self._reset_due(min(tick, end - 1), resets, hand)
            if tick >= end:
                break
            self._play(window, out, tick, self.index, ())
            self.index += 1
            if lower == 1:
                tick = self.origin + self.index * upper
            else:
                tick = self.origin + (2 * self.index * upper + lower) // (2 * lower)
            self.next_tick = tick
        self.next_tick = tick
        if self.reset_by is None:
            self.due = min(tick, line, self.next_reset if self.reset_ticks else tick)

    def _pace_at(self, window: Window, line: int) -> bool:
        """Look at the lane's pace at a bar line; True when it changes there. Then the lane begins
        at its first step, so that the pattern lies on the bar; a lane that has just come falls in
        where it would be at that pace."""
        fresh = self.pacing.fresh
        if not self.pacing.look(window.setting(self.lane, "pace", line), line):
            return False
        self.step_in(self.pacing.step)
        if fresh:
            self._begin(line)
        else:
            self._to_first(by_hand=False)
            self.origin = line
            self._align(line)
        return True

    def _run_moved(self, window: Window, out: list[Hit], resets: list[int], hand: int) -> None:
        mover = self.advance_by
        assert mover is not None
        causes = (mover,)
        for cause in steps_of(window.hits.get(mover, ())):
            grid = cause.grid
            if self.reset_ticks and self.next_reset <= grid:
                self.next_reset = (grid // self.reset_ticks + 1) * self.reset_ticks
                self._to_first(by_hand=False)
            hand = self._reset_due(grid, resets, hand)
            feel = ON_GRID if self.on_grid else cause.feel
            self._play(window, out, grid, -1, causes, feel)
        self._reset_due(window.end - 1, resets, hand)

    def limit(self, place: int, index: int) -> float:
        """The density from which on this step sounds. In a pattern shorter than the bar the place
        in the bar says how strong a step is, or all of it would come and go at once."""
        span = len(self.marks if self.order is None else self.order)
        if span >= self.group:
            return self.limits[place]
        step = self.cursor.step
        within = (index if index >= 0 else self.cursor.pass_index * span + step) % self.group
        first = 0 if self.order is None else (step - within) % span
        found = self.spread.get(first)
        if found is None:
            found = self.spread[first] = group_thresholds(self.order, self.group, first)
        return found[0 if self.marks[place] else 1][within]

    def _play(
        self,
        window: Window,
        out: list[Hit],
        tick: int,
        index: int,
        causes: tuple[int, ...],
        feel: Feel = ON_GRID,
    ) -> None:
        """One step of the lane at grid `tick`."""
        if self.varying_pattern_settings:
            self._read_pattern(window, tick, self.varying_pattern_settings)
        cursor = self.cursor
        place = cursor.move(len(self.base))
        if cursor.step == 0:
            self.begin_pass()
        accents = self.accents
        if accents:
            accent = accents[self.accent_place % len(accents)]
            self.accent_place += 1
        if self.varying_hit_settings:
            self.read_varying(window, tick)
        mark = self.marks[place]
        if self.density == 0.5:
            if not mark:
                return
        elif self.density < self.limit(place, index):
            return
        on = self.passes_on
        if on is not None and cursor.counted % self.passes_of + 1 not in on:
            return
        shape = self.shapes[self.written_at[place]] if self.shapes else None
        if shape is not None and shape.of and cursor.counted % shape.of + 1 not in shape.on:
            return
        likely = self.chance
        if shape is not None and shape.chance is not None:
            likely *= shape.chance
        if likely < 1.0 and chance.draw(self.chance_key, cursor.pass_index, cursor.step) >= likely:
            return
        weight = 1.0 if mark == 2 else 0.0
        if accents:
            weight = max(weight, accent / 2.0)
        if shape is None:
            self.sound(window, out, tick, cursor.pass_index, cursor.step, weight, causes, feel=feel)
            return
        kept = self.level, self.gate, self.gate_ms, self.repeats
        self._shape(shape)
        self.sound(window, out, tick, cursor.pass_index, cursor.step, weight, causes, feel=feel)
        self.level, self.gate, self.gate_ms, self.repeats = kept

    def _shape(self, shape: StepShape) -> None:
        """Play the next hit as its step has it."""
        if shape.level is not None:
            self.level *= shape.level
        if shape.gate is not None:
            self.gate, self.gate_ms = shape.gate, 0.0
        if shape.repeats is not None:
            self.repeats = float(shape.repeats)


@lru_cache(maxsize=256)
def _divider(n: int) -> tuple[int, ...]:
    return (1, *(0,) * (n - 1))
