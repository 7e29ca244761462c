"""Every kind of lane, described once: its source, what it plays, what may be written on it.

A kind is a frozen dataclass of a source and a row of `KINDS`. Reading, compiling, editing,
renaming, removing, the reference, sheets, snapshots and the page follow from the row; what a kind
does in time is its node's (`bridge.music.hits`, `logic`, `gates`, `values`, `shapes`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal, get_args

Plays = Literal["hits", "values"]
Takes = Literal["hits", "values", "expression", "whole", "word"]
Waveform = Literal["sine", "triangle", "ramp", "saw", "square", "random-steps", "random-smooth"]
OutputKind = Literal["gate", "trigger", "pitch", "level", "clock", "reset", "run"]
Trait = Literal["pattern", "swung", "moved", "reset", "pitched", "noted", "bounded", "reading"]


# --- sources: exactly one per lane -------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Source:
    """What a lane is made of. Each kind of lane has a class of its own."""

    @property
    def count(self) -> int | None:
        """Steps of the pattern as it is written; None where the source does not say."""
        return None

    @property
    def certain(self) -> tuple[float, ...] | None:
        """All levels that the lane can have, or None when the source does not say."""
        return None


@dataclass(frozen=True, slots=True)
class Fill:
    """Every `every` passes, the last `length` steps become E(hits, length)."""

    hits: int
    length: int
    every: int = 4


@dataclass(frozen=True, slots=True)
class Euclid(Source):
    """E(hits, steps); the numbers live in the lane's settings `hits`, `steps`, `rotate`."""

    fill: Fill | None = None


@dataclass(frozen=True, slots=True)
class StepShape:
    """What one written step has of its own; None where it is as the lane says.

    Attributes:
        chance: times the lane's chance, 0..1.
        repeats: hits within the step, in place of the lane's.
        level: times the lane's level, 0..1.
        gate: length in steps, in place of the lane's gate.
        on, of: sounds only on these passes (counted from 1) of every `of`; `of` 0: on all.
    """

    chance: float | None = None
    repeats: int | None = None
    level: float | None = None
    gate: float | None = None
    on: tuple[int, ...] = ()
    of: int = 0


@dataclass(frozen=True, slots=True)
class Steps(Source):
    """One digit per step: 0 rest, 1 hit, 2 accented hit. `shapes` is empty, or has for each step
    what it has of its own."""

    marks: tuple[int, ...]
    shapes: tuple[StepShape | None, ...] = ()

    @property
    def count(self) -> int | None:
        return len(self.marks)


@dataclass(frozen=True, slots=True)
class Every(Source):
    """A hit on every n-th step of the lane's rate: a divider of the clock."""

    n: int = 1

    @property
    def count(self) -> int | None:
        return self.n


@dataclass(frozen=True, slots=True)
class Logic(Source):
    """A boolean expression over lanes; parsed by `music.logic`."""

    expression: str
    compare: Literal["steps", "gates"] = "steps"


@dataclass(frozen=True, slots=True)
class Degree:
    """A degree of the key: `step` from 1, `alteration` in semitones, `octave` that of the root on
    which degree 1 stands, as in note names."""

    step: int
    alteration: int = 0
    octave: int = 0


@dataclass(frozen=True, slots=True)
class Note:
    """One place of a notes lane. `number` is a MIDI note number (may be fractional), None a rest
    (keeps the pitch); `tie` keeps the last note; `glide` slides into this one. `degree` is what the
    number was made of, where it is written as a degree of the key."""

    number: float | None
    tie: bool = False
    glide: bool = False
    degree: Degree | None = None


@dataclass(frozen=True, slots=True)
class Notes(Source):
    """Notes in turn; a rest keeps the pitch."""

    notes: tuple[Note, ...]

    @property
    def count(self) -> int | None:
        return len(self.notes)


@dataclass(frozen=True, slots=True)
class Arpeggio(Source):
    """The notes of a chord, one by one: those of `Lane.chord` above the note of lane `value`."""

    value: str


@dataclass(frozen=True, slots=True)
class Levels(Source):
    """Values -1..1; None is a rest (keeps the value)."""

    values: tuple[float | None, ...]

    @property
    def count(self) -> int | None:
        return len(self.values)

    @property
    def certain(self) -> tuple[float, ...] | None:
        return tuple(value for value in self.values if value is not None)


