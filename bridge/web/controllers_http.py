"""Routes of the MIDI controllers: what is bound, learning, forgetting."""

from __future__ import annotations

from typing import Annotated, TypedDict

from aiohttp import web
from pydantic import Field

from bridge.desk.controllers import Controllers
from bridge.desk.learning import binding_of
from bridge.errors import CommandError
from bridge.protocol.asking import Learn
from bridge.protocol.limits import USUAL_STEPS, Coding, EncoderSteps, Name, Target
from bridge.protocol.state import ControlRow, LearningState
from bridge.web import bodies as b
from bridge.web.bodies import Strict
from bridge.web.command_body import CommandBody
from bridge.web.http import Routes, client_of


class ControlBody(Strict):
    """What a control does: moves a macro, mutes a lane, recalls a section, or start, stop,
    continue, tap, mute-all, order-next."""

    target: Target
    name: Name
    pickup: bool = True
    feedback: bool = False
    pair: bool = False
    latch: bool = False
    encoder: Coding | None = None
    steps: Annotated[EncoderSteps, b.AS_WHOLE] = USUAL_STEPS


class PortBody(Strict):
    """A part of the name of the controller's MIDI port (``simulated``: played by `play`)."""

    port: Annotated[str, Field(min_length=1, max_length=100)]


class PlayBody(Strict):
    """One channel message in hex, as ``b01540``."""

    data: Annotated[str, Field(pattern=r"^[89a-eA-E][0-9a-fA-F]([0-7][0-9a-fA-F]){1,2}$")]


class ControllerRow(TypedDict):
    """`open`: the player hears its port."""

    controller: str
    port: str
    open: bool


class ControlsAnswer(TypedDict):
    """Every control that does something, every controller, and what is being learned."""

    controls: list[ControlRow]
    controllers: list[ControllerRow]
    learning: LearningState | None


NAMED = {"controller": "name of a controller"}
CONTROL = {
    **NAMED,
    "kind": "cc or note",
    "channel": "MIDI channel from 1",
    "number": "controller or note number",
}


def controller_routes(controllers: Controllers) -> Routes:
    """MIDI controllers: what they are bound to, learning, forgetting."""
    routes = Routes()

    def answer() -> ControlsAnswer:
        return {
            "controls": controllers.rows(),
            "controllers": [
                {"controller": name, "port": row["port"], "open": row["open"]}
                for name, row in controllers.state().items()
            ],
            "learning": controllers.learning(),
        }

    @routes.add("GET", "/api/controllers", "controllers", "What each MIDI control does.")
    async def listed(request: web.Request, query: object) -> ControlsAnswer:
        return answer()

    @routes.add(
        "PUT",
        "/api/controllers/{controller}",
        "putController",
        "Adds a controller to the rig, or gives it another port.",
        errors=(409,),
        params=NAMED,
    )
    async def put(request: web.Request, body: PortBody) -> ControlsAnswer:
        name = request.match_info["controller"]
        if name == "learn":
            raise CommandError("a controller cannot be called 'learn'")
        await controllers.put(name, body.port)
        return answer()

    @routes.add(
        "DELETE",
        "/api/controllers/{controller}",
        "removeController",
        "Takes a controller out of the rig.",
        errors=(404, 409, 422),
        params=NAMED,
    )
    async def remove(request: web.Request, query: object) -> ControlsAnswer:
        await controllers.remove(request.match_info["controller"])
        return answer()

    @routes.add(
        "POST",
        "/api/controllers/{controller}/play",
        "playController",
        "A message as if it came from a simulated controller.",
        errors=(404, 409),
        params=NAMED,
    )
    async def play(request: web.Request, body: PlayBody) -> b.Done:
        await controllers.play(request.match_info["controller"], body.data)
        return b.Done()

    return Routes([*routes, *_control_routes(controllers)])


def _control_routes(controllers: Controllers) -> Routes:
    routes = Routes()

    @routes.add(
        "POST",
        "/api/controllers/learn",
        "learnControl",
        Learn.ROW.http[0].says,
        command=CommandBody(Learn, Learn.ROW.http[0]),
        errors=(404, 409),
    )
    async def learn(request: web.Request, body: Learn) -> ControlRow:
        return await controllers.learn(body, client_of(request))

    @routes.add(
        "DELETE", "/api/controllers/learn", "cancelLearning", "Ends the wait for a control."
    )
    async def cancel(request: web.Request, query: object) -> b.Done:
        controllers.cancel()
        return b.Done()

    @routes.add(
        "PUT",
        "/api/controllers/{controller}/{kind}/{channel}/{number}",
        "bindControl",
        "Says what a control does, without touching it.",
        errors=(404, 409),
        params=CONTROL,
    )
    async def bind(request: web.Request, body: ControlBody) -> ControlRow:
        controller, kind, channel, number = place(request)
        binding = binding_of(Learn(**body.model_dump()), kind, number, channel)
        return await controllers.bind(controller, binding)

    @routes.add(
        "DELETE",
        "/api/controllers/{controller}/{kind}/{channel}/{number}",
        "forgetControl",
        "Takes away what a control does.",
        errors=(404, 409, 422),
        params=CONTROL,
    )
    async def forget(request: web.Request, query: object) -> b.Done:
        await controllers.forget(*place(request))
        return b.Done()

    return routes


def place(request: web.Request) -> tuple[str, str, int, int]:
    """The control that a path names. Raises `CommandError` when there can be no such control."""
    given = request.match_info
    try:
        channel, number = int(given["channel"]), int(given["number"])
    except ValueError:
        raise CommandError("channel and number are whole numbers", "unknown") from None
    top = {"cc": 119, "note": 127}.get(given["kind"], -1)
    if not (0 <= number <= top and 1 <= channel <= 16):
        raise CommandError(
            f"there is no control {given['kind']} {number} on channel {channel}", "unknown"
        )
    return given["controller"], given["kind"], channel, number
