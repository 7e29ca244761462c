"""Routes of tuning: an output on the bench, its readings, what they come to, keeping it."""

from __future__ import annotations

from typing import Annotated, Any

from aiohttp import web
from pydantic import Field

from bridge.bench.tuner import Tuner
from bridge.web import bodies as b
from bridge.web.bodies import AS_WHOLE, Strict
from bridge.web.http import Route, client_of

Output = Annotated[str, Field(min_length=3, max_length=65, description="interface.output")]
Note = Annotated[int, Field(ge=0, le=127, description="MIDI note number"), AS_WHOLE]


class BeginBody(Strict):
    """`every`: semitones between the notes to measure."""

    output: Output
    every: Annotated[int, Field(ge=1, le=24), AS_WHOLE] = 6


class SoundBody(Strict):
    """The note to sound, for half a minute at most; null silences it."""

    note: Note | None


class ReadingBody(Strict):
    """What was measured: ``2.003 V``, ``2003 mV``, ``130.9 Hz``, ``C3 +2`` (a note and cents);
    empty forgets it."""

    note: Note
    text: Annotated[str, Field(max_length=40)]


class KeepBody(Strict):
    """`doubtful` true keeps a tuning although its `doubts` say that readings may be wrong."""

    doubtful: bool = False


class UndoBody(Strict):
    output: Output


class TunedOutput(b.Answer):
    """`made` is empty while it is untuned; `points` are the readings it was made from."""

    output: str
    cable: str
    law: str
    made: str
    points: int


class NoteRow(b.Answer):
    note: int
    name: str
    text: str
    volts: float | None


class ReadingRow(b.Answer):
    """Volts asked for and measured, error in cents before and after; `missed` is the part of
    `after` that the output cannot reach."""

    note: float
    name: str
    asked: float
    measured: float
    before: float
    after: float
    missed: float
    left_out: bool


class Result(b.Answer):
    """Cents and millivolts. `octaves`: how far away the oscillator was set; only its cents count.
    `table` rows are [note, cents sharp]. `doubts` are those of the warnings that speak of wrong
    readings or a wrong setting."""

    offset_mv: float
    gain: float
    table: list[tuple[float, float]]
    worst_before: float
    worst_after: float
    octaves: int
    warnings: list[str]
    doubts: list[str]
    rows: list[ReadingRow]


class SessionAnswer(b.Answer):
    """`says`: why there is no result yet, or empty."""

    output: str
    cable: str
    law: str
    notes: list[NoteRow]
    sounding: int | None
    says: str
    result: Result | None


class TuningAnswer(b.Answer):
    outputs: list[TunedOutput]
    session: SessionAnswer | None


class TunedAnswer(b.Answer):
    """`made` is empty when the output is untuned now."""

    output: str
    made: str
    file: str


def tuner_routes(tuner: Tuner) -> list[Route]:
    def shown() -> SessionAnswer | None:
        state = tuner.state()
        return None if state is None else SessionAnswer.model_validate(state)

    def session() -> SessionAnswer:
        answer = shown()
        assert answer is not None
        return answer

    async def get(request: web.Request, query: Any) -> TuningAnswer:
        return TuningAnswer(
            outputs=[TunedOutput(**row) for row in await tuner.outputs()], session=shown()
        )

    async def begin(request: web.Request, body: BeginBody) -> SessionAnswer:
        await tuner.begin(body.output, body.every)
        return session()

    async def sound(request: web.Request, body: SoundBody) -> SessionAnswer:
        await tuner.sound(body.note, client_of(request))
        return session()

    async def read(request: web.Request, body: ReadingBody) -> SessionAnswer:
        tuner.read(body.note, body.text)
        return session()

    async def keep(request: web.Request, body: KeepBody) -> TunedAnswer:
        output = tuner.session.wired.name if tuner.session is not None else ""
        tuning, path = await tuner.keep(client_of(request), doubtful=body.doubtful)
        return TunedAnswer(output=output, made=tuning.correction.made, file=path.name)

    async def end(request: web.Request, query: Any) -> b.Done:
        await tuner.end(client_of(request))
        return b.Done()

    async def undo(request: web.Request, body: UndoBody) -> TunedAnswer:
        before, path = await tuner.undo(body.output)
        made = "" if before is None else before.correction.made
        return TunedAnswer(output=body.output, made=made, file=path.name)

    named = (404, 409)
    return [
        Route(
            "GET",
            "/api/tuning",
            "tuning",
            "Pitch outputs and how each is tuned.",
            get,
            answer=TuningAnswer,
        ),
        Route(
            "POST",
            "/api/tuning/session",
            "beginTuning",
            "Puts an output on the bench. Turn the monitors down first.",
            begin,
            answer=SessionAnswer,
            body=BeginBody,
            errors=named,
        ),
        Route(
            "PUT",
            "/api/tuning/session/sound",
            "soundNote",
            "Sounds a note, untuned.",
            sound,
            answer=SessionAnswer,
            body=SoundBody,
            errors=named,
        ),
        Route(
            "PUT",
            "/api/tuning/session/readings",
            "takeReading",
            "Takes a reading and says what all of them come to.",
            read,
            answer=SessionAnswer,
            body=ReadingBody,
            errors=named,
        ),
        Route(
            "POST",
            "/api/tuning/session/keep",
            "keepTuning",
            "Writes the tuning beside the rig; the player uses it at once.",
            keep,
            answer=TunedAnswer,
            body=KeepBody,
            optional=True,
            errors=(409,),
        ),
        Route(
            "DELETE",
            "/api/tuning/session",
            "endTuning",
            "Ends it; nothing is changed.",
            end,
            errors=(409,),
        ),
        Route(
            "POST",
            "/api/tuning/undo",
            "undoTuning",
            "Brings back what an output had before its last tuning.",
            undo,
            answer=TunedAnswer,
            body=UndoBody,
            errors=named,
        ),
    ]
