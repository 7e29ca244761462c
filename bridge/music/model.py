"""What is played, as frozen values: the set after reading, before compiling.

A `SetSpec` is made by `bridge.files` (or by hand, in tests) and compiled once by
`bridge.music.score.compile_score`. Nothing here does anything; units stand in the names and
in `SETTINGS`. All musical time is in ticks, 960 to the quarter note; a step length is an exact
`Fraction` of ticks, so that triplets and free ratios never drift.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from types import MappingProxyType
from typing import Literal

TICKS_PER_QUARTER = 960
SIXTEENTH = Fraction(TICKS_PER_QUARTER, 4)

HIT_KINDS = ("euclid", "steps", "every", "logic")
VALUE_KINDS = ("notes", "levels", "shape", "decay", "hold", "walk")
Direction = Literal["forward", "backward", "back-and-forth", "random-walk", "shuffle"]
Tap = Literal["after-mute", "before-mute"]
FeelOf = Literal["cause", "grid"]


@dataclass(frozen=True, slots=True)
class Setting:
    """One numeric setting of a lane: its range, start value, unit, and the kinds that have it.

    Any macro or lane may drive any of these:
    effective = clamp(base + depth * value * (high - low)).
    """

    name: str
    low: float
    high: float
    start: float
    unit: str
    kinds: tuple[str, ...]
    says: str
    whole: bool = False


_STEPPED = ("euclid", "steps", "every", "notes", "levels")
_ALL = HIT_KINDS + VALUE_KINDS
_SWUNG = (*HIT_KINDS, "notes", "levels", "walk")  # what has steps of its own
_TABLE = (
    # hits
    Setting("chance", 0, 1, 1, "probability", HIT_KINDS, "how likely each hit is to sound"),
    Setting(
        "density",
        0,
        1,
        0.5,
        "share",
        HIT_KINDS,
        "0.5 as written; less thins (strong positions go last), more fills",
    ),
    Setting("level", 0, 1, 0.8, "level", HIT_KINDS, "level of a plain hit"),
    Setting(
        "accent",
        0,
        1,
        1,
        "share",
        HIT_KINDS,
        "how far an accented hit rises from `level` towards 1",
    ),
    Setting("gate", 0.01, 16, 0.5, "steps", HIT_KINDS, "gate length as a fraction of the step"),
    Setting("gate_ms", 0, 10000, 0, "ms", HIT_KINDS, "gate length in time; 0: use `gate`"),
    Setting(
        "humanise_level", 0, 1, 0, "level", HIT_KINDS, "seeded spread of the level, plus or minus"
    ),
    Setting("repeats", 1, 16, 1, "count", HIT_KINDS, "hits within one step", whole=True),
    Setting(
        "repeat_curve",
        -1,
        1,
        0,
        "share",
        HIT_KINDS,
        "spacing of repeats: 0 even, above accelerating, below slowing",
    ),
    Setting("repeat_ramp", -1, 1, 0, "share", HIT_KINDS, "level ramp over repeats: below 0 fades"),
    # time, of everything that has steps
    Setting(
        "swing", 50, 75, 50, "percent", _SWUNG, "share of each pair of steps given to the first"
    ),
    Setting("shift_ms", -100, 100, 0, "ms", _ALL, "played early (below 0) or late"),
    Setting(
        "shift", -0.5, 0.5, 0, "steps", _ALL, "played early or late, as a fraction of the step"
    ),
    Setting("humanise_ms", 0, 30, 0, "ms", HIT_KINDS, "seeded spread in time, plus or minus"),
    # pattern
    Setting("hits", 0, 64, 4, "count", ("euclid",), "Euclidean hits", whole=True),
    Setting("steps", 1, 64, 16, "count", ("euclid",), "Euclidean steps", whole=True),
    Setting(
        "rotate", -64, 64, 0, "steps", _STEPPED, "moves the first steps to the end", whole=True
    ),
    Setting(
        "length",
        0,
        64,
        0,
        "steps",
        _STEPPED,
        "plays only this many steps of the pattern, or repeats it to fill; 0: as written",
        whole=True,
    ),
    Setting(
        "drift",
        0,
        1,
        0,
        "probability",
        _STEPPED,
        "chance at each pass that a step changes; how it counts: see Drift",
    ),
    Setting(
        "drift_bound",
        0,
        64,
        4,
        "steps",
        _STEPPED,
        "most steps that may differ from what is written",
        whole=True,
    ),
    # values
    Setting(
        "transpose",
        -48,
        48,
        0,
        "semitones",
        ("notes", "levels", "shape", "walk", "hold"),
        "added to the note",
    ),
    Setting("slew_ms", 0, 10000, 0, "ms", VALUE_KINDS, "time to glide to a new value"),
    Setting("slew", 0, 16, 0, "steps", VALUE_KINDS, "glide as a fraction of the step"),
    Setting("depth", -1, 1, 1, "share", VALUE_KINDS, "how much reaches the output"),
    Setting("offset", -10, 10, 0, "V", VALUE_KINDS, "volts added at the output"),
    Setting("hz", 0, 50, 0, "Hz", ("shape",), "speed of a free shape; 0: synced to `rate`"),
    Setting("phase", 0, 1, 0, "cycles", ("shape",), "where in the cycle a shape begins"),
    Setting("decay_ms", 1, 20000, 200, "ms", ("decay",), "time for the envelope to fall to 1/1000"),
    Setting(
        "walk_step",
        0,
        1,
        0.1,
        "level",
        ("walk",),
        "largest move of a random walk at each step, in levels as `low` and `high` are",
    ),
    Setting("low", -1, 1, 0, "level", ("shape", "walk", "decay"), "lower bound of the value"),
    Setting("high", -1, 1, 1, "level", ("shape", "walk", "decay"), "upper bound of the value"),
)
SETTINGS: Mapping[str, Setting] = MappingProxyType({s.name: s for s in _TABLE})


# --- sources: exactly one per lane -------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fill:
    """Every `every` passes, the last `length` steps become E(hits, length)."""

    hits: int
    length: int
    every: int = 4


@dataclass(frozen=True, slots=True)
class Euclid:
    """E(hits, steps); the numbers live in the lane's settings `hits`, `steps`, `rotate`."""

    fill: Fill | None = None


