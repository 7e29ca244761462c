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
from bridge.music.kinds import Arpeggio as Arpeggio
from bridge.music.kinds import Decay as Decay
from bridge.music.kinds import Degree as Degree
from bridge.music.kinds import Euclid as Euclid
from bridge.music.kinds import Every as Every
from bridge.music.kinds import Fill as Fill
from bridge.music.kinds import Kind as Kind
from bridge.music.kinds import Levels as Levels
from bridge.music.kinds import Logic as Logic
from bridge.music.kinds import Note as Note
from bridge.music.kinds import Notes as Notes
from bridge.music.kinds import OutputKind as OutputKind
from bridge.music.kinds import Sample as Sample
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
Side = Literal["after-mute", "before-mute"]
FeelOf = Literal["cause", "grid"]


# --- lanes -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Drive:
    """One thing that a macro or a lane moves.

    Either `out` (with `depth` -1..1 of the output's span, or `start`..`end` in volts) or `lane`
    and `setting` (with `depth` -1..1 of the setting's whole range, or `start`..`end`, which take
    the place of what the setting would be). `curve` replaces the macro's for this drive.
    """

    out: str | None = None
    lane: str | None = None
    setting: str | None = None
    depth: float = 1.0
    start: float | None = None  # `from` in the file
    end: float | None = None  # `to` in the file
    curve: float | None = None

    def moves(self, setting: Setting) -> tuple[float | None, float]:
        """Where it puts a setting at 0 (None: it adds to what is there), and how far it moves it
        from 0 to 1."""
        if self.start is None or self.end is None:
            return None, self.depth * (setting.high - setting.low)
        return self.start, self.end - self.start


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
    reads: Side = "after-mute"
    feel: FeelOf = "cause"
    direction: Direction = "forward"
    reset: int | str | None = None
    accents: tuple[int, ...] = ()
    passes: Passes | None = None
    tie: bool = False
    freeze: bool = False
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
    """A knob 0..1. `curve`: see `curved`; drives may have curves of their own."""

    name: str
    start: float = 0.0
    curve: float = 0.0
    slew_ms: float = 0.0
    drives: tuple[Drive, ...] = ()


def curved(value: float, curve: float) -> float:
    """A knob's value on its curve: ``value ** (2 ** (2 * curve))``.

    Args:
        value: 0..1, and so is what comes back.
        curve: -1..1: 0 is straight, above it the knob starts slowly, below it quickly.
    """
    return value ** (2.0 ** (2.0 * curve)) if curve else value


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
    the performer goes on. `choose` has, in place of the section, those that are chosen among, with
    their weights: each of the times anew (see `bridge.music.order`). In its last `fill` bars all
    lanes of hits fill."""

    section: str
    bars: int | None
    times: int = 1
    choose: tuple[tuple[str, float], ...] = ()
    fill: int = 0

    @property
    def length(self) -> int | None:
        """The bars until the next choice, or of all its times; None: until the performer goes
        on."""
        if self.bars is None:
            return None
        return self.bars if self.choose else self.bars * self.times


@dataclass(frozen=True, slots=True)
class SetSpec:
    """A whole set: what holds for all lanes, the lanes, and what moves and recalls them."""

    name: str
    tempo: float = 120.0
    swing: float = 50.0
    swing_step: int = TICKS_PER_QUARTER // 4  # ticks: pairs of such steps swing
    groove: tuple[float, ...] = ()  # sixteenth by sixteenth, how much later in parts of one
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
    order_starts: bool = False  # the order runs from its first entry when the song is started

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
