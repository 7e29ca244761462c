"""Lanes of values that go in steps: notes, levels, random walk, sample and hold.

`build_node` makes the node of any lane of values; those that move all the time are in
`bridge.music.shapes`.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Callable, Mapping
from types import MappingProxyType

from bridge.music import chance
from bridge.music.batches import Draws
from bridge.music.euclid import rotate
from bridge.music.model import Arpeggio, Decay, Levels, Notes, Sample, Shape, Source, Walk
from bridge.music.node import Change, Node, Trace, Window, steps_of
from bridge.music.pattern import Drift, played_order, to_length
from bridge.music.scale import TRIAD, Key, inverted, key_of, spread
from bridge.music.shapes import DecayNode, ShapeNode
from bridge.music.stepped import SteppedNode
from bridge.music.value_node import Placed, ValueNode, home_of, note_like
from bridge.music.value_states import DriftState, SampleDue, SampleState, ValueState, WalkState
from bridge.music.walking import walk_on


def build_node(of: Placed) -> Node:
    """The node of a lane of values. Raises TypeError for a lane of hits."""
    made = VALUE_NODES.get(type(of.written.source))
    if made is None:
        raise TypeError(f"lane {of.written.name} has hits and no values")
    return made(of)


class PatternedNode(SteppedNode):
    """Values written one by one, and played in the lane's direction.

    A step that has drifted plays what stands at another step of the pattern, drawn anew each time
    that it drifts.
    """

    def __init__(self, of: Placed, count: int) -> None:
        super().__init__(of)
        self.count = count
        self.drift = Drift(chance.key(of.spec.seed, of.written.name, "drift"))
        self._other = chance.key(of.spec.seed, of.written.name, "drift to")
        self._moved: dict[int, int] = {}  # drifted place -> the place it plays instead
        self._plain = tuple(range(count))
        self._places = self._plain
        self._version = -1
        self._varies = False

    def advance(self, window: Window, grid: int) -> bool:
        place = self.place(window, grid)
        if self.rests(place):
            return False
        self.at = place
        return True

    def rests(self, place: int) -> bool:
        """Whether what is written there leaves the line as it is."""
        return False

    def place(self, window: Window, grid: int) -> int:
        """Go to the next step; which written value it plays."""
        if self._varies or self._version != window.version:
            self._read_places(window, grid)
        places = self._places
        at = self.cursor.move(len(places))
        if self.cursor.step == 0 and self.cursor.counted > 0:  # the first pass is as written
            self._drift(window, grid, len(places))
        return self._moved.get(at, places[at])

    def pass_by(self, window: Window, count: int) -> int | None:
        walks = self.cursor.direction == "random-walk"
        if self._drifts(window) or (walks and any(map(self.rests, self._plain))):
            return None
        if self._version != window.version:
            self._read_places(window, window.start)
        if self._varies:
            return None
        places, cursor = self._places, self.cursor
        steps = len(places)
        if walks:
            walk_on(cursor, count, steps)
            self.at = self._moved.get(cursor.place, places[cursor.place])
            return 0
        cursor.go_on(count, steps)
        last = cursor.pass_index, cursor.step
        found = -1
        # Every place comes at least once in two passes, whichever the direction.
        for back in range(min(count, 2 * cursor.span(steps))):
            cursor.go_back(back, last, steps)
            place = self._moved.get(cursor.place, places[cursor.place])
            if not self.rests(place):
                self.at, found = place, back
                break
        cursor.go_back(0, last, steps)
        return found

    def cycle(self, window: Window) -> list[int]:
        if self.transposer is not None or self._drifts(window):
            return []
        if self._version != window.version:
            self._read_places(window, window.start)
        names = "slew", "slew_ms", "transpose", "degree_shift"
        if self._varies or not all(window.fixed(self.lane, name) for name in names):
            return []
        order = played_order(self._places, self.cursor.direction)
        if order is None:
            return []
        found = [
            self._moved.get(self.cursor.place_of(n, len(self._places)), at)
            for n, at in enumerate(order)
        ]
        found = [-1 if self.rests(place) else place for place in found]
        begin = self.cursor.next(len(self._places))[1]
        return found[begin:] + found[:begin]

    def go_on(self, count: int) -> None:
        self.cursor.go_on(count, len(self._places))

    def _drifts(self, window: Window) -> bool:
        """Whether steps may drift, or come home, in a window."""
        if self.count < 2:
            return False
        if not (window.fixed(self.lane, "drift") and window.fixed(self.lane, "drift_bound")):
            return True
        bound = round(window.setting(self.lane, "drift_bound", window.start))
        drift = window.setting(self.lane, "drift", window.start)
        return drift > 0.0 or len(self.drift.changed) > bound

    def _read_places(self, window: Window, grid: int) -> None:
        """Work out which value each step plays, as the settings are."""
        self._version = window.version
        self._varies = not (window.fixed(self.lane, "rotate") and window.fixed(self.lane, "length"))
        rotation = round(window.setting(self.lane, "rotate", grid))
        length = round(window.setting(self.lane, "length", grid))
        self._places = to_length(rotate(self._plain, rotation) if rotation else self._plain, length)

    def _drift(self, window: Window, grid: int, steps: int) -> None:
        probability = window.setting(self.lane, "drift", grid)
        bound = round(window.setting(self.lane, "drift_bound", grid))
        if (probability <= 0.0 and len(self.drift.changed) <= bound) or self.count < 2:
            return
        pass_index = self.cursor.pass_index
        self.drift.begin_pass(pass_index, (0,) * steps, probability, bound)
        for place in self.drift.changed - self._moved.keys():
            hop = 1 + chance.pick(self._other, pass_index, place, self.count - 1)
            self._moved[place] = (place + hop) % self.count
        self._moved = {p: to for p, to in self._moved.items() if p in self.drift.changed}

    def to_first(self, by_hand: bool) -> None:
        super().to_first(by_hand)
        if by_hand:
            self.drift.clear()
            self._moved = {}

    def rewind(self) -> None:
        super().rewind()
        self.drift.clear()
        self._moved = {}
        self._version = -1

    def carry(self) -> ValueState:
        state = super().carry()
        state.own = DriftState(self.drift.changed, dict(self._moved))
        return state

    def adopt(self, carry: object, at: int) -> None:
        super().adopt(carry, at)
        own = carry.own if isinstance(carry, ValueState) else None
        if isinstance(own, DriftState) and all(to < self.count for to in own.moved.values()):
            self.drift.changed = own.changed
            self._moved = dict(own.moved)


class NotesNode(PatternedNode):
    """Notes one by one. A rest and a tie keep the pitch; `glide` slides into a note over one step,
    or over the lane's slew where that is longer."""

    def __init__(self, of: Placed) -> None:
        assert isinstance(of.written.source, Notes)
        self.sequence = of.written.source.notes
        super().__init__(of, len(self.sequence))
        self.key = key_of(of.spec)
        self.in_degrees = any(note.degree is not None for note in self.sequence)
        start = next((n.number for n in self.sequence if n.number is not None), 60.0)
        transpose = of.written.settings.get("transpose", 0.0)
        self.begin_at(self.fit(float(start) + transpose))

    def rests(self, place: int) -> bool:
        written = self.sequence[place]
        return written.number is None or written.tie

    def say(self, window: Window, out: list[Change], grid: int, lead: float) -> None:
        written = self.sequence[self.at]
        assert written.number is not None
        glide = self.glide_ticks(window, grid)
        if written.glide:
            glide = max(glide, round(self.step_length))
        tick = self.sounding(window, grid, lead)
        number = float(written.number)
        if self.in_degrees and written.degree is not None:
            shift = round(window.setting(self.lane, "degree_shift", grid))
            number = self.key.note(written.degree, shift) if shift else number
        self.move(out, grid, tick, self.note(window, grid, number), glide)


