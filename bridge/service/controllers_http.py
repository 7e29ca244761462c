"""Routes of the MIDI controllers: what is bound, learning, forgetting."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from aiohttp import web
from pydantic import Field

from bridge.errors import CommandError
from bridge.service import bodies as b
from bridge.service.commands import Name, Strict
from bridge.service.controllers import LEARN_S, Controllers
from bridge.service.http import Route

Target = Literal["macro", "mute", "section", "transport"]


class LearnBody(Strict):
    """Bind the next control that is touched to `name`: a macro, a lane (to mute), a section, or
    start, stop, continue, tap, all-out."""

    target: Target
    name: Name
    within_s: Annotated[float, Field(ge=1, le=60)] = LEARN_S


class ControlRow(b.Answer):
    """One control: a controller number or a note on a channel (from 1), and what it does."""

    controller: str
    kind: Literal["cc", "note"]
    channel: int
    number: int
    target: Target
    name: str


class ControlsAnswer(b.Answer):
    controls: list[ControlRow]


def controller_routes(controllers: Controllers) -> list[Route]:
    async def listed(request: web.Request, query: Any) -> ControlsAnswer:
        return ControlsAnswer(controls=[ControlRow(**row) for row in controllers.rows()])

    async def learn(request: web.Request, body: LearnBody) -> ControlRow:
        return ControlRow(**await controllers.learn(body.target, body.name, body.within_s))

    async def forget(request: web.Request, query: Any) -> b.Done:
        given = request.match_info
        try:
            channel, number = int(given["channel"]), int(given["number"])
        except ValueError:
            raise CommandError("channel and number are whole numbers", "unknown") from None
        await controllers.forget(given["controller"], given["kind"], channel, number)
        return b.Done()

    return [
        Route("GET", "/api/controllers", "controllers", "What each MIDI control does.", listed,
              answer=ControlsAnswer),
        Route("POST", "/api/controllers/learn", "learnControl",
              "Waits for a control to be touched and binds it; written into the rig.", learn,
              answer=ControlRow, body=LearnBody, errors=(404, 409)),
        Route("DELETE", "/api/controllers/{controller}/{kind}/{channel}/{number}",
              "forgetControl", "Takes away what a control does.", forget, errors=(404, 409, 422),
              params={"controller": "name of a controller", "kind": "cc or note",
                      "channel": "MIDI channel from 1", "number": "controller or note number"}),
    ]  # fmt: skip
