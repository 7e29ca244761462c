"""Mixing at an output: what an attenuverter and a mixer do, and the clamp of the profile after it.

Level outputs: ``base + sum(depth * value) * span + offsets + sum(from + value * (to - from))``
volts, then clamped to ``low..high``. `base` counts only while no from..to drive says where the
output stands. Values are levels; a lane of notes counts as ``note / 127``, a lane of hits as the
level of its hit while the gate is open.

Pitch outputs: the note of the lane that moved last among those which go there, plus what drives
and `offset` add, at 12 semitones to the volt; clamped to 0..127. `depth` of such a lane does not
count: a scaled note would be out of tune.

A lane that is out leaves its last value standing (a lane of hits: a closed gate). Something that
glides is sampled at every multiple of 20 ticks; else an output is worked out only where a lane
moves or a hand changes something.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Mapping
from typing import NamedTuple

from bridge.music.event import Event, EventKind
from bridge.music.line import CONTROL_GRID, along
from bridge.music.live_state import NEVER
from bridge.music.model import Drive, OutputRange
from bridge.music.names import SAME, after
from bridge.music.node import SOUNDING, Window
from bridge.music.performance import Performance, ScoreLike
from bridge.music.value_node import note_like

SEMITONES_PER_VOLT = 12.0
HIGHEST_NOTE = 127.0


class _Due(NamedTuple):
    """A lane moves at `tick`. Of lanes that move at the same tick the last in the set has the last
    word, whichever was heard of first: that would depend on how the time is cut."""

    tick: int
    lane: int
    value: float
    glide: int


class _Line:
    """The value of one lane in sounding time."""

    __slots__ = (
        "_last",
        "at",
        "glide",
        "held",
        "hits",
        "moved",
        "notes",
        "scale",
        "start",
        "target",
    )

    def __init__(self, hits: bool, notes: bool) -> None:
        self.hits = hits
        self.notes = notes
        self.scale = 1.0 / HIGHEST_NOTE if notes else 1.0
        self.clear()

    def clear(self) -> None:
        self.at = self.glide = 0
        self.start = self.target = 0.0
        self.moved = False
        self.held: float | None = None
        self._last = -1

    def value(self, tick: int) -> float:
        return along(self.start, self.target, tick - self.at, self.glide)

    def move(self, due: _Due) -> None:
        # A pitch has nowhere to come from at first; a level comes from 0.
        self.start = self.value(due.tick) if self.moved or not self.notes else due.value
        self.at, self.target, self.glide = due.tick, due.value, due.glide
        self.moved = True

    def glides(self, tick: int) -> bool:
        return tick < self.at + self.glide

    def later(self, tick: int) -> bool:
        """Note that a move at `tick` was heard of; False when one after it was heard before."""
        in_order = tick > self._last
        self._last = tick
        return in_order

    def take(self, other: _Line) -> None:
        self.at, self.start, self.target, self.glide = (
            other.at,
            other.start,
            other.target,
            other.glide,
        )
        self.moved, self.held, self._last = other.moved, other.held, other._last


class _Feed(NamedTuple):
    """One thing that comes in at an output: a lane's position, or -1 - the position of a macro.
    `drive` is None for the lane that plays the output itself."""

    source: int
    drive: Drive | None


class _Mix:
    """One output at work."""

    __slots__ = ("base", "feeds", "last", "leader", "owners", "pitch", "wired")

    def __init__(self, wired: OutputRange, feeds: list[_Feed]) -> None:
        self.wired = wired
        self.feeds = feeds
        self.pitch = wired.kind == "pitch"
        self.owners = tuple(feed.source for feed in feeds if feed.drive is None)
        ranged = any(feed.drive is not None and feed.drive.start is not None for feed in feeds)
        self.base = 0.0 if ranged else wired.base
        self.clear()

    def clear(self) -> None:
        self.last: float | None = None
        self.leader = self.owners[0] if self.owners else self.feeds[0].source


class Mixer:
    """All pitch and level outputs that something drives.

    `hear` takes the changes of a window of grid ticks; `events` gives what the outputs do, in
    sounding time, up to a tick for which everything has been heard.
    """

    def __init__(self, score: ScoreLike) -> None:
        self.score = score
        pitches = pitch_outputs(score)
        feeds: dict[str, list[_Feed]] = {}
        for position, lane in enumerate(score.lanes):
            if lane.out is not None:
                feeds.setdefault(lane.out, []).append(_Feed(position, None))
        owners = [(i, lane.drives) for i, lane in enumerate(score.lanes)]
        owners += [(-1 - i, macro.drives) for i, macro in enumerate(score.spec.macros)]
        for source, drives in owners:
            for drive in drives:
                if drive.out is not None:
                    feeds.setdefault(drive.out, []).append(_Feed(source, drive))
        self._mixes = [
            _Mix(score.outputs[name], coming)
            for name, coming in feeds.items()
            if name in score.outputs and score.outputs[name].kind in ("pitch", "level")
        ]
        self._lines: dict[int, _Line] = {}
        self._fed: dict[int, list[_Mix]] = {}
        for mix in self._mixes:
            for feed in mix.feeds:
                self._fed.setdefault(feed.source, []).append(mix)
                if feed.source >= 0:
                    lane = score.lanes[feed.source]
                    notes = not lane.hits and note_like(lane, score.spec, pitches)
                    self._lines.setdefault(feed.source, _Line(lane.hits, notes))
        self.rewind()

    def rewind(self) -> None:
        """Back to the first tick, with nothing heard and nothing sent."""
        self._at = 0
        self._version = -1
        self._queue: list[_Due] = []
        self._busy: list[_Mix] = []
        for line in self._lines.values():
            line.clear()
        for mix in self._mixes:
            mix.clear()

    # --- hearing ---------------------------------------------------------------------------------

    def hear(self, window: Window) -> None:
        """Take what the lanes do in a window."""
        for lane, line in self._lines.items():
            if line.hits:
                for hit in window.hits.get(lane, ()):
                    if hit.exists_in & SOUNDING:
                        self._await(line, lane, hit.tick, hit.level, 0)
                        self._await(line, lane, hit.tick + hit.length, 0.0, 0)
            else:
                moves = window.sounds.get(lane)
                for change in window.changes.get(lane, ()) if moves is None else moves:
                    self._await(line, lane, change.tick, change.value, change.glide)

    def _await(self, line: _Line, lane: int, tick: int, value: float, glide: int) -> None:
        tick = max(tick, self._at)
        if not line.later(tick):
            # The newer move stands: what was to come at or after it is void.
            self._queue = [due for due in self._queue if due.lane != lane or due.tick < tick]
        insort(self._queue, _Due(tick, lane, value, glide))

    # --- playing ---------------------------------------------------------------------------------

    def events(self, until: int, performance: Performance) -> list[Event]:
        """What the outputs do from where the last call ended to before `until`, in tick order."""
        out: list[Event] = []
        tick = self._at
        if not self._mixes or until <= tick:
            self._at = max(tick, until)
            return out
        version = performance.version(tick)
        changed = version != self._version
        while True:
            if not changed:
                tick = self._next_point(tick, until, performance)
                if tick >= until:
                    break
                changed = performance.version(tick) != self._version
            self._sample(out, tick, changed, performance)
            changed = False
            self._at = tick + 1
            tick = tick + 1
            if tick >= until:
                break
            changed = performance.version(tick) != self._version
        self._at = until
        return out

    def _next_point(self, tick: int, until: int, performance: Performance) -> int:
        """The first tick from `tick` on at which an output may move."""
        point = self._queue[0].tick if self._queue else NEVER
        change = performance.next_change(tick)
        if change is not None and change < point:
            point = change
        if self._busy and point > tick:
            point = min(point, -(-tick // CONTROL_GRID) * CONTROL_GRID)
        return max(point, tick)

    def _sample(self, out: list[Event], tick: int, changed: bool, performance: Performance) -> None:
        queue = self._queue
        moved: list[_Mix] = []
        while queue and queue[0].tick <= tick:
            due = queue.pop(0)
            self._lines[due.lane].move(due)
            for mix in self._fed[due.lane]:
                moved.append(mix)
                if due.lane in mix.owners and not performance.unheard(due.lane, tick):
                    mix.leader = due.lane
        if changed:
            self._version = performance.version(tick)
            moved = self._mixes
        elif tick % CONTROL_GRID == 0:
            moved = moved + self._busy
        done: set[int] = set()
        for mix in moved:
            if id(mix) in done:
                continue
            done.add(id(mix))
            value = self._value(mix, tick, performance)
            if value is not None and value != mix.last:
                mix.last = value
                out.append(self._event(mix, tick, value))
        self._busy = [mix for mix in self._mixes if self._moves(mix, tick, performance)]

    def _event(self, mix: _Mix, tick: int, value: float) -> Event:
        kind: EventKind = "pitch" if mix.pitch else "level"
        return Event(tick, mix.leader, kind, value, 0, mix.wired.name, tick)

    def _moves(self, mix: _Mix, tick: int, performance: Performance) -> bool:
        for source, drive in mix.feeds:
            if source < 0:
                if performance.macro_moves(-1 - source, tick):
                    return True
                continue
            line = self._lines[source]
            if line.glides(tick):
                return True
            if (
                drive is None
                and not line.hits
                and not (
                    performance.fixed(source, "offset", tick)
                    and performance.fixed(source, "depth", tick)
                )
            ):
                return True
        return False

    # --- arithmetic ------------------------------------------------------------------------------

    def _lane_value(self, lane: int, tick: int, performance: Performance) -> float | None:
        """A lane's value as outputs have it; None when it never had one."""
        line = self._lines[lane]
        if performance.unheard(lane, tick):
            return 0.0 if line.hits else line.held
        if line.moved:
            line.held = line.value(tick)
        return line.held

    def _value(self, mix: _Mix, tick: int, performance: Performance) -> float | None:
        """Volts of a level output, the note of a pitch output; None: nothing has been said yet."""
        return (
            self._note(mix, tick, performance) if mix.pitch else self._volts(mix, tick, performance)
        )

    def _driven(self, mix: _Mix, tick: int, performance: Performance) -> float:
        """Volts that drives add."""
        volts = 0.0
        for source, drive in mix.feeds:
            if drive is None:
                continue
            if source < 0:
                value: float | None = performance.macro(-1 - source, tick, drive.curve)
            else:
                value = self._lane_value(source, tick, performance)
                if value is not None:
                    value *= self._lines[source].scale
            if value is None:
                continue
            if drive.start is not None and drive.end is not None:
                volts += drive.start + value * (drive.end - drive.start)
            else:
                volts += drive.depth * value * mix.wired.span
        return volts

    def _volts(self, mix: _Mix, tick: int, performance: Performance) -> float:
        volts = mix.base + self._driven(mix, tick, performance)
        for lane in mix.owners:
            value = self._lane_value(lane, tick, performance)
            if value is not None:
                depth = performance.setting(lane, "depth", tick)
                volts += depth * value * self._lines[lane].scale * mix.wired.span
            volts += performance.setting(lane, "offset", tick)
        return min(max(volts, mix.wired.low), mix.wired.high)

    def _note(self, mix: _Mix, tick: int, performance: Performance) -> float | None:
        # Every owner is looked at, so that each keeps the value it is to leave standing.
        notes = {lane: self._lane_value(lane, tick, performance) for lane in mix.owners}
        note = notes.get(mix.leader)
        if note is None:
            return None
        volts = self._driven(mix, tick, performance)
        volts += performance.setting(mix.leader, "offset", tick)
        return min(max(note + volts * SEMITONES_PER_VOLT, 0.0), HIGHEST_NOTE)

    def driven_by(self, macro: int, performance: Performance) -> dict[str, float]:
        """Volts of the level outputs that a macro (by position) drives, at the tick up to which
        everything has been given out."""
        return {
            mix.wired.name: self._volts(mix, self._at, performance)
            for mix in self._fed.get(-1 - macro, ())
            if not mix.pitch
        }

    # --- standing still --------------------------------------------------------------------------

    def hold(self, tick: int, performance: Performance) -> list[Event]:
        """The present value of every driven output, whether or not it has been sent before: for a
        stopped transport, a port that comes back, a recall."""
        out: list[Event] = []
        for mix in self._mixes:
            now = self._value(mix, tick, performance)
            if now is not None:
                mix.last = now
                out.append(self._event(mix, tick, now))
        return out

    def adopt(self, old: Mixer, renamed: Mapping[str, str] = SAME) -> None:
        """Go on where `old` is: lanes and outputs of the same name (or the one that `renamed` gives
        the lane) stay as they are."""
        self.rewind()
        self._at = old._at
        names = {}
        for lane in old._lines:
            names[after(old.score.lanes[lane].name, renamed)] = lane
        places = {}
        for lane, line in self._lines.items():
            other = names.get(self.score.lanes[lane].name)
            if other is not None and old._lines[other].scale == line.scale:
                line.take(old._lines[other])
                places[other] = lane
        self._queue = sorted(
            due._replace(lane=places[due.lane]) for due in old._queue if due.lane in places
        )
        sent = {mix.wired.name: mix for mix in old._mixes}
        for mix in self._mixes:
            before = sent.get(mix.wired.name)
            if before is not None:
                mix.last = before.last
                mix.leader = places.get(before.leader, mix.leader)


def pitch_outputs(score: ScoreLike) -> frozenset[str]:
    """The names of all pitch outputs."""
    return frozenset(name for name, out in score.outputs.items() if out.kind == "pitch")
