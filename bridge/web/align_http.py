"""Routes of lining up: listen to the voices, to the host's click, write what is proposed."""

from __future__ import annotations

from typing import Annotated, Literal, TypedDict

from aiohttp import web
from pydantic import Field

from bridge.bench.aligner import Aligner
from bridge.bench.soundchecker import CAUTION
from bridge.protocol import limits
from bridge.protocol.state import AlignState
from bridge.web import bodies as b
from bridge.web.bodies import AS_WHOLE
from bridge.web.http import Routes, client_of


class VoicesBody(b.ListenBody):
    """`monitors_down` says that a person has turned monitors and headphones down; `hits`: how often
    each voice is struck."""

    monitors_down: Literal[True]
    hits: Annotated[int, Field(ge=limits.FEWEST_HITS, le=limits.MOST_HITS), AS_WHOLE] = (
        limits.USUAL_HITS
    )


class ClickBody(b.ListenBody):
    """The input with the click of the host, and how many seconds it is listened to."""

    seconds: Annotated[float, Field(ge=limits.SHORTEST_CLICK_S, le=limits.LONGEST_CLICK_S)] = (
        limits.USUAL_CLICK_S
    )


class AlignAnswer(TypedDict):
    """What was heard and is proposed, if anything."""

    caution: str
    align: AlignState | None


def align_routes(aligner: Aligner) -> Routes:
    """Lining up with an audio input: what is measured, kept and shown."""
    routes = Routes()

    def shown() -> AlignState:
        state = aligner.state()
        assert state is not None
        return state

    @routes.add("GET", "/api/align", "align", "How late voices were, and what is proposed.")
    async def get(request: web.Request, query: object) -> AlignAnswer:
        return {"caution": CAUTION, "align": aligner.state()}

    @routes.add(
        "POST",
        "/api/align/voices",
        "alignVoices",
        "Strikes each voice and listens to how late it sounds. Nothing is recorded.",
        errors=(409,),
    )
    async def voices(request: web.Request, body: VoicesBody) -> AlignState:
        await aligner.listen(body.input, body.channel, body.hits, client_of(request))
        return shown()

    @routes.add(
        "POST",
        "/api/align/click",
        "alignClick",
        "Listens to the click of the host that is followed, for the offset to its grid.",
        errors=(409, 422),
    )
    async def click(request: web.Request, body: ClickBody) -> AlignState:
        await aligner.click(body.input, body.channel, body.seconds, client_of(request))
        return shown()

    @routes.add(
        "POST",
        "/api/align/apply",
        "applyAlign",
        "Writes what is proposed into the rig file; it holds from the next start.",
        errors=(409,),
    )
    async def apply(request: web.Request, body: object) -> AlignState:
        await aligner.apply()
        return shown()

    @routes.add("POST", "/api/align/stop", "stopAlign", "Silence now.", role="play")
    async def stop(request: web.Request, body: object) -> b.Done:
        await aligner.stop()
        return b.Done()

    @routes.add("DELETE", "/api/align", "endAlign", "Forgets what was heard.", errors=(409,))
    async def end(request: web.Request, query: object) -> b.Done:
        await aligner.forget()
        return b.Done()

    return routes
