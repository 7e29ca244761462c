"""What can be undone outlives a service that is killed, at whatever moment.

The memory is copied at the moment of the kill, and another service begins with the copy: what the one
before does after it is not in there.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from typing import Any

import aiohttp
import pytest
from support.fake_player import FakePlayer
from support.patience import PATIENCE_S, until
from support.service_fixtures import Stage, run_service

from bridge.control import door
from bridge.files.slots import MOST_BYTES, Slots, make_handle
from bridge.service.app import Service, ServiceOptions
from bridge.session import lasting

pytestmark = pytest.mark.asyncio
KICK = "/api/lanes/kick/mute"


@pytest.fixture
def memory(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """The pause between two writes takes longer than any test: what must be kept does not wait."""
    monkeypatch.setattr(lasting, "GATHER_S", 3600.0)
    monkeypatch.setattr(door, "ACK_S", PATIENCE_S)
    monkeypatch.setattr(door, "ANSWER_S", PATIENCE_S)
    handle = make_handle()
    yield handle
    os.close(handle)


@contextlib.contextmanager
def copy_of(memory: int) -> Iterator[int]:
    """The memory as a kill at this moment leaves it."""
    copy = make_handle()
    os.pwrite(copy, os.pread(memory, 3 * MOST_BYTES, 0), 0)
    try:
        yield copy
    finally:
        os.close(copy)


@contextlib.asynccontextmanager
async def served(options: ServiceOptions, player: FakePlayer, memory: int) -> AsyncIterator[Stage]:
    service = Service(replace(options, memory=memory))
    async with run_service(service), aiohttp.ClientSession() as session:
        await until(lambda: service.link.present, "the player says hello")
        yield Stage(service, player, session, options.rig.parent)


async def history(stage: Stage) -> tuple[list[str], list[str]]:
    found = (await stage.call("GET", "/api/history"))[1]
    return found["done"], found["undone"]


async def muted(stage: Stage, lane: str) -> bool:
    state = (await stage.call("GET", "/api/state"))[1]
    return bool(state["lanes"][lane]["muted"])


class Held:
    """A player that does what it is told and says so only later, or never."""

    def __init__(self, player: FakePlayer, monkeypatch: pytest.MonkeyPatch) -> None:
        self._answer = player._answer
        self.waiting: list[tuple[Any, Callable[[], None]]] = []
        monkeypatch.setattr(player, "_answer", lambda *one: self.waiting.append(one))
        self._monkeypatch, self._player = monkeypatch, player

    def does(self) -> None:
        """Does it without a word."""
        for _, apply in self.waiting:
            apply()

    def go_on(self, answers: bool = True) -> None:
        self._monkeypatch.setattr(self._player, "_answer", self._answer)
        if answers:
            for seq, apply in self.waiting:
                self._answer(seq, apply)


async def test_an_undo_that_was_answered_is_in_the_history_of_the_next_service(
    options: ServiceOptions, player: FakePlayer, memory: int
) -> None:
    async with served(options, player, memory) as stage:
        await stage.call("PUT", "/api/lanes/rim/mute", {"muted": True})
        await stage.call("PUT", KICK, {"muted": True})
        status, answer, _ = await stage.call("POST", "/api/undo")
        assert (status, answer["label"]) == (200, "kick muted")
        with copy_of(memory) as left:
            async with served(options, player, left) as next_one:
                assert await history(next_one) == (["rim muted"], ["kick muted"])
                assert (await next_one.call("POST", "/api/redo"))[0] == 200
                assert await muted(next_one, "kick")
                with copy_of(left) as again:
                    async with served(options, player, again) as third:
                        assert await history(third) == (["kick muted", "rim muted"], [])


async def test_what_was_done_last_is_undone_after_a_kill_and_not_what_was_before_it(
    options: ServiceOptions, player: FakePlayer, memory: int
) -> None:
    """A step alone is kept as soon as it is done, without the pause."""
    async with served(options, player, memory) as stage:
        await stage.call("PUT", KICK, {"muted": True})
        await until(lambda: Slots(memory).read() is not None, "it is kept")
        with copy_of(memory) as left:
            async with served(options, player, left) as next_one:
                assert await history(next_one) == (["kick muted"], [])


@pytest.mark.parametrize("happened", [True, False])
@pytest.mark.parametrize("undo", [True, False])
async def test_a_service_that_dies_before_it_answers_leaves_what_the_state_says(
    options: ServiceOptions,
    player: FakePlayer,
    memory: int,
    monkeypatch: pytest.MonkeyPatch,
    undo: bool,
    happened: bool,
) -> None:
    async with served(options, player, memory) as stage:
        await stage.call("PUT", "/api/lanes/rim/mute", {"muted": True})
        await stage.call("PUT", KICK, {"muted": True})
        if not undo:
            await stage.call("POST", "/api/undo")
        held = Held(player, monkeypatch)
        way = "/api/undo" if undo else "/api/redo"
        asked = asyncio.create_task(stage.call("POST", way))
        await until(lambda: held.waiting, "the player has it")
        if happened:
            held.does()
        with copy_of(memory) as left:
            held.go_on(answers=False)
            async with served(options, player, left) as next_one:
                undone = undo is happened
                await until(lambda: next_one.service.link.present, "it is there")
                assert await muted(next_one, "kick") is not undone
                done = (
                    (["rim muted"], ["kick muted"]) if undone else (["kick muted", "rim muted"], [])
                )
                assert await history(next_one) == done
                back, label = ("/api/redo", "kick muted") if undone else ("/api/undo", "kick muted")
                assert (await next_one.call("POST", back))[1]["label"] == label
                assert await muted(next_one, "kick") is undone
        player.tell({"type": "state", "acks": [seq for seq, _ in held.waiting]})
        await asked


async def test_an_undo_that_the_player_does_late_is_in_the_history_then(
    options: ServiceOptions, player: FakePlayer, memory: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its client was told that nothing is known; the state tells what became of it."""
    async with served(options, player, memory) as stage:
        await stage.call("PUT", "/api/lanes/rim/mute", {"muted": True})
        await stage.call("PUT", KICK, {"muted": True})
        held = Held(player, monkeypatch)
        monkeypatch.setattr(door, "ACK_S", 0.01)
        status, problem, _ = await stage.call("POST", "/api/undo")
        monkeypatch.setattr(door, "ACK_S", PATIENCE_S)
        assert (status, problem["kind"]) == (503, "player")
        assert await history(stage) == (["kick muted", "rim muted"], [])
        held.go_on()
        await until(lambda: not stage.state["lanes"]["kick"]["muted"], "it is done after all")
        assert await history(stage) == (["rim muted"], ["kick muted"])
        assert (await stage.call("POST", "/api/redo"))[1]["label"] == "kick muted"
        assert await muted(stage, "kick")
        assert await muted(stage, "rim")


