"""The wire to the player: it comes back, keeps the newest state, and does not trust the stream."""

from __future__ import annotations

import asyncio
import contextlib
import json
import struct
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from support.patience import PATIENCE_S, until

from bridge.control.player_client import WAITING_MOST, PlayerLink
from bridge.control.stream import PresenceChanged, StateChanged
from bridge.errors import CommandError, PlayerError
from bridge.player.frames import Unpacker, pack_json
from bridge.protocol.performing import MoveMacro
from bridge.protocol.running import Follow, Start, Stop


class Peer:
    """The other end, byte by byte."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.writers: list[asyncio.StreamWriter] = []
        self.connected = asyncio.Event()
        self.told: list[dict[str, Any]] = []

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writers.append(writer)
        self.connected.set()
        unpacker = Unpacker()
        with contextlib.suppress(ConnectionError, asyncio.CancelledError):
            while data := await reader.read(65536):
                self.told += [json.loads(raw) for kind, raw in unpacker.feed(data) if kind == "J"]
        writer.close()

    def say(self, **message: Any) -> None:
        self.writers[-1].write(pack_json(message))

    @property
    def paces(self) -> list[int]:
        """How often this end has been asked to tell, in ms."""
        return [told["ms"] for told in self.told if told.get("do") == "frames"]

    @property
    def lists(self) -> list[list[str]]:
        """And of what."""
        return [told["what"] for told in self.told if told.get("do") == "frames"]


@pytest.fixture
async def ends(tmp_path: Path) -> AsyncIterator[tuple[PlayerLink, Peer]]:
    path = tmp_path / "p.sock"
    peer = Peer(path)
    server = await asyncio.start_unix_server(peer.serve, path)
    link = PlayerLink(path)
    task = asyncio.create_task(link.run())
    await asyncio.wait_for(peer.connected.wait(), PATIENCE_S)
    yield link, peer
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    for writer in peer.writers:
        writer.close()
    server.close()


async def test_a_hello_replaces_and_a_state_updates_top_level_keys(ends: Any) -> None:
    link, peer = ends
    seen: list[frozenset[str]] = []
    link.stream.on(StateChanged, lambda event: seen.append(event.keys))
    peer.say(type="hello", lanes={"kick": {}}, macros={"m": 1})
    await until(lambda: link.present)
    kept = link.state["macros"]
    peer.say(type="state", lanes={"rim": {}})
    await until(lambda: "rim" in link.state["lanes"])
    assert link.state == {"lanes": {"rim": {}}, "macros": {"m": 1}}
    assert link.state["macros"] is kept  # what did not change is the same object
    assert seen[-1] == {"lanes"}
    peer.say(type="hello", lanes={})
    await until(lambda: link.state == {"lanes": {}})


async def test_the_player_tells_often_only_while_somebody_looks(ends: Any) -> None:
    link, peer = ends
    await until(lambda: peer.paces == [200])
    link.look("one", True)
    link.look("other", True)
    link.look("one", True)
    await until(lambda: peer.paces == [200, 33])
    link.look("one", False)
    link.look("nobody we know", False)
    link.look("other", False)
    await until(lambda: peer.paces == [200, 33, 200])
    link.look("one", True)
    await until(lambda: peer.paces == [200, 33, 200, 33])
    peer.writers[-1].close()  # another player is told what holds now
    await until(lambda: len(peer.writers) == 2)
    await until(lambda: peer.paces == [200, 33, 200, 33, 33])


async def test_what_lanes_play_is_told_only_where_somebody_wants_hits(ends: Any) -> None:
    """What left and what came in is always told; nobody writes out hits for a service alone."""
    link, peer = ends
    bare = ["sent", "input"]
    lists = [bare]
    await until(lambda: peer.lists == lists)
    link.look("controller", True)
    link.look("page", True, hits=True)
    link.look("second page", True, hits=True)
    lists += [bare, [*bare, "events"]]
    await until(lambda: peer.lists == lists)
    link.look("page", False)
    link.look("second page", False)
    lists += [bare]
    await until(lambda: peer.lists == lists)
    link.look("controller", False)
    await until(lambda: peer.lists == [*lists, bare])


async def test_who_waits_for_a_revision_looks(ends: Any) -> None:
    link, peer = ends
    waits = asyncio.create_task(link.reach(5, PATIENCE_S))
    await until(lambda: peer.paces == [200, 33])
    peer.say(type="hello", revision=5)
    await asyncio.wait_for(waits, PATIENCE_S)
    await until(lambda: peer.paces == [200, 33, 200])


async def test_answers_find_who_waits(ends: Any) -> None:
    link, peer = ends
    peer.say(type="hello", lanes={})
    await until(lambda: link.present)
    first, second = link.send(Start()), link.send(Stop())
    peer.say(type="state", acks=[1], refused=[[2, "state", "not now"]], x=5)
    await asyncio.wait_for(first, PATIENCE_S)
    with pytest.raises(CommandError, match="not now") as refused:
        await asyncio.wait_for(second, PATIENCE_S)
    assert refused.value.kind == "state"
    assert link.state["x"] == 5  # who waited sees the state that goes with the answer
    peer.say(type="state", acks=[1, 99])  # twice, and one that was never asked
    peer.say(type="state", y=1)
    await until(lambda: "y" in link.state)


async def test_who_waits_is_told_when_the_player_goes(ends: Any) -> None:
    link, peer = ends
    presence: list[bool] = []
    link.stream.on(PresenceChanged, lambda event: presence.append(event.present))
    with pytest.raises(PlayerError):
        link.send(Start())  # before the hello
    peer.say(type="hello", lanes={})
    await until(lambda: link.present)
    waiting = link.send(Start())
    peer.writers[-1].close()
    with pytest.raises(PlayerError):
        await asyncio.wait_for(waiting, PATIENCE_S)
    await until(lambda: len(peer.writers) == 2)  # it comes back by itself
    peer.say(type="hello", lanes={})
    await until(lambda: link.present)
    assert presence == [True, False, True]


@pytest.mark.parametrize(
    "garbage",
    [
        b"\xff" * 64,
        struct.pack(">Ic", 0, b"J"),
        struct.pack(">Ic", 4, b"X") + b"abc",
        struct.pack(">Ic", 4, b"J") + b"nope",
        struct.pack(">Ic", 3, b"P") + b"ab",
    ],
)
async def test_a_stream_that_is_out_of_step_is_dropped_and_opened_again(
    ends: Any, garbage: bytes
) -> None:
    link, peer = ends
    peer.writers[-1].write(garbage)
    await until(lambda: len(peer.writers) == 2)
    peer.say(type="hello", lanes={})
    await until(lambda: link.present)


async def test_a_player_that_reads_nothing_is_not_fed_without_end(tmp_path: Path) -> None:
    path = tmp_path / "p.sock"
    stop = asyncio.Event()

    async def deaf(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(pack_json({"type": "hello", "lanes": {}}))
        writer.transport.pause_reading()  # type: ignore[attr-defined]
        await stop.wait()
        writer.close()

    server = await asyncio.start_unix_server(deaf, path)
    link = PlayerLink(path)
    task = asyncio.create_task(link.run())
    await until(lambda: link.present)

    def flood() -> None:
        for _ in range(100):
            link.send(Follow(source="x" * (WAITING_MOST // 16)))

    with pytest.raises(PlayerError, match="does not answer"):
        flood()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    stop.set()
    server.close()


async def test_nan_never_leaves(ends: Any) -> None:
    link, peer = ends
    peer.say(type="hello", lanes={})
    await until(lambda: link.present)
    with pytest.raises(ValueError, match="JSON"):
        link.send(MoveMacro(macro="m", value=float("nan")))
