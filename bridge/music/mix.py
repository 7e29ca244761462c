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

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from bridge.music.event import Event
from bridge.music.line import CONTROL_GRID
from bridge.music.names import SAME, after
from bridge.music.node import SOUNDING, Change, Window
from bridge.music.output import Feed, LineState, Mix, OutputLine
from bridge.music.performance import Performance, ScoreLike, Settings
from bridge.music.ticks import NEVER
from bridge.music.value_node import note_like

_Due = tuple[int, int, float, int]
"""A tick, the lane that moves then, to what, and how long it glides. Of lanes that move at the same
tick the last in the set has the last word, whichever was heard of first: that would depend on how
the time is cut."""


class MixerState(NamedTuple):
    """All that a mixer carries, by position."""

    at: int
    queue: list[_Due]
    lines: dict[int, LineState]
    sent: list[tuple[float | None, int]]


class Mixer:
    """All pitch and level outputs that something drives.

    `hear` takes the changes of a window of grid ticks; `events` gives what the outputs do, in
    sounding time, up to a tick for which everything has been heard.
    """

    def __init__(self, score: ScoreLike, settings: Settings) -> None:
        self.score = score
        pitches = pitch_outputs(score)
        feeds: dict[str, list[Feed]] = {}
        for position, lane in enumerate(score.lanes):
            if lane.out is not None:
                feeds.setdefault(lane.out, []).append(Feed(position, None))
        owners = [(i, lane.drives) for i, lane in enumerate(score.lanes)]
        owners += [(-1 - i, macro.drives) for i, macro in enumerate(score.spec.macros)]
        for source, drives in owners:
            for drive in drives:
                if drive.out is not None:
                    feeds.setdefault(drive.out, []).append(Feed(source, drive))
        self._lines: dict[int, OutputLine] = {}
        self._mixes: list[Mix] = []
        self._fed: dict[int, list[Mix]] = {}
        for name, coming in feeds.items():
            if name not in score.outputs or score.outputs[name].kind not in ("pitch", "level"):
                continue
            for source in dict.fromkeys(feed.source for feed in coming if feed.source >= 0):
                lane = score.lanes[source]
                notes = not lane.hits and note_like(lane, score.spec, pitches)
                self._lines.setdefault(source, OutputLine(lane.hits, notes))
            mix = Mix(score.outputs[name], coming, self._lines, settings)
            self._mixes.append(mix)
            for feed in coming:
                self._fed.setdefault(feed.source, []).append(mix)
        self.rewind()

    def rewind(self) -> None:
        """Back to the first tick, with nothing heard and nothing sent."""
        self._at = 0
        self._version = -1
        self._queue: list[_Due] = []  # the next one last
        self._in_order = True
        self._busy: list[Mix] = []
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
                        end = hit.tick + hit.length
                        gate = Change(hit.grid, hit.tick, hit.level), Change(hit.grid, end, 0.0)
                        self._await(line, lane, gate)
            else:
                moves = window.sounds.get(lane)
                self._await(line, lane, window.changes.get(lane, ()) if moves is None else moves)
        if not self._in_order:
            self._queue.sort(reverse=True)
            self._in_order = True

    def _await(self, line: OutputLine, lane: int, moves: Sequence[Change]) -> None:
        for _, tick, value, glide in moves:
            tick = max(tick, self._at)
            if not line.later(tick):
                # The newer move stands: what was to come at or after it is void.
                self._queue = [due for due in self._queue if due[1] != lane or due[0] < tick]
            self._queue.append((tick, lane, value, glide))
            self._in_order = False

    # --- playing ---------------------------------------------------------------------------------

    def events(self, until: int, performance: Performance) -> list[Event]:
        """What the outputs do from where the last call ended to before `until`, in tick order."""
        out: list[Event] = []
        while self._at < until and self._mixes:
            live = performance.at(self._at)
            if live.serial != self._version:
                self._version = live.serial
                for mix in self._mixes:
                    mix.planned = None
                self._move(self._at, performance)
                self._sample(out, self._at, self._mixes, performance)
                self._at += 1
            self._play(out, min(until, live.until), performance)
        self._at = max(self._at, until)
        return out

    def pass_over(self, until: int, performance: Performance) -> None:
        """Go to `until` as `events` does, with what the outputs hold worked out only there."""
        last = (until - 1) // CONTROL_GRID * CONTROL_GRID
        if last > self._at and performance.at(self._at).until > last:
            self._move(last, performance)
            self._at = last
            self._version = -1
        self.events(until, performance)

    def _play(self, out: list[Event], until: int, performance: Performance) -> None:
        """The same while the performance stays as it is."""
        tick = self._at
        while tick < until:
            point = max(tick, self._queue[-1][0]) if self._queue else NEVER
            if self._busy and point > tick:
                point = min(point, -(-tick // CONTROL_GRID) * CONTROL_GRID)
            if point >= until:
                break
            moved = self._move(point, performance)
            if self._busy and point % CONTROL_GRID == 0:
                moved += [mix for mix in self._busy if mix not in moved]
            self._sample(out, point, moved, performance)
            tick = point + 1
        self._at = max(tick, until)

    def _move(self, tick: int, performance: Performance) -> list[Mix]:
        """Carry out what is due by `tick`; the outputs that it concerns."""
        moved: list[Mix] = []
        queue, unheard = self._queue, performance.at(tick).unheard
        while queue and queue[-1][0] <= tick:
            at, lane, value, glide = queue.pop()
            self._lines[lane].move(at, value, glide)
            for mix in self._fed[lane]:
                if mix not in moved:
                    moved.append(mix)
                if lane in mix.owners and not unheard[lane]:
                    mix.leader = lane
        return moved

    def _sample(
        self, out: list[Event], tick: int, moved: list[Mix], performance: Performance
    ) -> None:
        moves = False
        for mix in moved:
            value = mix.sample(tick, performance)
            if value is not None and value != mix.last:
                mix.last = value
                out.append(mix.event(tick, value))
            moves = moves or mix.moves(tick, performance)
        if moves or self._busy:
            near = {*self._busy, *moved}
            # One that was not asked now is on its way until it has been asked where it ends.
            self._busy = [
                mix
                for mix in self._mixes
                if mix in near and (mix not in moved or mix.moves(tick, performance))
            ]

    def driven_by(self, macro: int, performance: Performance) -> dict[str, float]:
        """Volts of the level outputs that a macro (by position) drives, at the tick up to which
        everything has been given out."""
        return {
            mix.name: mix.volts(self._at, performance)
            for mix in self._fed.get(-1 - macro, ())
            if not mix.pitch
        }

    # --- standing still --------------------------------------------------------------------------

    def hold(self, tick: int, performance: Performance) -> list[Event]:
        """The present value of every driven output, whether or not it has been sent before: for a
        stopped transport, a port that comes back, a recall."""
        out: list[Event] = []
        for mix in self._mixes:
            now = mix.value(tick, performance)
            if now is not None:
                mix.last = now
                out.append(mix.event(tick, now))
        return out

    def going(self, performance: Performance) -> tuple[str, ...] | None:
        """The outputs that are on their way; None where a hand has moved something since they were
        worked out last."""
        if self._version != performance.at(self._at).serial:
            return None
        return tuple(mix.name for mix in self._busy)

    def go_on(self, going: Sequence[str] | None, performance: Performance) -> None:
        """Where no hand had moved anything (see `going`), nothing is worked out before it must."""
        if going is not None:
            self._version = performance.at(self._at).serial
            self._busy = [mix for mix in self._mixes if mix.name in going]

    def keep(self) -> MixerState:
        """Where it stands, for `go_back`."""
        lines = {lane: line.keep() for lane, line in self._lines.items()}
        sent = [(mix.last, mix.leader) for mix in self._mixes]
        return MixerState(self._at, self._queue[:], lines, sent)

    def go_back(self, kept: MixerState) -> None:
        """Stand where a mixer of the same score stood."""
        self.rewind()
        self._at, self._queue = kept.at, kept.queue[:]
        for lane, state in kept.lines.items():
            self._lines[lane].put(state)
        for mix, (last, leader) in zip(self._mixes, kept.sent, strict=True):
            mix.last, mix.leader = last, leader

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
                line.put(old._lines[other].keep())
                places[other] = lane
        self._queue = sorted(
            (
                (tick, places[lane], value, glide)
                for tick, lane, value, glide in old._queue
                if lane in places
            ),
            reverse=True,
        )
        sent = {mix.name: mix for mix in old._mixes}
        for mix in self._mixes:
            before = sent.get(mix.name)
            if before is not None:
                mix.last = before.last
                mix.leader = places.get(before.leader, mix.leader)


def pitch_outputs(score: ScoreLike) -> frozenset[str]:
    """The names of all pitch outputs."""
    return frozenset(name for name, out in score.outputs.items() if out.kind == "pitch")