class ArpeggioNode(PatternedNode):
    """Notes of a chord one by one: scale steps above the note that another lane has at each step.
    The chord is the one that the scale has there, so that it is major or minor as the key says."""

    def __init__(self, of: Placed) -> None:
        assert isinstance(of.written.source, Arpeggio)
        self.chord = of.written.chord or TRIAD
        super().__init__(of, len(self.chord))
        own = of.written.quantise
        self.key = key_of(of.spec) if own is None else Key(own.root, own.degrees)
        self.source = of.positions[of.written.source.value]
        self.reads = tuple(sorted({*self.reads, self.source}))
        roots = of.spec.lanes[self.source]
        self.of_notes = note_like(roots, of.spec, of.pitches)
        first = home_of(roots, of.spec, of.pitches) if self.of_notes else self._root(0.0)
        transpose = of.written.settings.get("transpose", 0.0)
        self.begin_at(self.fit(self.key.above(first, self.chord[0] - 1) + transpose))

    def cycle(self, window: Window) -> list[int]:
        return []  # it asks another lane

    def _root(self, value: float) -> float:
        return value if self.of_notes else spread(value, self.written_lane.octaves)

    def say(self, window: Window, out: list[Change], grid: int, lead: float) -> None:
        place = self.at
        shift = round(window.setting(self.lane, "degree_shift", grid))
        inversion = round(window.setting(self.lane, "inversion", grid))
        root = self._root(window.value(self.source, grid))
        number = self.key.above(root, self.chord[place] - 1 + shift)
        if inversion:
            number += 12.0 * inverted(self.chord, inversion)[place]
        tick = self.sounding(window, grid, lead)
        self.move(out, grid, tick, self.note(window, grid, number), self.glide_ticks(window, grid))


