"""What all lanes of values have in common: a line of straight pieces, and steps that move it.

Each move is a `Change`: from where the line is, straight to a target, within `glide` ticks. Other
lanes read the line in nominal time (`value_at`, by grid tick); outputs follow the changes in
sounding time (`Change.tick`), which is the mixer's work. For most lanes both are the same moves at
other ticks. Lanes that a hit makes read or begin anew (sample, decay, shape) live in both times,
as far as each is asked for: in nominal time the hit is where it is written, in sounding time where
it sounds, and up to that very tick the value goes on as before.

Notes: a lane is *note-like* when its values are note numbers, that is when it is a lane of
notes or an arpeggio, holds one, or goes to a pitch output. All others have levels.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from math import floor, inf
from typing import NamedTuple

from bridge.music import chance
from bridge.music.line import Line
from bridge.music.model import SIXTEENTH, Arpeggio, Lane, Notes, Sample, SetSpec, kind_of
from bridge.music.node import NOTHING, Change, Hit, Period, Window, steps_of
from bridge.music.pace import Pacing
from bridge.music.pattern import Cursor
from bridge.music.scale import fitting_of, spread
from bridge.music.step_hits import StepHits
from bridge.music.ticks import NEVER, Swing, first_step_from, step_tick
from bridge.music.value_states import StepsState, ValueState


def step_of(lane: Lane, spec: SetSpec) -> Fraction:
    """What a fraction of a step refers to: the lane's rate, or that of the lane which moves it."""
    by_name = {other.name: other for other in spec.lanes}
    seen = set()
    while isinstance(lane.advance, str) and lane.name not in seen and lane.advance in by_name:
        seen.add(lane.name)
        lane = by_name[lane.advance]
    return SIXTEENTH if isinstance(lane.advance, str) else lane.advance


def note_like(lane: Lane, spec: SetSpec, pitch_outputs: frozenset[str] = frozenset()) -> bool:
    """Whether the values of a lane are note numbers (see the head of this module).

    Args:
        lane: one of `spec`, or as it is written elsewhere.
        spec: the set, for the lane that it samples.
        pitch_outputs: full names of the outputs that take notes; empty: only kinds of lanes count.
    """
    return any(
        "noted" in kind_of(one.source).traits or one.out in pitch_outputs
        for one in _sampled(lane, spec)
    )


def home_of(lane: Lane, spec: SetSpec, pitch_outputs: frozenset[str]) -> float:
    """The value of a lane that transposes nothing: the first written note of a lane of notes (also
    when another lane samples it, or plays its chord), else C4; level 0 where values are levels."""
    if not note_like(lane, spec, pitch_outputs):
        return 0.0
    by_name = {other.name: other for other in spec.lanes}
    seen = set()
    while isinstance(lane.source, Sample | Arpeggio) and lane.name not in seen:
        seen.add(lane.name)
        lane = by_name.get(lane.source.value, lane)
    notes = lane.source.notes if isinstance(lane.source, Notes) else ()
    return next((note.number for note in notes if note.number is not None), 60.0)


def _sampled(lane: Lane, spec: SetSpec) -> list[Lane]:
    """The lane, the one that it samples, the one that that samples, and so on."""
    by_name = {other.name: other for other in spec.lanes}
    found = [lane]
    while isinstance(found[-1].source, Sample):
        other = by_name.get(found[-1].source.value)
        if other is None or other in found:
            break
        found.append(other)
    return found


class Placed(NamedTuple):
    """A lane of values and where it stands: its position, the set, the lane as written, the
    positions of all lanes by name, and the names of all pitch outputs."""

    lane: int
    spec: SetSpec
    written: Lane
    positions: Mapping[str, int]
    pitches: frozenset[str]