@dataclass(frozen=True, slots=True)
class Steps:
    """One digit per step: 0 rest, 1 hit, 2 accented hit."""

    marks: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Every:
    """A hit on every n-th step of the lane's rate: a divider of the clock."""

    n: int = 1


@dataclass(frozen=True, slots=True)
class Logic:
    """A boolean expression over lanes; parsed by `music.logic`."""

    expression: str
    by: Literal["steps", "gates"] = "steps"


@dataclass(frozen=True, slots=True)
class Note:
    """One place of a notes lane. `number` is a MIDI note number (may be fractional), None a rest
    (keeps the pitch); `tie` keeps the last note; `glide` slides into this one."""

    number: float | None
    tie: bool = False
    glide: bool = False


@dataclass(frozen=True, slots=True)
class Notes:
    """Notes in turn; a rest keeps the pitch."""

    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class Levels:
    """Values -1..1; None is a rest (keeps the value)."""

    values: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Shape:
    """A cyclic form over `Lane.advance` ticks (or `hz`), started again by hits of `retrigger`."""

    form: Literal["sine", "triangle", "ramp", "saw", "square", "random-steps", "random-smooth"]
    retrigger: str | None = None


@dataclass(frozen=True, slots=True)
class Decay:
    """An envelope that jumps to the hit's level at each hit of `of` and falls exponentially."""

    of: str


@dataclass(frozen=True, slots=True)
class Hold:
    """Sample and hold: takes the value of lane `value` at each hit of lane `by`."""

    value: str
    by: str


@dataclass(frozen=True, slots=True)
class Walk:
    """A seeded random walk between `low` and `high`, one move per step."""


Source = Euclid | Steps | Every | Logic | Notes | Levels | Shape | Decay | Hold | Walk


# --- lanes -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Drive:
    """One thing that a macro or a lane moves.

    Either `out` (with `depth` -1..1 of the output's span, or `start`..`end` in volts) or `lane`
    and `setting` (with `depth` -1..1 of the setting's whole range).
    """

    out: str | None = None
    lane: str | None = None
    setting: str | None = None
    depth: float = 1.0
    start: float | None = None  # volts, `from` in the file
    end: float | None = None  # volts, `to` in the file


