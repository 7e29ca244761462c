"""Routes of listening that tuning, soundcheck and lining up have in common."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypedDict

from aiohttp import web

from bridge.listen.opening import audio_inputs
from bridge.listen.wrong import ListenError, no_device
from bridge.protocol.state import AudioInput
from bridge.web import bodies as b
from bridge.web.http import Route, Routes, client_of

Listen = Callable[[str, int, str], Awaitable[object]]


class InputsAnswer(TypedDict):
    """Audio inputs of the computer that the service runs on; `says` is why there are none."""

    inputs: list[AudioInput]
    says: str


def input_routes() -> Routes:
    """The audio inputs that there are."""
    routes = Routes()

    @routes.add("GET", "/api/audio-inputs", "audioInputs", "Audio inputs that can be listened to.")
    async def inputs(request: web.Request, query: object) -> InputsAnswer:
        try:
            found = await asyncio.to_thread(audio_inputs)
        except ListenError as error:
            return {"inputs": [], "says": str(error)}
        return {"inputs": found, "says": "" if found else str(no_device("", []))}

    return routes


def listen_route(
    path: str, name: str, says: str, listen: Listen, shown: Callable[[], object], answer: type
) -> Route:
    """A route that begins to listen to an audio input.

    Args:
        path: where it is.
        name: of the operation.
        says: what it does.
        listen: begins, with the input, its channel and the client; `CommandError` when it cannot.
        shown: what comes back.
        answer: the type of that.
    """

    async def run(request: web.Request, body: b.ListenBody) -> object:
        await listen(body.input, body.channel, client_of(request))
        return shown()

    return Route("POST", path, name, says, run, answer, b.ListenBody, errors=(409,))
