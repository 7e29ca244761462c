"""What comes in below the application: limits of connections and time, bad HTTP, bad frames."""

from __future__ import annotations

import asyncio
import contextlib
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.peers import (
    close_code,
    connected,
    frame,
    get,
    raw_http,
    read_answer,
    read_frame,
    websocket,
)

from bridge.web import http
from bridge.web.entrance import connections_max
from bridge.web.frames import FrameCheck


@pytest.mark.parametrize(
    "request_bytes",
    [
        b"nonsense\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET /\xff\xfe HTTP/1.1\r\nHost: x\r\nContent-Length: -1\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"A: " + b"x" * 20_000 + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"".join(b"A%d: x\r\n" % n for n in range(300)) + b"\r\n",
        b"POST /api/undo HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(40),  # the beginning of TLS
    ],
)
async def test_what_is_not_http_is_answered_like_every_error(
    stage: Any, request_bytes: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    """RFC 9457 bodies, our headers, no word of the library, and no traceback in the log."""
    answer = await raw_http(stage.service.http_port, request_bytes)
    assert 400 <= answer.status < 500
    assert answer.headers["content-type"] == "application/problem+json"
    assert json.loads(answer.body)["status"] == answer.status
    assert answer.headers["server"] == "lanebridge"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert not [record for record in caplog.records if record.exc_info]


async def test_a_head_that_does_not_come_is_not_waited_for(stage: Any) -> None:
    entrance = stage.service.entrance
    now = [100.0]
    entrance.clock = lambda: now[0]
    async with connected(stage.service.http_port) as (reader, writer):
        writer.write(b"GET /api/state HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ")
        await stage.until(lambda: any(c.head_since for c in entrance._connections))
        entrance.look()
        for _ in range(30):  # a byte now and then does not lengthen it
            now[0] += 1
            if not entrance.counts["slow"]:
                writer.write(b"x")
            await asyncio.sleep(0.001)
            entrance.look()
        with contextlib.suppress(ConnectionResetError):
            assert await reader.read() == b""
        assert entrance.counts == {"slow": 1}
        # One that sends a whole head and then waits is not slow.
        async with stage.session.get(stage.base + "/api/state") as response:
            assert response.status == 200
        now[0] += 30
        entrance.look()
        assert entrance.counts == {"slow": 1}


async def test_a_body_that_does_not_come_is_answered(
    stage: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(http, "BODY_S", 0.05)
    head = get("/api/tempo", stage.service.http_port, Content_Length="20").replace(b"GET", b"PUT")
    answer = await raw_http(
        stage.service.http_port,
        head.replace(b"\r\n\r\n", b"\r\nContent-Type: application/json\r\n\r\n"),
    )
    assert answer.status == 408
    assert json.loads(answer.body)["title"] == "Request Timeout"  # RFC 9110, section 15.5.9


async def test_an_answer_that_is_not_taken_is_given_up(stage: Any) -> None:
    entrance = stage.service.entrance
    now = [100.0]
    entrance.clock = lambda: now[0]
    async with connected(stage.service.http_port, limit=1) as (_, writer):
        writer.write(get("/openapi.json", stage.service.http_port) * 400)
        await stage.until(
            lambda: any(
                c.transport and c.transport.get_write_buffer_size() for c in entrance._connections
            )
        )
        for _ in range(40):
            await asyncio.sleep(0.002)
            entrance.look()
            now[0] += 31
            if entrance.counts["stalled"]:
                break
        assert entrance.counts["stalled"] == 1
        assert (await stage.call("GET", "/api/state"))[0] == 200


async def test_full_up_idle_strangers_give_way_first(stage: Any) -> None:
    entrance = stage.service.entrance
    entrance.most = 12
    known = {"127.0.0.1"}
    entrance._is_known = lambda host: host in known
    async with contextlib.AsyncExitStack() as open_now:
        page_reader, _ = await open_now.enter_async_context(websocket(stage.service.http_port))
        known.clear()
        for _ in range(30):
            await open_now.enter_async_context(connected(stage.service.http_port))
        await stage.until(lambda: entrance.counts["full"])
        assert len(entrance._connections) <= 12
        known.add("127.0.0.1")
        assert (await stage.call("PUT", "/api/lanes/kick/mute", {"muted": True}))[0] == 200
        opcode, _ = await read_frame(page_reader)  # the page has stayed
        assert opcode == 1


async def test_descriptors_are_left_for_everything_else() -> None:
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (256, 256) if hard == 256 else (256, hard))
    try:
        assert connections_max() >= 8
        assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] >= min(256, hard)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