async def test_a_redo_waits_for_an_undo_without_an_answer(
    options: ServiceOptions, player: FakePlayer, memory: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Otherwise it would repeat another step than the one that is undone by then."""
    async with served(options, player, memory) as stage:
        await stage.call("PUT", "/api/lanes/rim/mute", {"muted": True})
        await stage.call("PUT", KICK, {"muted": True})
        held = Held(player, monkeypatch)
        monkeypatch.setattr(door, "ACK_S", 0.01)
        assert (await stage.call("POST", "/api/undo"))[0] == 503
        monkeypatch.setattr(door, "ACK_S", PATIENCE_S)
        redo = asyncio.create_task(stage.call("POST", "/api/redo"))
        held.go_on()
        assert (await redo)[1]["label"] == "kick muted"
        assert await muted(stage, "kick")


async def test_an_undo_that_never_happened_can_be_asked_for_again(
    options: ServiceOptions, player: FakePlayer, memory: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with served(options, player, memory) as stage:
        await stage.call("PUT", KICK, {"muted": True})
        held = Held(player, monkeypatch)
        asked = asyncio.create_task(stage.call("POST", "/api/undo"))
        await until(lambda: held.waiting, "the player has it")
        await player.stop()
        assert (await asked)[0] == 503
        held.go_on(answers=False)
        await player.start()
        await until(lambda: stage.service.link.present, "another player")
        assert await history(stage) == (["kick muted"], [])
        assert (await stage.call("POST", "/api/undo"))[0] == 200
        assert not await muted(stage, "kick")
        assert await history(stage) == ([], ["kick muted"])


@pytest.mark.parametrize("refused", [True, False])
@pytest.mark.parametrize("way", ["undo", "redo"])
async def test_something_else_may_be_done_while_the_player_has_not_answered(
    options: ServiceOptions,
    player: FakePlayer,
    memory: int,
    monkeypatch: pytest.MonkeyPatch,
    way: str,
    refused: bool,
) -> None:
    """It stays on top of the history, whatever becomes of the undo, and all of it is kept."""
    async with served(options, player, memory) as stage:
        await stage.call("PUT", KICK, {"muted": True})
        if way == "redo":
            await stage.call("POST", "/api/undo")
        held = Held(player, monkeypatch)
        asked = asyncio.create_task(stage.call("POST", f"/api/{way}"))
        await until(lambda: held.waiting, "the player has it")
        held.go_on(answers=False)
        await stage.call("PUT", "/api/lanes/rim/mute", {"muted": True})
        await stage.service.lasting.keep()
        if refused:
            player.refuse = "not now"
        held.go_on()
        assert (await asked)[0] == (409 if refused else 200)
        assert (await history(stage))[0][0] == "rim muted"
        assert (await history(stage))[1] == []
