"""Strangers on the network and pages of other sites: what they cost, what they are told, and what
is remembered of those who were let in."""

from __future__ import annotations

import asyncio
import json
import math
import stat
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from support.patience import PATIENCE_S, until
from support.peers import bundle, connected, get, osc, raw_http

from bridge.control.access import ADMIT_S, Access
from bridge.control.remembered import FILE_NAME, Network, Remembered
from bridge.control.tries import TRIES, TRY_S
from bridge.osc import server as osc_module
from bridge.paper import sheet
from bridge.service.app import Service
from bridge.web import paper_http
from bridge.web.gate import COOKIE

TOKEN = "cXVheS1yYWNrLWxvdy10aWRl"
STRANGER = ("192.0.2.9", 5000)
FRIEND = ("192.0.2.4", 5000)


@pytest.fixture
async def open_stage(
    options: Any, player: Any, folder: Any, running: Any, make_stage: Any
) -> AsyncIterator[Any]:
    """A service with ``--lan`` and a token."""
    lan = replace(options, lan=True, token=TOKEN)
    async with running(Service(lan)) as service, aiohttp.ClientSession() as session:
        await service.link.met.wait()
        yield make_stage(service, player, session, folder)


# --- HTTP -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "headers",
    [
        {"Authorization": "Bearer \xff\xfe"},
        {"Authorization": "Bearer " + "\x80" * 200},
        {"Authorization": "\xff"},
        {"Cookie": "lanebridge=\xff"},
        {"Cookie": "\xff\xff; lanebridge"},
        {"Authorization": "Basic Zm9vOmJhcg=="},
        {"Authorization": "Bearer"},
        {},
    ],
)
async def test_any_bytes_as_a_token_are_just_wrong(
    open_stage: Any, headers: dict[str, str]
) -> None:
    port = open_stage.service.http_port
    for path in ("/api/state", "/api/state?token=%ff", "/api/state?token=%ed%b3%bf"):
        answer = await raw_http(port, get(path, port, **headers))
        assert answer.status == 401
        assert json.loads(answer.body)["status"] == 401
        assert answer.headers["www-authenticate"].startswith("Bearer ")  # RFC 9110, section 11.6.1


async def test_a_person_without_the_token_gets_a_page(open_stage: Any) -> None:
    port = open_stage.service.http_port
    for path, wrong in (("/", False), ("/?token=guess", True)):
        answer = await raw_http(port, get(path, port, Accept="text/html,application/xhtml+xml"))
        assert answer.status == 401
        assert answer.headers["content-type"].startswith("text/html")
        assert b"token" in answer.body
        assert (b"not the right one" in answer.body) is wrong
        assert b"guess" not in answer.body
        assert TOKEN.encode() not in answer.body
        assert "script-src" not in answer.headers["content-security-policy"]
        assert "default-src 'none'" in answer.headers["content-security-policy"]
    program = await raw_http(port, get("/", port, Accept="application/json"))
    assert program.headers["content-type"] == "application/problem+json"


async def test_wrong_tokens_and_codes_are_told_to_wait(open_stage: Any) -> None:
    """RFC 6585, section 4: 429 with Retry-After. Then the right one is not looked at either."""
    port, access = open_stage.service.http_port, open_stage.service.access
    code = access.pairing.make("edit")
    shown = [{"Authorization": "Bearer guess"}, {}, {}]
    paths = ["/api/state", "/api/state?token=guess", "/?code=AAAA-AAAA"]
    for turn in range(int(TRIES)):
        answer = await raw_http(port, get(paths[turn % 3], port, **shown[turn % 3]))
        assert answer.status == 401, turn
    before = len(access.devices.listed())
    right = {"Authorization": f"Bearer {TOKEN}"}
    for path, headers in (("/api/state", right), (f"/?token={TOKEN}", {}), (f"/?code={code}", {})):
        answer = await raw_http(port, get(path, port, **headers))
        assert answer.status == 429, path
        assert 1 <= int(answer.headers["retry-after"]) <= math.ceil(TRY_S)
        assert json.loads(answer.body)["kind"] == "busy"
    person = await raw_http(port, get(f"/?code={code}", port, Accept="text/html"))
    assert person.status == 429
    assert b"Too many wrong tries" in person.body
    assert len(access.devices.listed()) == before
    assert (await raw_http(port, get("/api/state", port))).status == 401, "it shows nothing"
    access.tries._clock = lambda: time.monotonic() + TRY_S
    assert (await raw_http(port, get("/api/state", port, **right))).status == 200


