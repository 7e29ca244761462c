"""Routes of the soundcheck: begin, play one output, answer, report."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from aiohttp import web
from pydantic import Field

from bridge.bench.soundchecker import CAUTION, Soundchecker
from bridge.web import bodies as b
from bridge.web.bodies import Strict
from bridge.web.http import Routes, client_of

Output = Annotated[str, Field(min_length=3, max_length=65, description="interface.output")]
Said = Literal["yes", "no", "skip"]


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


class CheckedOutput(b.Answer):
    output: str
    kind: str
    says: str
    cable: str
    answer: Said | None


class CheckState(b.Answer):
    """`playing`: the output that sounds now."""

    outputs: list[CheckedOutput]
    playing: str | None
    loud: bool


class SoundcheckAnswer(b.Answer):
    caution: str
    check: CheckState | None
    report: str


def soundcheck_routes(checker: Soundchecker) -> Routes:
    routes = Routes()

    def shown() -> CheckState:
        return CheckState.model_validate(checker.state())

    @routes.add("GET", "/api/soundcheck", "soundcheck", "The check so far, and its report.")
    async def get(request: web.Request, query: Any) -> SoundcheckAnswer:
        check = None if checker.check is None else shown()
        return SoundcheckAnswer(caution=CAUTION, check=check, report=checker.report())

    @routes.add(
        "POST", "/api/soundcheck", "beginSoundcheck", "Begins a soundcheck.", errors=(404, 409)
    )
    async def begin(request: web.Request, body: BeginBody) -> CheckState:
        await checker.begin(body.outputs)
        return shown()

    @routes.add(
        "POST",
        "/api/soundcheck/play",
        "playOutput",
        "Sounds one output, quietly first.",
        errors=(404, 409),
    )
    async def play(request: web.Request, body: PlayBody) -> CheckState:
        await checker.play(body.output, body.loud, client_of(request))
        return shown()

    @routes.add("POST", "/api/soundcheck/stop", "stopOutput", "Silence now.")
    async def stop(request: web.Request, body: Any) -> b.Done:
        await checker.stop()
        return b.Done()

    @routes.add(
        "PUT", "/api/soundcheck/answers", "answerSoundcheck", "What was heard.", errors=(404, 409)
    )
    async def answer(request: web.Request, body: AnswerBody) -> CheckState:
        checker.answer(body.output, body.answer)
        return shown()

    @routes.add("DELETE", "/api/soundcheck", "endSoundcheck", "Ends it.", errors=(409,))
    async def end(request: web.Request, query: Any) -> b.Done:
        await checker.end()
        return b.Done()

    return routes
