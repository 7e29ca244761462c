"""OSC in and out: what each address does, what is refused and counted, what subscribers get."""

from __future__ import annotations

import asyncio
import contextlib
import math
import socket
import struct
from collections.abc import AsyncIterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder
from support.states import EMPTY, lane_state, macro_state, player_report

from bridge.control.access import Access
from bridge.control.door import Control
from bridge.control.player_client import PlayerLink
from bridge.control.session import Session
from bridge.control.stream import StateChanged
from bridge.music.model import SETTINGS
from bridge.osc.server import Osc
from bridge.osc.words import addresses, command_of
from bridge.protocol.limits import LAST_TICK

ME = ("127.0.0.1", 5000)


def encode(address: str, *args: Any) -> bytes:
    builder = OscMessageBuilder(address=address)
    for arg in args:
        kind, value = arg if isinstance(arg, tuple) else (None, arg)
        builder.add_arg(value, kind)
    return builder.build().dgram


# address, arguments, and the command that reaches the player.
DOES: list[tuple[str, list[Any], dict[str, Any]]] = [
    ("/lane/kick/mute", [1], {"do": "mute", "lane": "kick", "muted": True, "when": "now"}),
    ("/lane/kick/mute", [0], {"do": "mute", "lane": "kick", "muted": False, "when": "now"}),
    ("/lane/kick/mute", [1.0], {"do": "mute", "lane": "kick", "muted": True, "when": "now"}),
    (
        "/lane/kick/mute",
        [("T", True)],
        {"do": "mute", "lane": "kick", "muted": True, "when": "now"},
    ),
    ("/lane/kick/mute", [1, "bar"], {"do": "mute", "lane": "kick", "muted": True, "when": "bar"}),
    ("/lane/kick/mute", [1, 4], {"do": "mute", "lane": "kick", "muted": True, "when": 4}),
    (
        "/lane/kick/hold",
        [1],
        {"do": "hold", "lane": "kick", "muted": True, "active": True, "client": "osc 127.0.0.1"},
    ),
    ("/lane/kick/solo", [1], {"do": "solo", "lane": "kick", "on": True}),
    ("/lane/kick/freeze", [1], {"do": "freeze", "lane": "kick", "on": True}),
    ("/lane/kick/reset", [], {"do": "reset", "lane": "kick"}),
    ("/lane/kick/cancel", [1], {"do": "cancel", "lane": "kick"}),
    (
        "/lane/kick/chance",
        [0.5],
        {"do": "setting", "lane": "kick", "setting": "chance", "value": 0.5},
    ),
    ("/lane/kick/hits", [5.4], {"do": "setting", "lane": "kick", "setting": "hits", "value": 5.0}),
    ("/group/drums/mute", [1], {"do": "group", "group": "drums", "muted": True, "when": "now"}),
    ("/macro/brightness", [0.25], {"do": "macro", "macro": "brightness", "value": 0.25}),
    ("/macro/brightness", [1], {"do": "macro", "macro": "brightness", "value": 1.0}),
    ("/macro/brightness", [7.5], {"do": "macro", "macro": "brightness", "value": 1.0}),
    ("/macro/brightness", [-1], {"do": "macro", "macro": "brightness", "value": 0.0}),
    ("/section/flood", [], {"do": "section", "section": "flood", "when": "bar", "morph_bars": 0}),
    ("/section/flood", [1], {"do": "section", "section": "flood", "when": "bar", "morph_bars": 0}),
    (
        "/section/flood",
        [1, "now", 4, 0.25],
        {"do": "section", "section": "flood", "when": "now", "morph_bars": 4, "mutes_at": 0.25},
    ),
    ("/section/flood/cancel", [], {"do": "cancel", "section": "flood"}),
    (
        "/lane/kick/mute",
        [1, "bar", 8],
        {"do": "mute", "lane": "kick", "muted": True, "when": "bar", "return_bars": 8},
    ),
    (
        "/lane/rim/hold",
        [1, 0],
        {"do": "hold", "lane": "rim", "muted": False, "active": True, "client": "osc 127.0.0.1"},
    ),
    ("/release", [], {"do": "release", "client": "osc 127.0.0.1"}),
    (
        "/lane/kick/chance",
        [("N", None)],
        {"do": "setting", "lane": "kick", "setting": "chance", "value": None},
    ),
    (
        "/lane/kick/chance/written",
        [],
        {"do": "setting", "lane": "kick", "setting": "chance", "value": None},
    ),
    ("/transport/position", [7680], {"do": "position", "tick": 7680}),
    ("/transport/position", [LAST_TICK], {"do": "position", "tick": LAST_TICK}),
    ("/order", [1, 0], {"do": "order", "run": True, "entry": 0}),
    ("/order/next", [1, 4], {"do": "order-next", "when": 4}),
    ("/order/next", [], {"do": "order-next", "when": "bar"}),
    ("/order/cancel", [], {"do": "cancel", "order": True}),
    ("/fill", [1], {"do": "fill", "active": True}),
    ("/lane/kick/fill", [1], {"do": "fill", "lane": "kick", "active": True}),
    ("/group/drums/fill", [1], {"do": "fill", "group": "drums", "active": True}),
    ("/lane/kick/drop", [], {"do": "drop", "lane": "kick", "return_bars": 4}),
    ("/group/drums/drop", [2], {"do": "drop", "group": "drums", "return_bars": 2}),
    ("/pace", [-1], {"do": "pace", "pace": -1}),
    ("/group/drums/pace", [1], {"do": "pace", "group": "drums", "pace": 1}),
    ("/follow", ["desk"], {"do": "follow", "source": "desk"}),
    (
        "/output/main.gate-1/gate",
        [0.5, 100],
        {"do": "try", "output": "main.gate-1", "action": "gate", "value": 0.5, "ms": 100.0},
    ),
    ("/transport/start", [], {"do": "start", "restart": False}),
    ("/transport/stop", [], {"do": "stop"}),
    ("/transport/continue", [1], {"do": "continue"}),
    ("/order", [1], {"do": "order", "run": True}),
    ("/tempo", [133.5], {"do": "tempo", "bpm": 133.5}),
    ("/tempo", [1000], {"do": "tempo", "bpm": 400.0}),
    ("/tap", [], {"do": "tap"}),
    ("/nudge", [-5], {"do": "nudge", "ms": -5.0}),
    ("/offset", [-12.5], {"do": "offset", "ms": -12.5}),
    ("/internal-clock", [], {"do": "internal-clock"}),
    ("/mute-all", [], {"do": "mute-all"}),
    # What they were called before: the addresses answer, and patterns reach them.
    ("/take-clock", [], {"do": "internal-clock"}),
    ("/all-out", [], {"do": "mute-all"}),
    ("/lane/k?ck/still", [0], {"do": "freeze", "lane": "kick", "on": False}),
]