async def test_a_device_that_is_let_in_plays_on_beside_a_guesser_at_its_address(
    open_stage: Any,
) -> None:
    port, access = open_stage.service.http_port, open_stage.service.access
    _, secret = access.devices.pair("tablet", "play", "127.0.0.1")
    while not access.tries.wait("127.0.0.1"):
        await raw_http(port, get("/api/state?token=guess", port))
    cookie = {"Cookie": f"{COOKIE}={secret}"}
    assert (await raw_http(port, get("/api/state?token=guess", port, **cookie))).status == 200
    assert (await raw_http(port, get("/api/state", port, **cookie))).status == 200


@pytest.mark.parametrize(
    "host",
    [
        "[::1].evil.example",
        "[::1]evil.example:8420",
        "localhost:80.evil.example",
        "127.0.0.1:80:80",
        "127.0.0.1@evil.example",
        "evil.example/127.0.0.1",
        "[::1",
        "localhost,evil.example",
    ],
)
async def test_a_host_that_only_begins_like_ours_is_misdirected(stage: Any, host: str) -> None:
    """RFC 9110, section 7.2 (Host = uri-host [":" port]) and 15.5.20."""
    port = stage.service.http_port
    answer = await raw_http(port, get("/api/state", port, Host=host))
    assert answer.status in (400, 421)
    assert not Access(TOKEN).host_allowed(host)


FOREIGN = [
    {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "no-cors"},
    {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "navigate"},
    {"Sec_Fetch_Site": "same-site", "Sec_Fetch_Mode": "cors"},
    {"Origin": "http://evil.example"},
    {"Origin": "null"},
]


