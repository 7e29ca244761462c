"""What the performer has set, as it stands between two moments when something changes by itself.

A `LiveState` holds for every tick before its `until`. What was put off to a bar line (mutes,
sections, entries of the running order, steps of a gliding tempo) is done by `SetIndex.next`, which
makes the state that follows and leaves the old one as it was; so a look ahead of the playing
position costs nothing and undoes nothing. Which lane, macro or section is meant stands in
positions, as in the score.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from bridge.music.model import KINDS, SETTINGS, Lane, Macro, Section, SetSpec
from bridge.music.order import place_after, section_of
from bridge.music.ticks import NEVER

Key = tuple[int, str]  # lane position, name of a setting


class Pending(NamedTuple):
    """A mute put off to `tick`. `back` is the tick when it returns by itself. `auto` marks what
    no hand asked for at that tick: a return, or the switch in the middle of a morph."""

    tick: int
    muted: bool
    back: int | None = None
    auto: bool = False


class Glide(NamedTuple):
    """A straight line from `start` at tick `at` to `end`, `ticks` later."""

    start: float
    end: float
    at: int = 0
    ticks: int = 0

    def value(self, tick: int) -> float:
        if tick >= self.at + self.ticks:
            return self.end
        if tick <= self.at:
            return self.start
        return self.start + (self.end - self.start) * (tick - self.at) / self.ticks

    def moves(self, tick: int) -> bool:
        return tick < self.at + self.ticks


class Recall(NamedTuple):
    """A section to come at `tick`, morphing over `bars`; mutes switch at `mutes_at` of that."""

    tick: int
    section: int
    bars: int = 0
    mutes_at: float = 0.5


class Rewrite(NamedTuple):
    """What lanes are made of changes at `tick` to what a section has; None: the set's own."""

    tick: int
    form: int | None


class Entry(NamedTuple):
    """The running order at work: `now` is the entry that plays (None before the first bar line),
    `then` the entry that begins at `tick` (one past the last: the order ends). `tick` None: it
    waits for the performer to go on. `ends` is where the entry would end by itself, whatever a hand
    asked for; `time` counts the times of an entry that chooses, `begun` the entries begun since the
    order was run."""

    now: int | None
    then: int
    tick: int | None
    ends: int | None = None
    time: int = 0
    begun: int = 0


class Move(NamedTuple):
    """What a lane (its position) or a macro (-1 - its position) does to a setting: it adds `by`
    times its value, to `start` in place of what is there where that is said. `curve` is the
    drive's own."""

    source: int
    start: float | None
    by: float
    curve: float | None


@dataclass(slots=True)
class Morph:
    """Settings on their way: where each began, to reach the state's base over `ticks`."""

    at: int
    ticks: int
    starts: dict[Key, float]


@dataclass(slots=True)
class LiveState:
    """Everything that holds until `until`. `base` is the value of every setting of each lane before
    drives; `moving` names those that need more than a look at `base`. `form` is the section whose
    patterns, notes and sources are played (None: the set's own). `fills` has the lanes that a
    client holds in a fill, by the client and what it holds; `filling` are those that fill, these or
    by the running order. All solos end at `solo_until`."""

    muted: list[bool]
    pending: dict[int, Pending]
    holds: dict[int, dict[str, bool]]
    fills: dict[tuple[str, str], frozenset[int]]
    solo: frozenset[int]
    frozen: frozenset[int]
    knobs: list[Glide]
    hand: dict[Key, float]
    over: dict[Key, float]
    base: list[dict[str, float]]
    moving: list[frozenset[str]]
    tempo: Glide
    section: int | None = None
    recall: Recall | None = None
    entry: Entry | None = None
    morph: Morph | None = None
    form: int | None = None
    rewrite: Rewrite | None = None
    solo_until: int | None = None
    filling: frozenset[int] = frozenset()
    bpm: float = 120.0
    until: int = NEVER
    serial: int = 0
    out: list[bool] = field(default_factory=list)
    unheard: list[bool] = field(default_factory=list)

    def copy(self) -> LiveState:
        """A state that can be changed without touching this one. `base` and `moving` share their
        inner values, which are replaced and never changed in place."""
        return replace(
            self,
            muted=self.muted[:],
            pending=dict(self.pending),
            holds={lane: dict(held) for lane, held in self.holds.items()},
            fills=dict(self.fills),
            knobs=self.knobs[:],
            hand=dict(self.hand),
            over=dict(self.over),
            base=self.base[:],
            moving=self.moving[:],
        )