NOTHING: list[tuple[str, list[Any], str]] = [
    ("/lane/kick/mute", [], "arguments"),
    ("/lane/kick/mute", ["on"], "arguments"),
    ("/lane/kick/mute", [1, "soon"], "arguments"),
    ("/lane/kick/mute", [1, 0], "arguments"),
    ("/lane/kick/mute", [1, 1.5], "arguments"),
    ("/lane/kick/mute", [1, "bar", 0], "arguments"),
    ("/lane/kick/mute", [1, "bar", 3, 4], "arguments"),
    ("/lane/kick/mute", [math.nan], "arguments"),
    ("/macro/brightness", [], "arguments"),
    ("/macro/brightness", [0.1, 0.2], "arguments"),
    ("/macro/brightness", ["0.5"], "arguments"),
    ("/macro/brightness", [math.nan], "arguments"),
    ("/macro/brightness", [math.inf], "arguments"),
    ("/macro/brightness", [("N", None)], "arguments"),
    ("/macro/brightness", [("b", b"x")], "arguments"),
    ("/lane/kick/chance", [("d", math.inf)], "arguments"),
    ("/tempo", [-math.inf], "arguments"),
    ("/transport/position", [-1], "arguments"),
    ("/transport/position", [LAST_TICK + 1], "arguments"),
    ("/transport/position", [2**31 - 1], "arguments"),
    ("/transport/position", [0.5], "arguments"),
    ("/order", [1, -1], "arguments"),
    ("/follow", [1], "arguments"),
    ("/follow", [""], "arguments"),
    ("/section/flood", [1, "soon"], "arguments"),
    ("/section/flood", [1, "bar", 1, 0.5, 1], "arguments"),
    ("/output/main.gate-1/gate", [math.nan], "arguments"),
    ("/output/main.gate-99/gate", [1], "unknown"),
    ("/transport/start", [1, 1, 1], "arguments"),
    ("/transport/stop", [1, 1], "arguments"),
    ("/lane/kik/mute", [1], "unknown"),
    ("/lane/kick/hz", [1], "unknown"),
    ("/lane/kick", [1], "unknown"),
    ("/section/flod", [], "unknown"),
    ("/", [], "unknown"),
    ("/subscribe", [], "arguments"),
    ("/subscribe", [80], "arguments"),
    ("/subscribe", [-1], "arguments"),
    ("/subscribe", [-7], "arguments"),
    ("/addresses", [5], "arguments"),
    ("/addresses", ["/*", -3], "arguments"),
    ("/addresses", ["/*", 5000, 1], "arguments"),
    ("/addresses", ["/*", 80], "refused"),
    ("/subscribe", [70000], "arguments"),
    ("/subscribe", [5000.5], "arguments"),
    ("/token", ["guess"], "forbidden"),
]


