"""The WebSocket: state first, then changes; answers; slow and foreign clients; whose finger."""

from __future__ import annotations

import asyncio
import json
import time
from dataclasses import replace
from typing import Any

import aiohttp
import pytest
from support.fake_player import FakePlayer
from support.patience import PATIENCE_S
from support.peers import connected

from bridge.control.ownership import HOLD_S
from bridge.service.app import Service
from bridge.web import live as live_module
from bridge.web.live import CLIENTS_MOST, HEARTBEAT_S, UPDATE_S
from bridge.web.resuming import RESUME_S, TRAILS_KEPT, Trail, Trails


async def test_state_comes_first_and_then_only_what_changes(stage: Any) -> None:
    async with stage.page() as page:
        first = await page.next()
        assert first["type"] == "state"
        assert first["state"]["lanes"]["bassline"]["kind"] == "notes"
        await page.do(do="mute", lane="kick", muted=True)
        patches = [m["patch"] for m in page.messages if m["type"] == "change"]
        moved = {lane for p in patches for lane in p.get("lanes", {})}
        # spray is derived and stays; only the lane that was muted is spoken of
        assert moved == {"kick"}
        assert {k for p in patches for k in p.get("lanes", {}).get("kick", {})} <= {
            "heard",
            "muted",
            "under",
        }


async def test_what_a_page_has_by_patches_is_the_state(stage: Any) -> None:
    """Members that are null may be missing: a merge patch (RFC 7396) cannot say them."""

    def bare(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: bare(v) for k, v in value.items() if v is not None}
        return value

    async with stage.page() as page:
        await page.next()
        for command in (
            {"do": "mute", "lane": "rim", "muted": True, "when": "bar"},
            {"do": "cancel", "lane": "rim"},
            {"do": "section", "section": "flood", "when": "now"},
            {"do": "setting", "lane": "kick", "setting": "hits", "value": 5},
            {"do": "solo", "lane": "kick", "on": True},
            {"do": "undo"},
        ):
            assert (await page.do(**command))["type"] == "done"
        _, state, _ = await stage.call("GET", "/api/state")
        for key in ("lanes", "macros", "sections", "section", "history", "document", "player"):
            assert bare(page.state.get(key)) == bare(state.get(key)), key


async def follow(page: Any, true: Any) -> int:
    """Reads until `true` holds of the page's state; returns the last number. None is left out."""
    number = 0
    while not (page.state and true(page.state)):
        message = await page.next()
        if message["type"] in ("state", "change"):
            assert number in (0, message["number"] - 1)
            number = message["number"]
    return number


def kick_is(muted: bool) -> Any:
    return lambda state: state["lanes"]["kick"]["muted"] is muted


async def test_after_a_gap_a_page_gets_only_what_changed_since(stage: Any) -> None:
    """Whatever was the last message that arrived, and whether we know of the gap or not."""
    for lost in (0, 1):
        async with stage.page() as page:
            name = (await page.next())["resume"]
            number = await follow(page, kick_is(False))
            kept = page.state
            number = page.messages[0]["number"] if number == 0 else number
            await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True})
            last = await follow(page, kick_is(True))
            if not lost:
                kept, number = page.state, last
            came_back = f"{stage.base}/api/live?resume={name}&number={number}"
            if not lost:
                await page.ws.close()
                await stage.until(lambda: not stage.service.live.clients)
            await stage.call("PUT", "/api/lanes/rim/mute", {"muted": True})
            async with stage.session.ws_connect(came_back) as ws:
                again = type(page)(ws)
                again.state = kept
                resumed = await again.next()
                assert resumed == {"type": "resumed", "number": number, "newest": number + 1}
                change = await again.next()
                assert (change["type"], change["number"]) == ("change", number + 1)
                while not again.state["lanes"]["rim"]["muted"]:
                    assert (await again.next())["type"] != "state"
                assert again.state["lanes"]["kick"]["muted"]
                assert again.state.keys() == kept.keys()
        for lane in ("kick", "rim"):
            await stage.call("PUT", f"/api/lanes/{lane}/mute", {"muted": False})


@pytest.mark.parametrize(
    "query", ["resume=x&number=1", "resume={name}&number=99", "resume={name}&number=-1", "number=1"]
)
async def test_a_page_that_is_not_known_any_more_gets_the_whole_state(
    stage: Any, query: str
) -> None:
    async with stage.page() as page:
        name = (await page.next())["resume"]
    await stage.until(lambda: not stage.service.live.clients)
    path = f"{stage.base}/api/live?{query.format(name=name)}"
    async with stage.session.ws_connect(path) as ws:
        first = await ws.receive_json()
        assert (first["type"], first["number"]) == ("state", 1)
        assert first["resume"] != name


