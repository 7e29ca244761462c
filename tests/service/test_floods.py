"""Floods through every door: what is asked is bounded, shared fairly, and the last value wins."""

from __future__ import annotations

import asyncio
import json
import socket
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.patience import PATIENCE_S
from support.peers import bundle, frame, get, osc, raw_http, read_frame, websocket

from bridge.control import door
from bridge.control.budget import CLIENT_BURST, CLIENT_RATE, QUEUE_MAX, Budget, FairQueue
from bridge.errors import CommandError
from bridge.osc.echo import QUIET_S, RETURNS_MAX, Echo
from bridge.osc.udp import UdpSocket
from bridge.osc.words import last_wins
from bridge.protocol.performing import MoveMacro, MoveSetting, Mute
from bridge.protocol.running import Start, Stop, Tap
from bridge.web.live import STALL_S, Client

ME = ("127.0.0.1", 5000)


class Turns:
    """Counts turns of the loop: how long others waited, whatever the speed of this machine."""

    def __init__(self) -> None:
        self.count = 0
        self._loop = asyncio.get_running_loop()
        self._loop.call_soon(self._turn)
        self._on = True

    def _turn(self) -> None:
        self.count += 1
        if self._on:
            self._loop.call_soon(self._turn)

    def stop(self) -> None:
        self._on = False


def udp_to(stage: Any) -> tuple[socket.socket, tuple[str, int]]:
    return socket.socket(socket.AF_INET, socket.SOCK_DGRAM), ("127.0.0.1", stage.service.osc_port)


async def test_a_bundle_of_wide_patterns_touches_no_more_than_the_budget(stage: Any) -> None:
    """256 patterns that each name every address of three parts (5 KB) are cut off and counted."""
    osc_end = stage.service.osc
    wide = len(osc_end._book.find("/*/*/*"))
    asked = wide * 256
    begun = asyncio.get_running_loop().time()
    sock, door = udp_to(stage)
    with sock:
        sock.sendto(bundle(*[osc("/*/*/*", 1)] * 256), door)
    await stage.until(lambda: osc_end.counts["dropped"])
    await stage.until(lambda: sum(osc_end.counts.values()) >= asked)
    done = sum(osc_end.counts.values()) - osc_end.counts["dropped"]
    took = asyncio.get_running_loop().time() - begun
    assert wide <= done <= CLIENT_BURST + CLIENT_RATE * took + wide
    assert done < asked
    assert (await stage.call("GET", "/api/state"))[1]["links"]["too_many"] >= asked - done
    # And nobody feels it afterwards: another client's hand is heard and taken back at once.
    answer = await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True})
    assert answer[0] == 200
    assert (await stage.call("POST", "/api/undo"))[0] == 200


async def test_of_a_flood_of_values_the_last_one_of_each_address_wins(stage: Any) -> None:
    osc_end = stage.service.osc
    lanes = ("kick", "rim", "shaker")
    for number in range(1000):
        for lane in lanes:
            osc_end.datagram_received(osc(f"/lane/{lane}/chance", number / 999), ME)
    for lane in lanes:
        await stage.until(lambda lane=lane: stage.state["lanes"][lane]["hand"].get("chance") == 1.0)
    assert osc_end.counts["dropped"] == 0
    assert len(stage.player.received) < 600


async def test_buttons_are_not_made_one_of_press_and_release(stage: Any) -> None:
    """Only addresses that say how something shall be are; a section pressed and let go in one
    burst is recalled."""
    assert last_wins("/macro/brightness")
    assert last_wins("/lane/*/mute")
    assert last_wins("/lane/kick/chance")
    for button in (
        "/section/flood",
        "/transport/start",
        "/tap",
        "/lane/kick/hold",
        "/undo",
        "/*/*",
    ):
        assert not last_wins(button)
    flood = [osc("/macro/brightness", n / 100) for n in range(100)]
    press = [osc("/section/flood", 1), osc("/section/flood", 0)]
    stage.service.osc.datagram_received(bundle(*flood, *press, *flood), ME)
    await stage.until(lambda: "section" in stage.player.words)


async def test_a_page_that_floods_is_answered_and_delays_nobody(stage: Any) -> None:
    """3,000 messages on one WebSocket that is read; a request of another client comes through among
    them. Nobody is sent away for it: what the budget refuses is counted."""
    async with websocket(stage.service.http_port) as (reader, writer):
        for kind in (
            {"do": "clear", "lane": "kick"},
            {"do": "tap"},
            {"do": "macro", "macro": "brightness", "value": 0.25},
            {"do": "undo"},
            {"do": "chart", "bars": 8},
            {"do": "nonsense"},
        ):
            flood = b"".join(frame(json.dumps({**kind, "seq": n}).encode()) for n in range(3000))
            writer.write(flood)
            told = asyncio.create_task(answers(reader, writer, 3000))
            turns = Turns()
            answer = await raw_http(
                stage.service.http_port, get("/api/state", stage.service.http_port)
            )
            turns.stop()
            assert answer.status == 200
            assert turns.count < 3000 / 16 * 2, kind  # not after the whole flood
            assert await told == 3000, kind  # every one is answered, or counted in one word
    assert stage.service.live.dropped == 0
    assert (await stage.call("PUT", "/api/tempo", {"bpm": 90}))[0] == 200