async def test_every_address_does_what_it_says(stage: Any) -> None:
    osc = stage.service.osc
    now = [100.0]
    stage.service.control._clock = lambda: now[0]
    for address, args, expected in DOES:
        now[0] += 1  # nothing is paced
        stage.player.received.clear()
        osc.datagram_received(encode(address, *args), ME)
        await stage.until(lambda: stage.player.received, address)
        got = [c for c in stage.player.received if c.get("active") is not False]  # holds that end
        assert got == [expected], (address, args)
    assert osc.counts == {"done": len(DOES)}


async def test_what_is_wrong_is_counted_and_nothing_is_sent(stage: Any) -> None:
    osc = stage.service.osc
    for address, args, counted in NOTHING:
        osc.counts.clear()
        osc.datagram_received(encode(address, *args), ME)
        assert osc.counts == {counted: 1}, (address, args)
    await stage.call("GET", "/api/state")
    assert stage.player.received == []


async def test_the_release_of_a_button_does_nothing(stage: Any) -> None:
    for address in ("/section/flood", "/order/next", "/transport/start", "/mute-all", "/tap"):
        assert command_of(address, [0]) is None
    stage.service.osc.datagram_received(encode("/undo", 0), ME)
    assert stage.service.osc.counts == {"done": 1}


async def test_patterns_reach_every_address_they_name(stage: Any) -> None:
    osc = stage.service.osc
    osc.datagram_received(encode("/lane/{kick,rim}/mute", 1), ME)
    osc.datagram_received(encode("/lane/sh*/mute", 1), ME)
    await stage.until(lambda: len(stage.player.received) == 3)
    assert {c["lane"] for c in stage.player.received} == {"kick", "rim", "shaker"}
    osc.counts.clear()
    osc.datagram_received(encode("/lane/x*/mute", 1), ME)
    assert osc.counts == {"unknown": 1}


async def test_a_bundle_dated_years_ahead_is_done_on_arrival(stage: Any) -> None:
    loop = asyncio.get_running_loop()
    inner = encode("/lane/kick/mute", 1), encode("/macro/brightness", 0.5)
    # The last second that a time tag can say: 7 February 2036 (NTP counts from 1900).
    bundle = b"#bundle\0" + b"\xff" * 4 + bytes(4)
    bundle += b"".join(struct.pack(">i", len(m)) + m for m in inner)
    begin = loop.time()
    stage.service.osc.datagram_received(bundle, ME)
    assert loop.time() - begin < 0.25  # the loop was not put to sleep
    await stage.until(lambda: len(stage.player.received) == 2)
    assert [c["do"] for c in stage.player.received] == ["mute", "macro"]  # in the packet's order


async def test_the_datagram_that_hangs_a_parser_is_counted(stage: Any) -> None:
    stage.service.osc.datagram_received(b"#bundle\0" + b"\0" * 8 + struct.pack(">i", -4), ME)
    assert stage.service.osc.counts == {"malformed": 1}


async def test_a_flood_of_moves_reaches_the_player_as_a_few_and_the_last_one_wins(
    stage: Any,
) -> None:
    loop = asyncio.get_running_loop()
    begin = loop.time()
    for number in range(500):
        stage.service.osc.datagram_received(encode("/macro/brightness", number / 499), ME)
    await stage.until(lambda: stage.player.received and stage.player.received[-1]["value"] == 1.0)
    assert len(stage.player.received) <= (loop.time() - begin) * 60 + 2


async def test_undo_and_redo_by_osc(stage: Any) -> None:
    await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True})
    stage.service.osc.datagram_received(encode("/undo"), ME)
    await stage.until(lambda: not stage.state["lanes"]["kick"]["muted"])
    stage.service.osc.datagram_received(encode("/redo"), ME)
    await stage.until(lambda: stage.state["lanes"]["kick"]["muted"])
    stage.service.osc.datagram_received(encode("/redo"), ME)
    await stage.until(lambda: stage.service.osc.counts["refused"] == 1)