@dataclass(frozen=True, slots=True)
class Passes:
    """Sounds only on these passes (counted from 1) of every `of`."""

    on: tuple[int, ...]
    of: int


@dataclass(frozen=True, slots=True)
class Quantise:
    """Notes are moved to the nearest member of `degrees` (semitones above `root`, 0..11)."""

    root: int
    degrees: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Lane:
    """One stream of hits or values.

    `advance` is the step length in ticks, or the name of the lane whose hits move this one.
    `reset` is a number of bars, or the name of a lane whose hits send this one to its first step.
    `settings` holds only what differs from `SETTINGS[name].start`.
    """

    name: str
    source: Source
    advance: Fraction | str = SIXTEENTH
    out: str | None = None
    muted: bool = False
    share: bool = False
    tap: Tap = "after-mute"
    feel: FeelOf = "cause"
    direction: Direction = "forward"
    reset: int | str | None = None
    accents: tuple[int, ...] = ()
    passes: Passes | None = None
    tie: bool = False
    still: bool = False
    groups: tuple[str, ...] = ()
    quantise: Quantise | None = None
    chord: tuple[int, ...] = ()
    octaves: tuple[int, int] | None = None
    transpose_by: str | None = None
    drives: tuple[Drive, ...] = ()
    settings: Mapping[str, float] = field(default_factory=dict)

    @property
    def kind(self) -> str:
        return type(self.source).__name__.lower()

    @property
    def led(self) -> bool:
        """Whether the hits of other lanes say where its steps are: it is moved by one, or derived
        from some. Such a lane has their swing, and its own on top."""
        return isinstance(self.source, Logic) or isinstance(self.advance, str)

    @property
    def hits(self) -> bool:
        """True for lanes of hits, False for lanes of values."""
        return self.kind in HIT_KINDS


@dataclass(frozen=True, slots=True)
class Macro:
    """A knob 0..1. `curve`: output = value ** (2 ** (2 * curve)), so 0 is straight."""

    name: str
    start: float = 0.0
    curve: float = 0.0
    slew_ms: float = 0.0
    drives: tuple[Drive, ...] = ()


@dataclass(frozen=True, slots=True)
class Section:
    """A named state. `play` None leaves mutes as they are; `lanes` overrides settings by lane."""

    name: str
    play: tuple[str, ...] | None = None
    macros: Mapping[str, float] = field(default_factory=dict)
    lanes: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    tempo: float | None = None


@dataclass(frozen=True, slots=True)
class Leg:
    """One entry of the running order: a section for some bars, some times over."""

    section: str
    bars: int
    times: int = 1


@dataclass(frozen=True, slots=True)
class SetSpec:
    name: str
    tempo: float = 120.0
    swing: float = 50.0
    seed: int = 0
    root: int = 0
    scale: tuple[int, ...] = (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11)
    key_name: str = ""
    meter: tuple[int, int] = (4, 4)
    lanes: tuple[Lane, ...] = ()
    macros: tuple[Macro, ...] = ()
    sections: tuple[Section, ...] = ()
    order: tuple[Leg, ...] = ()

    @property
    def beat_ticks(self) -> int:
        return TICKS_PER_QUARTER * 4 // self.meter[1]

    @property
    def bar_ticks(self) -> int:
        return self.beat_ticks * self.meter[0]


@dataclass(frozen=True, slots=True)
class OutputRange:
    """What the music needs to know of an output: kind and volts. `pitch` outputs take notes."""

    name: str
    kind: Literal["gate", "trigger", "pitch", "level", "clock", "reset", "run"]
    low: float = 0.0
    high: float = 5.0
    pulse_ms: float = 0.0  # fixed width of a trigger output; 0: the gate length counts

    @property
    def base(self) -> float:
        """Volts at value 0: 0 V where the range holds it, else the end nearest to it."""
        return 0.0 if self.low <= 0.0 <= self.high else min((self.low, self.high), key=abs)

    @property
    def span(self) -> float:
        """Volts from value 0 to value 1."""
        return self.high - self.base if self.high > self.base else self.low - self.base
