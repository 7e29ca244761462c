"""Routes of tuning: an output on the bench, its readings, what they come to, keeping it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, TypedDict

from aiohttp import web
from pydantic import Field

from bridge.bench.tuner import Tuner
from bridge.protocol.state import TunedOutput, TuningState
from bridge.web import bodies as b
from bridge.web.bodies import AS_WHOLE, Strict
from bridge.web.http import Routes, client_of
from bridge.web.listen_http import listen_route

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


class TuningAnswer(TypedDict):
    """Every pitch output, and the session if there is one."""

    outputs: list[TunedOutput]
    session: TuningState | None


class TunedAnswer(b.Answer):
    """`made` is empty when the output is untuned now."""

    output: str
    made: str
    file: str


def tuner_routes(tuner: Tuner) -> Routes:
    """Tuning of a pitch output: by readings, or by ear of an audio input."""
    routes = Routes()

    def session() -> TuningState:
        state = tuner.state()
        assert state is not None
        return state

    @routes.add("GET", "/api/tuning", "tuning", "Pitch outputs and how each is tuned.")
    async def get(request: web.Request, query: object) -> TuningAnswer:
        return {"outputs": await tuner.outputs(), "session": tuner.state()}

    @routes.add(
        "POST",
        "/api/tuning/undo",
        "undoTuning",
        "Brings back what an output had before its last tuning.",
        errors=(404, 409),
    )
    async def undo(request: web.Request, body: UndoBody) -> TunedAnswer:
        before, path = await tuner.undo(body.output)
        made = "" if before is None else before.correction.made
        return TunedAnswer(output=body.output, made=made, file=path.name)

    return Routes([*routes, *_session_routes(tuner, session), *_ear_routes(tuner, session)])


def _ear_routes(tuner: Tuner, session: Callable[[], TuningState]) -> Routes:
    routes = Routes()

    says = "Sounds the notes, listens and takes the readings; then checks them with the tuning."
    path = "/api/tuning/session/listen"
    routes.append(listen_route(path, "listenToVoice", says, tuner.listen, session, TuningState))

    @routes.add(
        "DELETE",
        "/api/tuning/session/listen",
        "listenNoMore",
        "Ends listening; what was heard stays.",
        errors=(409,),
    )
    async def no_more(request: web.Request, query: object) -> TuningState:
        await tuner.listen_no_more()
        return session()

    return routes


def _session_routes(tuner: Tuner, session: Callable[[], TuningState]) -> Routes:
    routes = Routes()

    @routes.add(
        "POST",
        "/api/tuning/session",
        "beginTuning",
        "Puts an output on the bench. Turn the monitors down first.",
        errors=(404, 409),
    )
    async def begin(request: web.Request, body: BeginBody) -> TuningState:
        await tuner.begin(body.output, body.every)
        return session()

    @routes.add(
        "PUT",
        "/api/tuning/session/sound",
        "soundNote",
        "Sounds a note, untuned.",
        errors=(404, 409),
    )
    async def sound(request: web.Request, body: SoundBody) -> TuningState:
        await tuner.sound(body.note, client_of(request))
        return session()

    @routes.add(
        "PUT",
        "/api/tuning/session/readings",
        "takeReading",
        "Takes a reading and says what all of them come to.",
        errors=(404, 409),
    )
    async def read(request: web.Request, body: ReadingBody) -> TuningState:
        tuner.read(body.note, body.text)
        return session()

    @routes.add(
        "POST",
        "/api/tuning/session/keep",
        "keepTuning",
        "Writes the tuning beside the rig; the player uses it at once.",
        optional=True,
        errors=(409,),
    )
    async def keep(request: web.Request, body: KeepBody) -> TunedAnswer:
        output = tuner.session.wired.name if tuner.session is not None else ""
        tuning, path = await tuner.keep(client_of(request), doubtful=body.doubtful)
        return TunedAnswer(output=output, made=tuning.correction.made, file=path.name)

    @routes.add(
        "DELETE", "/api/tuning/session", "endTuning", "Ends it; nothing is changed.", errors=(409,)
    )
    async def end(request: web.Request, query: object) -> b.Done:
        await tuner.end(client_of(request))
        return b.Done()

    return routes