@dataclass(frozen=True, slots=True)
class Shape(Source):
    """A cyclic form over `Lane.advance` ticks (or `hz`), started again by hits of `retrigger`."""

    form: Waveform
    retrigger: str | None = None


@dataclass(frozen=True, slots=True)
class Decay(Source):
    """An envelope that jumps to the hit's level at each hit of `of` and falls exponentially."""

    of: str


@dataclass(frozen=True, slots=True)
class Sample(Source):
    """Sample and hold: the value of lane `value` at each hit of lane `at`."""

    value: str
    at: str


@dataclass(frozen=True, slots=True)
class Walk(Source):
    """A seeded random walk between `low` and `high`, one move per step.

    (Seed 0, a lane called out.)"""


# --- the table -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Part:
    """One thing that is written of a source: the key, and what it takes.

    `keys` lead to it in a lane's text; `field` is the field of the source's class. It `takes` the
    name of a lane of hits or of values, an expression over lanes, a whole number from `low` to
    `high`, or one of `words`. Without an `optional` part the source is not complete.
    `hears_level` when the strength of the named lane's hits counts. `label` stands on the page,
    `says` in the reference. `older`: an older spelling of another key; it is read, and not offered.
    `before`: an older spelling of the last of its own keys.
    """

    keys: tuple[str, ...]
    field: str
    takes: Takes
    label: str
    says: str
    low: int = 0
    high: int = 0
    unit: str = ""
    words: tuple[str, ...] = ()
    optional: bool = False
    hears_level: bool = False
    older: bool = False
    before: str = ""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of lane.

    Attributes:
        name: also the key in the file.
        source: the class of its source.
        plays: hits, or values.
        says: what it is, in a few words.
        example: a lane of this kind, as it is written.
        traits: ``pattern``: written step by step (direction, rotate, drift); ``swung``: has steps
            of its own, which can swing; ``moved``: may be moved on by the hits of another lane;
            ``reset``: can go back to its first step; ``pitched``: its values can be notes;
            ``noted``: they always are, wherever it goes; ``bounded``: moves between `low` and
            `high`; ``reading``: reads lanes before or after their mutes.
        parts: what is written of it, as far as it is numbers, words and names of lanes.
        written: whether the parts are all that is written. A kind whose notation is richer is read
            in `bridge.files.set_lane`.
        outputs: the kinds of output that it may play.
        phrase: what it does, for a sheet: fields of the source in braces, and ``{moved}``.
        fresh: what a new lane of this kind begins as, besides its parts.
        before: an older spelling of its name.
    """

    name: str
    source: type[Source]
    plays: Plays
    says: str
    example: str
    traits: frozenset[Trait]
    outputs: tuple[OutputKind, ...]
    parts: tuple[Part, ...] = ()
    written: bool = True
    phrase: str = ""
    fresh: Mapping[str, object] = field(default_factory=dict)
    before: str = ""

    @property
    def usual_output(self) -> OutputKind:
        """The kind of output that such a lane most often plays."""
        return self.outputs[0] if self.plays == "hits" else self.outputs[-1]


def _traits(*traits: Trait) -> frozenset[Trait]:
    return frozenset(traits)


_GATES: tuple[OutputKind, ...] = ("gate", "trigger")
_VOLTS: tuple[OutputKind, ...] = ("pitch", "level")
_STEP_BY_STEP: tuple[Trait, ...] = ("pattern", "swung", "moved", "reset")
_ROWS = (
    Kind(
        "euclid",
        Euclid,
        "hits",
        "a Euclidean pattern",
        "{euclid: {hits: 5, steps: 16, rotate: 2}}",
        _traits(*_STEP_BY_STEP),
        _GATES,
        written=False,
        fresh={"euclid": {"hits": 4, "steps": 16}},
    ),
    Kind(
        "steps",
        Steps,
        "hits",
        "a pattern written out",
        '{steps: "x.X. x.xx"}',
        _traits(*_STEP_BY_STEP),
        _GATES,
        written=False,
        fresh={"steps": "x... x... x... x..."},
    ),
    Kind(
        "every",
        Every,
        "hits",
        "every so many steps of its rate",
        "{every: 4, rate: 1/4}",
        _traits(*_STEP_BY_STEP),
        _GATES,
        (Part(("every",), "n", "whole", "Every n-th step", "", 1, 1024, "steps"),),
        fresh={"every": 4},
    ),
    Kind(
        "logic",
        Logic,
        "hits",
        "derived from other lanes",
        '{logic: "(rim xor kick) and not kick"}',
        _traits("swung", "reset", "reading"),
        _GATES,
        (Part(("logic",), "expression", "expression", "Sounds when", ""),),
        written=False,
    ),
    Kind(
        "notes",
        Notes,
        "values",
        "pitches, in turn",
        '{notes: [A1, C2, 60.5, ., {note: E2, glide: true}, "-"]}',
        _traits(*_STEP_BY_STEP, "pitched", "noted"),
        ("pitch",),
        written=False,
        fresh={"notes": ["A2", "C3", "E3"]},
    ),
    Kind(
        "arpeggio",
        Arpeggio,
        "values",
        "notes of a chord, in turn: the key's own chord on the note of this lane",
        "{arpeggio: line, chord: [1, 3, 5, 8], advance: kick}",
        _traits(*_STEP_BY_STEP, "pitched", "noted"),
        ("pitch",),
        (Part(("arpeggio",), "value", "values", "Chords on the notes of", ""),),
        phrase="notes of the chord on {value}, {moved}",
    ),
    Kind(
        "levels",
        Levels,
        "values",
        "levels, in turn",
        "{levels: [0, 0.5, ., 1], rate: 1/8}",
        _traits(*_STEP_BY_STEP, "pitched"),
        _VOLTS,
        written=False,
        fresh={"levels": [0, 0.5, 1, 0.5]},
    ),
    Kind(
        "shape",
        Shape,
        "values",
        "a form that comes round once per step of its rate",
        "{shape: triangle, rate: 1/1}",
        _traits("moved", "reset", "pitched", "bounded"),
        _VOLTS,
        (
            Part(("shape",), "form", "word", "Form", "", words=get_args(Waveform)),
            Part(
                ("retrigger",),
                "retrigger",
                "hits",
                "Starts again at",
                "a lane whose hits start a shape again",
                optional=True,
                older=True,
            ),
        ),
        fresh={"shape": "sine", "rate": "1/1"},
    ),
    Kind(
        "decay",
        Decay,
        "values",
        "falls from each hit of this lane",
        "{decay: kick, decay_ms: 300}",
        _traits("bounded", "reading"),
        _VOLTS,
        (Part(("decay",), "of", "hits", "Falls from each hit of", "", hears_level=True),),
        phrase="falls after each hit of {of}",
    ),
    Kind(
        "sample",
        Sample,
        "values",
        "sample and hold",
        "{sample: {value: swell, at: rim}}",
        _traits("pitched"),
        _VOLTS,
        (
            Part(
                ("sample", "value"),
                "value",
                "values",
                "The value of",
                "the lane of values that is sampled",
            ),
            Part(
                ("sample", "at"),
                "at",
                "hits",
                "At each hit of",
                "the lane at whose hits it is sampled",
                before="by",
            ),
        ),
        phrase="samples {value} at each hit of {at}",
        before="hold",
    ),
    Kind(
        "walk",
        Walk,
        "values",
        "a seeded random walk: at each step up or down by chance, at most by walk_step",
        "{walk: true, rate: 1/4}",
        _traits("swung", "moved", "reset", "pitched", "bounded"),
        _VOLTS,
        phrase="a random walk, {moved}",
        fresh={"walk": True, "rate": "1/4"},
    ),
)
KINDS: Mapping[str, Kind] = MappingProxyType({kind.name: kind for kind in _ROWS})
HIT_KINDS = tuple(kind.name for kind in _ROWS if kind.plays == "hits")
VALUE_KINDS = tuple(kind.name for kind in _ROWS if kind.plays == "values")
_BY_SOURCE = {kind.source: kind for kind in _ROWS}


def kind_of(source: Source) -> Kind:
    """The kind of lane that has such a source."""
    return _BY_SOURCE[type(source)]


def kinds_with(trait: str) -> tuple[str, ...]:
    """The names of the kinds that have a trait, play ``hits`` or ``values``, or are called so, in
    the order of the table; of all for ``any``."""
    return tuple(
        kind.name
        for kind in _ROWS
        if trait in ("any", kind.plays, kind.name) or trait in kind.traits
    )