class LevelsNode(PatternedNode):
    """Levels one by one; a rest keeps the level."""

    def __init__(self, of: Placed) -> None:
        assert isinstance(of.written.source, Levels)
        self.levels = of.written.source.values
        super().__init__(of, len(self.levels))

    def bounds(self, tick: int, version: int) -> tuple[float, float]:
        if self.pitch:
            return super().bounds(tick, version)
        reached = [level for level in self.levels if level is not None]
        reached.extend(self.line.bounds_from(tick))
        return min(reached), max(reached)

    def rests(self, place: int) -> bool:
        return self.levels[place] is None

    def say(self, window: Window, out: list[Change], grid: int, lead: float) -> None:
        level = self.levels[self.at]
        assert level is not None
        tick = self.sounding(window, grid, lead)
        value = self.heard(window, grid, float(level))
        self.move(out, grid, tick, value, self.glide_ticks(window, grid))


class WalkNode(SteppedNode):
    """A random walk: it begins in the middle between `low` and `high` and at each step moves by at
    most `walk_step` (in levels, as `low` and `high` are), evenly drawn; the ends throw it back."""

    def __init__(self, of: Placed) -> None:
        super().__init__(of)
        self._stream = chance.key(of.spec.seed, of.written.name, "walk")
        self._at: float | None = None
        self._value = 0.0
        self._count = 0

    def advance(self, window: Window, grid: int) -> bool:
        self._count += 1
        low = window.setting(self.lane, "low", grid)
        high = window.setting(self.lane, "high", grid)
        if self._at is None:
            at = 0.5
        else:
            size = window.setting(self.lane, "walk_step", grid)
            share = min(1.0, size / abs(high - low)) if high != low else 0.0
            at = self._at + share * chance.signed(self._stream, 0, self._count)
            at = -at if at < 0.0 else 2.0 - at if at > 1.0 else at
        self._at = at
        self._value = low + (high - low) * at
        return True

    def pass_by(self, window: Window, count: int) -> int | None:
        names = "low", "high", "walk_step"
        if not all(window.fixed(self.lane, name) for name in names):
            return None
        low, high, size = (window.setting(self.lane, name, window.start) for name in names)
        share = min(1.0, size / abs(high - low)) if high != low else 0.0
        first, at = self._count + 1, self._at
        self._count += count
        traced = self.lane in window.passing.traced
        ats: list[float] = []
        if at is None:
            at, first, count = 0.5, first + 1, count - 1
            ats.append(at)
        for drawn in Draws(self._stream, 0, first, count, passes=False).numbers():
            at += share * (2.0 * drawn - 1.0)
            if at < 0.0:
                at = -at
            elif at > 1.0:
                at = 2.0 - at
            if traced:
                ats.append(at)
        if traced:
            before, values = self.value_at(window.start), [low + (high - low) * at for at in ats]
            window.traces[self.lane] = Trace(before, self.index, self.step, self.origin, values)
        self._at = at
        self._value = low + (high - low) * at
        return 0

    def say(self, window: Window, out: list[Change], grid: int, lead: float) -> None:
        tick = self.sounding(window, grid, lead)
        value = self.heard(window, grid, self._value)
        self.move(out, grid, tick, value, self.glide_ticks(window, grid))

    def to_first(self, by_hand: bool) -> None:
        super().to_first(by_hand)
        self._at = None

    def rewind(self) -> None:
        super().rewind()
        self._at, self._count = None, 0

    def carry(self) -> ValueState:
        state = super().carry()
        state.own = WalkState(self._at, self._count)
        return state

    def adopt(self, carry: object, at: int) -> None:
        super().adopt(carry, at)
        own = carry.own if isinstance(carry, ValueState) else None
        if isinstance(own, WalkState):
            self._at, self._count = own.at, own.count


