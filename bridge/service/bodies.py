"""Bodies, queries and answers of the HTTP interface, as strict models."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from bridge.service.commands import Bars, Leg, Morph, Nudge, Offset, Strict, Tempo, Tick, Unit, When

TEXT_MOST = 256 << 10  # bytes of a set text; an hour of music takes a few thousand
FileName = Annotated[
    str,
    Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 _.-]{0,80}\.ya?ml$", description="a name, no folder"),
]


class Nothing(Strict):
    """An empty object (or no body at all)."""


class MuteBody(Strict):
    muted: bool
    when: When = "now"
    return_bars: Bars | None = None


class HoldBody(Strict):
    """Repeat `active: true` at least every 500 ms, or the hold ends by itself."""

    muted: bool
    active: bool


class OnBody(Strict):
    on: bool


class ValueBody(Strict):
    """`value` null takes the hand off: the section or the set says the value again."""

    value: float | None


class UnitBody(Strict):
    value: Unit


class RecallBody(Strict):
    """Values glide over `morph_bars`; mutes switch at `mutes_at` of that way (0.5 unless told)."""

    when: When = "bar"
    morph_bars: Morph = 0
    mutes_at: Unit | None = None


class RunBody(Strict):
    """`leg`: where in the order to begin, from 0; left out, at its first leg."""

    run: bool
    leg: Leg | None = None


class TempoBody(Strict):
    bpm: Tempo


class NudgeBody(Strict):
    ms: Nudge


class OffsetBody(Strict):
    ms: Offset


class PositionBody(Strict):
    tick: Tick


class FollowBody(Strict):
    """`source`: ``internal`` or a part of a MIDI input's name."""

    source: Annotated[str, Field(min_length=1, max_length=200)]


class TryBody(Strict):
    action: Literal["gate", "pitch", "level"]
    value: Annotated[float, Field(ge=-20, le=127)]
    ms: Annotated[float, Field(ge=1, le=30_000)] | None = None


class TextBody(Strict):
    """A whole set text. It is checked, compiled, and takes over at the next step, beat or bar."""

    text: Annotated[str, Field(max_length=TEXT_MOST)]
    when: Literal["step", "beat", "bar"] = "bar"


class CheckBody(Strict):
    text: Annotated[str, Field(max_length=TEXT_MOST)]


ShelfName = Annotated[
    str,
    Field(
        pattern=r"^(ideas/)?[A-Za-z0-9][A-Za-z0-9 _.-]{0,80}\.ya?ml$",
        description="a name of the list of sets",
    ),
]
Pace = Literal["take", "keep"]


class OpenBody(Strict):
    """`tempo`: ``take`` that of the set, where we lead, or ``keep`` the present one. `fresh`: as
    the file has it, even if it was left with edits."""

    file: ShelfName
    when: Literal["step", "beat", "bar"] = "bar"
    tempo: Pace = "take"
    fresh: bool = False


class BackBody(Strict):
    when: Literal["step", "beat", "bar"] = "bar"
    tempo: Pace = "take"


class LoadBody(Strict):
    file: ShelfName


class SaveAsBody(Strict):
    """`replace` true allows writing over another file (a dated copy of it is kept)."""

    file: FileName
    replace: bool = False


class ChartQuery(BaseModel):
    model_config = ConfigDict(extra="forbid")
    bars: Annotated[int, Field(ge=1, le=8)] = 2


# --- answers ------------------------------------------------------------------------------------


class Answer(BaseModel):
    """Answers are checked in tests against their schema."""

    model_config = ConfigDict(extra="forbid")


class Done(Answer):
    done: Literal[True] = True


class DoneStep(Answer):
    done: Literal[True] = True
    label: str


class HistoryAnswer(Answer):
    """How many steps can be undone and redone, and what the next of each is."""

    undo: int
    redo: int
    undo_label: str
    redo_label: str


class HistoryList(HistoryAnswer):
    """Also what each step is: those that can be undone, the last first, and those that can be
    redone, the next first."""

    done: list[str]
    undone: list[str]


