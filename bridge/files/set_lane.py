"""One lane of a set file: its model, and the frozen `Lane` made of it.

The numeric settings come from `bridge.music.settings`, and sources made of plain parts from
`bridge.music.kinds`: what is added there can be written, is checked and stands in the reference
without a line here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from fractions import Fraction
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from pydantic import Field, create_model

from bridge.files.set_values import (
    MAX_BARS,
    MAX_STEPS,
    Accents,
    Advance,
    Chord,
    Expression,
    Gate,
    Octaves,
    OneLevel,
    OneNote,
    Output,
    Pattern,
    Rate,
    Reset,
    Scale,
    Spacing,
    Yes,
)
from bridge.files.strict import Limits, Name, Strict, older_name
from bridge.music.kinds import KINDS, Kind, Part
from bridge.music.model import (
    SETTINGS,
    SIXTEENTH,
    Direction,
    Drive,
    Euclid,
    FeelOf,
    Fill,
    Lane,
    Levels,
    Logic,
    Notes,
    Passes,
    Side,
    Source,
)
from bridge.music.references import LANE_KEYS, is_led
from bridge.music.scale import Key

SOURCES = tuple(KINDS)
# A setting that stands inside its source's own mapping or under another key.
_INSIDE = ("hits", "steps")


# --- the parts of a lane -----------------------------------------------------------------------


class FillModel(Strict):
    called: ClassVar[str] = "a fill"

    hits: Annotated[int, Limits(0, MAX_STEPS, "hits", True)]
    """Euclidean hits of the fill"""
    length: Annotated[int, Limits(1, MAX_STEPS, "steps", True)]
    """steps of the fill, at the end of the pattern"""
    every: Annotated[int, Limits(1, MAX_BARS, "passes", True)] = 4
    """passes between two fills, the fill included"""


class EuclidModel(Strict):
    called: ClassVar[str] = "euclid"
    stand_ins: ClassVar[Mapping[str, object]] = {"hits": 0, "steps": MAX_STEPS}

    hits: Annotated[int, Limits(0, MAX_STEPS, "hits", True)]
    """hits, spread as evenly as can be"""
    steps: Annotated[int, Limits(1, MAX_STEPS, "steps", True)]
    """steps of the pattern"""
    rotate: Annotated[int, Limits(-MAX_STEPS, MAX_STEPS, "steps", True)] = 0
    """moves this many first steps to the end"""
    fill: FillModel | None = None
    """now and then the last steps become another pattern"""


class PassesModel(Strict):
    called: ClassVar[str] = "passes"

    on: Annotated[list[Annotated[int, Limits(1, MAX_BARS, "", True)]], Field(min_length=1)]
    """the passes on which it sounds, counted from 1"""
    of: Annotated[int, Limits(1, MAX_BARS, "passes", True)]
    """the number of passes that make a round"""


class DriveModel(Strict):
    called: ClassVar[str] = "a drive"

    out: Output = None
    """the level output that is moved"""
    lane: Name | None = None
    """the lane of which a setting is moved"""
    setting: str | None = None
    """the setting that is moved"""
    depth: Annotated[float, Limits(-1, 1)] | None = None
    """share of the output's or the setting's whole range; below 0 turns it round"""
    start: Annotated[float, Limits(-20_000, 20_000)] | None = Field(default=None, alias="from")
    """volts of the out, or the setting, at 0, instead of a depth"""
    end: Annotated[float, Limits(-20_000, 20_000)] | None = Field(default=None, alias="to")
    """the same at 1"""
    curve: Annotated[float, Limits(-1, 1)] | None = None
    """of a macro, for this drive alone: as the macro's own, which it replaces"""

    def complaints(self) -> Iterator[tuple[tuple[str, ...], str]]:
        """What is wrong between the keys: key path and message."""
        if self.out is not None and (self.lane is not None or self.setting is not None):
            yield (), "moves either an out or a lane's setting, not both"
        elif self.out is None and (self.lane is None or self.setting is None):
            yield (), "needs an out, or a lane and a setting"
        if (self.start is None) != (self.end is None):
            yield (), "from and to go together"
        elif self.start is not None and self.end is not None:
            yield from self._beyond({"from": self.start, "to": self.end})
            if self.depth is not None:
                yield ("depth",), "write either a depth or from and to"

    def _beyond(self, ends: dict[str, float]) -> Iterator[tuple[tuple[str, ...], str]]:
        low, high, unit = -15.0, 15.0, "V"
        if self.out is None:
            setting = SETTINGS.get(self.setting or "")
            if setting is None:
                return
            low, high, unit = setting.low, setting.high, setting.unit
        for key, value in ends.items():
            if not low <= value <= high:
                yield (key,), f"must be from {low:g} to {high:g} {unit}, not {value:g}"

    def made(self) -> Drive:
        depth = 1.0 if self.depth is None else self.depth
        return Drive(self.out, self.lane, self.setting, depth, self.start, self.end, self.curve)


