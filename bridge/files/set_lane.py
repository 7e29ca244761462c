"""One lane of a set file: its model, and the frozen `Lane` made of it.

The numeric settings come from `bridge.music.model.SETTINGS`, so that a setting added there can be
written, is range-checked and stands in the reference without a line here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from fractions import Fraction
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from pydantic import Field, create_model

from bridge.files.document import Doubtful
from bridge.files.strict import Limits, Name, Reads, Strict, one_of, read_name, read_text, shown
from bridge.music.model import (
    HIT_KINDS,
    SETTINGS,
    SIXTEENTH,
    VALUE_KINDS,
    Decay,
    Direction,
    Drive,
    Euclid,
    Every,
    Fill,
    Hold,
    Lane,
    Levels,
    Logic,
    Note,
    Notes,
    Passes,
    Quantise,
    Shape,
    Source,
    Steps,
    Tap,
    Walk,
)  # fmt: skip
from bridge.music.pattern import parse_steps
from bridge.music.scale import SCALES, parse_note
from bridge.music.ticks import parse_rate

MAX_STEPS = 64
MAX_BARS = 1024
SOURCES = HIT_KINDS + VALUE_KINDS
SPACINGS = MappingProxyType({"even": 0.0, "accelerating": 0.5, "slowing": -0.5})

# A setting that stands inside its source's own mapping or under another key.
_INSIDE = ("hits", "steps")
_STEPPED = ("euclid", "steps", "every", "notes", "levels")
# Keys that mean something on some kinds of lane only (settings say so themselves).
ONLY_ON = MappingProxyType({
    "by": ("logic",), "tap": ("logic",), "retrigger": ("shape",),
    "accents": HIT_KINDS, "passes": HIT_KINDS, "spacing": HIT_KINDS, "still": _STEPPED,
    "quantise": ("notes", "levels", "shape", "hold", "walk"),
    "chord": ("notes", "levels", "shape", "hold", "walk"),
    "octaves": ("notes", "levels", "shape", "hold", "walk"),
    "transpose_by": ("notes", "levels", "shape", "hold", "walk"),
    "drives": VALUE_KINDS,
})  # fmt: skip


# --- readers: ValueError says what may be written ----------------------------------------------

def read_rate(value: object) -> Fraction:
    if not isinstance(value, str):
        raise ValueError(f"must be a rate such as 1/16, 1/8T, 1/8. or 3:4, not {shown(value)}")
    return parse_rate(value)


def read_advance(value: object) -> Fraction | str:
    if isinstance(value, str) and ("/" in value or ":" in value):
        return parse_rate(value)
    if not isinstance(value, str):
        raise ValueError(f"must be a rate such as 1/8 or the name of a lane, not {shown(value)}")
    return read_name(value)


def read_reset(value: object) -> int | str | None:
    if isinstance(value, str):
        return read_name(value)
    return int(Limits(1, MAX_BARS, "bars (or the name of a lane)", True).check(value))


def read_marks(value: object) -> tuple[int, ...]:
    if not isinstance(value, str):
        raise ValueError(f'must be steps in quotes such as "x..X", not {shown(value)}')
    return parse_steps(value)


def read_gate(value: object) -> float | str:
    if value == "tie":
        return "tie"
    if isinstance(value, str):
        raise ValueError(f"must be a number of steps or tie, not {shown(value)}")
    setting = SETTINGS["gate"]
    return Limits(setting.low, setting.high, setting.unit).check(value)


def read_spacing(value: object) -> float:
    if isinstance(value, str):
        return SPACINGS[one_of(value, SPACINGS, "a spacing")]
    setting = SETTINGS["repeat_curve"]
    return Limits(setting.low, setting.high).check(value)


def read_out(value: object) -> str | None:
    """`interface.output`, or nothing for a lane that only others use."""
    if value is None:
        return None
    parts = value.split(".") if isinstance(value, str) else []
    if len(parts) != 2:
        raise ValueError(f"must be interface.output, such as main.gate-1, not {shown(value)}")
    for part in parts:
        read_name(part)
    return str(value)


def read_one_note(value: object) -> Note:
    if value is None or value == ".":
        return Note(None)
    if value == "-":
        return Note(None, tie=True)
    if isinstance(value, dict):
        strange = [str(key) for key in value if key not in ("note", "glide")]
        if strange or "note" not in value:
            raise ValueError(f"must be {{note: E2, glide: true}}, not {shown(', '.join(value))}")
        glide = value.get("glide", False)
        if not isinstance(glide, bool):
            raise ValueError(f"glide must be true or false, not {shown(glide)}")
        inner = read_one_note(value["note"])
        if inner.number is None and glide:
            raise ValueError("only a note can glide, not a rest or a tie")
        return Note(inner.number, inner.tie, glide)
    if isinstance(value, str):
        return Note(float(parse_note(value)))
    return Note(float(Limits(0, 127, "(or a name such as A1, or . to rest)").check(value)))


def read_one_level(value: object) -> float | None:
    if value is None or value == ".":
        return None
    return float(Limits(-1, 1, "(or . to rest)").check(value))


def read_quantise(value: object) -> str | tuple[int, ...]:
    """`key`, `off`, a scale, or semitones 0..11 above the root."""
    if isinstance(value, list):
        return read_degrees(value)
    return one_of(value, ("key", "off", *SCALES), "a scale")


def read_degrees(value: object) -> tuple[int, ...]:
    if not isinstance(value, list) or not value:
        raise ValueError("must be a list of semitones above the root, such as [0, 3, 7]")
    limit = Limits(0, 11, "semitones", True)
    degrees = [int(limit.check(item)) for item in value]
    if degrees != sorted(set(degrees)):
        raise ValueError("must rise from semitone to semitone, each once")
    return tuple(degrees)


def read_chord(value: object) -> tuple[int, ...]:
    if not isinstance(value, list) or not 1 <= len(value) <= 12:
        raise ValueError("must be a list of scale steps counted from 1, such as [1, 3, 5]")
    return tuple(int(Limits(1, 24, "scale steps", True).check(item)) for item in value)


def read_octaves(value: object) -> tuple[int, int]:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("must be the lowest and the highest octave, such as [1, 3]")
    low, high = (int(Limits(-1, 9, "octaves", True).check(item)) for item in value)
    if low > high:
        raise ValueError(f"goes from {low} down to {high}; write the lower octave first")
    return low, high


def read_walk(value: object) -> bool:
    if value is not True:
        raise ValueError(f"must be true, not {shown(value)}")
    return True


def read_expression(value: object) -> str:
    if isinstance(value, Doubtful) or not isinstance(value, str):
        raise ValueError(f'must be an expression such as "kick or rim", not {shown(value)}')
    return read_text(value, 1000)


Rate = Annotated[Fraction, Reads(read_rate, "a rate: `1/16`, `1/8T`, `1/8.`, `3/32`, `3:4`")]
Output = Annotated[str | None, Reads(read_out, "an output of the rig: `interface.output`")]
Whole = Annotated[int, Limits(1, MAX_STEPS, "", True)]


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
    stand_ins: ClassVar[Mapping[str, Any]] = {"hits": 0, "steps": MAX_STEPS}

    hits: Annotated[int, Limits(0, MAX_STEPS, "hits", True)]
    """hits, spread as evenly as can be"""
    steps: Annotated[int, Limits(1, MAX_STEPS, "steps", True)]
    """steps of the pattern"""
    rotate: Annotated[int, Limits(-MAX_STEPS, MAX_STEPS, "steps", True)] = 0
    """moves this many first steps to the end"""
    fill: FillModel | None = None
    """now and then the last steps become another pattern"""


class HoldModel(Strict):
    called: ClassVar[str] = "hold"

    value: Name
    """the lane of values that is sampled"""
    by: Name
    """the lane whose hits take a sample"""


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
    start: Annotated[float, Limits(-15, 15, "V")] | None = Field(default=None, alias="from")
    """volts at 0, instead of a depth"""
    end: Annotated[float, Limits(-15, 15, "V")] | None = Field(default=None, alias="to")
    """volts at 1, instead of a depth"""

    def complaints(self) -> Iterator[tuple[tuple[str, ...], str]]:
        """What is wrong between the keys: key path and message."""
        if self.out is not None and (self.lane is not None or self.setting is not None):
            yield (), "moves either an out or a lane's setting, not both"
        elif self.out is None and (self.lane is None or self.setting is None):
            yield (), "needs an out, or a lane and a setting"
        if (self.start is None) != (self.end is None):
            yield (), "from and to go together"
        elif self.start is not None:
            if self.out is None:
                yield (), "from and to are volts of an out; a setting is moved by its depth"
            if self.depth is not None:
                yield ("depth",), "write either a depth or from and to"

    def made(self) -> Drive:
        depth = 1.0 if self.depth is None else self.depth
        return Drive(self.out, self.lane, self.setting, depth, self.start, self.end)


class LaneBase(Strict):
    called: ClassVar[str] = "a lane"
    elsewhere: ClassVar[dict[str, str]] = {
        "hits": "belongs inside euclid: {hits: 5, steps: 16}",
        "fill": "belongs inside euclid: {hits: 5, steps: 16, fill: {hits: 3, length: 4}}",
        "note": "is not a key of a lane; did you mean notes?",
    }

    euclid: EuclidModel | None = None
    """source of hits: a Euclidean pattern"""
    steps: Annotated[tuple[int, ...] | None, Reads(read_marks, "`x` hit, `X` accented hit, `.` rest; spaces are ignored")] = None  # noqa: E501
    """source of hits: a pattern written out"""
    every: Annotated[int, Limits(1, MAX_BARS, "steps", True)] | None = None
    """source of hits: every so many steps of its rate"""
    logic: Annotated[str | None, Reads(read_expression, "lane names with `and`, `or`, `xor`, `not`, parentheses and functions")] = None  # noqa: E501
    """source of hits: derived from other lanes"""
    notes: Annotated[list[Annotated[Note, Reads(read_one_note, "a note name or number, `.` or `~` rest, `\"-\"` tie, `{note: E2, glide: true}`")]], Field(min_length=1, max_length=256)] | None = None  # noqa: E501
    """source of values: pitches, in turn"""
    levels: Annotated[list[Annotated[float | None, Reads(read_one_level, "-1 to 1, `.` rest")]], Field(min_length=1, max_length=256)] | None = None  # noqa: E501
    """source of values: levels, in turn"""
    shape: Literal["sine", "triangle", "ramp", "saw", "square", "random-steps", "random-smooth"] | None = None  # noqa: E501
    """source of values: a form that comes round once per step of its rate"""
    decay: Name | None = None
    """source of values: falls from each hit of this lane"""
    hold: HoldModel | None = None
    """source of values: sample and hold"""
    walk: Annotated[bool | None, Reads(read_walk, "`true`")] = None
    """source of values: a seeded random walk"""

    by: Literal["steps", "gates"] = "steps"
    """logic on coinciding steps, or on overlapping gates"""
    tap: Tap = "after-mute"
    """logic reads its lanes after their mutes or before them"""
    retrigger: Name | None = None
    """a lane whose hits start a shape again"""
    rate: Rate | None = None
    """length of a step"""
    advance: Annotated[Fraction | str | None, Reads(read_advance, "a rate, or the lane whose hits move it on")] = None  # noqa: E501
    """what moves it on to the next step"""
    direction: Direction = "forward"
    """the order of the steps"""
    reset: Annotated[int | str | None, Reads(read_reset, "bars (1 to 1024), or a lane")] = None
    """back to the first step every so many bars, or at each hit of a lane"""
    muted: bool = False
    """true: it begins silent"""
    out: Output = None
    """where it goes; left out: a helper for other lanes"""
    share: bool = False
    """true: the output may be another lane's too"""
    groups: Annotated[list[Name], Field(max_length=16)] = Field(default_factory=list)
    """groups it belongs to, to mute together"""
    accents: Annotated[tuple[int, ...], Reads(read_marks, "`X` or `x` accented, `.` not")] = ()
    """a pattern of its own that accents hits, step by step"""
    passes: PassesModel | None = None
    """sounds only on some passes of its pattern"""
    gate: Annotated[float | str | None, Reads(read_gate, "0.01 to 16 steps, or `tie`")] = None
    """length of the gate as a fraction of the step; `tie` holds it until the next hit"""
    spacing: Annotated[float | None, Reads(read_spacing, "`even`, `accelerating`, `slowing`, or -1 to 1")] = None  # noqa: E501
    """how repeats within a step are spaced (in words for repeat_curve)"""
    still: bool = False
    """true: drift is held where it is"""
    quantise: Annotated[str | tuple[int, ...] | None, Reads(read_quantise, "`key`, `off`, a scale, or semitones above the root")] = None  # noqa: E501
    """notes are moved to the nearest of a scale"""
    chord: Annotated[tuple[int, ...], Reads(read_chord, "scale steps from 1")] = ()
    """notes are moved to the nearest of these steps of the scale"""
    octaves: Annotated[tuple[int, int] | None, Reads(read_octaves, "lowest and highest octave, -1 to 9")] = None  # noqa: E501
    """notes are folded into these octaves"""
    transpose_by: Name | None = None
    """a lane of values that is added to the notes"""
    drives: Annotated[list[DriveModel], Field(max_length=32)] = Field(default_factory=list)
    """outputs and settings that this lane of values moves"""

    @property
    def sources(self) -> list[str]:
        """The source keys that are written; there should be one."""
        return [key for key in SOURCES if getattr(self, key) is not None]

    def setting(self, name: str) -> float | None:
        value = getattr(self, name, None)
        return float(value) if isinstance(value, int | float) else None


