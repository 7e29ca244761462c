"""Routes of the soundcheck: begin, play one output, answer, report."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal, TypedDict

from aiohttp import web
from pydantic import Field

from bridge.bench.soundchecker import CAUTION, Soundchecker
from bridge.protocol.state import Said, SoundcheckState
from bridge.web import bodies as b
from bridge.web.bodies import Strict
from bridge.web.http import Routes, client_of
from bridge.web.listen_http import listen_route

Output = Annotated[str, Field(min_length=3, max_length=65, description="interface.output")]


class BeginBody(Strict):
    """`monitors_down` says that a person has turned monitors and headphones down. `outputs` left
    out: all of the rig that have a cable (all, where no cable is written down)."""

    monitors_down: Literal[True]
    outputs: Annotated[list[Output], Field(min_length=1, max_length=512)] | None = None


class PlayBody(Strict):
    """`loud`: the second round, after it was heard quietly."""

    output: Output
    loud: bool = False


class AnswerBody(Strict):
    """Heard or seen at the right place? null takes the answer back."""

    output: Output
    answer: Said | None


class SoundcheckAnswer(TypedDict):
    """The check, if there is one, and its report as text."""

    caution: str
    check: SoundcheckState | None
    report: str


def soundcheck_routes(checker: Soundchecker) -> Routes:
    """A soundcheck: begin, play an output, answer, keep."""
    routes = Routes()

    def shown() -> SoundcheckState:
        state = checker.state()
        assert state is not None
        return state

    @routes.add("GET", "/api/soundcheck", "soundcheck", "The check so far, and its report.")
    async def get(request: web.Request, query: object) -> SoundcheckAnswer:
        return {"caution": CAUTION, "check": checker.state(), "report": checker.report()}

    @routes.add(
        "POST", "/api/soundcheck", "beginSoundcheck", "Begins a soundcheck.", errors=(404, 409)
    )
    async def begin(request: web.Request, body: BeginBody) -> SoundcheckState:
        await checker.begin(body.outputs)
        return shown()

    @routes.add(
        "POST",
        "/api/soundcheck/play",
        "playOutput",
        "Sounds one output, quietly first.",
        errors=(404, 409),
    )
    async def play(request: web.Request, body: PlayBody) -> SoundcheckState:
        await checker.play(body.output, body.loud, client_of(request))
        return shown()

    @routes.add("POST", "/api/soundcheck/stop", "stopOutput", "Silence now.", role="play")
    async def stop(request: web.Request, body: object) -> b.Done:
        await checker.stop()
        return b.Done()

    @routes.add(
        "PUT", "/api/soundcheck/answers", "answerSoundcheck", "What was heard.", errors=(404, 409)
    )
    async def answer(request: web.Request, body: AnswerBody) -> SoundcheckState:
        checker.answer(body.output, body.answer)
        return shown()

    @routes.add("DELETE", "/api/soundcheck", "endSoundcheck", "Ends it.", errors=(409,))
    async def end(request: web.Request, query: object) -> b.Done:
        await checker.end()
        return b.Done()

    return Routes([*routes, *_ear_routes(checker, shown)])


def _ear_routes(checker: Soundchecker, shown: Callable[[], SoundcheckState]) -> Routes:
    routes = Routes()

    says = "Checks all outputs by an audio input: what is heard, in words. Nothing is recorded."
    path, name = "/api/soundcheck/listen", "listenSoundcheck"
    routes.append(listen_route(path, name, says, checker.listen, shown, SoundcheckState))

    @routes.add(
        "POST",
        "/api/soundcheck/keep",
        "keepSounds",
        "Keeps what was heard, to compare the next soundcheck with.",
        errors=(409,),
    )
    async def keep(request: web.Request, body: object) -> SoundcheckState:
        await checker.keep()
        return shown()

    return routes