def test_a_page_may_come_back_for_two_minutes_and_only_so_many_are_kept() -> None:
    trails, trail = Trails(), Trail()
    trails.park(trail, 0.0)
    assert trails.take(trail.name, RESUME_S) is None
    trails.park(trail, 0.0)
    assert trails.take(trail.name, RESUME_S - 1) is trail
    assert trails.take(trail.name, 0.0) is None
    trails.park(trail, 0.0)
    for _ in range(TRAILS_KEPT):
        trails.park(Trail(), 0.0)
    assert trails.take(trail.name, 0.0) is None


async def test_a_pending_mute_is_seen_and_goes(stage: Any) -> None:
    stage.player.play_to(100)
    async with stage.page() as page:
        await page.do(do="mute", lane="kick", muted=True, when="bar")
        pending = page.state["lanes"]["kick"]["pending"]
        assert (pending["muted"], pending["tick"], pending["bar"]) == (True, 3840, 2)
        assert page.state["lanes"]["kick"]["muted"] is False
        stage.player.play_to(3840)
        await page.wait(lambda m: page.state["lanes"]["kick"]["muted"])
        assert page.state["lanes"]["kick"].get("pending") is None


WRONG: list[tuple[str, int, int | None]] = [
    ('{"do": "mute", "lane": "kik", "muted": true, "seq": 5}', 404, 5),
    ('{"do": "macro", "macro": "brightness", "value": NaN, "seq": 6}', 422, 6),
    ('{"do": "macro", "macro": "brightness", "value": 2, "seq": 7}', 422, 7),
    ('{"do": "mute", "lane": "kick", "muted": 1, "seq": 8}', 422, 8),
    ('{"do": "mute", "lane": "kick", "muted": true, "x": 1, "seq": 9}', 422, 9),
    ('{"do": "quit", "seq": 10}', 404, 10),
    ('{"seq": 11}', 404, 11),
    ('{"seq": true}', 404, None),
    ("{", 400, None),
    ("[]", 422, None),
    ("[" * 4000, 400, None),
    ('"x"', 422, None),
    ('{"do": "undo", "seq": 12}', 409, 12),
]


async def test_what_is_wrong_is_refused_with_its_number(stage: Any) -> None:
    async with stage.page() as page:
        for text, status, seq in WRONG:
            await page.ws.send_str(text)
            answer = await page.wait(lambda m: m["type"] == "refused")
            assert answer["seq"] == seq, text
            assert answer["problem"]["status"] == status, text
            assert answer["problem"]["type"] == "about:blank"
        assert stage.player.received == []


async def test_the_page_may_ask_whether_anybody_is_there(stage: Any) -> None:
    async with stage.page() as page:
        assert (await page.do(do="alive"))["type"] == "done"


async def test_hits_that_sounded_are_told(stage: Any) -> None:
    async with stage.page() as page:
        await page.next()
        stage.player.tell(
            {
                "type": "played",
                "tick": 960,
                "t_ns": 1,
                "sent": [],
                "events": [[0, "kick", "hit", 0.8, 120, 1], [0, "bassline", "pitch", 33, 0, 1]],
            }
        )
        message = await page.wait(lambda m: m["type"] == "played")
        assert message["hits"] == [["kick", 0, 0.8]]


async def test_the_position_comes_a_few_times_a_second(stage: Any) -> None:
    async with stage.page() as page:
        await page.do(do="start")
        first = await page.wait(lambda m: m["type"] == "tick")
        second = await page.wait(lambda m: m["type"] == "tick")
        passed = second["at_ms"] - first["at_ms"]
        assert second["running"] is True
        # 126 to the minute: 126 * 960 / 60 000 ticks each ms
        assert second["tick"] - first["tick"] == pytest.approx(passed * 2.016, abs=0.05)