def _setting_fields() -> dict[str, Any]:
    fields: dict[str, Any] = {}
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
    LaneModel = create_model("LaneModel", __base__=LaneBase, **_setting_fields())


def kind_of(model: LaneBase) -> str | None:
    """The kind of a lane; None when it has no source, or several."""
    sources = model.sources
    return sources[0] if len(sources) == 1 else None


def complaints(model: LaneBase, cut: Callable[[tuple[str, ...]], bool]) -> Iterator[
    tuple[tuple[str | int, ...], str, bool]
]:
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
    for place, drive in enumerate(model.drives):
        for keys, message in drive.complaints():
            yield ("drives", place, *keys), message, bool(keys)


def _misplaced(model: LaneBase, kind: str) -> Iterator[tuple[tuple[str, ...], str, bool]]:
    for key in model.model_fields_set:
        if key == "rotate" and kind == "euclid":
            yield (key,), "belongs inside euclid: {hits: 5, steps: 16, rotate: 2}", True
            continue
        allowed = ONLY_ON.get(key)
        if allowed is None and key in SETTINGS and key not in SOURCES:
            allowed = SETTINGS[key].kinds
        if allowed is not None and kind not in allowed:
            yield (key,), f"means nothing on a lane of {kind}; it is for {', '.join(allowed)}", True


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


