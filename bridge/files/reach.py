"""What reaches what in a set on a rig: who is heard, whose levels count, which settings act.

Everything here is read off the files, without playing: a setting is dead when no hand, macro,
section or chance could make it heard. `bridge.files.effects` makes warnings of it.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge.files.rig import Rig
from bridge.music.logic_parse import Term, parse
from bridge.music.model import (
    SETTINGS,
    Arpeggio,
    Drive,
    Euclid,
    Lane,
    Logic,
    Notes,
    Sample,
    SetSpec,
    Steps,
    kind_of,
)
from bridge.music.scale import TRIAD
from bridge.music.value_node import note_like
from bridge.voltage.profile import WiredOutput

EVER_SO_LITTLE = 1e-9
_LEVELS = ("level", "accent", "humanise_level", "repeat_ramp")


@dataclass(frozen=True, slots=True)
class Moved:
    """One drive of a setting: the least and the most that it adds, in the setting's unit."""

    drive: Drive
    least: float
    most: float


class Reach:
    """Answers about one set on one rig; both have been checked."""

    def __init__(self, spec: SetSpec, rig: Rig) -> None:
        self.spec = spec
        self.rig = rig
        self.lanes = {lane.name: lane for lane in spec.lanes}
        # Every lane in all the ways it is written, the set's own first.
        self.written: dict[str, tuple[Lane, ...]] = {
            lane.name: (
                lane,
                *(s.written[lane.name] for s in spec.sections if lane.name in s.written),
            )
            for lane in spec.lanes
        }
        self._pitches = frozenset(n for n, out in rig.ranges.items() if out.kind == "pitch")
        self.sources = {lane.name: self._sources(lane) for lane in spec.lanes}
        self.used = self._used()
        drives = [lane.drives for lane in spec.lanes] + [macro.drives for macro in spec.macros]
        self.driven = {drive.out for some in drives for drive in some if drive.out}
        self._moved = self._all_moved()

    # --- who reads whom --------------------------------------------------------------------------

    def _sources(self, lane: Lane) -> frozenset[str]:
        """The lanes that a lane reads, in the set or in any section."""
        found = set()
        for one in self.written[lane.name]:
            found |= {name for _, name in one.named()}
            if isinstance(one.source, Logic):
                found |= set(self.parsed(one).lanes())
        return frozenset(name for name in found if name in self.lanes)

    def parsed(self, lane: Lane) -> Term:
        """The expression of a lane of logic."""
        assert isinstance(lane.source, Logic)
        return parse(lane.source.expression, list(self.lanes), lane.reads)

    def readers(self, name: str) -> list[Lane]:
        """The lanes that read a lane."""
        return [lane for lane in self.spec.lanes if name in self.sources[lane.name]]

    def _used(self) -> frozenset[str]:
        """The lanes that anything comes of: an output, something driven, or a lane of that kind."""
        found = {lane.name for lane in self.spec.lanes if lane.out is not None or lane.drives}
        waiting = list(found)
        while waiting:
            for name in self.sources[waiting.pop()] - found:
                found.add(name)
                waiting.append(name)
        return frozenset(found)

    # --- levels of hits --------------------------------------------------------------------------

    def wired(self, lane: Lane) -> WiredOutput | None:
        return self.rig.wired.get(lane.out) if lane.out is not None else None

    def level_counts(self, lane: Lane) -> bool:
        """Whether anything hears how strong the hits of a lane are."""
        wired = self.wired(lane)
        if wired is not None and self._has_velocity(wired):
            return True
        return any(
            reference.hears_level and name == lane.name
            for reader in self.readers(lane.name)
            for one in self.written[reader.name]
            for reference, name in one.named()
        )

    def _has_velocity(self, wired: WiredOutput) -> bool:
        out = wired.output
        if out.address.by == "note-velocity":
            return True
        if out.address.by != "note" or out.address.number is not None:
            return False
        # The gate of a mono voice: its velocity comes out at a jack of its own, unless a lane or a
        # macro says what stands there.
        played = {lane.out for lane in self.spec.lanes} | self.driven
        return any(
            other.port == wired.port
            and other.output.address.by == "note-velocity"
            and other.output.address.channel == out.address.channel
            and other.output.address.number is None
            and other.name not in played
            for other in self.rig.wired.values()
        )

    def accent_counts(self, lane: Lane) -> bool:
        """Whether an accent of a lane is heard: at its own level, or at that of a derived lane."""
        seen: set[str] = set()
        waiting = [lane]
        while waiting:
            one = waiting.pop()
            if self.level_counts(one):
                return True
            seen.add(one.name)
            waiting += [
                reader
                for reader in self.readers(one.name)
                if isinstance(reader.source, Logic) and reader.name not in seen
            ]
        return False

    def accented(self, lane: Lane) -> bool:
        """Whether any hit of a lane may be accented."""
        seen: set[str] = set()
        waiting = [lane]
        while waiting:
            one = waiting.pop()
            seen.add(one.name)
            for written in self.written[one.name]:
                marks = written.source.marks if isinstance(written.source, Steps) else ()
                if any(written.accents) or 2 in marks:
                    return True
            if any(isinstance(written.source, Logic) for written in self.written[one.name]):
                names = self.sources[one.name] - seen
                waiting += [self.lanes[n] for n in names if self.lanes[n].hits]
        return False

    def level_reason(self, lane: Lane) -> str:
        """Why nothing hears the levels of a lane."""
        if lane.out is None:
            return "it has no output of its own, and no decay follows it"
        return f"{lane.out} opens and closes and has no velocity"

    # --- settings --------------------------------------------------------------------------------

    def notes(self, lane: Lane) -> bool:
        """Whether the values of a lane are notes."""
        return note_like(lane, self.spec, self._pitches)

    def repeats(self, lane: Lane) -> bool:
        """Whether a lane may hit more than once in a step."""
        shapes = [
            shape
            for one in self.written[lane.name]
            if isinstance(one.source, Steps)
            for shape in one.source.shapes
        ]
        own = any(shape is not None and (shape.repeats or 1) > 1 for shape in shapes)
        return own or self.may_be(lane, "repeats")[1] >= 1.5

    def in_degrees(self, lane: Lane) -> bool:
        """Whether any note of a lane is made of a degree of the key."""
        return any(
            isinstance(one.source, Arpeggio)
            or (
                isinstance(one.source, Notes)
                and any(note.degree is not None for note in one.source.notes)
            )
            for one in self.written[lane.name]
        )

    def bases(self, lane: Lane, name: str) -> set[float]:
        """What a setting may be before anything is added: as written, and in sections."""
        over = [section.lanes.get(lane.name, {}) for section in self.spec.sections]
        written = [one.settings for one in self.written.get(lane.name, (lane,))]
        found = {float(values.get(name, SETTINGS[name].start)) for values in written}
        return found | {float(values[name]) for values in over if name in values}

    def moved(self, lane: Lane, name: str) -> list[Moved]:
        """The drives that move a setting."""
        return self._moved.get((lane.name, name), [])

    def may_be(self, lane: Lane, name: str) -> tuple[float, float]:
        """The lowest and the highest that a setting may come to."""
        setting, moved = SETTINGS[name], self.moved(lane, name)
        put = {one.drive.start for one in moved if one.drive.start is not None}
        bases = put or self.bases(lane, name)
        low = min(bases) + sum(one.least for one in moved)
        high = max(bases) + sum(one.most for one in moved)
        return max(low, setting.low), min(high, setting.high)

    def _all_moved(self) -> dict[tuple[str, str], list[Moved]]:
        found: dict[tuple[str, str], list[Moved]] = {}
        owners = [(macro.drives, (0.0, 1.0)) for macro in self.spec.macros]
        owners += [(lane.drives, self.values(lane)) for lane in self.spec.lanes if lane.drives]
        for drives, (low, high) in owners:
            for drive in drives:
                if drive.lane is None or drive.setting is None:
                    continue
                _, span = drive.moves(SETTINGS[drive.setting])
                least, most = sorted((span * low, span * high))
                found.setdefault((drive.lane, drive.setting), []).append(Moved(drive, least, most))
        return found

    def values(self, lane: Lane) -> tuple[float, float]:
        """The lowest and the highest value of a lane, as it drives others."""
        source = lane.source
        if "noted" in kind_of(source).traits:
            return 0.0, 1.0
        if source.certain is not None:
            known = source.certain or (0.0,)
            return min(0.0, *known), max(0.0, *known)
        if isinstance(source, Sample) and source.value in self.lanes and source.value != lane.name:
            held = self.lanes[source.value]
            return (-1.0, 1.0) if isinstance(held.source, Sample) else self.values(held)
        bounds = [value for name in ("low", "high") for value in self.bases(lane, name)]
        return min(0.0, *bounds), max(0.0, *bounds)

    def dead(self, lane: Lane, name: str) -> str | None:
        """Why a setting of a lane changes nothing; None when it does."""
        inherited = name == "accent" and self.accent_counts(lane)
        if name in _LEVELS and not inherited and not self.level_counts(lane):
            return self.level_reason(lane)
        if name == "accent" and not self.accented(lane):
            return f"no hit of {lane.name} is accented"
        if name in ("repeat_curve", "repeat_ramp") and not self.repeats(lane):
            return f"{lane.name} has no repeats"
        if name in ("gate", "gate_ms"):
            return self._dead_gate(lane, name)
        if name == "pace" and any(one.led for one in self.written[lane.name]):
            return f"the hits of another lane move {lane.name}, and it goes at their pace"
        if name == "drift_bound" and self.may_be(lane, "drift")[1] <= 0.0:
            return f"{lane.name} does not drift"
        if name == "drift" and self.may_be(lane, "drift_bound")[1] < 0.5:
            return "with a drift_bound of 0 no step may change"
        if name in ("depth", "offset") and lane.out is None:
            return f"{lane.name} has no output"
        if name == "depth" and lane.out in self._pitches:
            return f"{lane.out} takes notes, which are never scaled"
        if name == "degree_shift" and not self.in_degrees(lane):
            return f"no note of {lane.name} is written as a degree"
        if name == "transpose" and not self.notes(lane):
            return f"the values of {lane.name} are levels and no notes"
        return None

    def pulse(self, lane: Lane) -> str | None:
        """Why no hit of a lane is longer than another, where its output makes pulses."""
        pulse = self.rig.ranges[lane.out].pulse_ms if lane.out is not None else 0.0
        return f"each hit at {lane.out} is a pulse of {pulse:g} ms" if pulse else None

    def _dead_gate(self, lane: Lane, name: str) -> str | None:
        pulse = self.pulse(lane)
        if pulse is not None:
            return pulse
        if all(one.tie for one in self.written[lane.name]):
            return "tied gates last until the next hit"
        if lane.out is None and not any(
            isinstance(one.source, Logic) and one.source.compare == "gates"
            for reader in self.readers(lane.name)
            for one in self.written[reader.name]
        ):
            return f"{lane.name} has no output, and no logic reads its gates"
        if name == "gate" and self.may_be(lane, "gate_ms")[0] > 0.0:
            return "gate_ms comes first"
        return None

    def stuck(self, lane: Lane, moved: Moved, name: str) -> str | None:
        """Why one drive cannot move its setting: it stands at its end, or is moved too little."""
        setting, bases = SETTINGS[name], self.bases(lane, name)
        others = [one for one in self.moved(lane, name) if one is not moved]
        low = min(bases) + sum(one.least for one in others)
        high = max(bases) + sum(one.most for one in others)
        if moved.least >= 0.0 and low >= setting.high - EVER_SO_LITTLE:
            return f"stands at {setting.high:g} already, the most it can be"
        if moved.most <= 0.0 and high <= setting.low + EVER_SO_LITTLE:
            return f"stands at {setting.low:g} already, the least it can be"
        reach = sum(max(-one.least, one.most) for one in (moved, *others))
        if setting.whole and reach < 0.5:
            return "goes in whole numbers, and this is less than half of one"
        return None

    def steps(self, lane: Lane) -> int | None:
        """How many steps a lane's pattern has, where that never changes."""
        if "pattern" not in kind_of(lane.source).traits or self.may_be(lane, "length")[1] > 0.0:
            return None
        if isinstance(lane.source, Euclid):
            low, high = self.may_be(lane, "steps")
            return round(high) if low == high else None
        if isinstance(lane.source, Arpeggio):
            return len(lane.chord or TRIAD)
        return lane.source.count
