"""What all lanes of values have in common: a line of straight pieces.

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

from bisect import bisect_right
from collections.abc import Mapping
from fractions import Fraction
from math import floor, inf
from operator import attrgetter
from typing import NamedTuple

from bridge.music.line import Line
from bridge.music.model import SIXTEENTH, Arpeggio, Lane, Notes, Sample, SetSpec, kind_of
from bridge.music.node import Change, Period, Window
from bridge.music.scale import fitting_of, spread
from bridge.music.value_states import ValueState

_GRID = attrgetter("grid")


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
        if changes and changes[0].grid <= grid:
            past = bisect_right(changes, grid, key=_GRID)
            self._moved_by = (changes[past - 1].value - self._home) * self._interval
            del changes[:past]
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