def _source(model: LaneBase, kind: str) -> Source:
    if model.euclid is not None:
        fill = model.euclid.fill
        return Euclid(Fill(fill.hits, fill.length, fill.every) if fill else None)
    if model.steps is not None:
        return Steps(model.steps)
    if model.every is not None:
        return Every(model.every)
    if model.logic is not None:
        return Logic(model.logic, model.by)
    if model.notes is not None:
        return Notes(tuple(model.notes))
    if model.levels is not None:
        return Levels(tuple(model.levels))
    if model.shape is not None:
        return Shape(model.shape, model.retrigger)
    if model.decay is not None:
        return Decay(model.decay)
    if model.hold is not None:
        return Hold(model.hold.value, model.hold.by)
    if model.walk:
        return Walk()
    raise AssertionError(f"a lane of {kind} has its source")


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
        name: value for name, value in settings.items()
        if value != SETTINGS[name].start or name == "swing"
    }  # fmt: skip


def made(name: str, model: LaneBase, quantise: Callable[[Any], Quantise | None]) -> Lane:
    """The frozen lane. `quantise` turns what is written under that key into degrees."""
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
        name=name, source=_source(model, kind), advance=advance, out=model.out, muted=model.muted,
        share=model.share, tap=model.tap, direction=model.direction, reset=model.reset,
        accents=tuple(model.accents),
        passes=Passes(tuple(sorted(set(passes.on))), passes.of) if passes else None,
        tie=model.gate == "tie", still=model.still, groups=tuple(model.groups),
        quantise=quantise(model.quantise), chord=model.chord, octaves=model.octaves,
        transpose_by=model.transpose_by, drives=tuple(drive.made() for drive in model.drives),
        settings=_settings(model),
    )  # fmt: skip