class SetIndex:
    """What a set fixes for all its states: lanes, sections, order, meter, and what drives what."""

    def __init__(self, spec: SetSpec, lanes: Sequence[Lane], positions: Mapping[str, int]) -> None:
        self.spec = spec
        self.lanes = tuple(lanes)
        self.positions = positions
        self.macros: dict[str, int] = {macro.name: i for i, macro in enumerate(spec.macros)}
        self.sections: dict[str, int] = {s.name: i for i, s in enumerate(spec.sections)}
        self.groups: dict[str, tuple[int, ...]] = {}
        for position, lane in enumerate(self.lanes):
            for group in lane.groups:
                self.groups[group] = (*self.groups.get(group, ()), position)
        self.hit_lanes = frozenset(i for i, lane in enumerate(self.lanes) if lane.hits)
        self.drives: dict[Key, tuple[Move, ...]] = {}
        sources: list[tuple[int, Lane | Macro]] = [*enumerate(self.lanes)]
        sources += [(-1 - i, macro) for i, macro in enumerate(spec.macros)]
        for source, owner in sources:
            for drive in owner.drives:
                if drive.lane is not None and drive.setting is not None:
                    key = (positions[drive.lane], drive.setting)
                    move = Move(source, *drive.moves(SETTINGS[drive.setting]), drive.curve)
                    self.drives[key] = (*self.drives.get(key, ()), move)
        self.driven = [
            frozenset(name for lane, name in self.drives if lane == position)
            for position in range(len(self.lanes))
        ]
        self.written = [self._written(lane, spec.swing) for lane in self.lanes]
        self.rewritten = [
            spec.within(section).lanes if section.rewrites else None for section in spec.sections
        ]
        self.overrides = [self._overrides(place) for place in range(len(spec.sections))]
        self.helper = [
            lane.out is None and all(drive.out is None for drive in lane.drives)
            for lane in self.lanes
        ]
        self.fit = {
            kind.name: tuple(
                name for name, setting in SETTINGS.items() if kind.name in setting.kinds
            )
            for kind in KINDS.values()
        }

    def _written(self, lane: Lane, swing: float) -> dict[str, float]:
        values = {name: float(setting.start) for name, setting in SETTINGS.items()}
        if not lane.led:  # which has the swing of the lanes that lead it
            values["swing"] = float(swing)
        values.update({name: float(value) for name, value in lane.settings.items()})
        return values

    def _overrides(self, place: int) -> dict[Key, float]:
        """The settings that differ while a section lasts, and those that it names."""
        section = self.spec.sections[place]
        over: dict[Key, float] = {}
        swing = self.spec.swing if section.swing is None else section.swing
        if section.rewrites or section.swing is not None:
            for position, lane in enumerate(self.rewritten[place] or self.lanes):
                before = self.written[position]
                after = self._written(lane, swing)
                over |= {(position, n): v for n, v in after.items() if v != before[n]}
        for lane_name, values in section.lanes.items():
            for name, value in values.items():
                over[(self.positions[lane_name], name)] = float(value)
        return over

    def lane(self, live: LiveState, position: int) -> Lane:
        """A lane as it is written in the section whose patterns are played."""
        written = None if live.form is None else self.rewritten[live.form]
        return self.lanes[position] if written is None else written[position]

    def opening(self) -> LiveState:
        """The state at the start: everything as written."""
        tempo = float(self.spec.tempo)
        live = LiveState(
            muted=[lane.muted for lane in self.lanes],
            pending={},
            holds={},
            fills={},
            solo=frozenset(),
            frozen=frozenset(i for i, lane in enumerate(self.lanes) if lane.freeze),
            knobs=[Glide(macro.start, macro.start) for macro in self.spec.macros],
            hand={},
            over={},
            base=[dict(values) for values in self.written],
            moving=self.driven[:],
            tempo=Glide(tempo, tempo),
            bpm=tempo,
        )
        for lane in live.frozen:
            self.rebase(live, lane, ())
        self.refresh(live, 0)
        return live

    # --- what follows from what was set ----------------------------------------------------------

    def rebase(self, live: LiveState, lane: int, names: Sequence[str]) -> None:
        """Work out `base` and `moving` of a lane again, after `names` may have changed."""
        base = dict(live.base[lane])
        for name in names:
            base[name] = self.wish(live, (lane, name))
        live.base[lane] = base
        moving = self.driven[lane]
        if live.morph is not None:
            moving |= {name for at, name in live.morph.starts if at == lane}
        if lane in live.filling:
            moving |= {"density"}
        if lane in live.frozen:
            base["drift"] = 0.0
            moving -= {"drift"}
        live.moving[lane] = moving

    def wish(self, live: LiveState, key: Key) -> float:
        """A setting as a hand, else the section, else the set has it."""
        value = live.hand.get(key)
        return live.over.get(key, self.written[key[0]][key[1]]) if value is None else value

    def refresh(self, live: LiveState, tick: int) -> None:
        """Work out who is out, who is heard, and until when the state holds, seen from `tick`."""
        out = live.muted[:]
        for lane, held in live.holds.items():
            out[lane] = next(reversed(held.values()))
        live.out = out
        # Solo works among lanes of the same nature: hits alone leave the melodies running.
        kinds = {self.lanes[lane].hits for lane in live.solo}
        live.unheard = [
            muted or (lane not in live.solo and self.lanes[lane].hits in kinds)
            for lane, muted in enumerate(out)
        ]
        # What has arrived has no past: a state taken and put back is then exactly the same.
        live.knobs = [
            k if k.at <= tick < k.at + k.ticks else Glide(k.end, k.end) for k in live.knobs
        ]
        self._refresh_fills(live, tick)
        until = min((p.tick for p in live.pending.values()), default=NEVER)
        if live.solo_until is not None:
            until = min(until, live.solo_until)
        begins = self._fill_of_leg(live)
        if begins is not None and begins > tick:
            until = min(until, begins)
        if live.recall is not None:
            until = min(until, live.recall.tick)
        if live.entry is not None and live.entry.tick is not None:
            until = min(until, live.entry.tick)
        if live.rewrite is not None:
            until = min(until, live.rewrite.tick)
        if live.morph is not None:
            until = min(until, live.morph.at + live.morph.ticks)
        if live.tempo.moves(tick):
            # A gliding tempo moves on beats only: between two of them time stays a straight line.
            beat = self.spec.beat_ticks
            until = min(until, (tick // beat + 1) * beat, live.tempo.at + live.tempo.ticks)
        live.until = until

    def filled_by(self, what: str) -> frozenset[int]:
        """The lanes that a hold of a fill is about: a lane, ``group:`` and a group, or nothing for
        all; those that are not there are none."""
        if not what:
            return self.hit_lanes
        group, _, name = what.rpartition(":")
        found = self.groups.get(name, ()) if group else (self.positions.get(name, -1),)
        return self.hit_lanes.intersection(found)

    def _fill_of_leg(self, live: LiveState) -> int | None:
        """Where the entry that plays begins to fill; None: it does not, or nobody knows yet."""
        entry = live.entry
        if entry is None or entry.now is None or entry.tick is None:
            return None
        bars = self.spec.order[entry.now].fill
        return entry.tick - bars * self.spec.bar_ticks if bars else None

    def _refresh_fills(self, live: LiveState, tick: int) -> None:
        begins = self._fill_of_leg(live)
        filling = frozenset[int]().union(*live.fills.values())
        if begins is not None and tick >= begins:
            filling |= self.hit_lanes
        changed, live.filling = filling ^ live.filling, filling
        for lane in changed:
            self.rebase(live, lane, ())

    # --- what happens by itself ------------------------------------------------------------------

    def next(self, live: LiveState) -> LiveState:
        """The state that follows at its `until`.

        What falls on the same tick is done in this order: the running order, the section, then
        single lanes, so that a hand's wish for one lane stands above the section it comes with.
        """
        tick = live.until
        after = live.copy()
        if after.morph is not None and after.morph.at + after.morph.ticks <= tick:
            touched = after.morph.starts
            after.morph = None
            for lane, name in touched:
                self.rebase(after, lane, (name,))
        entry = after.entry
        if entry is not None and entry.tick is not None and entry.tick <= tick:
            self._turn(after, entry, tick)
        if after.recall is not None and after.recall.tick <= tick:
            due, after.recall = after.recall, None
            self._recall(after, due, tick)
        if after.rewrite is not None and after.rewrite.tick <= tick:
            after.form, after.rewrite = after.rewrite.form, None
        for lane, due_mute in list(after.pending.items()):
            if due_mute.tick <= tick:
                del after.pending[lane]
                after.muted[lane] = due_mute.muted
                if due_mute.back is not None:
                    after.pending[lane] = Pending(due_mute.back, not due_mute.muted, None, True)
        if after.solo_until is not None and after.solo_until <= tick:
            after.solo, after.solo_until = frozenset(), None
        after.bpm = after.tempo.value(tick)
        self.refresh(after, tick)
        return after

    def _turn(self, live: LiveState, entry: Entry, tick: int) -> None:
        entries = self.spec.order
        if entry.then >= len(entries):
            live.entry = None
            return
        now = entries[entry.then]
        section = self.coming(live, entry)
        end = None if now.length is None else tick + max(1, now.length) * self.spec.bar_ticks
        time = 0 if entry.now is None else place_after(self.spec, entry.now, entry.time)[1]
        then = place_after(self.spec, entry.then, time)[0]
        live.entry = Entry(entry.then, then, end, end, time, entry.begun + 1)
        self._recall(live, Recall(tick, section), tick)

    def coming(self, live: LiveState, entry: Entry) -> int:
        """The section that the next entry brings, while there is one."""
        playing = None if live.section is None else self.spec.sections[live.section].name
        return self.sections[section_of(self.spec, entry.then, entry.begun, playing)]

    def _recall(self, live: LiveState, recall: Recall, tick: int) -> None:
        section = self.spec.sections[recall.section]
        live.section = recall.section
        ticks = recall.bars * self.spec.bar_ticks
        switch = int(ticks * recall.mutes_at) // self.spec.beat_ticks * self.spec.beat_ticks
        self._recall_mutes(live, section, tick, switch)
        # What cannot glide changes where mutes do.
        live.rewrite = Rewrite(tick + switch, recall.section if section.rewrites else None)
        if live.rewrite.form == live.form or switch == 0:
            live.form, live.rewrite = live.rewrite.form, None
        for name, value in section.macros.items():
            self.turn_knob(live, self.macros[name], value, tick, ticks)
        self._recall_settings(live, self.overrides[recall.section], tick, ticks)
        if section.tempo is not None:
            live.tempo = Glide(live.tempo.value(tick), float(section.tempo), tick, ticks)

    def _recall_mutes(self, live: LiveState, section: Section, tick: int, switch: int) -> None:
        # What earlier sections and drops left to come is void; a hand's own wish stays.
        live.pending = {lane: p for lane, p in live.pending.items() if not p.auto}
        if section.play is None:
            return
        for lane, written in enumerate(self.lanes):
            muted = written.name not in section.play
            if muted and self.helper[lane]:
                continue  # it feeds other lanes: it is out only when a hand says so
            if switch == 0:
                live.muted[lane] = muted
            elif live.muted[lane] != muted and lane not in live.pending:
                live.pending[lane] = Pending(tick + switch, muted, None, True)

    def _recall_settings(
        self, live: LiveState, over: dict[Key, float], tick: int, ticks: int
    ) -> None:
        moving = live.morph.starts if live.morph is not None else {}
        paces = [key for key in live.hand if key[1] == "pace"]  # a performed one ends here
        touched = dict.fromkeys((*moving, *live.over, *over, *paces))
        starts = {key: self.base_at(live, key, tick) for key in touched}
        live.over = dict(over)
        for key in (*over, *paces):
            live.hand.pop(key, None)  # the section says so itself
        live.morph = None
        for lane, name in touched:
            self.rebase(live, lane, (name,))
        moved = {
            key: value
            for key, value in starts.items()
            if value != live.base[key[0]][key[1]] and key[1] != "pace"  # which has nothing between
        }
        if ticks and moved:
            live.morph = Morph(tick, ticks, moved)
            for lane, name in moved:
                self.rebase(live, lane, (name,))

    def turn_knob(self, live: LiveState, macro: int, value: float, tick: int, ticks: int) -> None:
        """Send a macro from where it is to `value`, over `ticks` or its own slew if longer."""
        written = self.spec.macros[macro]
        slew = round(written.slew_ms * live.bpm * 960 / 60000)
        start = live.knobs[macro].value(tick)
        live.knobs[macro] = Glide(start, float(value), tick, max(ticks, slew))

    def base_at(self, live: LiveState, key: Key, tick: int) -> float:
        """A setting before drives: written, section or hand, on its way while a morph lasts."""
        value = live.base[key[0]][key[1]]
        morph = live.morph
        if morph is None or key not in morph.starts:
            return value
        return Glide(morph.starts[key], value, morph.at, morph.ticks).value(tick)

    def shift(self, live: LiveState, ticks: int) -> None:
        """Move everything that waits by `ticks`, and let everything that glides arrive."""

        def moved(tick: int | None) -> int | None:
            return None if tick is None else max(0, tick + ticks)

        live.pending = {
            lane: p._replace(tick=max(0, p.tick + ticks), back=moved(p.back))
            for lane, p in live.pending.items()
        }
        live.solo_until = moved(live.solo_until)
        if live.recall is not None:
            live.recall = live.recall._replace(tick=max(0, live.recall.tick + ticks))
        if live.entry is not None:
            entry = live.entry
            live.entry = entry._replace(tick=moved(entry.tick), ends=moved(entry.ends))
        if live.rewrite is not None:
            live.rewrite = live.rewrite._replace(tick=max(0, live.rewrite.tick + ticks))
        live.knobs = [Glide(knob.end, knob.end) for knob in live.knobs]
        live.tempo = Glide(live.tempo.end, live.tempo.end)
        live.bpm = live.tempo.end
        if live.morph is not None:
            touched, live.morph = live.morph.starts, None
            for lane, name in touched:
                self.rebase(live, lane, (name,))