class ValueNode:
    """One lane of values at work. A subclass says in `run` when the line moves."""

    due = -1
    alone = False

    def __init__(self, of: Placed) -> None:
        self.lane = of.lane
        self.written_lane = of.written
        self.spec = of.spec
        self.step_in(step_of(of.written, of.spec))
        self.pitch = of.written.out in of.pitches
        self.notes = note_like(of.written, of.spec, of.pitches)
        self.fit = fitting_of(of.written, of.spec)
        self.on_grid = of.written.feel == "grid"
        self.lag = 0
        """How much earlier than its place on the grid a hit may sound that this lane hears: only so
        far behind the grid is sounding time known. The renderer sets it."""
        held = any(
            isinstance(lane.source, Sample) and lane.source.value == of.written.name
            for lane in of.spec.lanes
        )
        self.played = held or of.written.out is not None or any(d.out for d in of.written.drives)
        self.read = (
            not self.played
            or any(drive.lane for drive in of.written.drives)
            or any(
                reference.takes == "values" and name == of.written.name
                for lane in of.spec.lanes
                for reference, name in lane.named()
            )
        )
        self.transposer: int | None = None
        self._interval = 1.0
        self._home = 0.0
        if of.written.transpose_by is not None:
            self.transposer = of.positions[of.written.transpose_by]
            other = of.spec.lanes[self.transposer]
            self._home = home_of(other, of.spec, of.pitches)
            self._interval = 1.0 if note_like(other, of.spec, of.pitches) else 12.0
        self.reads: tuple[int, ...] = () if self.transposer is None else (self.transposer,)
        self._moved_by = 0.0
        self._transposing: list[Change] = []
        self.line = Line(0.0, self.notes)
        self.heard_line = Line(0.0, self.notes) if held else None

    def step_in(self, step: Fraction) -> None:
        """Be a lane with steps of that length."""
        self.step = step
        self.step_length = float(step)

    # --- the line ---

    def begin_at(self, value: float) -> None:
        """What the lane says before its first move."""
        self.line.first = value
        if self.heard_line is not None:
            self.heard_line.first = value

    def value_at(self, tick: int) -> float:
        return self.line.value_at(tick)

    def heard_at(self, tick: int) -> float:
        """The value at a tick of sounding time; only for lanes that a lane of samples reads."""
        assert self.heard_line is not None
        return self.heard_line.value_at(tick)

    def bounds(self, tick: int, version: int) -> tuple[float, float]:
        """Between which values the line stays from `tick` on, while the version of the settings is
        `version`."""
        return -inf, inf

    def period(self, tick: int, version: int) -> Period | None:
        """After how many ticks the line comes round again from `tick` on, while the version of the
        settings is `version`; see `Window.period`."""
        return None

    def begin(self, window: Window) -> list[Change]:
        """Make room for this window's changes; lines up what the transposing lane does in it."""
        out: list[Change] = []
        window.changes[self.lane] = out
        if self.transposer is not None:
            self._transposing += window.changes.get(self.transposer, ())
        self.line.forget(window.start)
        if self.heard_line is not None:
            self.heard_line.forget(window.start)
        return out

    def idle(self, window: Window) -> bool:
        """True when no lane that this one reads does anything in the window."""
        hits, changes = window.hits, window.changes
        return not any(hits.get(lane) or changes.get(lane) for lane in self.reads)

    def finish(self, window: Window) -> None:
        """Catch up with the transposing lane at the end of a window."""
        if self._transposing:
            self._semitones(window.end - 1)

    def move(self, out: list[Change], grid: int, tick: int, value: float, glide: int) -> None:
        """Send the line to `value` from `grid` on."""
        self.line.move(grid, value, glide)
        if self.heard_line is not None:
            self.heard_line.move(tick, value, glide)
        out.append(Change(grid, tick, value, glide))

    # --- times ---

    def glide_ticks(self, window: Window, grid: int) -> int:
        """`slew_ms` or `slew`, whichever is longer, in ticks."""
        slew = window.setting(self.lane, "slew", grid) * self.step_length
        slew_ms = window.setting(self.lane, "slew_ms", grid)
        if slew_ms:
            slew = max(slew, window.ms(slew_ms))
        return floor(slew + 0.5)

    def shift_ticks(self, window: Window, grid: int) -> float:
        offset = window.setting(self.lane, "shift", grid) * self.step_length
        shift_ms = window.setting(self.lane, "shift_ms", grid)
        return offset + window.ms(shift_ms) if shift_ms else offset

    def sounding(self, window: Window, grid: int, lead: float = 0.0) -> int:
        """When a move at `grid` sounds; `lead` is how much later its cause sounds."""
        return max(0, floor(grid + lead + self.shift_ticks(window, grid) + 0.5))

    # --- notes ---

    def _semitones(self, grid: int) -> float:
        changes = self._transposing
        while changes and changes[0].grid <= grid:
            self._moved_by = (changes.pop(0).value - self._home) * self._interval
        return self._moved_by

    def note(self, window: Window, grid: int, number: float) -> float:
        """`number` transposed, then fitted into key, chord and octaves."""
        return self.fit(number + self.interval(window, grid))

    def interval(self, window: Window, grid: int) -> float:
        """The semitones by which a note at `grid` is transposed."""
        own = window.setting(self.lane, "transpose", grid)
        return own + self._semitones(grid) if self.transposer is not None else own

    def heard(self, window: Window, grid: int, value: float) -> float:
        """A level 0..1 as this lane's output wants it: a note for a pitch output."""
        if not self.pitch:
            return value
        return self.note(window, grid, spread(value, self.written_lane.octaves))

    # --- state ---

    def restart(self, tick: int, bar: int) -> None:
        """What follows the hits of others alone has no first step."""

    def rewind(self) -> None:
        self.line.clear()
        if self.heard_line is not None:
            self.heard_line.clear()
        self._moved_by = 0.0
        self._transposing = []

    def carry(self) -> ValueState:
        heard = [] if self.heard_line is None else self.heard_line.recent()
        # Places are remembered by the dozen, and a slow wave is 200 pieces.
        pieces = self.line.recent() if self.read else self.line.last()
        coming = list(self._transposing)
        return ValueState(pieces, heard, self._moved_by, coming, self.notes, self.lag)

    def adopt(self, carry: object, at: int) -> None:
        self.rewind()
        self.lag = 0
        if not isinstance(carry, ValueState):
            return
        if carry.notes is self.notes:
            self.line.put(list(carry.pieces))
            if self.heard_line is not None:
                # A lane that was not held before has the line that others read.
                self.heard_line.put(list(carry.heard or carry.pieces))
        if self.transposer is not None:
            self._moved_by = carry.moved_by
            self._transposing = list(carry.transposing)
        self.lag = carry.lag


