"""The models of a set file: what may stand in it, key by key."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from bridge.files.set_lane import DriveModel, LaneModel
from bridge.files.set_values import MAX_BARS, EntryBars, Groove, KeyScale, Meter, Play, Root
from bridge.files.set_variant import VariantModel
from bridge.files.strict import Limits, Name, Strict, Text
from bridge.music.model import SETTINGS

MAX_LANES = 512

Unit = Annotated[float, Limits(0, 1)]
Weight = Annotated[float, Limits(0.01, 100, "of all weights")]


SWING = Limits(SETTINGS["swing"].low, SETTINGS["swing"].high, SETTINGS["swing"].unit)


class KeyModel(Strict):
    called: ClassVar[str] = "the set's key"

    root: Root = "C"
    """the note that the scale begins on"""
    scale: KeyScale = "chromatic"
    """the notes that `quantise: key` leaves"""


class SectionKeyModel(Strict):
    called: ClassVar[str] = "a section's key"

    root: Root | None = None
    """the note that the scale begins on; left out: the set's"""
    scale: KeyScale | None = None
    """the notes of the key; left out: the set's"""


class MacroModel(Strict):
    called: ClassVar[str] = "a macro"

    start: Unit = 0.0
    """where the knob stands when the set begins"""
    curve: Annotated[float, Limits(-1, 1)] = 0.0
    """0 straight; above 0 slow at first, below 0 quick at first"""
    slew_ms: Annotated[float, Limits(0, 10_000, "ms")] = 0.0
    """time to reach a new value"""
    drives: Annotated[list[DriveModel], Field(max_length=64)] = Field(default_factory=list)
    """outputs and lane settings that it moves"""


class SectionModel(Strict):
    called: ClassVar[str] = "a section"

    play: Play = None
    """the lanes that sound, all others are muted; left out: mutes stay as they are"""
    macros: dict[Name, Unit] = Field(default_factory=dict)
    """where macros are put"""
    lanes: dict[Name, VariantModel] = Field(default_factory=dict)
    """what lanes are while the section lasts, as far as it differs from the set"""
    tempo: Annotated[float, Limits(20, 400, "BPM")] | None = None
    """a tempo of its own"""
    swing: Annotated[float, SWING] | None = None
    """the set's swing while the section lasts"""
    key: SectionKeyModel | None = None
    """root and scale while the section lasts"""


class EntryModel(Strict):
    called: ClassVar[str] = "an entry of the order"
    stand_ins: ClassVar[Mapping[str, object]] = {"bars": 1}

    section: Name | None = None
    """the section that is played"""
    choose: Annotated[dict[Name, Weight], Field(max_length=64)] = Field(default_factory=dict)
    """in its place, sections to choose among, with how likely each is; never the one that plays"""
    bars: EntryBars
    """for how many bars; `open`: until you go on to the next entry"""
    times: Annotated[int, Limits(1, MAX_BARS, "times", True)] = 1
    """how often in a row; chosen anew each time"""
    fill: Annotated[int, Limits(0, MAX_BARS, "bars", True)] = 0
    """in that many of its last bars all lanes of hits fill"""

    def complaints(self) -> Iterator[tuple[tuple[str, ...], str]]:
        """What is wrong between the keys: key path and message."""
        if (self.section is None) is not bool(self.choose):
            yield (), "needs a section, or some to choose among, and not both"
        elif len(self.choose) == 1:
            yield ("choose",), "has nothing to choose among; write a second section, or section"
        if self.bars == "open":
            if self.times > 1 and not self.choose:
                said = "an open entry lasts until you go on, so it has no times; leave it out"
                yield ("times",), said
        elif self.fill > self.bars * (1 if self.choose else self.times):
            yield ("fill",), "is longer than the entry itself"


class SetModel(Strict):
    called: ClassVar[str] = "a set"
    stand_ins: ClassVar[Mapping[str, object]] = {"set": "unnamed"}

    set: Text
    """the name of the set"""
    tempo: Annotated[float, Limits(20, 400, "BPM")] = 120.0
    """quarter notes per minute"""
    swing: Annotated[float, SWING] = SETTINGS["swing"].start
    """share of each pair of sixteenths given to the first"""
    swing_of: Literal["1/16", "1/8"] = "1/16"
    """pairs of which notes swing; the notes between two eighths go with them"""
    groove: Groove = ()
    """a timing that was played: how late each sixteenth of the bar is, in percent of one"""
    key: KeyModel = KeyModel()
    """root and scale"""
    seed: Annotated[int, Limits(0, 2**32 - 1, "", True)] = 0
    """the same seed plays the same night again"""
    meter: Meter = (4, 4)
    """the bar"""
    lanes: Annotated[dict[Name, LaneModel], Field(min_length=1, max_length=MAX_LANES)]
    """the lanes by name; the first is the tightest in time"""
    macros: Annotated[dict[Name, MacroModel], Field(max_length=64)] = Field(default_factory=dict)
    """knobs 0 to 1, by name"""
    sections: Annotated[dict[Name, SectionModel], Field(max_length=128)] = Field(
        default_factory=dict
    )
    """named states, by name"""
    order: Annotated[list[EntryModel], Field(max_length=512)] = Field(default_factory=list)
    """the running order: sections played one after another"""
    after_order: Literal["stay", "again"] = "stay"
    """after the last entry: its section goes on, or the order begins anew"""
    order_starts: Literal["by-hand", "with-start"] = "by-hand"
    """when a hand runs the order, or whenever the song is started at bar 1"""
