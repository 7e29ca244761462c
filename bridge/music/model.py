"""What is played, as frozen values: the set after reading, before compiling.

A `SetSpec` is made by `bridge.files` (or by hand, in tests) and compiled once by
`bridge.music.score.compile_score`. Nothing here does anything; units stand in the names and
in `SETTINGS`. The kinds of lanes and their sources are in `bridge.music.kinds`. All musical time is
in ticks, 960 to the quarter note; a step length is an exact `Fraction` of ticks, so that triplets
and free ratios never drift.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from operator import attrgetter
from typing import Literal

from bridge.music.kinds import HIT_KINDS as HIT_KINDS
from bridge.music.kinds import KINDS as KINDS
from bridge.music.kinds import VALUE_KINDS as VALUE_KINDS
from bridge.music.kinds import Decay as Decay
from bridge.music.kinds import Degree as Degree
from bridge.music.kinds import Euclid as Euclid
from bridge.music.kinds import Every as Every
from bridge.music.kinds import Fill as Fill
from bridge.music.kinds import Hold as Hold
from bridge.music.kinds import Kind as Kind
from bridge.music.kinds import Levels as Levels
from bridge.music.kinds import Logic as Logic
from bridge.music.kinds import Note as Note
from bridge.music.kinds import Notes as Notes
from bridge.music.kinds import OutputKind as OutputKind
from bridge.music.kinds import Shape as Shape
from bridge.music.kinds import Source as Source
from bridge.music.kinds import Steps as Steps
from bridge.music.kinds import StepShape as StepShape
from bridge.music.kinds import Walk as Walk
from bridge.music.kinds import kind_of as kind_of
from bridge.music.references import Reference as Reference
from bridge.music.references import references_of as references_of
from bridge.music.settings import SETTINGS as SETTINGS
from bridge.music.settings import Setting as Setting

TICKS_PER_QUARTER = 960
SIXTEENTH = Fraction(TICKS_PER_QUARTER, 4)

Direction = Literal["forward", "backward", "back-and-forth", "random-walk", "shuffle"]
Tap = Literal["after-mute", "before-mute"]
FeelOf = Literal["cause", "grid"]


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
        return kind_of(self.source).name

    @property
    def led(self) -> bool:
        """Whether the hits of other lanes say where its steps are: it is moved by one, or derived
        from some. Such a lane has their swing, and its own on top."""
        return isinstance(self.source, Logic) or isinstance(self.advance, str)

    @property
    def hits(self) -> bool:
        """True for lanes of hits, False for lanes of values."""
        return kind_of(self.source).plays == "hits"

    def named(self) -> Iterator[tuple[Reference, str]]:
        """The lanes that this one names, each with the key that names it; those in an expression of
        logic and in `drives` are not among them."""
        for reference in references_of(self.kind):
            name = attrgetter(reference.attribute)(self)
            if isinstance(name, str) and reference.takes != "expression":
                yield reference, name


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
    """A named state.

    Attributes:
        play: the lanes that sound; None leaves mutes as they are.
        macros: where macros go.
        lanes: numeric settings of lanes while the section lasts.
        tempo: quarter notes per minute; None leaves the tempo as it is.
        swing: the set's swing while the section lasts, in percent; None: as the set has it.
        root, scale: the key while the section lasts; None: as the set has it.
        key_name: that key in words; empty without one.
        written: lanes that are written otherwise while the section lasts, whole. They have the
            name, output and drives of the set's lane, and play hits or values as it does.
    """

    name: str
    play: tuple[str, ...] | None = None
    macros: Mapping[str, float] = field(default_factory=dict)
    lanes: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    tempo: float | None = None
    swing: float | None = None
    root: int | None = None
    scale: tuple[int, ...] | None = None
    key_name: str = ""
    written: Mapping[str, Lane] = field(default_factory=dict)

    @property
    def rewrites(self) -> bool:
        """Whether it changes more than numbers: what lanes are made of, or the key."""
        return bool(self.written) or self.root is not None or self.scale is not None


OPEN_BARS = 8
"""How long an entry that waits for the performer lasts where there is none: offline."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the running order: a section for some bars, some times over. `bars` None: until
    the performer goes on."""

    section: str
    bars: int | None
    times: int = 1

    @property
    def length(self) -> int | None:
        """All its bars; None: until the performer goes on."""
        return None if self.bars is None else self.bars * self.times


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
    order: tuple[Entry, ...] = ()
    order_again: bool = False  # after its last entry the order begins anew

    def entry_after(self, place: int) -> int:
        """The entry of the running order that follows one; as many as there are: none does."""
        then = place + 1
        return 0 if self.order_again and then >= len(self.order) else then

    def within(self, section: Section) -> SetSpec:
        """The set as it is written while a section lasts, without sections of its own."""
        return replace(
            self,
            lanes=tuple(section.written.get(lane.name, lane) for lane in self.lanes),
            root=self.root if section.root is None else section.root,
            scale=self.scale if section.scale is None else section.scale,
            swing=self.swing if section.swing is None else section.swing,
            key_name=section.key_name or self.key_name,
            sections=(),
            order=(),
        )

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
    kind: OutputKind
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