async def test_the_chart_shows_what_is_to_come_and_why(stage: Any) -> None:
    async with stage.page() as page:
        await page.do(do="chart", bars=1)
        chart = await page.wait(lambda m: m["type"] == "chart" and m["to"] == 3840)
        assert chart["from"] == 0
        lanes = chart["lanes"]
        kick = [tick for tick, *_ in lanes["kick"]["hits"]]
        assert kick == [0, 960, 1920, 2880]  # E(4,16)
        for _tick, _, _, causes in lanes["spray"]["hits"]:
            assert causes in (["rim"], ["shaker"])  # xor: exactly one of them
        assert lanes["bassline"]["values"][0] == [0, 33.0]  # A1, MIDI note 33
        await page.do(do="mute", lane="kick", muted=True)
        chart = await page.wait(
            lambda m: m["type"] == "chart" and m["lanes"]["kick"].get("out") is True
        )
        assert [tick for tick, *_ in chart["lanes"]["kick"]["hits"]] == kick
        # without the kick, spray may hit where it stood
        assert {t for t, *_ in lanes["spray"]["hits"]} < {
            t for t, *_ in chart["lanes"]["spray"]["hits"]
        }


async def test_a_client_gets_at_most_thirty_rounds_a_second(stage: Any) -> None:
    async with stage.page() as page:
        await page.next()
        begin = time.monotonic()
        for value in range(200):
            stage.player.tell({"type": "state", "warnings": [str(value)]})
            await asyncio.sleep(0)
        await page.wait(lambda m: page.state["warnings"] == ["199"])
        changes = [m for m in page.messages if m["type"] == "change" and "warnings" in m["patch"]]
        assert len(changes) <= (time.monotonic() - begin) / UPDATE_S + 2
        assert UPDATE_S >= 1 / 30


# --- whose finger ---------------------------------------------------------------------------------


async def test_a_finger_on_a_macro_is_not_pulled_and_others_are_refused(stage: Any) -> None:
    control = stage.service.control
    now = [100.0]
    control._clock = lambda: now[0]
    async with stage.page() as mine, stage.page() as other:
        await mine.next()
        await other.next()
        assert (await mine.do(do="macro", macro="brightness", value=0.6))["type"] == "done"
        await other.wait(lambda m: other.state["macros"]["brightness"]["value"] == 0.6)
        # not echoed to the finger, while it is there
        assert mine.state["macros"]["brightness"]["value"] == 0.3
        refused = await other.do(do="macro", macro="brightness", value=0.1)
        assert (refused["type"], refused["problem"]["status"]) == ("refused", 409)
        now[0] += 0.31
        await mine.wait(lambda m: mine.state["macros"]["brightness"]["value"] == 0.6)
        assert (await other.do(do="macro", macro="brightness", value=0.1))["type"] == "done"
        await mine.wait(lambda m: mine.state["macros"]["brightness"]["value"] == 0.1)


async def test_holds_end_when_the_client_vanishes(stage: Any) -> None:
    async with stage.page() as page:
        answer = await page.do(do="hold", lane="kick", muted=True, active=True)
        assert answer["type"] == "done"
        assert page.state["lanes"]["kick"]["held"] is True
        page.ws._response.connection.transport.abort()
    await stage.until(lambda: not stage.state["lanes"]["kick"]["held"])
    assert [c["active"] for c in stage.player.received if c["do"] == "hold"] == [True, False]


async def test_holds_end_when_they_are_not_refreshed(stage: Any) -> None:
    control = stage.service.control
    now = [100.0]
    control._clock = lambda: now[0]
    control.holds._hold_s = HOLD_S
    async with stage.page() as page:
        for step in (0, 0.4, 0.4):  # refreshed: the player is told once
            now[0] += step
            await page.do(do="hold", lane="kick", muted=True, active=True)
        assert len(stage.player.received) == 1
        assert stage.state["lanes"]["kick"]["held"] is True
        now[0] += 0.51
        await stage.until(lambda: not stage.state["lanes"]["kick"]["held"])


# --- clients that do not behave -------------------------------------------------------------------


async def test_pages_of_other_sites_are_refused(stage: Any) -> None:
    neighbour = f"http://127.0.0.1:{stage.service.http_port + 1}"
    for origin in ("http://evil.example", "null", neighbour):
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await stage.session.ws_connect(stage.base + "/api/live", origin=origin)
        assert refused.value.status == 403
    async with stage.page(origin=stage.base) as page:
        assert (await page.next())["type"] == "state"


async def test_without_an_upgrade_it_is_a_problem(stage: Any) -> None:
    status, problem, _ = await stage.call("GET", "/api/live")
    assert (status, problem["title"]) == (426, "Upgrade Required")


