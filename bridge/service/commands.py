"""The commands a hand can give, as strict models: one shape for the page, HTTP and OSC.

Every command is an object with the word `do` and nothing that its model does not name; wrong
types, NaN, infinities and unknown members are refused by the model, unknown names and ranges that
depend on the set by `bridge.service.control`. Numbers are absolute (never "toggle" or "one
more"), so that a command that arrives twice changes nothing the second time; `tap` and `nudge`
are the exceptions, being gestures.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, model_validator

BARS_MOST = 64  # the longest wait or morph a hand can ask for
TICK_MOST = 960 * 4 * 100_000  # about two days at 120 to the minute

Name = Annotated[str, Field(min_length=1, max_length=64)]
Bars = Annotated[int, Field(ge=1, le=BARS_MOST)]
When = Literal["now", "beat", "bar"] | Bars
Morph = Annotated[int, Field(ge=0, le=BARS_MOST, description="bars in which values glide")]
Leg = Annotated[int, Field(ge=0, le=10_000, description="place in the running order, from 0")]
Unit = Annotated[float, Field(ge=0, le=1)]
Tempo = Annotated[float, Field(ge=20, le=400, description="quarter notes per minute")]
Offset = Annotated[float, Field(ge=-100, le=100, description="ms; below 0 plays earlier")]
Nudge = Annotated[float, Field(ge=-100, le=100, description="ms; below 0 pulls earlier")]
Tick = Annotated[int, Field(ge=0, le=TICK_MOST)]
Seq = Annotated[int, Field(ge=0, le=2**53 - 1)]


class Strict(BaseModel):
    """No unknown members, no conversions, finite numbers only."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class Base(Strict):
    """A command. Of several `paced` ones to an address within 1/60 s only the last is sent."""

    paced: ClassVar[bool] = True
    seq: Seq | None = None

    def address(self) -> tuple[Any, ...]:
        """What the command is about: later commands to the same address replace earlier ones."""
        raise NotImplementedError

    def wire(self) -> dict[str, Any]:
        """The object that the player gets (without `seq`, which the link adds)."""
        return self.model_dump(exclude_none=True, exclude={"seq"})


class Mute(Base):
    do: Literal["mute"] = "mute"
    lane: Name
    muted: bool
    when: When = "now"
    return_bars: Bars | None = None

    def address(self) -> tuple[Any, ...]:
        return ("mute", self.lane)


class Cancel(Base):
    """Takes back a mute that waits for its beat or bar, or a section that waits (one of them)."""

    do: Literal["cancel"] = "cancel"
    lane: Name | None = None
    section: Name | None = None

    @model_validator(mode="after")
    def _one_of_both(self) -> Cancel:
        if (self.lane is None) == (self.section is None):
            raise ValueError("a lane or a section")
        return self

    def address(self) -> tuple[Any, ...]:
        return ("section",) if self.lane is None else ("mute", self.lane)


class Hold(Base):
    """A momentary mute (or sounding): lasts while it is refreshed at least every 500 ms."""

    do: Literal["hold"] = "hold"
    lane: Name
    muted: bool
    active: bool

    def address(self) -> tuple[Any, ...]:
        return ("hold", self.lane)


class Release(Base):
    """Ends everything that the sender holds."""

    do: Literal["release"] = "release"

    def address(self) -> tuple[Any, ...]:
        return ("release",)


class Solo(Base):
    do: Literal["solo"] = "solo"
    lane: Name
    on: bool

    def address(self) -> tuple[Any, ...]:
        return ("solo", self.lane)


class Group(Base):
    do: Literal["group"] = "group"
    group: Name
    muted: bool
    when: When = "now"
    return_bars: Bars | None = None

    def address(self) -> tuple[Any, ...]:
        return ("group", self.group)


class MacroMove(Base):
    do: Literal["macro"] = "macro"
    macro: Name
    value: Unit

    def address(self) -> tuple[Any, ...]:
        return ("macro", self.macro)


class SettingMove(Base):
    """`value` null takes the hand off: the section or the set says the value again."""

    do: Literal["setting"] = "setting"
    lane: Name
    setting: Name
    value: float | None

    def address(self) -> tuple[Any, ...]:
        return ("setting", self.lane, self.setting)

    def wire(self) -> dict[str, Any]:
        return self.model_dump(exclude={"seq"})


class Recall(Base):
    do: Literal["section"] = "section"
    section: Name
    when: When = "bar"
    morph_bars: Morph = 0
    mutes_at: Unit | None = None

    def address(self) -> tuple[Any, ...]:
        return ("section",)


class Order(Base):
    """Runs the order from its first leg or from `leg`, or stops it. Running it when it runs and no
    `leg` is given changes nothing."""

    do: Literal["order"] = "order"
    run: bool
    leg: Leg | None = None

    def address(self) -> tuple[Any, ...]:
        return ("order",)


class Start(Base):
    """Starts at the beginning. While it runs that changes nothing, unless `restart` is true."""

    do: Literal["start"] = "start"
    restart: bool = False

    def address(self) -> tuple[Any, ...]:
        return ("transport",)

    def wire(self) -> dict[str, Any]:
        return {"do": self.do}


class Stop(Base):
    do: Literal["stop"] = "stop"

    def address(self) -> tuple[Any, ...]:
        return ("transport",)


class Continue(Base):
    do: Literal["continue"] = "continue"

    def address(self) -> tuple[Any, ...]:
        return ("transport",)


