"""What must fit between the parts of a set, and between a set and its rig.

Each check yields problems with the path of what is wrong; a mistake that has been reported is not
reported a second time through what depends on it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from bridge.errors import InputError, Problem, did_you_mean
from bridge.files import older, set_lane
from bridge.files.document import Document, Keys, point_inside
from bridge.files.effects import Effects
from bridge.files.rig import Rig
from bridge.files.rig_effects import rig_warnings
from bridge.files.set_lane import DriveModel, LaneBase, kind_of
from bridge.files.set_models import SetModel
from bridge.files.set_variant import VariantBase, varied
from bridge.music.kinds import KINDS, Takes
from bridge.music.kinds import kind_of as kind_of_source
from bridge.music.logic_parse import OPERATORS
from bridge.music.model import SETTINGS, Every, Lane, Levels, OutputRange, SetSpec
from bridge.music.references import REFERENCES
from bridge.music.score import Score, compile_score


def kind_written(raw: object) -> str:
    """The kind of a lane as far as it can be told from what stands in the file."""
    if isinstance(raw, dict):
        for key in set_lane.SOURCES:
            if key in raw:
                return key
    return "every"


def stand_in(name: str, raw: object) -> Lane:
    """A silent lane in place of one that is wrong: of hits or of values, as that one was."""
    hits = KINDS[kind_written(raw)].plays == "hits"
    return Lane(name, Every(1) if hits else Levels((0.0,)), muted=True)


class SetCheck:
    """All checks of one set. `cut` are the paths taken out because their values were wrong."""

    def __init__(
        self, document: Document, model: SetModel, cut: set[Keys], rig: Rig | None
    ) -> None:
        self.document = document
        self.model = model
        self.cut = cut
        self.rig = rig
        self.lanes = self._written("lanes")
        self.macros = self._written("macros")
        self.sections = self._written("sections")
        self.kinds = {name: kind_written(raw) for name, raw in self.lanes.items()}

    def _written(self, key: str) -> Mapping[str, object]:
        value = self.document.data.get(key)
        return value if isinstance(value, dict) else {}

    def say(self, keys: Keys, message: str, *, at_key: bool = False) -> Problem:
        return self.document.problem(keys, message, at_key=at_key)

    def broken(self) -> frozenset[str]:
        """Lanes without one clear source: nothing can be made of them."""
        lanes = self.model.lanes
        return frozenset(
            str(name) for name in self.lanes if name not in lanes or kind_of(lanes[name]) is None
        )

    def problems(self) -> list[Problem]:
        """Everything that is wrong, but for what only compiling finds."""
        found: list[Problem] = []
        for name, lane in self.model.lanes.items():
            found += self._lane(name, lane)
        found += self._outputs()
        for name, macro in self.model.macros.items():
            for place, drive in enumerate(macro.drives):
                found += self._drive(("macros", name, "drives", place), drive, True)
        found += self._sections()
        found += self._put_twice()
        for place, entry in enumerate(self.model.order):
            top: Keys = ("order", place)
            if entry.section is not None:
                found += self._known((*top, "section"), entry.section, self.sections, "section")
            for name in entry.choose:
                keys: Keys = (*top, "choose", name)
                found += self._known(keys, name, self.sections, "section", at_key=True)
            if not any(path[:2] == top for path in self.cut):  # what is wrong is said once
                found += [self.say((*top, *at), message) for at, message in entry.complaints()]
        return found

    def _put_twice(self) -> Iterator[Problem]:
        """Settings that two drives put somewhere, each from its own end to its other."""
        seen: set[tuple[str, str]] = set()
        for what, owners in (("macros", self.model.macros), ("lanes", self.model.lanes)):
            for name, owner in owners.items():
                for place, drive in enumerate(owner.drives):
                    if drive.lane is None or drive.setting is None or drive.start is None:
                        continue
                    if (drive.lane, drive.setting) in seen:
                        said = (
                            f"another drive puts {drive.setting} of {drive.lane} somewhere; give "
                            "one of them a depth"
                        )
                        yield self.say((what, name, "drives", place, "from"), said)
                    seen.add((drive.lane, drive.setting))

    # --- lanes ---------------------------------------------------------------------------------

    def _lane(self, name: str, lane: LaneBase) -> Iterator[Problem]:
        top: Keys = ("lanes", name)
        if name in OPERATORS:
            yield self.say(top, f"{name} is a word of logic; choose another name", at_key=True)

        def is_cut(keys: tuple[str, ...]) -> bool:
            return any(path[: 2 + len(keys)] == top + keys for path in self.cut)

        for keys, message, at_key in set_lane.complaints(lane, is_cut):
            at: Keys = top + keys
            yield self.say(at, message, at_key=at_key)
        for one in REFERENCES:
            target = lane.at(one.keys)
            if isinstance(target, str) and one.takes != "expression":
                yield from self._reference((*top, *one.keys), target, one.takes)
        for place, drive in enumerate(lane.drives):
            yield from self._drive((*top, "drives", place), drive, False)

    def _known(
        self, keys: Keys, name: str, names: Mapping[str, object], what: str, *, at_key: bool = False
    ) -> Iterator[Problem]:
        if name not in names:
            yield self.say(
                keys, f"there is no {what} {name}{did_you_mean(name, names)}", at_key=at_key
            )

    def _reference(self, keys: Keys, name: str, takes: Takes) -> Iterator[Problem]:
        yield from self._known(keys, name, self.lanes, "lane")
        kind = self.kinds.get(name)
        if kind is not None and KINDS[kind].plays != takes:
            yield self.say(keys, f"{name} is a lane of {kind}; a lane of {takes} is needed here")

    def _drive(self, keys: Keys, drive: DriveModel, complain: bool) -> Iterator[Problem]:
        if complain:  # those of lanes are said with the lane
            for path, message in drive.complaints():
                at: Keys = keys + path
                yield self.say(at, message, at_key=bool(path))
        if drive.curve is not None and keys[0] == "lanes":
            message = "is for the drives of macros; a lane has the values that it has"
            yield self.say((*keys, "curve"), message, at_key=True)
        if drive.lane is not None:
            yield from self._known((*keys, "lane"), drive.lane, self.lanes, "lane")
            if drive.setting is not None:
                yield from self._setting((*keys, "setting"), drive.lane, drive.setting)
        if drive.out is not None and self.rig is not None:
            output = self.rig.ranges.get(drive.out)
            at_out: Keys = (*keys, "out")
            if output is None:
                yield self._no_output(at_out, drive.out)
            elif output.kind != "level":
                message = f"{drive.out} is a {output.kind} output; only level outputs can be driven"
                if output.kind == "pitch":
                    message += " (for pitch, drive the transpose of its lane)"
                yield self.say(at_out, message)

    def _setting(
        self, keys: Keys, lane: str, name: str, *, at_key: bool = False
    ) -> Iterator[Problem]:
        kind = self.kinds.get(lane)
        setting = SETTINGS.get(name)
        if setting is None:
            known = [s.name for s in SETTINGS.values() if kind is None or kind in s.kinds]
            yield self.say(
                keys, f"there is no setting {name}{did_you_mean(name, known)}", at_key=at_key
            )
        elif kind is not None and kind not in setting.kinds:
            message = f"{name} means nothing on {lane}, a lane of {kind}"
            yield self.say(keys, message, at_key=at_key)

    # --- outputs -------------------------------------------------------------------------------

    def _no_output(self, keys: Keys, out: str) -> Problem:
        ranges = self.rig.ranges if self.rig else {}
        interface, _, jack = out.partition(".")
        names = self.rig.interfaces if self.rig else {}
        if interface not in names:
            hint = did_you_mean(interface, names) or f"; there are: {', '.join(names)}"
            return self.say(keys, f"the rig has no interface {interface}{hint}")
        profile = names[interface].profile
        hint = did_you_mean(out, ranges)
        return self.say(keys, f"{profile.name} has no output {jack}{hint}")

    def _outputs(self) -> Iterator[Problem]:
        taken: dict[str, list[tuple[str, bool]]] = {}
        for name, lane in self.model.lanes.items():
            out = lane.out
            if out is None:
                continue
            keys: Keys = ("lanes", name, "out")
            kind = kind_of(lane) or self.kinds[name]
            if self.rig is not None:
                output = self.rig.ranges.get(out)
                if output is None:
                    yield self._no_output(keys, out)
                    continue
                if output.kind not in KINDS[kind].outputs:
                    yield self.say(keys, self._misfit(out, output.kind, kind))
                    continue
            yield from self._taken(keys, out, name, lane, kind, taken)
        if self.rig is not None:
            yield from self._excluded(list(taken))

    @staticmethod
    def _misfit(out: str, output_kind: str, kind: str) -> str:
        if output_kind in ("clock", "reset", "run"):
            return f"{out} is a {output_kind} output; the transport drives it, no lane"
        wanted = " or ".join(KINDS[kind].outputs)
        return f"{out} is a {output_kind} output; a lane of {kind} needs a {wanted} output"

    def _taken(
        self,
        keys: Keys,
        out: str,
        name: str,
        lane: LaneBase,
        kind: str,
        taken: dict[str, list[tuple[str, bool]]],
    ) -> Iterator[Problem]:
        before = taken.setdefault(out, [])
        level = self.rig is not None and self.rig.ranges[out].kind == "level"
        mixes = level or (self.rig is None and "level" in KINDS[kind].outputs)
        # Levels add up at an output, which is what a mixer does; hits and pitches would collide.
        if before and not mixes and not lane.share and any(not share for _, share in before):
            others = " and ".join(other for other, _ in before)
            yield self.say(
                keys, f"{out} is played by {others} already; write share: true if both should"
            )
        before.append((name, lane.share))

    def _excluded(self, outs: list[str]) -> Iterator[Problem]:
        rig = self.rig
        if rig is None:
            return
        for out in outs:
            wired = rig.wired[out]
            for other in outs[: outs.index(out)]:
                if rig.wired[other].port != wired.port:
                    continue
                mine, theirs = wired.output, rig.wired[other].output
                if theirs.name in mine.excludes or mine.name in theirs.excludes:
                    name = next(n for n, lane in self.model.lanes.items() if lane.out == out)
                    message = f"{out} cannot be used together with {other}"
                    yield self.say(("lanes", name, "out"), message)

    # --- sections ------------------------------------------------------------------------------

    def _sections(self) -> Iterator[Problem]:
        for name, section in self.model.sections.items():
            top: Keys = ("sections", name)
            if isinstance(section.play, tuple):
                for place, lane in enumerate(section.play):
                    yield from self._known((*top, "play", place), lane, self.lanes, "lane")
            for macro in section.macros:
                keys = (*top, "macros", macro)
                yield from self._known(keys, macro, self.macros, "macro", at_key=True)
            for lane, over in section.lanes.items():
                keys = (*top, "lanes", lane)
                yield from self._known(keys, lane, self.lanes, "lane", at_key=True)
                yield from self._variant(keys, lane, over)

    def _variant(self, top: Keys, name: str, over: VariantBase) -> Iterator[Problem]:
        """What is wrong with a lane as a section has it, unless it is wrong in the set itself."""
        lane = self.model.lanes.get(name)
        if lane is None or kind_of(lane) is None or any(set_lane.complaints(lane, lambda _: False)):
            return
        within = varied(lane, over)
        wrong = list(within.complaints())
        kind, own = kind_of(within.model), KINDS[str(kind_of(lane))].plays
        if kind is not None and KINDS[kind].plays != own:
            message = f"is a lane of {own} in the set and cannot be one of {KINDS[kind].plays} here"
            yield self.say((*top, kind), message, at_key=True)
            return
        for setting in within.numbers():
            if kind is not None and kind not in SETTINGS[setting].kinds and setting in within.given:
                at: Keys = (*top, setting)
                message = f"{setting} means nothing on {name}, a lane of {kind}"
                yield self.say(at, message, at_key=True)
                wrong = [row for row in wrong if row[0] != (setting,)]
        for path, message, at_key in wrong:
            yield self.say((*top, *path), message, at_key=at_key)
        for one in REFERENCES:
            target = within.model.at(one.keys) if one.keys[0] in within.given else None
            if isinstance(target, str) and one.takes != "expression":
                yield from self._reference((*top, *one.keys), target, one.takes)

    # --- compiling -----------------------------------------------------------------------------

    def compiled(
        self, spec: SetSpec, broken: frozenset[str], said: Iterable[Problem]
    ) -> tuple[Score | None, list[Problem]]:
        """The score, and what compiling finds: cycles, mistakes in logic. `broken` lanes are only
        stand-ins, and what stands in `said` is not repeated."""
        before = {problem.keys for problem in said}
        try:
            return compile_score(spec, self.rig.ranges if self.rig else plausible(spec)), []
        except InputError as error:
            return None, [
                point_inside(self.document, self.document.locate(problem))
                for problem in error.problems
                if problem.keys not in before
                and not (
                    problem.keys[:1] == ("lanes",)
                    and problem.keys[1:2]
                    and str(problem.keys[1]) in broken
                )
            ]

    # --- warnings ------------------------------------------------------------------------------

    def warnings(self, spec: SetSpec) -> list[Problem]:
        """What is allowed but may surprise: what has no effect, volts that an output does not
        reach."""
        found: list[Problem] = []
        if self.rig is None:
            return found
        found += rig_warnings(self.rig, spec)
        found += Effects(self.document, self.model, spec, self.rig).warnings()
        found += older.notes_of(self.document)
        for name, lane in self.model.lanes.items():
            output = self.rig.ranges.get(lane.out) if lane.out else None
            if output is not None and output.kind == "level":
                found += self._reach(name, lane, output)
        drives = [
            (("macros", name, "drives", place), drive)
            for name, macro in self.model.macros.items()
            for place, drive in enumerate(macro.drives)
        ] + [
            (("lanes", name, "drives", place), drive)
            for name, lane in self.model.lanes.items()
            for place, drive in enumerate(lane.drives)
        ]
        for keys, drive in drives:
            output = self.rig.ranges.get(drive.out) if drive.out else None
            for key, volts in (("from", drive.start), ("to", drive.end)):
                if output is not None and volts is not None:
                    found += self._clamped((*keys, key), volts, output)
        return found

    def _clamped(self, keys: Keys, volts: float, output: OutputRange) -> Iterator[Problem]:
        if volts < output.low - 1e-9 or volts > output.high + 1e-9:
            end = output.high if volts > output.high else output.low
            message = f"asks for {volts:g} V; {output.name} stops at {end:g} V"
            yield self.say(keys, message)

    def _reach(self, name: str, lane: LaneBase, output: OutputRange) -> Iterator[Problem]:
        values = [value for value in lane.levels or () if value is not None]
        if not values:
            low, high = lane.setting("low"), lane.setting("high")
            values = [0.0 if low is None else low, 1.0 if high is None else high]
        depth, offset = lane.setting("depth"), lane.setting("offset") or 0.0
        share = output.span * (1.0 if depth is None else depth)
        volts = [output.base + share * value + offset for value in values]
        key = "offset" if offset else (kind_of(lane) or "out")
        for reach in {min(volts), max(volts)}:
            yield from self._clamped(("lanes", name, key), reach, output)


def plausible(spec: SetSpec) -> dict[str, OutputRange]:
    """Outputs as the lanes of a set want them, for a set that is checked without a rig."""
    outputs: dict[str, OutputRange] = {}
    for lane in spec.lanes:
        if lane.out is not None:
            outputs.setdefault(
                lane.out, OutputRange(lane.out, kind_of_source(lane.source).usual_output)
            )
    for drives in (*(m.drives for m in spec.macros), *(lane.drives for lane in spec.lanes)):
        for drive in drives:
            if drive.out is not None:
                outputs.setdefault(drive.out, OutputRange(drive.out, "level"))
    return outputs


__all__ = ["SetCheck", "kind_written", "plausible", "stand_in"]