async def test_a_message_that_is_too_large_or_not_text_ends_the_connection(stage: Any) -> None:
    async with stage.page() as page:
        await page.next()
        await page.ws.send_str("x" * 20_000)
        while (message := await page.ws.receive(PATIENCE_S)).type != aiohttp.WSMsgType.CLOSE:
            pass
        assert message.data == 1009  # RFC 6455, section 7.4.1: too big
    async with stage.page() as page:
        await page.next()
        await page.ws.send_bytes(b"x")
        while (message := await page.ws.receive(PATIENCE_S)).type != aiohttp.WSMsgType.CLOSE:
            pass
        assert message.data == 1003  # RFC 6455, section 7.4.1: unsupported data


async def test_a_client_that_does_not_read_is_dropped_and_nobody_else_notices(stage: Any) -> None:
    live = stage.service.live
    live._stall_s = 0.2
    async with connected(stage.service.http_port, limit=1) as (_, writer):
        writer.write(
            b"GET /api/live HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: Upgrade\r\n"
            b"Upgrade: websocket\r\nSec-WebSocket-Version: 13\r\n"
            b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"  # the key of RFC 6455, section 1.3
        )
        async with stage.page() as page:
            await page.next()
            await stage.until(lambda: len(live.clients) == 2)
            for number in range(400):
                if live.dropped:
                    break
                stage.player.tell({"type": "state", "warnings": [f"{number} " * 20_000]})
                await page.wait(lambda m: m["type"] in ("change", "tick"))
            assert live.dropped == 1
            await stage.until(lambda: len(live.clients) == 1)
            assert (await page.do(do="mute", lane="kick", muted=True))["type"] == "done"


async def test_there_is_room_for_many_pages_but_not_for_any_number(
    stage: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert CLIENTS_MOST >= 16
    monkeypatch.setattr(live_module, "CLIENTS_MOST", 1)
    async with stage.page() as page:
        await page.next()
        with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
            await stage.session.ws_connect(stage.base + "/api/live")
        assert refused.value.status == 503


async def test_the_heartbeat_is_at_most_five_seconds(
    stage: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert HEARTBEAT_S <= 5
    monkeypatch.setattr(live_module, "HEARTBEAT_S", 0.05)
    async with stage.session.ws_connect(stage.base + "/api/live", autoping=False) as ws:
        while (message := await ws.receive(PATIENCE_S)).type != aiohttp.WSMsgType.PING:
            pass
        assert message.type == aiohttp.WSMsgType.PING
        # no pong comes: the service takes the client for gone
        await stage.until(lambda: not stage.service.live.clients)


async def test_before_the_player_has_ever_spoken_pages_wait_and_then_get_the_state(
    options: Any, player: Any, folder: Any, running: Any, make_stage: Any
) -> None:
    late = FakePlayer(folder / "late.sock", player.score)
    service = Service(replace(options, socket=late.path))
    async with running(service), aiohttp.ClientSession() as session:
        stage = make_stage(service, late, session, folder)
        async with stage.page() as page:
            seq = await page.send(do="alive")
            first = await page.next()
            assert (first["type"], first["seq"]) == ("done", seq)
            await late.start()
            second = await page.next()
            assert (second["type"], second["state"]["set"]) == ("state", "Low tide")
    await late.stop()


async def test_a_drawing_that_fails_leaves_the_controls(stage: Any, monkeypatch: Any) -> None:
    def fails(*_: Any) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(stage.service.charts._mirror, "chart", fails)
    async with stage.page() as page:
        await page.do(do="chart", bars=3)
        assert (await page.do(do="mute", lane="kick", muted=True))["type"] == "done"
        await page.wait(lambda m: m["type"] == "tick")
        assert (await page.do(do="mute", lane="kick", muted=False))["type"] == "done"


async def test_a_page_that_cannot_be_told_the_state_is_not_left_hanging(
    stage: Any, monkeypatch: Any
) -> None:
    async with stage.page() as page:
        await page.next()
        monkeypatch.setattr(stage.service.view, "calm", lambda now: 1 / 0)
        stage.player.play_to(10)
        kinds = set()
        while aiohttp.WSMsgType.CLOSED not in kinds:
            kinds.add((await page.ws.receive(PATIENCE_S)).type)
    await stage.until(lambda: not stage.service.live.clients)


async def test_messages_are_plain_json(stage: Any) -> None:
    async with stage.session.ws_connect(stage.base + "/api/live") as ws:
        text = await ws.receive_str()
        assert "NaN" not in text
        assert json.loads(text)["type"] == "state"