class SteppedNode(ValueNode):
    """A lane of values that goes from step to step, by its rate or by the hits of another lane."""

    def __init__(self, of: Placed) -> None:
        super().__init__(of)
        self.pacing = Pacing(self.step, of.spec.bar_ticks)
        self.mover = (
            of.positions[of.written.advance] if isinstance(of.written.advance, str) else None
        )
        self.reset_by = (
            of.positions[of.written.reset] if isinstance(of.written.reset, str) else None
        )
        self.reset_ticks = (
            of.written.reset * of.spec.bar_ticks if isinstance(of.written.reset, int) else 0
        )
        readable = (*self.reads, self.mover, self.reset_by)
        self.reads = tuple(sorted({p for p in readable if p is not None}))
        self.cursor = Cursor(
            of.written.direction, chance.key(of.spec.seed, of.written.name, "direction")
        )
        self.origin = self.index = self.next = 0
        self.next_reset = self.reset_ticks
        self.hand = -1
        self.due = 0 if self.mover is None else NEVER
        self.passing = False  # only the last move of this window matters
        self.coming: tuple[int, float] | None = None  # that move, as far as it is known

    def step_in(self, step: Fraction) -> None:
        super().step_in(step)
        written = self.written_lane
        self.bending = Swing(step, self.spec, "swing" in written.settings, written.led)

    def play(self, window: Window, out: list[Change], grid: int, lead: float) -> None:
        """One step: move the line, or leave it. `lead` is how much later its cause sounds."""
        if not self.advance(window, grid):
            return
        if self.passing:
            self.coming = grid, lead
        else:
            self.say(window, out, grid, lead)

    def advance(self, window: Window, grid: int) -> bool:
        """Go to the next step; whether it moves the line."""
        raise NotImplementedError

    def pass_by(self, window: Window, count: int) -> int | None:
        """
        Do what `count` times `advance` does, where only the last move matters.

        Args:
            window: in which nothing but these steps moves the lane.
            count: how many steps, at least one.

        Returns:
            How many steps before the last one the line moved last, -1 for not at all. None: these
            steps must be played one by one, and nothing was done.
        """
        return None

    def say(self, window: Window, out: list[Change], grid: int, lead: float) -> None:
        """Move the line as the last step that does has it."""
        raise NotImplementedError

    def sounding(self, window: Window, grid: int, lead: float = 0.0) -> int:
        if not self.played and window.passing is not NOTHING:
            return grid  # no output asks
        percent = window.setting(self.lane, "swing", grid)
        for bend in self.bending.bends(percent, self.origin):
            lead += bend.at(grid)
        return super().sounding(window, grid, lead)

    def to_first(self, by_hand: bool) -> None:
        """The next step is the first one."""
        self.cursor.reset(by_hand)

    def run(self, window: Window) -> None:
        if (self.mover is not None or self._stands(window.end)) and self.idle(window):
            if self.mover is None:
                self._due_at(self.next)
            return
        out = self.begin(window)
        self.passing = self.lane in window.passing.lasts
        resets: list[int] = []
        if self.reset_by is not None:
            resets = [hit.grid for hit in steps_of(window.hits.get(self.reset_by, ()))]
        hand = window.reset_by_hand(self.lane)
        if hand <= self.hand or hand >= window.end:
            hand = -1
        alone = self.passing and not resets and hand < 0 and not self.reset_ticks
        if alone and self._passed(window):
            pass
        elif self.mover is None:
            hand = self._run_rate(window, out, resets, hand)
        else:
            hand = self._run_moved(window, out, resets, hand, self.mover)
        self._resets_until(window.end - 1, resets, hand)
        if self.coming is not None:
            self.say(window, out, *self.coming)
            self.coming = None
        self.finish(window)

    def _passed(self, window: Window) -> bool:
        """Go through a window of which only the last move matters without playing each step; False
        where that is not possible."""
        if self.mover is not None:
            hits = window.hits.get(self.mover, ())
            if not isinstance(hits, StepHits):
                return False
            count = hits.written
            back = self.pass_by(window, count) if count else -1
            if back is not None and back >= 0:
                self.coming = hits.written_before_last(back), 0.0
            return back is not None
        asked = window.setting(self.lane, "pace", window.start)
        paced = self.pacing.fresh or not window.fixed(self.lane, "pace")
        if paced or not self.pacing.holds(asked):
            return False
        count = first_step_from(window.end, self.step, self.origin) - self.index
        back = self.pass_by(window, count) if count > 0 else -1
        if back is None:
            return False
        if back >= 0:
            self.coming = step_tick(self.index + count - 1 - back, self.step, self.origin), 0.0
        self.index += max(0, count)
        self.next = step_tick(self.index, self.step, self.origin)
        self.pacing.pass_over(window.end)
        self._due_at(self.next)
        return True

    def _stands(self, end: int) -> bool:
        """Whether a lane that goes by a rate does nothing by itself before `end`."""
        reset = self.next_reset if self.reset_ticks else end
        return min(self.next, self.pacing.line, reset) >= end

    def _run_rate(self, window: Window, out: list[Change], resets: list[int], hand: int) -> int:
        tick = self.next
        while True:
            line = self.pacing.line
            if line <= tick and line < window.end:
                hand = self._resets_until(line - 1, resets, hand)
                tick = self._pace_at(window, line, tick)
                continue
            if self.reset_ticks and self.next_reset <= min(tick, window.end - 1):
                tick = self.origin = self.next_reset
                self.index = 0
                self.next_reset += self.reset_ticks
                self.to_first(by_hand=False)
            if tick >= window.end:
                break
            hand = self._resets_until(tick, resets, hand)
            self.play(window, out, tick, 0.0)
            self.index += 1
            tick = step_tick(self.index, self.step, self.origin)
        self.next = tick
        self._due_at(tick)
        return hand

    def _pace_at(self, window: Window, line: int, tick: int) -> int:
        """Look at the lane's pace at a bar line, where it begins at its first step when that
        changes; the tick of its next step, which was `tick`."""
        fresh = self.pacing.fresh
        if not self.pacing.look(window.setting(self.lane, "pace", line), line):
            return tick
        self.step_in(self.pacing.step)
        if not fresh:
            self.to_first(by_hand=False)
            self.origin = line
        self.index = first_step_from(line, self.step, self.origin)
        return step_tick(self.index, self.step, self.origin)

    def _due_at(self, tick: int) -> None:
        """Note when the next run is needed."""
        reset = self.next_reset if self.reset_ticks else tick
        self.due = min(tick, reset, self.pacing.line)

    def _run_moved(
        self, window: Window, out: list[Change], resets: list[int], hand: int, mover: int
    ) -> int:
        hits: Sequence[Hit] = steps_of(window.hits.get(mover, ()))
        for hit in hits:
            if self.reset_ticks and self.next_reset <= hit.grid:
                self.next_reset = (hit.grid // self.reset_ticks + 1) * self.reset_ticks
                self.to_first(by_hand=False)
            hand = self._resets_until(hit.grid, resets, hand)
            self.play(window, out, hit.grid, 0.0 if self.on_grid else hit.feel.offset)
        return hand

    def _resets_until(self, tick: int, resets: list[int], hand: int) -> int:
        while resets and resets[0] <= tick:
            del resets[0]
            self.to_first(by_hand=False)
        if 0 <= hand <= tick:
            self.hand = hand
            self.to_first(by_hand=True)
            return -1
        return hand

    # --- state ---

    def restart(self, tick: int, bar: int) -> None:
        """Begin at the first step (see `Node.restart`)."""
        self.to_first(by_hand=True)
        if self.mover is None:
            self.origin = bar
            self.index = first_step_from(tick, self.step, bar)
            self.next = step_tick(self.index, self.step, bar)
            self._due_at(self.next)

    def rewind(self) -> None:
        super().rewind()
        self.cursor.rewind()
        self.pacing.rewind()
        self.step_in(self.pacing.step)
        self.origin = self.index = self.next = 0
        self.next_reset = self.reset_ticks
        self.hand = -1
        self.due = 0 if self.mover is None else NEVER

    def carry(self) -> ValueState:
        state = super().carry()
        state.origin, state.hand = self.origin, self.hand
        state.steps = StepsState(
            self.cursor.carry(),
            self.index,
            self.next,
            self.next_reset,
            self.reset_ticks,
            self.pacing.carry(),
        )
        return state

    def adopt(self, carry: object, at: int) -> None:
        super().adopt(carry, at)
        steps = None
        if isinstance(carry, ValueState):
            steps, self.hand, self.origin = carry.steps, carry.hand, carry.origin
        if self.reset_ticks:
            self.next_reset = max(1, -(-at // self.reset_ticks)) * self.reset_ticks
        if steps is None:
            self.pacing.begin(at)
        else:
            if self.reset_ticks and steps.reset_ticks == self.reset_ticks:
                self.next_reset = steps.next_reset
            self.cursor.adopt(steps.cursor)
            self.pacing.adopt(steps.pacing)
            self.step_in(self.pacing.step)
        if self.mover is None:
            if steps is not None and steps.pacing.written == self.pacing.written:
                self.index, self.next = steps.index, steps.next
            else:
                self.index = first_step_from(at, self.step, self.origin)
                self.next = step_tick(self.index, self.step, self.origin)
        self._due_at(self.next)