async def answers(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, wanted: int) -> int:
    """Reads a page's messages until `wanted` commands are answered or counted as dropped."""
    told = 0
    while told < wanted:
        opcode, payload = await read_frame(reader)
        assert opcode != 8, f"sent away: {payload!r}"
        if opcode == 9:
            writer.write(frame(payload, opcode=10))  # RFC 6455, section 5.5.3
        if opcode != 1:
            continue
        message = json.loads(payload)
        if message["type"] in ("done", "refused"):
            told += 1
        elif message["type"] == "dropped":
            told += message["commands"]
    return told


def test_a_page_that_is_busy_elsewhere_is_not_sent_away_for_its_flood() -> None:
    """All the budget lets through in the time until a stalled page is dropped may wait for a page
    that comes back to reading just before."""
    client = Client("page 1", None, None)  # type: ignore[arg-type]
    for number in range(int(CLIENT_BURST + CLIENT_RATE * STALL_S)):
        client.answer({"type": "done", "seq": number})
    for number in range(3000):
        client.answer({"type": "refused", "seq": number})
    assert [one["seq"] for one in client.answers] == list(range(len(client.answers)))
    assert client.unanswered == 3000
    assert not client.tasks  # nothing was begun that ends the connection


async def test_answers_that_never_come_are_not_waited_for_twice(stage: Any) -> None:
    control = stage.service.control
    now = [100.0]
    control._clock = lambda: now[0]
    await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True})
    stage.player.answering = False
    lost = [control.submit(MoveMacro(macro="brightness", value=n / 9), "osc x") for n in range(2)]
    await stage.until(lambda: stage.player.words.count("macro") == 2)
    stage.player.answering = True
    now[0] += 2 * door.ANSWER_S
    status, answer, _ = await stage.call("POST", "/api/undo")
    assert (status, answer["label"]) == (200, "kick muted")
    assert all(future.done() for future in lost)
    assert not control._unanswered
    assert not stage.service.link._waiting


async def test_one_client_s_flood_leaves_another_client_its_share(stage: Any) -> None:
    control = stage.service.control
    now = [100.0]
    control._clock = lambda: now[0]
    refused = 0
    for number in range(3000):
        try:
            control.submit(MoveSetting(lane="rim", setting="chance", value=number / 2999), "one")
            control.submit(Tap(), "one")
        except CommandError as error:
            refused += error.kind == "busy"
    assert refused
    assert control.budget.refused
    # The other's first command needs no waiting.
    await asyncio.wait_for(control.do(Mute(lane="kick", muted=True), "two"), PATIENCE_S)
    now[0] += 5
    await stage.until(lambda: stage.state["lanes"]["rim"]["hand"].get("chance") == 1.0)


def test_a_budget_comes_back_and_is_shared() -> None:
    budget = Budget(0.0)
    assert budget.spend("a", CLIENT_BURST, 0.0)
    assert not budget.spend("a", 1, 0.0)
    assert budget.wait("a", 1, 0.0) == pytest.approx(1 / CLIENT_RATE)
    assert budget.wait("a", CLIENT_BURST + 1, 0.0) == float("inf")
    assert budget.spend("b", CLIENT_BURST, 0.0)
    assert not budget.spend("c", 1, 0.0)  # all together have their limit too
    assert budget.spend("c", 1, 1.0)
    assert budget.spend("a", CLIENT_BURST, 2.0)


@given(st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 5), st.integers())))
def test_a_fair_queue_gives_each_key_s_last_item_and_takes_turns(
    items: list[tuple[str, int, int]],
) -> None:
    queue: FairQueue[tuple[str, int, int]] = FairQueue()
    last: dict[tuple[str, int], int] = {}
    for client, key, value in items:
        fits, _ = queue.put(client, key, (client, key, value))
        assert fits
        last[client, key] = value
    taken: list[tuple[str, int, int]] = []
    while queue:
        turn = queue.clients()
        for client in turn:
            taken.append(queue.take(client))
        assert len(set(turn)) == len(turn)
    assert {(client, key): value for client, key, value in taken} == last
    assert len(taken) == len(last)


def test_a_full_queue_takes_newer_values_but_no_new_addresses() -> None:
    queue: FairQueue[int] = FairQueue()
    for key in range(QUEUE_MAX):
        assert queue.put("a", key, 0) == (True, None)
    assert queue.put("a", QUEUE_MAX, 0) == (False, None)
    assert queue.put("a", 0, 1) == (True, 0)
    assert queue.put("b", QUEUE_MAX, 0) == (True, None)


# --- the service must not play itself -------------------------------------------------------------