class Position(Base):
    do: Literal["position"] = "position"
    tick: Tick

    def address(self) -> tuple[Any, ...]:
        return ("position",)


class TempoMove(Base):
    do: Literal["tempo"] = "tempo"
    bpm: Tempo

    def address(self) -> tuple[Any, ...]:
        return ("tempo",)


class NudgeBy(Base):
    paced: ClassVar[bool] = False
    do: Literal["nudge"] = "nudge"
    ms: Nudge

    def address(self) -> tuple[Any, ...]:
        return ("nudge",)


class Tap(Base):
    paced: ClassVar[bool] = False
    do: Literal["tap"] = "tap"

    def address(self) -> tuple[Any, ...]:
        return ("tap",)


class OffsetMove(Base):
    do: Literal["offset"] = "offset"
    ms: Offset

    def address(self) -> tuple[Any, ...]:
        return ("offset",)


class TakeClock(Base):
    do: Literal["take-clock"] = "take-clock"

    def address(self) -> tuple[Any, ...]:
        return ("clock",)


class Follow(Base):
    do: Literal["follow"] = "follow"
    source: Annotated[str, Field(min_length=1, max_length=200)]

    def address(self) -> tuple[Any, ...]:
        return ("clock",)


class AllOut(Base):
    """Every lane out, now."""

    do: Literal["all-out"] = "all-out"

    def address(self) -> tuple[Any, ...]:
        return ("all-out",)


class Reset(Base):
    do: Literal["reset"] = "reset"
    lane: Name

    def address(self) -> tuple[Any, ...]:
        return ("reset", self.lane)


class Still(Base):
    do: Literal["still"] = "still"
    lane: Name
    on: bool

    def address(self) -> tuple[Any, ...]:
        return ("still", self.lane)


class Try(Base):
    """Soundcheck of one output. `value`: level 0..1 of a gate (0 closes it), note number of a
    pitch, volts of a level; the player keeps it inside the profile's range. `ms`: how long a gate
    stays open; a quarter of a second unless told, or its pulse."""

    do: Literal["try"] = "try"
    output: Annotated[str, Field(min_length=3, max_length=65)]
    action: Literal["gate", "pitch", "level"]
    value: Annotated[float, Field(ge=-20, le=127)]
    ms: Annotated[float, Field(ge=1, le=30_000)] | None = None

    def address(self) -> tuple[Any, ...]:
        return ("try", self.output)


Command = (
    Mute
    | Cancel
    | Hold
    | Release
    | Solo
    | Group
    | MacroMove
    | SettingMove
    | Recall
    | Order
    | Start
    | Stop
    | Continue
    | Position
    | TempoMove
    | NudgeBy
    | Tap
    | OffsetMove
    | TakeClock
    | Follow
    | AllOut
    | Reset
    | Still
    | Try
)


Seed = Annotated[int, Field(ge=0, le=2**31 - 1)]
Moment = Literal["step", "beat", "bar"]
What = Literal["pattern", "settings"]


class Change(Strict):
    """A change of a lane's text, done by the service itself; one undoable step."""

    lane: Name
    when: Moment = "beat"
    seq: Seq | None = None


class Copy(Change):
    """Pattern and settings of a lane for another one, which is made when it is not there."""

    do: Literal["copy"] = "copy"
    to: Name
    what: What | None = None


class Clear(Change):
    """Rests in place of a lane's pattern, or all its settings as they are unless told."""

    do: Literal["clear"] = "clear"
    what: What = "pattern"


class Randomise(Change):
    """Moves a lane's pattern, or its settings, as far as `amount` says; 0 changes nothing. The same
    `seed` does the same to the same lane."""

    do: Literal["randomise"] = "randomise"
    amount: Unit
    seed: Seed | None = None
    what: What = "pattern"


Varied = Copy | Clear | Randomise


class Undo(Strict):
    do: Literal["undo"] = "undo"
    seq: Seq | None = None


class Redo(Strict):
    do: Literal["redo"] = "redo"
    seq: Seq | None = None


class AskChart(Strict):
    """The page asks to be told the hits and values of the coming bars, from now on."""

    do: Literal["chart"] = "chart"
    bars: Annotated[int, Field(ge=1, le=8)] = 2
    seq: Seq | None = None


class Alive(Strict):
    """A page asks whether anybody is there."""

    do: Literal["alive"] = "alive"
    seq: Seq | None = None


Target = Literal["macro", "mute", "section", "transport"]


class Learn(Strict):
    """Bind the next control of a MIDI controller that is touched; answered when it is done. The
    members are those of ``POST /api/controllers/learn``."""

    do: Literal["learn"] = "learn"
    target: Target
    name: Name
    controller: Name | None = None
    pickup: bool = True
    feedback: bool = False
    fine: bool = False
    latch: bool = False
    replace: bool = False
    within_s: Annotated[float, Field(ge=1, le=120)] = 20.0
    seq: Seq | None = None


class LearnCancel(Strict):
    do: Literal["learn-cancel"] = "learn-cancel"
    seq: Seq | None = None


class Scope(Strict):
    """The page asks for the volts of every output, or for no more of them."""

    do: Literal["scope"] = "scope"
    on: bool
    seq: Seq | None = None


Asked = Varied | Undo | Redo | AskChart | Alive | Learn | LearnCancel | Scope
FromPage: TypeAdapter[Command | Asked] = TypeAdapter(
    Annotated[Command | Asked, Field(discriminator="do")]
)