async def test_while_the_player_is_away_messages_are_counted(stage: Any) -> None:
    await stage.player.stop()
    await stage.until(lambda: not stage.service.link.present)
    stage.service.osc.datagram_received(encode("/lane/kick/mute", 1), ME)
    assert stage.service.osc.counts == {"away": 1}


WORDS = {
    "mute",
    "hold",
    "fill",
    "drop",
    "solo",
    "freeze",
    "reset",
    "cancel",
    "copy",
    "clear",
    "randomise",
}


def test_every_lane_has_its_words_and_the_settings_of_its_kind() -> None:
    state: Any = {
        "lanes": {"kick": {"kind": "euclid", "groups": ["drums"]}},
        "macros": {"m": {}},
        "sections": ["flood"],
    }
    found = set(addresses(state))
    assert {f"/lane/kick/{word}" for word in WORDS} < found
    having = {s.name for s in SETTINGS.values() if "euclid" in s.kinds}
    assert {f"/lane/kick/{name}" for name in having} < found
    assert "/lane/kick/hz" not in found
    assert {"/group/drums/mute", "/macro/m", "/section/flood"} < found
    assert not having & WORDS  # a setting never hides a word


# --- fuzz: the invariant is that no exception escapes ---------------------------------------------


async def nobody() -> Osc:
    return Osc(Control(Session(PlayerLink("/nonexistent"))), Access(None))  # type: ignore[arg-type]


@given(st.binary(max_size=300))
@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
def test_any_bytes_are_taken(data: bytes) -> None:
    async def run() -> None:
        osc = await nobody()
        osc.datagram_received(data, ME)
        assert sum(osc.counts.values()) >= bool(data) - 1

    asyncio.run(run())


ARGS = st.lists(
    st.integers(-(2**31), 2**31 - 1)
    | st.floats(width=32)
    | st.text("ab ", max_size=4)
    | st.booleans()
    | st.binary(min_size=1, max_size=4).map(lambda b: ("b", b)),
    max_size=3,
)


@given(
    st.sampled_from(
        [
            "/lane/kick/mute",
            "/lane/*/chance",
            "/macro/m",
            "/tempo",
            "/section/*",
            "/subscribe",
            "/transport/*",
            "/*",
            "/[!a]*/*",
            "/lane/kick/hold",
        ]
    ),
    ARGS,
)
@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
def test_any_arguments_are_taken(address: str, args: list[Any]) -> None:
    async def run() -> None:
        osc = await nobody()
        osc._control.session._link.state = player_report(
            {
                **EMPTY,
                "lanes": {"kick": lane_state()},
                "macros": {"m": macro_state(0)},
                "sections": ["flood"],
            }
        )
        osc._state(StateChanged(frozenset()))
        osc.datagram_received(encode(address, *args), ME)
        assert sum(osc.counts.values()) > 0

    asyncio.run(run())


# --- feedback ------------------------------------------------------------------------------------


@contextlib.asynccontextmanager
async def listener() -> AsyncIterator[tuple[int, list[OscMessage]]]:
    """A UDP port and the messages that arrive at it."""
    heard: list[OscMessage] = []

    class Ear(asyncio.DatagramProtocol):
        def datagram_received(self, data: bytes, addr: Any) -> None:
            heard.append(OscMessage(data))

    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
        Ear, local_addr=("127.0.0.1", 0)
    )
    yield transport.get_extra_info("sockname")[1], heard
    transport.close()


def last(heard: list[OscMessage], address: str) -> Any:
    values = [m.params for m in heard if m.address == address]
    return values[-1] if values else None


async def test_a_subscriber_gets_everything_and_then_every_change(stage: Any) -> None:
    async with listener() as (port, heard):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            sock.sendto(encode("/subscribe", port), ("127.0.0.1", stage.service.osc_port))
        await stage.until(lambda: last(heard, "/tempo"))
        for address, value in (
            ("/lane/kick/mute", [0]),
            ("/macro/shaker-level", [pytest.approx(0.8)]),
            ("/section/flood", [0]),
            ("/transport/start", [0]),
            ("/transport/stop", [1]),
            ("/tempo", [126.0]),
            ("/lane/kick/hits", [4.0]),
        ):
            await stage.until(lambda a=address: last(heard, a), address)
            assert last(heard, address) == value, address
        await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True})
        await stage.until(lambda: last(heard, "/lane/kick/mute") == [1])
        await stage.call("POST", "/api/transport/start")
        await stage.until(lambda: last(heard, "/transport/start") == [1])
        await stage.call("POST", "/api/sections/flood", {"when": "now"})
        await stage.until(lambda: last(heard, "/section/flood") == [1])