async def test_our_own_port_cannot_be_subscribed(stage: Any) -> None:
    sock, door = udp_to(stage)
    with sock:
        sock.sendto(osc("/subscribe", stage.service.osc_port), door)
        await stage.until(lambda: stage.service.osc.counts["arguments"])
    assert not stage.service.osc.feedback.subscribers


async def test_what_comes_from_our_own_socket_is_no_command(stage: Any) -> None:
    sender = ("127.0.0.1", stage.service.osc_port)
    stage.service.osc.datagram_received(osc("/lane/kick/mute", 1), sender)
    assert stage.service.osc.counts == {"echo": 1}
    await stage.call("PUT", "/api/tempo", {"bpm": 100})
    assert stage.player.words == ["tempo"]


async def test_a_start_while_it_runs_begins_again_only_when_it_says_so(stage: Any) -> None:
    for _ in range(3):
        assert (await stage.call("POST", "/api/transport/start"))[0] == 200
    stage.service.osc.datagram_received(osc("/transport/start", 1), ME)
    async with stage.page() as page:
        assert (await page.do(do="start"))["type"] == "done"
        assert stage.player.words == ["start"]
        await page.do(do="start", restart=True)
    assert stage.player.words == ["start"] * 2
    stage.service.osc.datagram_received(osc("/transport/start", 1, 1), ME)
    await stage.until(lambda: stage.player.words == ["start"] * 3)
    await stage.call("POST", "/api/transport/start", {"restart": True})
    assert stage.player.words == ["start"] * 4


async def test_stop_and_start_at_once_begin_again(stage: Any) -> None:
    """What was sent last counts, not a state that is a moment old."""
    await stage.call("POST", "/api/transport/start")
    control = stage.service.control
    done = [control.submit(command, "one") for command in (Stop(), Start())]
    await asyncio.gather(*done)
    assert stage.player.words == ["start", "stop", "start"]


async def test_a_host_that_sends_feedback_back_plays_nothing(stage: Any) -> None:
    """A mirror: every datagram of feedback is returned to the service as it came."""
    await stage.call("POST", "/api/sections/flood", {"when": "now"})
    await stage.call("POST", "/api/transport/start")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as mirror:
        mirror.bind(("127.0.0.1", 0))
        mirror.setblocking(False)
        door = ("127.0.0.1", stage.service.osc_port)
        loop = asyncio.get_running_loop()
        returned = 0
        mirror.sendto(osc("/subscribe", mirror.getsockname()[1]), door)
        stage.player.received.clear()
        while returned < 60:
            data = await asyncio.wait_for(loop.sock_recv(mirror, 4096), PATIENCE_S)
            mirror.sendto(data, door)
            returned += 1
        await stage.until(lambda: stage.service.osc.counts["echo"])
        assert "section" not in stage.player.words
        assert "start" not in stage.player.words
        state = (await stage.call("GET", "/api/state"))[1]
        assert state["links"]["echoing"] == ["127.0.0.1"]
        # The same host may still say something else.
        mirror.sendto(osc("/macro/brightness", 0.123), door)
        await stage.until(lambda: stage.player.received[-1:] and "macro" in stage.player.words)


def test_a_press_on_what_is_lit_is_no_echo() -> None:
    echo = Echo()
    for turn in range(20):
        echo.sent("/section/flood", 1, turn)
        assert not echo.heard("/section/flood", [1], turn + 0.1) or turn >= RETURNS_MAX
        assert not echo.heard("/lane/kick/mute", [1], turn + 0.2)  # a hand says other things too
    assert not echo.echoing


def test_an_echo_is_over_when_it_is_quiet() -> None:
    echo = Echo()
    for n in range(10):
        echo.sent(f"/macro/{n}", 0.1, 1.0)
    heard = [echo.heard(f"/macro/{n}", [0.1], 1.1) for n in range(10)]
    assert heard == [False] * RETURNS_MAX + [True] * (10 - RETURNS_MAX)
    echo.sent("/macro/1", 0.1, 2.0 + QUIET_S)
    assert not echo.heard("/macro/1", [0.1], 2.1 + QUIET_S)
    assert not echo.echoing


# --- what the kernel loses ------------------------------------------------------------------------


async def test_what_the_kernel_drops_is_counted() -> None:
    """The socket is not read while more arrives than its buffer holds."""
    got: list[bytes] = []
    some, last = asyncio.Event(), asyncio.Event()

    def receive(data: bytes, sender: tuple[str, int]) -> None:
        got.append(data)
        (last if data == b"last" else some).set()

    door = UdpSocket("127.0.0.1", 0, receive)
    try:
        assert door.buffer_bytes >= 212_992  # Linux's default (socket(7)); more where it is granted
        door.sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for _ in range(200):
                sender.sendto(bytes(256), ("127.0.0.1", door.port))
            await asyncio.wait_for(some.wait(), PATIENCE_S)
            sender.sendto(b"last", ("127.0.0.1", door.port))  # it brings the count along
            await asyncio.wait_for(last.wait(), PATIENCE_S)
        assert door.lost == 200 - (len(got) - 1)
        assert door.lost > 0
    finally:
        door.close()