class SampleNode(ValueNode):
    """Sample and hold: the value of one lane at each written hit of another."""

    def __init__(self, of: Placed) -> None:
        super().__init__(of)
        assert isinstance(of.written.source, Sample)
        self.source = of.positions[of.written.source.value]
        self.at = of.positions[of.written.source.at]
        self.reads = tuple(sorted({*self.reads, self.source, self.at}))
        self.holds_notes = note_like(of.spec.lanes[self.source], of.spec, of.pitches)
        self.waiting: list[SampleDue] = []
        self.done = 0

    def run(self, window: Window) -> None:
        horizon = max(self.done, window.end - self.lag)
        due = bool(self.waiting) and self.waiting[0].tick < horizon
        moved = self.transposer is not None and window.changes.get(self.transposer)
        if not window.hits.get(self.at) and not moved and not due:
            self.done = horizon
            return
        out = self.begin(window)
        for hit in steps_of(window.hits.get(self.at, ())):
            grid = hit.grid
            interval = self.interval(window, grid) if self.notes else 0.0
            if self.played:
                when = grid if self.on_grid else hit.tick
                insort(self.waiting, SampleDue(max(when, self.done), grid, interval))
            value = self._held(window.value(self.source, grid), interval)
            lead = 0.0 if self.on_grid else hit.feel.offset
            glide = self.glide_ticks(window, grid)
            self.line.move(grid, value, glide)
            out.append(Change(grid, self.sounding(window, grid, lead), value, glide))
        if self.played:
            self._take_samples(window, horizon)
        self.done = horizon
        self.finish(window)

    def _take_samples(self, window: Window, horizon: int) -> None:
        """The samples before `horizon`, of what the source says when the hit sounds."""
        sounds: list[Change] = []
        window.sounds[self.lane] = sounds
        while self.waiting and self.waiting[0].tick < horizon:
            at, _, interval = self.waiting.pop(0)
            value = self._held(window.heard(self.source, at), interval)
            tick, glide = self.sounding(window, at), self.glide_ticks(window, at)
            if self.heard_line is not None:
                self.heard_line.move(tick, value, glide)
            sounds.append(Change(at, tick, value, glide))

    def _held(self, value: float, interval: float) -> float:
        if self.holds_notes:
            return self.fit(value + interval)
        if self.pitch:
            return self.fit(spread(value, self.written_lane.octaves) + interval)
        return value

    def rewind(self) -> None:
        super().rewind()
        self.waiting, self.done = [], 0

    def carry(self) -> ValueState:
        state = super().carry()
        state.own = SampleState(list(self.waiting), self.done)
        return state

    def adopt(self, carry: object, at: int) -> None:
        super().adopt(carry, at)
        self.done = at
        own = carry.own if isinstance(carry, ValueState) else None
        if isinstance(own, SampleState):
            self.waiting, self.done = list(own.waiting), own.done


MakesNode = Callable[[Placed], Node]
VALUE_NODES: Mapping[type[Source], MakesNode] = MappingProxyType(
    {
        Notes: NotesNode,
        Arpeggio: ArpeggioNode,
        Levels: LevelsNode,
        Walk: WalkNode,
        Sample: SampleNode,
        Shape: ShapeNode,
        Decay: DecayNode,
    }
)
"""The node of each kind of lane of values."""