class DocumentAnswer(Answer):
    """The file the set came from, and whether the text that plays is what the file holds."""

    file: str
    saved: bool


class Transport(Answer):
    model_config = ConfigDict(extra="allow")
    state: Literal["stopped", "armed", "running", "lost"]
    tick: float
    bar: int
    beat: int
    tempo: float
    at_ms: float


class Clock(Answer):
    model_config = ConfigDict(extra="allow")
    source: str
    state: Literal["leading", "waiting", "locked", "free", "lost"]
    tempo: float | None
    jitter_ms: float | None
    offset_ms: float
    others: dict[str, int]


class Pending(Answer):
    model_config = ConfigDict(extra="allow")
    muted: bool
    tick: int
    bar: int
    text: str


class LaneState(Answer):
    """`muted`: out by its mute or by a hand that holds it. `heard`: whether it reaches its output,
    which the solo of other lanes prevents too."""

    model_config = ConfigDict(extra="allow")
    kind: str
    out: str | None
    muted: bool
    pending: Pending | None
    held: bool
    solo: bool
    heard: bool
    groups: list[str]
    settings: dict[str, float]


class MacroState(Answer):
    model_config = ConfigDict(extra="allow")
    value: Unit
    drives: list[str]


class SectionPending(Answer):
    model_config = ConfigDict(extra="allow")
    section: str
    tick: int
    bar: int


class OrderState(Answer):
    model_config = ConfigDict(extra="allow")
    running: bool
    leg: int | None


class PortState(Answer):
    model_config = ConfigDict(extra="allow")
    port: str
    open: bool
    link: str


class LinksAnswer(Answer):
    """Who is connected, and what became of what arrived."""

    pages: int
    dropped: int
    subscribers: int
    osc: dict[str, int]
    forbidden: int


class State(Answer):
    """Everything a surface needs to draw itself. The player may add members."""

    model_config = ConfigDict(extra="allow")
    version: str
    rig: str
    set: str
    revision: int
    transport: Transport
    clock: Clock
    lanes: dict[str, LaneState]
    macros: dict[str, MacroState]
    sections: list[str]
    section: str | None
    section_pending: SectionPending | None
    order: OrderState
    ports: dict[str, PortState]
    lateness: dict[str, Any]
    player: dict[str, Any]
    warnings: list[str]
    history: HistoryAnswer
    document: DocumentAnswer
    links: LinksAnswer


class TextProblem(Answer):
    message: str
    path: str
    line: int
    column: int


class SetAnswer(Answer):
    name: str
    file: str
    text: str
    revision: int
    saved: bool


class CheckAnswer(Answer):
    """`problems` is empty when the text can be played."""

    problems: list[TextProblem]


class SetFile(Answer):
    """`loaded`: it can take over at once; `saved`: it has no edits that its file has not."""

    file: str
    set: str
    current: bool
    loaded: bool
    saved: bool


class SetsAnswer(Answer):
    sets: list[SetFile]


class LaneChart(Answer):
    """`hits` rows are [tick, level 0..1, length in ticks, [lanes that caused it]], `values` rows
    [tick, value] (note number or volts). `out` is true when the lane is muted: its rows then show
    what it would play."""

    hits: list[tuple[int, float, int, list[str]]] | None = None
    values: list[tuple[int, float]] | None = None
    out: bool = False


class ChartAnswer(Answer):
    model_config = ConfigDict(extra="forbid", populate_by_name=True)
    start: int = Field(alias="from")
    to: int
    lanes: dict[str, LaneChart]


class OutputRow(Answer):
    output: str
    kind: str
    cable: str
    low: float
    high: float
    lanes: list[str]
    macros: list[str]


class RigAnswer(Answer):
    rig: str
    outputs: list[OutputRow]


class ErrorRow(Answer):
    detail: str
    pointer: str


class ProblemAnswer(Answer):
    """Problem details, RFC 9457."""

    type: str
    title: str
    status: int
    detail: str
    kind: str | None = None
    errors: list[ErrorRow] | None = None
    problems: list[TextProblem] | None = None
