"""Bodies, queries and answers of the HTTP interface, as strict models."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from bridge.protocol.limits import SwapMoment
from bridge.web.problems import Kind


def whole(value: object) -> object:
    """An integer where a number without a fraction is given: JSON does not tell 17.0 from 17 (RFC
    8259, section 6; JSON Schema 2020-12 calls both integers). Everything else as it is."""
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value


AS_WHOLE = BeforeValidator(whole)
"""Of integers; it stands after their limits, which would else not be described."""
Seq = Annotated[int, Field(ge=0, le=2**53 - 1), AS_WHOLE]


class Late(BaseModel):
    """Base of all that goes over HTTP. A model is made ready at its first use: most are for what a
    performance hardly asks for (measured: 1.2 MB, and with the description of all 3 MB)."""

    model_config = ConfigDict(defer_build=True)


class Query(Late):
    """What stands behind the path; no unknown members."""

    model_config = ConfigDict(extra="forbid")


class Strict(Late):
    """No unknown members, no conversions, finite numbers only."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


TEXT_MOST = 256 << 10  # bytes of a set text; an hour of music takes a few thousand
FileName = Annotated[
    str,
    Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 _.-]{0,80}\.ya?ml$", description="a name, no folder"),
]


class ListenBody(Strict):
    """`input`: a part of the name of an audio input of the service's machine, or nothing for its
    default one; `channel` counts from 1."""

    input: Annotated[str, Field(max_length=200)] = ""
    channel: Annotated[int, Field(ge=1, le=64), AS_WHOLE] = 1


class Nothing(Strict):
    """An empty object (or no body at all)."""


class TextBody(Strict):
    """A whole set text. It is checked, compiled, and begins at the next step, beat or bar.
    `revision`: that of the text which it was made from (``If-Match`` says the same)."""

    text: Annotated[str, Field(max_length=TEXT_MOST)]
    when: SwapMoment = "bar"
    revision: Seq | None = None


class CheckBody(Strict):
    text: Annotated[str, Field(max_length=TEXT_MOST)]


SetFileName = Annotated[
    str,
    Field(
        pattern=r"^(ideas/)?[A-Za-z0-9][A-Za-z0-9 _.-]{0,80}\.ya?ml$",
        description="a name of the list of sets",
    ),
]
Pace = Literal["set", "keep"]


class OpenBody(Strict):
    """`tempo`: ``set`` that of the set, on the internal clock, ``keep`` the present one. `fresh`:
    as the file has it, even if it was left with edits."""

    file: SetFileName
    when: SwapMoment = "bar"
    tempo: Pace = "set"
    fresh: bool = False


class BackBody(Strict):
    when: SwapMoment = "bar"
    tempo: Pace = "set"


class LoadBody(Strict):
    file: SetFileName


class SaveAsBody(Strict):
    """`replace` true allows writing over another file (a dated copy of it is kept)."""

    file: FileName
    replace: bool = False


class ChartQuery(Query):
    bars: Annotated[int, Field(ge=1, le=8)] = 2


# --- answers ------------------------------------------------------------------------------------


class Answer(Late):
    """Answers are checked in tests against their schema."""

    model_config = ConfigDict(extra="forbid")


class Done(Answer):
    done: Literal[True] = True


class DoneStep(Answer):
    done: Literal[True] = True
    label: str


class VariedAnswer(Answer):
    """`lane` is the one that has changed; `seed` is there after chance."""

    done: bool = True
    lane: str
    seed: int | None
    revision: int


class KeptAnswer(Answer):
    """What was kept of the last `bars` whole bars, under `name`: the `sections` that were made, the
    `file` of the set that was made (null: they are in the set that plays), and in words what is
    `kept` and what is `left` out."""

    done: bool = True
    name: str
    bars: int
    sections: list[str]
    file: str | None
    kept: list[str]
    left: list[str]


class ContinuedAnswer(Answer):
    """The player stands where the take with the id `take` stood at the beginning of `bar`, at
    `tick` of the song; `set` and `file` are what it was played with. `exact` is false
    where a take does not tell how patterns stood (one of an earlier version that began in the
    middle of a song): what counts or walks may stand elsewhere than it did."""

    done: bool = True
    take: str
    bar: int
    tick: int
    set: str
    file: str
    exact: bool


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
    """`loaded`: it can begin at once; `saved`: it has no edits that its file has not."""

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
    kind: Kind
    errors: list[ErrorRow] | None = None
    problems: list[TextProblem] | None = None