@pytest.mark.parametrize("headers", FOREIGN)
async def test_a_foreign_page_has_nothing_made(
    stage: Any, headers: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fetch Metadata Request Headers (W3C): what another site asks for says so."""

    def never(*args: Any) -> Any:
        raise AssertionError("a foreign page has started work")

    monkeypatch.setattr(sheet, "sheet_html", never)
    monkeypatch.setattr(paper_http, "draw_scope", never)
    monkeypatch.setattr(paper_http, "plan", never)
    port = stage.service.http_port
    for path in (
        "/api/sheet",
        "/api/scope.svg",
        "/api/outputs",
        "/api/chart",
        "/api/state",
        "/js/main.js",
    ):
        answer = await raw_http(port, get(path, port, **headers))
        assert answer.status == 403, path


async def test_a_link_on_another_site_opens_the_page_all_the_same(stage: Any) -> None:
    port = stage.service.http_port
    visit = {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "navigate"}
    assert (await raw_http(port, get("/", port, **visit))).status == 200
    hidden = {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "no-cors"}
    assert (await raw_http(port, get("/", port, **hidden))).status == 403


async def test_one_sheet_is_made_for_many(stage: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    real, made = sheet.sheet_html, []

    def count(*args: Any) -> str:
        made.append(1)
        return real(*args)

    monkeypatch.setattr(sheet, "sheet_html", count)
    port = stage.service.http_port
    answers = await asyncio.gather(
        *(raw_http(port, get("/api/sheet?bars=1", port)) for _ in range(12))
    )
    assert {a.status for a in answers} == {200}
    assert len({a.body for a in answers}) == 1
    assert len(made) == 1
    edit = {"edits": [{"path": ["lanes", "kick", "gate"], "value": 0.3}]}
    await stage.call("POST", "/api/set/edits", edit)
    await raw_http(port, get("/api/sheet?bars=1", port))
    assert len(made) == 2  # another text is another sheet


async def test_a_drawing_ends_with_the_last_client_that_wanted_it(
    stage: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, ended = asyncio.Event(), asyncio.Event()

    async def draw(*args: Any) -> bytes:
        begun.set()
        try:
            await asyncio.Event().wait()
        finally:
            ended.set()
        return b""

    monkeypatch.setattr(paper_http, "draw_scope", draw)
    port = stage.service.http_port
    async with connected(port) as (_, writer):
        writer.write(get("/api/scope.svg", port))
        await asyncio.wait_for(begun.wait(), PATIENCE_S)
        writer.close()
        await asyncio.wait_for(ended.wait(), PATIENCE_S)
        await stage.call("GET", "/api/state")
        assert not stage.service.entrance.counts  # a client that leaves is no fault of ours


# --- OSC ------------------------------------------------------------------------------------------


async def test_the_bytes_of_a_stranger_are_not_parsed(
    open_stage: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*args: Any) -> Any:
        raise AssertionError("a stranger's datagram was parsed")

    monkeypatch.setattr(osc_module, "messages", never)
    monkeypatch.setattr(osc_module, "parse", never)
    door = open_stage.service.osc
    strange = [
        bundle(*[osc("/*/*/*", 1)] * 200),
        osc("/lane/kick/mute", 1),
        osc("/token", "guess"),
        osc("/token", "\x01" * 200),
        osc("/token", 5),
        b"",
        b"/token\0\0,s\0\0" + b"\xff" * 100,
        osc("/toke?", TOKEN),
    ]
    for data in strange:
        door.datagram_received(data, STRANGER)
    assert door.counts == {"forbidden": len(strange)}
    door.datagram_received(osc("/token", TOKEN), FRIEND)
    assert door.counts["done"] == 1
    assert open_stage.service.access.osc_allowed(FRIEND[0])
    assert not open_stage.service.access.osc_allowed(STRANGER[0])


# --- after a crash --------------------------------------------------------------------------------


async def test_who_was_let_in_and_who_listens_outlives_the_service(
    options: Any, player: Any, running: Any, caplog: pytest.LogCaptureFixture
) -> None:
    lan = replace(options, lan=True, token=TOKEN)
    async with running(Service(lan)) as service:
        await service.link.met.wait()
        service.osc.datagram_received(osc("/token", TOKEN), FRIEND)
        service.access.answers_from(FRIEND[0])
        service.osc.datagram_received(osc("/subscribe", 9000), FRIEND)
        kept = options.state_dir / FILE_NAME
        await until(lambda: kept.exists() and "9000" in kept.read_text())
        assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    with caplog.at_level("INFO"):
        async with running(Service(lan)) as service:
            assert service.access.osc_allowed(FRIEND[0])
            assert not service.access.osc_allowed(STRANGER[0])
            assert set(service.osc.feedback.subscribers) == {(FRIEND[0], 9000)}
    assert "1 hosts are let in and 1 subscriptions go on" in caplog.text


def test_only_this_run_s_memory_counts_and_no_time_is_won(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_text(
        Network(run="seven", admitted={"192.0.2.4": 1e12, "192.0.2.5": 5.0}).model_dump_json()
    )
    same = Access(TOKEN, clock=lambda: 10.0, remembered=Remembered(tmp_path, "seven"))
    assert same.osc_allowed("192.0.2.4")
    assert not same.osc_allowed("192.0.2.5")  # its time was over
    same._clock = lambda: 11.0 + ADMIT_S
    assert not same.osc_allowed("192.0.2.4")
    for other in (
        Access(TOKEN, clock=lambda: 10.0, remembered=Remembered(tmp_path, "eight")),
        Access(None, clock=lambda: 10.0, remembered=Remembered(tmp_path, "seven")),
    ):
        assert not other.osc_allowed("192.0.2.4")


@pytest.mark.parametrize(
    "content",
    [
        b"[" * 200_000,
        b"\x00" * 100,
        b'{"run": "seven", "admitted": 5}',
        b'{"run": "seven", "admitted": {"192.0.2.4": "long"}}',
        b'{"run": "seven", "subscribers": [["192.0.2.4", "x"]]}',
        b"null",
        b"\xff\xfe",
    ],
)
def test_a_strange_memory_is_said_and_not_used(
    tmp_path: Path, content: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    assert Remembered(tmp_path, "seven").load() == Network(run="seven")
    assert FILE_NAME in caplog.text
