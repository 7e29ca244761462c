"""The client for programs, against a running service."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from support.taped import Evening

from bridge.client import AsyncClient, Client, RefusedError, UnreachableError
from bridge.client.requests import Request, answer_of, patched, request_of
from bridge.protocol.asking import AskAlive
from bridge.protocol.command import Command, fields_of
from bridge.protocol.editing import Undo
from bridge.protocol.performing import Cancel, MoveMacro, MoveSetting, Mute, RecallSection
from bridge.protocol.running import Start, TryOutput
from bridge.protocol.table import client_commands
from bridge.service.app import Service

# Written from the table of fixed addresses in the README.
REQUESTS: list[tuple[Command, Request]] = [
    (
        Mute(lane="kick", muted=True, when="bar"),
        Request("PUT", "/api/lanes/kick/mute", {"muted": True, "when": "bar"}),
    ),
    (
        MoveMacro(macro="brightness", value=0.5),
        Request("PUT", "/api/macros/brightness", {"value": 0.5}),
    ),
    (Start(), Request("POST", "/api/transport/start", {"restart": False})),
    (Undo(), Request("POST", "/api/undo")),
    (Cancel(lane="kick"), Request("DELETE", "/api/lanes/kick/pending")),
    (Cancel(section="flood"), Request("DELETE", "/api/sections/flood/pending")),
    (
        MoveSetting(lane="kick", setting="chance", value=None),
        Request("PUT", "/api/lanes/kick/settings/chance", {"value": None}),
    ),
    (
        TryOutput(output="main.gate-1", action="gate", value=1.0),
        Request("POST", "/api/outputs/main.gate-1/try", {"action": "gate", "value": 1.0}),
    ),
    (
        Mute(lane="a/b?c", muted=False),
        Request("PUT", "/api/lanes/a%2Fb%3Fc/mute", {"muted": False, "when": "now"}),
    ),
]


@pytest.mark.parametrize(("command", "request_"), REQUESTS, ids=lambda v: type(v).__name__)
def test_a_command_becomes_its_request(command: Command, request_: Request) -> None:
    assert request_of(command) == request_


def test_what_is_about_a_page_alone_cannot_be_sent() -> None:
    with pytest.raises(ValueError, match="alive cannot be sent"):
        request_of(AskAlive())


def sample(row: type[Command]) -> Iterator[Command]:
    """Commands of a row, one for each of its routes."""
    words = {"lane": "kick", "macro": "brightness", "setting": "chance", "group": "drums"}
    words |= {"section": "flood", "output": "main.gate-1", "source": "internal", "to": "spare"}
    words |= {"take": "last"}
    for http in row.ROW.http:
        values: dict[str, Any] = dict(http.fixed)
        for name, field in fields_of(row).items():
            if f"{{{name}}}" in http.path or (field.required and name in words):
                values[name] = words[name]
            elif field.required and name not in values:
                values[name] = {"action": "gate"}.get(name, True if field.hint is bool else 0.5)
        if "tick" in values:
            values["tick"] = 960
        if "bpm" in values:
            values["bpm"] = 120.0
        values |= dict.fromkeys({"bar", "bars"} & values.keys(), 1)
        if "pace" in values:
            values["pace"] = -1
        yield row(**values)


async def test_every_command_of_the_table_arrives(stage: Any) -> None:
    """None is refused as malformed: what the client sends is what the service wants."""
    evening = Evening(stage.folder / "state")  # a take, to go on from
    evening.do("start")
    evening.bars(1)
    evening.stop()
    evening.written()
    refused: list[str] = []
    async with AsyncClient(stage.base) as rack:
        for row in client_commands():
            if row.ROW.by not in ("player", "service"):
                continue
            for command in sample(row):
                try:
                    await rack.do(command)
                except RefusedError as error:
                    refused.append(error.kind)
    assert set(refused) <= {"state"}  # nothing to redo, say


async def test_the_blocking_client_does_the_same(stage: Any) -> None:
    def play() -> tuple[Any, str]:
        with Client(stage.base) as rack:
            assert rack.do(RecallSection(section="flood", when="now")) == {"done": True}
            with pytest.raises(RefusedError) as refused:
                rack.do(MoveMacro(macro="brightnes", value=0.5))
            rack.do(Mute(lane="kick", muted=True))
            return rack.state(), f"{refused.value.kind} {refused.value.status}"

    state, said = await asyncio.to_thread(play)
    assert state["lanes"]["kick"]["muted"]
    assert said == "unknown 404"


async def test_a_watch_has_the_state_and_then_each_change(stage: Any) -> None:
    async with AsyncClient(stage.base) as rack:
        states = rack.watch()
        assert (await anext(states))["lanes"]["kick"]["muted"] is False
        await rack.do(Mute(lane="kick", muted=True))
        async for state in states:
            if state["lanes"]["kick"]["muted"]:
                now = await rack.state()
                assert (state["lanes"], state["macros"]) == (now["lanes"], now["macros"])
                break
        await states.aclose()


async def test_a_blocking_watch(stage: Any) -> None:
    def watch() -> list[bool]:
        found: list[bool] = []
        with Client(stage.base) as rack:
            for state in rack.watch():
                muted = state["lanes"]["rim"]["muted"]
                if not found or found[-1] is not muted:
                    found.append(muted)
                if muted:
                    return found
                rack.do(Mute(lane="rim", muted=True))
        return found

    assert await asyncio.to_thread(watch) == [False, True]


async def test_a_watch_goes_on_after_a_gap(stage: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.client.asynchronous.AGAIN_S", 0.001)
    async with AsyncClient(stage.base) as rack:
        states = rack.watch()
        await anext(states)
        for client in list(stage.service.live.clients):
            client.transport.abort()
        await rack.do(Mute(lane="kick", muted=True))
        async for state in states:
            if state["lanes"]["kick"]["muted"]:
                break
        await states.aclose()


async def test_who_is_not_let_in_is_told_so(options: Any, player: Any, running: Any) -> None:
    lan = replace(options, lan=True, token="cXVheS1yYWNr")
    async with running(Service(lan)) as service:
        address = f"http://127.0.0.1:{service.http_port}"
        async with AsyncClient(address, token="guess") as stranger:
            with pytest.raises(RefusedError) as refused:
                await stranger.state()
            assert (refused.value.status, refused.value.kind) == (401, "token")
            with pytest.raises(RefusedError) as refused:
                await anext(stranger.watch())
            assert refused.value.status == 401
        async with AsyncClient(address, token="cXVheS1yYWNr") as friend:
            assert await friend.send(Request("GET", "/api/history"))


async def test_nobody_there() -> None:
    async with AsyncClient("http://127.0.0.1:9") as rack:
        with pytest.raises(UnreachableError, match="nobody answers"):
            await rack.state()
        with pytest.raises(UnreachableError):
            await anext(rack.watch(again=False))


def test_an_answer_that_is_no_problem_details_is_refused_all_the_same() -> None:
    with pytest.raises(RefusedError, match="502") as refused:
        answer_of(502, "text/html", b"<h1>Bad gateway</h1>")
    assert refused.value.kind == "fault"


# RFC 7396, appendix A: original, patch, result (those with an object as the original).
RFC7396: list[tuple[Any, Any, Any]] = [
    ({"a": "b"}, {"a": "c"}, {"a": "c"}),
    ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
    ({"a": "b"}, {"a": None}, {}),
    ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
    ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
    ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
    ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
    ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
    (["a", "b"], ["c", "d"], ["c", "d"]),
    ({"a": "b"}, ["c"], ["c"]),
    ({"a": "foo"}, None, None),
    ({"a": "foo"}, "bar", "bar"),
    ({"e": None}, {"a": 1}, {"e": None, "a": 1}),
    ([1, 2], {"a": "b", "c": None}, {"a": "b"}),
    ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
]


@pytest.mark.parametrize(("original", "patch", "result"), RFC7396)
def test_merge_patches_as_published(original: Any, patch: Any, result: Any) -> None:
    assert patched(original, patch) == result