class LaneBase(Strict):
    called: ClassVar[str] = "a lane"
    elsewhere: ClassVar[dict[str, str]] = {
        "hits": "belongs inside euclid: {hits: 5, steps: 16}",
        "fill": "belongs inside euclid: {hits: 5, steps: 16, fill: {hits: 3, length: 4}}",
        "note": "is not a key of a lane; did you mean notes?",
    }

    euclid: EuclidModel | None = None
    """source of hits: a Euclidean pattern"""
    steps: Pattern = None
    """source of hits: a pattern written out"""
    logic: Expression = None
    """source of hits: derived from other lanes"""
    notes: Annotated[list[OneNote], Field(min_length=1, max_length=256)] | None = None
    """source of values: pitches, in turn"""
    levels: Annotated[list[OneLevel], Field(min_length=1, max_length=256)] | None = None
    """source of values: levels, in turn"""

    compare: Literal["steps", "gates"] = older_name("compare", "by", "steps")
    """logic on coinciding steps, or on overlapping gates"""
    reads: Side = older_name("reads", "tap", "after-mute")
    """logic reads its lanes after their mutes or before them"""
    feel: FeelOf = "cause"
    """what other lanes move or derive sounds with the hit that causes it, or on the grid"""
    rate: Rate | None = None
    """length of a step"""
    advance: Advance = None
    """the lane whose hits move it on, in the place of a rate"""
    direction: Direction = "forward"
    """the order of the steps"""
    reset: Reset = None
    """back to the first step every so many bars, or at each hit of a lane"""
    muted: bool = False
    """true: it begins silent"""
    out: Output = None
    """where it goes; left out: a helper for other lanes"""
    share: bool = False
    """true: the output may be another lane's too"""
    groups: Annotated[list[Name], Field(max_length=16)] = Field(default_factory=list)
    """groups it belongs to, to mute together"""
    accents: Accents = ()
    """a pattern of its own that accents hits, step by step"""
    passes: PassesModel | None = None
    """sounds only on some passes of its pattern"""
    gate: Gate = None
    """length of the gate as a fraction of the step; `tie`: until the next hit that sounds"""
    spacing: Spacing = None
    """an older spelling of repeat_curve"""
    freeze: bool = older_name("freeze", "still", False)
    """true: drift is held where it is"""
    quantise: Scale = None
    """notes are moved to the nearest of a scale"""
    chord: Chord = ()
    """notes are moved to the nearest of these scale steps; an arpeggio plays them, or 1 3 5"""
    octaves: Octaves = None
    """notes are folded into these octaves"""
    octave: Annotated[int, Limits(-1, 9, "octaves", True)] = 3
    """the octave of the key's root on which degree `^1` stands"""
    transpose_by: Name | None = None
    """a lane of values that is added to the notes"""
    drives: Annotated[list[DriveModel], Field(max_length=32)] = Field(default_factory=list)
    """outputs and settings that this lane of values moves"""

    @property
    def sources(self) -> list[str]:
        """The source keys that are written; there should be one."""
        return [key for key in SOURCES if getattr(self, key) is not None]

    def at(self, keys: tuple[str, ...]) -> object:
        """What is written at a path of keys; None when nothing is."""
        value: object = self
        for key in keys:
            value = getattr(value, key, None)
        return value

    def setting(self, name: str) -> float | None:
        value = getattr(self, name, None)
        return float(value) if isinstance(value, int | float) else None


def _part_type(part: Part) -> Any:
    """How one part of a source is read."""
    if part.takes == "whole":
        return Annotated[int, Limits(part.low, part.high, part.unit, True)]
    return Literal[part.words] if part.takes == "word" else Name