# --- the WebSocket --------------------------------------------------------------------------------


async def test_a_plain_request_for_the_websocket_is_told_to_upgrade(stage: Any) -> None:
    """RFC 9110, section 15.5.22: the answer names the protocol."""
    answer = await raw_http(stage.service.http_port, get("/api/live", stage.service.http_port))
    assert answer.status == 426
    assert answer.headers["upgrade"] == "websocket"
    assert "upgrade" in answer.headers["connection"].lower()


async def test_a_frame_without_a_mask_ends_the_connection(stage: Any) -> None:
    """RFC 6455, section 5.1: with status code 1002."""
    async with websocket(stage.service.http_port) as (reader, writer):
        writer.write(
            frame(b'{"do": "macro", "macro": "brightness", "value": 1, "seq": 1}', masked=False)
        )
        assert await close_code(reader) == 1002
        assert await reader.read() == b""
        await stage.call("PUT", "/api/tempo", {"bpm": 99})
        assert "macro" not in stage.player.words


@pytest.mark.parametrize(
    ("sent", "code"),
    [
        ((b"\x00", 2), 1003),  # RFC 6455, section 7.4.1: a kind that is not taken
        ((b"\xff\xfe", 1), 1007),  # no UTF-8
        ((b" " * 20_000, 1), 1009),  # too big
        ((b"", 3), 1002),  # a reserved opcode
    ],
    ids=["kind", "text", "size", "opcode"],
)
async def test_every_end_has_its_code(stage: Any, sent: tuple[bytes, int], code: int) -> None:
    payload, opcode = sent
    async with websocket(stage.service.http_port) as (reader, writer):
        writer.write(frame(payload, opcode=opcode))
        assert await close_code(reader) == code


async def test_a_frame_that_comes_right_behind_the_handshake_is_looked_at_too(stage: Any) -> None:
    async with connected(stage.service.http_port) as (reader, writer):
        head = get(
            "/api/live",
            stage.service.http_port,
            Upgrade="websocket",
            Connection="Upgrade",
            Sec_WebSocket_Key="dGhlIHNhbXBsZSBub25jZQ==",
            Sec_WebSocket_Version="13",
        )
        writer.write(head + frame(b'{"do": "mute-all"}', masked=False))
        answer = await read_answer(reader)
        assert (
            answer.headers["sec-websocket-accept"] == "s3pPLMBiTxaQ9kYGzzhZRbK+xOo="
        )  # section 1.3
        assert await close_code(reader) == 1002
        assert stage.player.received == []


FRAMES = st.lists(st.tuples(st.integers(0, 300) | st.just(66_000), st.booleans()), max_size=6)


@settings(deadline=None)
@given(FRAMES, st.integers(1, 9))
def test_masks_are_seen_however_the_bytes_are_cut(frames: list[tuple[int, bool]], cut: int) -> None:
    data = b"".join(frame(bytes(size), masked=masked) for size, masked in frames)
    check = FrameCheck()
    good = all(check.feed(data[at : at + cut]) for at in range(0, min(len(data), 2000), cut))
    good = good and check.feed(data[(min(len(data), 2000) + cut - 1) // cut * cut :])
    assert good == all(masked for _, masked in frames)
