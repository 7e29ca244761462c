"""One route for each command of the table that has one."""

from __future__ import annotations

import functools
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from aiohttp import web
from pydantic import BaseModel

from bridge.control.door import Control
from bridge.protocol.command import Command
from bridge.protocol.editing import (
    ClearLane,
    ContinueTake,
    CopyLane,
    KeepBars,
    RandomiseLane,
    Redo,
    Undo,
)
from bridge.protocol.state import HistoryList
from bridge.protocol.table import client_commands
from bridge.web import bodies as b
from bridge.web.command_body import CommandBody
from bridge.web.conditions import base_of, with_tag
from bridge.web.http import Route, client_of

ANSWERS: Mapping[type[Command], type[BaseModel]] = {
    Undo: b.DoneStep,
    Redo: b.DoneStep,
    CopyLane: b.VariedAnswer,
    ClearLane: b.VariedAnswer,
    RandomiseLane: b.VariedAnswer,
    KeepBars: b.KeptAnswer,
    ContinueTake: b.ContinuedAnswer,
}
"""What is answered where there is more to say than that it is done."""


def command_routes(control: Control) -> list[Route]:
    """The routes; each ends when the command has been carried out."""
    return [
        _route(control, CommandBody(command, http))
        for command in client_commands()
        if command.ROW.by in ("player", "service")
        for http in command.ROW.http
    ]


def _route(control: Control, body: CommandBody) -> Route:
    http, answer = body.http, ANSWERS.get(body.command, b.Done)
    conditional = answer is b.VariedAnswer
    errors = (404, 409, 422) if body.in_path else (409,)
    return Route(
        http.method,
        http.path,
        http.name,
        http.says,
        _run(control, answer, conditional),
        answer=answer,
        command=body,
        errors=(*errors, 412) if conditional else errors,
        conditional=conditional,
        params={name: _described(name) for name in body.in_path},
        older=http.older,
    )


def _run(
    control: Control, answer: type[BaseModel], conditional: bool
) -> Callable[[web.Request, Any], Awaitable[BaseModel]]:
    async def run(request: web.Request, command: Command) -> BaseModel:
        client = client_of(request)
        if not conditional:
            return answer(**await control.carry_out(command, client))
        base = base_of(request, control.edits, client)
        tag = functools.partial(with_tag, request, control.edits)
        return answer(**await control.carry_out(command, client, base, tag))

    return run


def _described(name: str) -> str:
    return "interface.output" if name == "output" else f"name of a {name}"


def history_route(control: Control) -> Route:
    """What can be undone and redone."""

    async def history(request: web.Request, query: object) -> HistoryList:
        done, undone = control.history.labels()
        return {**control.history.summary(), "done": done, "undone": undone}

    return Route(
        "GET",
        "/api/history",
        "history",
        "What can be undone and redone.",
        history,
        answer=HistoryList,
    )
