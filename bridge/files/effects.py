"""Warnings of what is written and has no effect, each said once, where it is written.

A set that is allowed may still hold keys, drives and sections that nobody will ever hear: a level
on a gate without velocity, a macro on a setting that stands at its end, a lane that goes nowhere.
"""

from __future__ import annotations

from collections.abc import Iterator

from bridge.errors import Problem
from bridge.files.document import Document, Keys
from bridge.files.phrases import listed
from bridge.files.reach import Reach
from bridge.files.rig import Rig
from bridge.files.set_lane import LaneBase
from bridge.files.set_models import SetModel
from bridge.music.model import (
    SETTINGS,
    Arpeggio,
    Drive,
    Lane,
    Sample,
    SetSpec,
    Shape,
    Walk,
    kind_of,
)
from bridge.music.scale import spread

_NOTE_KEYS = ("quantise", "chord", "octaves", "transpose_by")
_WORDS = {"spacing": "repeat_curve"}  # keys that are another way to write a setting


class Effects:
    """The warnings of one checked set on one rig."""

    def __init__(self, document: Document, model: SetModel, spec: SetSpec, rig: Rig) -> None:
        self.document = document
        self.model = model
        self.spec = spec
        self.rig = rig
        self.reach = Reach(spec, rig)

    def say(self, keys: Keys, message: str, *, at_key: bool = False) -> Problem:
        return self.document.problem(keys, message, at_key=at_key)

    def warnings(self) -> Iterator[Problem]:
        """Everything that has no effect, lanes first."""
        for lane in self.spec.lanes:
            yield from self._lane(lane, self.model.lanes[lane.name])
        for owner, lanes in (("lanes", self.spec.lanes), ("macros", self.spec.macros)):
            for one in lanes:
                for place, drive in enumerate(one.drives):
                    yield from self._drive((owner, one.name, "drives", place), drive)
        for macro in self.spec.macros:
            if not macro.drives:
                yield self.say(("macros", macro.name), "moves nothing: no drives", at_key=True)
        yield from self._whole()
        yield from self._sections()

    def _whole(self) -> Iterator[Problem]:
        """Keys of the set itself that change nothing."""
        written, spec = self.model.model_fields_set, self.spec
        if not spec.order:
            for key in ("after_order", "order_starts"):
                if key in written:
                    yield self.say((key,), "changes nothing: the set has no order", at_key=True)
        straight = {spec.swing, *(one.swing or spec.swing for one in spec.sections)} == {50.0}
        if "swing_of" in written and straight:
            yield self.say(("swing_of",), "changes nothing: the set has no swing", at_key=True)
        if spec.groove and not any(spec.groove):
            yield self.say(("groove",), "changes nothing: every step is on the grid", at_key=True)

    # --- lanes -----------------------------------------------------------------------------------

    def _lane(self, lane: Lane, model: LaneBase) -> Iterator[Problem]:
        top: Keys = ("lanes", lane.name)
        if lane.name not in self.reach.used:
            if not self.reach.readers(lane.name):  # else it is said of the lane that reads it
                message = "goes nowhere: it has no output, moves nothing, and no lane reads it"
                yield self.say(top, message, at_key=True)
            return
        reasons: dict[str, list[str]] = {}
        for key, reason in self._dead_keys(lane, model):
            reasons.setdefault(reason, []).append(key)
        for reason, found in reasons.items():
            keys = sorted(found, key=lambda key: self._place((*top, key)))
            shown = [f"the accents in {key}" if key == "steps" else key for key in keys]
            verb = "changes" if len(keys) == 1 and keys[0] not in ("steps", "accents") else "change"
            message = f"{listed(shown, 'and')} {verb} nothing: {reason}"
            yield self.say((*top, keys[0]), message, at_key=True)
        if lane.hits:
            yield from self._silent(lane, top)
        else:
            yield from self._values(lane, model, top)
        if lane.share and not any(o.out == lane.out and o is not lane for o in self.spec.lanes):
            message = f"changes nothing: no other lane plays {lane.out}"
            yield self.say((*top, "share"), message, at_key=True)

    def _place(self, keys: Keys) -> tuple[int, int]:
        problem = self.document.problem(keys, "", at_key=True)
        return problem.line, problem.column

    def _dead_keys(self, lane: Lane, model: LaneBase) -> Iterator[tuple[str, str]]:
        """Keys of a lane that change nothing, each with the reason."""
        reach, written = self.reach, model.model_fields_set
        for key in written:
            name = _WORDS.get(key, key)
            if name in SETTINGS and name not in ("hits", "steps"):
                tied = name == "gate" and lane.tie  # the tie itself is what counts
                reason = reach.pulse(lane) if tied else reach.dead(lane, name)
                if reason is not None:
                    yield key, reason
        accents = model.steps is not None and 2 in model.steps.marks
        if (accents or "accents" in written) and not reach.accent_counts(lane):
            reason = reach.level_reason(lane)
            yield from ((key, reason) for key in ("accents",) if key in written)
            if accents:
                yield "steps", reason
        elif "accents" in written and not any(lane.accents):
            yield "accents", "none of its steps is accented"
        if lane.freeze and reach.may_be(lane, "drift")[1] <= 0.0:
            yield "freeze", f"{lane.name} does not drift"
        in_steps = any(lane.settings.get(name) for name in ("slew", "shift"))
        moved = "moved" in kind_of(lane.source).traits
        if "rate" in written and not lane.hits and not moved and not in_steps:
            yield "rate", f"a lane of {lane.kind} has no steps of its own"
        if lane.passes is not None and len(lane.passes.on) == lane.passes.of:
            yield "passes", "it sounds on every pass"
        if "octave" in written and not reach.in_degrees(lane):
            yield "octave", f"no note of {lane.name} is written as a degree"
        if not lane.hits and not reach.notes(lane):
            for key in _NOTE_KEYS:
                if key in written and model.quantise != "off":
                    yield key, f"the values of {lane.name} are levels and no notes"
        if isinstance(lane.source, Shape) and reach.may_be(lane, "hz")[0] > 0.0:
            for key in ("rate", "advance"):
                if key in written:
                    yield key, "hz gives the speed"
        steps = reach.steps(lane)
        if steps is not None:
            if steps == 1 and lane.direction != "forward":
                yield "direction", "its pattern has one step"
            rotation = lane.settings.get("rotate", 0.0)
            fixed = not reach.moved(lane, "rotate") and reach.bases(lane, "rotate") == {rotation}
            if "rotate" in written and rotation and fixed and rotation % steps == 0:
                yield "rotate", f"its pattern has {steps} step{'s' if steps > 1 else ''}"

    def _silent(self, lane: Lane, top: Keys) -> Iterator[Problem]:
        """A lane that can never hit, as far as its own settings say."""
        for name in ("chance", "density"):
            if self.reach.may_be(lane, name)[1] <= 0.0:
                message = f"never hits: its {name} is 0, and nothing raises it"
                yield self.say((*top, name), message)

    def _values(self, lane: Lane, model: LaneBase, top: Keys) -> Iterator[Problem]:
        reach = self.reach
        written = model.model_fields_set
        scale_written = "scale" in self.model.key.model_fields_set
        if not scale_written and reach.notes(lane):
            if lane.quantise is not None and model.quantise == "key":
                message = (
                    "the set names no scale, so every semitone is in the key; write key: "
                    "{root: A, scale: minor}"
                )
                yield self.say((*top, "quantise"), message)
            elif (lane.chord or lane.kind == "arpeggio") and lane.quantise is None:
                message = (
                    "its steps are counted in semitones, for the set names no scale; write key: "
                    "{root: A, scale: minor}"
                )
                yield self.say((*top, "chord" if lane.chord else lane.kind), message)
            if "notes" in written and reach.in_degrees(lane):
                message = (
                    "its degrees are semitones above C, for the set names no scale; write key: "
                    "{root: A, scale: minor}"
                )
                yield self.say((*top, "notes"), message)
        shut = reach.may_be(lane, "depth") == (0.0, 0.0) and not lane.drives
        if lane.out is not None and shut and not reach.notes(lane):
            yield self.say((*top, "depth"), f"nothing reaches {lane.out}: depth is 0")
        if "bounded" in kind_of(lane.source).traits:
            low, high = reach.may_be(lane, "low"), reach.may_be(lane, "high")
            if low == high and low[0] == low[1]:
                key = "low" if "low" in written else "high"
                message = f"never moves: low and high are both {low[0]:g}"
                yield self.say((*top, key), message)
        if isinstance(lane.source, Walk) and reach.may_be(lane, "walk_step")[1] <= 0.0:
            yield self.say((*top, "walk_step"), "never moves: walk_step is 0")
        reason = self._between(lane, model)
        if reason is not None:
            message = (
                f"plays between the semitones of {lane.out}: {reason}; write quantise: key (or "
                "another scale), or quantise: off if this is meant"
            )
            yield self.say((*top, "out"), message)

    # --- microtones ------------------------------------------------------------------------------

    def _between(self, lane: Lane, model: LaneBase) -> str | None:
        """Why a lane plays notes between the semitones without having asked for it."""
        wired = self.reach.wired(lane)
        narrowed = bool(lane.chord) and not isinstance(lane.source, Arpeggio)
        asked = model.quantise is not None or narrowed
        if wired is None or wired.output.kind != "pitch" or asked:
            return None
        reason = self._loose_source(lane, lane)
        other = self.reach.lanes.get(lane.transpose_by or "")
        if reason is None and other is not None and not self.reach.notes(other):
            values = self._certain(other)
            if values is None or any((12.0 * value) % 1.0 for value in values):
                return f"{other.name} transposes it by parts of an octave"
        return reason

    def _loose_source(self, lane: Lane, player: Lane) -> str | None:
        source = lane.source
        if "noted" in kind_of(source).traits:
            return None
        if isinstance(source, Sample) and source.value in self.reach.lanes:
            held = self.reach.lanes[source.value]
            if isinstance(held.source, Sample) or held.quantise is not None or held.chord:
                return None
            return self._loose_source(held, player)
        values = self._certain(lane)
        if values is not None and not any(spread(v, player.octaves) % 1.0 for v in values):
            return None
        what = "a walk" if isinstance(source, Walk) else f"a lane of {lane.kind}"
        return f"{what} goes to any voltage"

    def _certain(self, lane: Lane) -> list[float] | None:
        """The values that a lane has, where they are few; None when they may be any."""
        source = lane.source
        if isinstance(source, Shape) and source.form == "square":
            return [v for name in ("low", "high") for v in self.reach.may_be(lane, name)]
        return None if source.certain is None else list(source.certain)

    # --- drives and sections ---------------------------------------------------------------------

    def _drive(self, keys: Keys, drive: Drive) -> Iterator[Problem]:
        if drive.start is not None and drive.start == drive.end:
            unit = "" if drive.out is None else " V"
            message = f"moves nothing: from and to are both {drive.end:g}{unit}"
            yield self.say((*keys, "to"), message)
        elif drive.start is None and drive.depth == 0.0:
            yield self.say((*keys, "depth"), "moves nothing: depth is 0")
        elif drive.lane is not None and drive.setting is not None:
            lane = self.reach.lanes[drive.lane]
            dead = self.reach.dead(lane, drive.setting)
            moved = (m for m in self.reach.moved(lane, drive.setting) if m.drive is drive)
            stuck = [why for m in moved if (why := self.reach.stuck(lane, m, drive.setting))]
            if dead is not None:
                message = f"moves nothing: {drive.setting} has no effect on {lane.name}: {dead}"
                yield self.say((*keys, "setting"), message)
            elif stuck:
                message = f"moves nothing: {drive.setting} of {lane.name} {stuck[0]}"
                yield self.say((*keys, "setting"), message)

    def _sections(self) -> Iterator[Problem]:
        for section in self.spec.sections:
            top: Keys = ("sections", section.name)
            for name, settings in section.lanes.items():
                for setting in settings:
                    reason = self.reach.dead(self.reach.lanes[name], setting)
                    if reason is not None:
                        keys = (*top, "lanes", name, setting)
                        yield self.say(keys, f"changes nothing: {reason}", at_key=True)
            if section.tempo is not None and self.rig.clock.follow != "internal":
                follow = self.rig.clock.follow
                message = f"changes nothing: the rig follows the tempo of {follow}"
                yield self.say((*top, "tempo"), message, at_key=True)
            changes = section.macros or section.lanes or section.tempo is not None
            changes = changes or section.rewrites or section.swing is not None
            if section.play is None and not changes:
                yield self.say(top, "changes nothing: no play, macros, lanes or tempo", at_key=True)
