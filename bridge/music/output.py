"""What feeds one pitch or level output, and what that makes of it (see `bridge.music.mix`).

While nothing moves but lanes, all that settings, mutes and macros have to say is worked out once
(`Mix.plan`) and kept until the performance changes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from bridge.music.event import Event, EventKind
from bridge.music.line import along
from bridge.music.model import Drive, OutputRange
from bridge.music.performance import Performance, Settings

SEMITONES_PER_VOLT = 12.0
HIGHEST_NOTE = 127.0

LineState = tuple[int, float, float, int, bool, float | None, int]


class OutputLine:
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
        self.put((0, 0.0, 0.0, 0, False, None, -1))

    def keep(self) -> LineState:
        """All of it, for `put`."""
        return (self.at, self.start, self.target, self.glide, self.moved, self.held, self._last)

    def put(self, state: LineState) -> None:
        """Be as another one was."""
        self.at, self.start, self.target, self.glide, self.moved, self.held, self._last = state

    def value(self, tick: int) -> float:
        """The value at a tick. Where nothing glides that is the target: those that are called for
        each sample look for that themselves, and save a call."""
        elapsed = tick - self.at
        if elapsed >= self.glide:
            return self.target
        return along(self.start, self.target, elapsed, self.glide)

    def move(self, tick: int, value: float, glide: int) -> None:
        # A pitch has nowhere to come from at first; a level comes from 0.
        if self.moved or not self.notes:
            self.start = self.target if tick >= self.at + self.glide else self.value(tick)
        else:
            self.start = value
        self.at, self.target, self.glide = tick, value, glide
        self.moved = True

    def glides(self, tick: int) -> bool:
        return tick < self.at + self.glide

    def heard(self, tick: int) -> float | None:
        """The value of a lane that is heard; None when it never had one."""
        if self.moved:
            self.held = self.target if tick >= self.at + self.glide else self.value(tick)
        return self.held

    def later(self, tick: int) -> bool:
        """Note that a move at `tick` was heard of; False when one after it was heard before."""
        in_order = tick > self._last
        self._last = tick
        return in_order


class Feed(NamedTuple):
    """One thing that comes in at an output: a lane's position, or -1 - the position of a macro.
    `drive` is None for the lane that plays the output itself."""

    source: int
    drive: Drive | None


class _Added(NamedTuple):
    """What a drive adds: `fixed` volts, or where there is a `line`, ``start + value * by`` volts,
    or with `start` None ``by * value * span``."""

    line: OutputLine | None
    fixed: float
    start: float | None
    by: float


class _Owner(NamedTuple):
    """A lane that plays an output. A `line` that is None stands at `held`."""

    lane: int
    line: OutputLine | None
    held: float | None
    depth: float
    scale: float
    offset: float


class Mix:
    """One output at work."""

    __slots__ = (
        "_added",
        "_all",
        "_lines",
        "_macros",
        "_playing",
        "_settings",
        "_steady",
        "base",
        "feeds",
        "high",
        "last",
        "leader",
        "low",
        "name",
        "owners",
        "pitch",
        "planned",
        "span",
    )

    def __init__(
        self,
        wired: OutputRange,
        feeds: list[Feed],
        lines: Mapping[int, OutputLine],
        settings: Settings,
    ) -> None:
        """`lines` has that of every lane among `feeds`, by position."""
        self.name, self.low, self.high, self.span = wired.name, wired.low, wired.high, wired.span
        self.feeds = feeds
        self._settings = settings
        self._lines = {feed.source: lines[feed.source] for feed in feeds if feed.source >= 0}
        self._all = tuple(self._lines.values())
        self._macros = tuple(-1 - feed.source for feed in feeds if feed.source < 0)
        self.pitch = wired.kind == "pitch"
        self.owners = tuple(feed.source for feed in feeds if feed.drive is None)
        ranged = any(feed.drive is not None and feed.drive.start is not None for feed in feeds)
        self.base = 0.0 if ranged else wired.base
        self.clear()

    def clear(self) -> None:
        self.last: float | None = None
        self.leader = self.owners[0] if self.owners else self.feeds[0].source
        self.planned: bool | None = None
        """Whether the plan holds; None: not known since the performance has changed."""
        self._added: list[_Added] = []
        self._steady: float | None = 0.0
        """What the drives add while no lane is among them."""
        self._playing: list[_Owner] = []

    def event(self, tick: int, value: float) -> Event:
        kind: EventKind = "pitch" if self.pitch else "level"
        return Event(tick, self.leader, kind, value, 0, self.name, tick)

    # --- while nothing moves but lanes ---

    def sample(self, tick: int, performance: Performance) -> float | None:
        """Volts of a level output, the note of a pitch output; None: nothing has been said yet."""
        if self.planned is None:
            self.planned = self._plan(tick, performance)
        if not self.planned:
            return self.value(tick, performance)
        if self.pitch:
            return self._planned_note(tick)
        drives = self._steady
        volts = self.base + (self._planned_drives(tick) if drives is None else drives)
        for _, line, value, depth, scale, offset in self._playing:
            if line is not None:
                value = line.heard(tick)
            if value is not None:
                volts += depth * value * scale * self.span
            volts += offset
        if volts < self.low:
            return self.low
        return volts if volts < self.high else self.high

    def _planned_drives(self, tick: int) -> float:
        volts = 0.0
        for line, fixed, start, by in self._added:
            if line is None:
                volts += fixed
                continue
            value = line.heard(tick)
            if value is not None:
                value *= line.scale
                volts += by * value * self.span if start is None else start + value * by
        return volts

    def _planned_note(self, tick: int) -> float | None:
        note, own = None, 0.0
        for lane, line, held, _, _, offset in self._playing:
            value = held if line is None else line.heard(tick)
            if lane == self.leader:
                note, own = value, offset
        return None if note is None else self._bent(note, self._planned_drives(tick) + own)

    def moves(self, tick: int, performance: Performance) -> bool:
        """Whether it is on its way at `tick`."""
        for line in self._all:
            if tick < line.at + line.glide:
                return True
        if self.planned:
            return False
        return any(performance.macro_moves(macro, tick) for macro in self._macros) or any(
            not self._lines[lane].hits and not self._fixed(lane, tick, performance)
            for lane in self.owners
        )

    @staticmethod
    def _fixed(lane: int, tick: int, performance: Performance) -> bool:
        return performance.fixed(lane, "offset", tick) and performance.fixed(lane, "depth", tick)

    def _plan(self, tick: int, performance: Performance) -> bool | None:
        """Work out what holds until the performance changes; None while it cannot be said."""
        if any(performance.macro_moves(macro, tick) for macro in self._macros):
            return None
        if not all(self._fixed(lane, tick, performance) for lane in self.owners):
            return False
        self._added, self._playing = [], []
        for source, drive in self.feeds:
            line = None if source < 0 or performance.unheard(source, tick) else self._lines[source]
            if drive is None:
                self._playing.append(
                    _Owner(
                        source,
                        line,
                        self._lane_value(source, tick, performance),
                        self._settings.setting(source, "depth", tick),
                        self._lines[source].scale,
                        self._settings.setting(source, "offset", tick),
                    )
                )
                continue
            fixed = self._adds(source, drive, tick, performance) if line is None else 0.0
            if fixed is None:
                continue
            if drive.start is not None and drive.end is not None:
                self._added.append(_Added(line, fixed, drive.start, drive.end - drive.start))
            else:
                self._added.append(_Added(line, fixed, None, drive.depth))
        moves = any(added.line is not None for added in self._added)
        self._steady = None if moves else self._planned_drives(tick)
        return True

    # --- whatever moves ---

    def _lane_value(self, lane: int, tick: int, performance: Performance) -> float | None:
        """A lane's value as outputs have it; None when it never had one."""
        line = self._lines[lane]
        if performance.unheard(lane, tick):
            return 0.0 if line.hits else line.held
        return line.heard(tick)

    def value(self, tick: int, performance: Performance) -> float | None:
        """What `sample` gives, asked of the performance as it is."""
        if self.pitch:
            return self._note(tick, performance)
        return self.volts(tick, performance)

    def _adds(self, source: int, drive: Drive, tick: int, performance: Performance) -> float | None:
        """Volts that a drive adds; None while its lane has no value."""
        if source < 0:
            value: float | None = performance.macro(-1 - source, tick, drive.curve)
        else:
            value = self._lane_value(source, tick, performance)
            if value is not None:
                value *= self._lines[source].scale
        if value is None:
            return None
        if drive.start is not None and drive.end is not None:
            return drive.start + value * (drive.end - drive.start)
        return drive.depth * value * self.span

    def _driven(self, tick: int, performance: Performance) -> float:
        """Volts that drives add."""
        volts = 0.0
        for source, drive in self.feeds:
            added = None if drive is None else self._adds(source, drive, tick, performance)
            if added is not None:
                volts += added
        return volts

    def volts(self, tick: int, performance: Performance) -> float:
        volts = self.base + self._driven(tick, performance)
        for lane in self.owners:
            value = self._lane_value(lane, tick, performance)
            if value is not None:
                depth = self._settings.setting(lane, "depth", tick)
                volts += depth * value * self._lines[lane].scale * self.span
            volts += self._settings.setting(lane, "offset", tick)
        return min(max(volts, self.low), self.high)

    def _note(self, tick: int, performance: Performance) -> float | None:
        # Every owner is looked at, so that each keeps the value it is to leave standing.
        notes = {lane: self._lane_value(lane, tick, performance) for lane in self.owners}
        note = notes.get(self.leader)
        if note is None:
            return None
        own = self._settings.setting(self.leader, "offset", tick)
        return self._bent(note, self._driven(tick, performance) + own)

    @staticmethod
    def _bent(note: float, volts: float) -> float:
        return min(max(note + volts * SEMITONES_PER_VOLT, 0.0), HIGHEST_NOTE)