def _source_fields() -> dict[str, Any]:
    """The keys of all sources that are made of plain parts, and models of those with several."""
    fields: dict[str, object] = {}
    for kind in KINDS.values():
        if not kind.written:
            continue
        inside = [part for part in kind.parts if part.keys[0] == kind.name]
        read: Any = SOURCE_MODELS.get(kind.name)
        if read is None:
            read = _part_type(inside[0]) if inside else Yes
        says = f"source of {kind.plays}: {kind.says}"
        fields[kind.name] = (
            read | None,
            older_name(kind.name, kind.before, None, description=says),
        )
        for part in kind.parts:
            if part not in inside:
                more = Field(default=None, description=part.says)
                fields[part.keys[0]] = (_part_type(part) | None, more)
    return fields


def _source_model(kind: Kind) -> type[Strict]:
    """The mapping under the key of a source that has several parts."""
    parts: dict[str, Any] = {
        part.keys[-1]: (
            _part_type(part),
            older_name(part.keys[-1], part.before, ..., description=part.says),
        )
        for part in kind.parts
        if len(part.keys) > 1
    }
    model = create_model(f"{kind.name.title()}Model", __base__=Strict, **parts)
    model.called = kind.name
    return model


SOURCE_MODELS: Mapping[str, type[Strict]] = MappingProxyType(
    {"euclid": EuclidModel}
    | {
        kind.name: _source_model(kind)
        for kind in KINDS.values()
        if any(len(part.keys) > 1 for part in kind.parts)
    }
)
"""What stands inside a source that is a mapping, by kind."""


def _setting_fields() -> dict[str, object]:
    fields: dict[str, object] = {}
    for setting in SETTINGS.values():
        if setting.name in _INSIDE or setting.name in LaneBase.model_fields:
            continue
        limits = Limits(setting.low, setting.high, setting.unit, setting.whole)
        number: Any = Annotated[int, limits] if setting.whole else Annotated[float, limits]
        fields[setting.name] = (number | None, Field(default=None, description=setting.says))
    return fields


if TYPE_CHECKING:
    LaneModel = LaneBase
else:
    LaneModel = create_model(
        "LaneModel", __base__=LaneBase, **_source_fields(), **_setting_fields()
    )


def kind_of(model: LaneBase) -> str | None:
    """The kind of a lane; None when it has no source, or several."""
    sources = model.sources
    return sources[0] if len(sources) == 1 else None


def complaints(
    model: LaneBase, cut: Callable[[tuple[str, ...]], bool]
) -> Iterator[tuple[tuple[str | int, ...], str, bool]]:
    """What is wrong between the keys of one lane: key path, message, whether at the key.

    `cut` tells whether a key was taken out because its value was wrong, so that nothing is said
    twice.
    """
    sources = model.sources
    if not sources and not any(cut((key,)) for key in SOURCES):
        yield (), f"needs a source: one of {', '.join(SOURCES)}", False
    if len(sources) > 1:
        yield (sources[1],), f"has two sources, {sources[0]} and {sources[1]}; keep one", True
    if model.rate is not None and model.advance is not None:
        yield ("advance",), "write either rate or advance", True
    kind = kind_of(model)
    if kind is not None:
        yield from _misplaced(model, kind)
        yield from _no_feel(model, kind)
    if model.euclid is not None:
        yield from _euclid(model.euclid)
    if model.passes is not None:
        for place, one in enumerate(model.passes.on):
            if one > model.passes.of:
                yield ("passes", "on", place), f"there is no pass {one} of {model.passes.of}", False
    if model.spacing is not None and model.setting("repeat_curve") is not None:
        yield ("spacing",), "write either spacing or repeat_curve", True
    low, high = model.setting("low"), model.setting("high")
    if (0.0 if low is None else low) > (1.0 if high is None else high):
        yield ("low" if low is not None else "high",), "low lies above high", False
    for place, note in enumerate(model.notes or ()):
        octaves = 0 if note.degree is None else model.octave + note.degree.octave
        if not -1 <= octaves <= 9:
            yield ("notes", place), f"would stand in octave {octaves}; there are -1 to 9", False
    for place, drive in enumerate(model.drives):
        for keys, message in drive.complaints():
            yield ("drives", place, *keys), message, bool(keys)


