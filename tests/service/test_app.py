"""The three ways in reach the player over the real wire, and all views agree."""

from __future__ import annotations

import socket
from typing import Any

import pytest
from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.control import door
from bridge.control.door import ACK_S


def osc(address: str, *args: Any) -> bytes:
    builder = OscMessageBuilder(address=address)
    for arg in args:
        builder.add_arg(arg)
    return builder.build().dgram


def send_osc(port: int, *datagrams: bytes) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        for datagram in datagrams:
            sock.sendto(datagram, ("127.0.0.1", port))


async def test_state_mute_macro_section_transport_over_http(stage: Any) -> None:
    status, state, _ = await stage.call("GET", "/api/state")
    assert status == 200
    assert state["set"] == "Low tide"
    assert state["lanes"]["kick"]["muted"] is False
    assert (await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True}))[0] == 200
    assert (await stage.call("PUT", "/api/macros/brightness", {"value": 0.5}))[0] == 200
    assert (await stage.call("POST", "/api/transport/start"))[0] == 200
    assert (await stage.call("POST", "/api/sections/flood"))[0] == 200
    assert stage.player.received == [
        {"do": "mute", "lane": "kick", "muted": True, "when": "now"},
        {"do": "macro", "macro": "brightness", "value": 0.5},
        {"do": "start", "restart": False},
        {"do": "section", "section": "flood", "when": "bar", "morph_bars": 0},
    ]
    _, state, _ = await stage.call("GET", "/api/state")
    assert state["transport"]["state"] == "running"
    assert state["lanes"]["kick"]["muted"] is False  # the section has brought it in: all play
    assert state["macros"]["brightness"]["value"] == 0.8


async def test_page_http_and_osc_agree(stage: Any) -> None:
    async with stage.page() as page:
        first = await page.next()
        assert first["type"] == "state"
        answer = await page.do(do="mute", lane="rim", muted=True)
        assert answer["type"] == "done"
        assert page.state["lanes"]["rim"]["muted"] is True
        assert (await stage.call("GET", "/api/state"))[1]["lanes"]["rim"]["muted"] is True
        send_osc(stage.service.osc_port, osc("/lane/rim/mute", 0), osc("/macro/brightness", 0.25))
        await page.wait(lambda m: page.state["macros"]["brightness"]["value"] == 0.25)
        assert page.state["lanes"]["rim"]["muted"] is False


async def test_what_is_rejected_is_counted_where_it_can_be_seen(stage: Any) -> None:
    send_osc(stage.service.osc_port, osc("/macro/brightness", float("nan")), b"\xff\xff\xff\xff")
    await stage.until(lambda: sum(stage.service.osc.counts.values()) == 2)
    await stage.call("GET", "/api/state", headers={"Host": "evil.example"})
    async with stage.page() as page:
        await page.next()
        assert page.state["links"] == {
            "pages": 1,
            "dropped": 0,
            "subscribers": 0,
            "forbidden": 1,
            "osc": {"arguments": 1, "malformed": 1},
            "too_many": 0,
            "lost": 0,
            "echoing": [],
            "turned_away": {},
        }


async def test_the_service_comes_back_to_a_player_that_was_started_anew(stage: Any) -> None:
    async with stage.page() as page:
        await page.next()
        await stage.player.stop()
        await page.wait(lambda m: page.state["player"]["present"] is False)
        status, problem, response = await stage.call("POST", "/api/transport/start")
        assert (status, problem["kind"]) == (503, "player")
        assert response.headers["Retry-After"] == "1"
        await stage.player.start()
        await page.wait(lambda m: page.state["player"]["present"] is True)
        assert (await page.do(do="start"))["type"] == "done"


async def test_an_unanswered_command_is_a_problem_within_half_a_second(
    stage: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert ACK_S <= 0.5
    monkeypatch.setattr(door, "ACK_S", ACK_S)
    stage.player.answering = False
    status, problem, _ = await stage.call("POST", "/api/transport/start")
    assert status == 503
    assert "did not answer" in problem["detail"]