def _misplaced(model: LaneBase, kind: str) -> Iterator[tuple[tuple[str, ...], str, bool]]:
    for key in model.model_fields_set:
        if key == "rotate" and kind == "euclid":
            yield (key,), "belongs inside euclid: {hits: 5, steps: 16, rotate: 2}", True
            continue
        allowed = LANE_KEYS.get(key)
        if allowed is None and key in SETTINGS and key not in SOURCES:
            allowed = SETTINGS[key].kinds
        if allowed is not None and kind not in allowed:
            yield (key,), f"means nothing on a lane of {kind}; it is for {', '.join(allowed)}", True


def _no_feel(model: LaneBase, kind: str) -> Iterator[tuple[tuple[str, ...], str, bool]]:
    if "feel" not in model.model_fields_set:
        return
    if not is_led(kind, lambda one: isinstance(model.at(one.keys), str)):
        yield ("feel",), "means nothing on a lane that no other lane moves: it has its own", True
    elif kind == "logic" and model.compare == "gates":
        yield ("feel",), "means nothing by gates: they are heard when they sound", True


def _euclid(euclid: EuclidModel) -> Iterator[tuple[tuple[str, ...], str, bool]]:
    if euclid.hits > euclid.steps:
        yield ("euclid", "hits"), f"{euclid.hits} hits do not fit in {euclid.steps} steps", False
    fill = euclid.fill
    if fill is not None and fill.hits > fill.length:
        message = f"{fill.hits} hits do not fit in {fill.length} steps"
        yield ("euclid", "fill", "hits"), message, False
    if fill is not None and fill.length > euclid.steps:
        message = f"a fill of {fill.length} steps is longer than the pattern of {euclid.steps}"
        yield ("euclid", "fill", "length"), message, False


def _source(model: LaneBase, kind: Kind, key: Key) -> Source:
    if model.euclid is not None:
        fill = model.euclid.fill
        return Euclid(Fill(fill.hits, fill.length, fill.every) if fill else None)
    if model.steps is not None:
        return model.steps
    if model.logic is not None:
        return Logic(model.logic, model.compare)
    if model.notes is not None:
        return Notes(tuple(key.noted(note, model.octave) for note in model.notes))
    if model.levels is not None:
        return Levels(tuple(model.levels))
    made: Callable[..., Source] = kind.source
    return made(**{part.field: model.at(part.keys) for part in kind.parts})


def _settings(model: LaneBase) -> dict[str, float]:
    settings: dict[str, float] = {}
    for name in SETTINGS:
        if name in _INSIDE or name == "gate":
            continue
        value = model.setting(name)
        if value is not None:
            settings[name] = value
    if isinstance(model.gate, int | float):
        settings["gate"] = float(model.gate)
    if model.spacing is not None:
        settings["repeat_curve"] = model.spacing
    if model.euclid is not None:
        settings["hits"] = float(model.euclid.hits)
        settings["steps"] = float(model.euclid.steps)
        settings["rotate"] = float(model.euclid.rotate)
    # A swing of its own counts even at 50: such a lane stays straight in a set that swings.
    return {
        name: value
        for name, value in settings.items()
        if value != SETTINGS[name].start or name == "swing"
    }


def made(name: str, model: LaneBase, key: Key) -> Lane:
    """The frozen lane, in a key."""
    kind = kind_of(model)
    if kind is None:
        raise AssertionError("only a lane with one source is made")
    advance: Fraction | str = SIXTEENTH
    if model.advance is not None:
        advance = model.advance
    elif model.rate is not None:
        advance = model.rate
    passes = model.passes
    return Lane(
        name=name,
        source=_source(model, KINDS[kind], key),
        advance=advance,
        out=model.out,
        muted=model.muted,
        share=model.share,
        reads=model.reads,
        feel=model.feel,
        direction=model.direction,
        reset=model.reset,
        accents=model.accents,
        passes=Passes(tuple(sorted(set(passes.on))), passes.of) if passes else None,
        tie=model.gate == "tie",
        freeze=model.freeze,
        groups=tuple(model.groups),
        quantise=key.quantise(model.quantise),
        chord=model.chord,
        octaves=model.octaves,
        transpose_by=model.transpose_by,
        drives=tuple(drive.made() for drive in model.drives),
        settings=_settings(model),
    )
