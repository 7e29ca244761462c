"""Devices that are let in, codes that let one in, and roles: what each may do by every way in."""

from __future__ import annotations

import asyncio
import json
import stat
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from support.patience import until
from support.peers import osc

from bridge.control.devices import (
    CODE_LETTERS,
    CODE_S,
    DEVICES_MAX,
    HOST_TRIES_MAX,
    LETTERS,
    TRIES_MAX,
    UNUSED_S,
    Devices,
    Pairing,
)
from bridge.control.roles import acting, demand, suffices
from bridge.errors import CommandError
from bridge.protocol.roles import Role
from bridge.protocol.table import client_commands
from bridge.service.app import Service

TOKEN = "cXVheS1yYWNrLWxvdy10aWRl"
BEARER = {"Authorization": f"Bearer {TOKEN}"}
HOST = "192.0.2.4"

Browser = Callable[[], aiohttp.ClientSession]


# --- codes ----------------------------------------------------------------------------------------


def test_a_code_is_good_once_however_it_is_typed() -> None:
    pairing = Pairing(clock=lambda: 0.0)
    code = pairing.make("watch")
    assert len(code.replace("-", "")) == CODE_LETTERS
    assert pairing.take(HOST, f" {code.lower().replace('-', ' ')} ") == "watch"
    assert pairing.take(HOST, code) is None


def test_a_code_is_over_after_its_time_and_when_a_new_one_is_made() -> None:
    now = [0.0]
    pairing = Pairing(clock=lambda: now[0])
    first = pairing.make("edit")
    second = pairing.make("edit")
    assert pairing.take(HOST, first) is None
    now[0] = CODE_S
    assert pairing.take(HOST, second) is None


def test_wrong_tries_are_limited_for_a_host_and_in_all() -> None:
    pairing = Pairing(clock=lambda: 0.0)
    code = pairing.make("play")
    wrong = "".join(LETTERS[LETTERS.index(c) - 1] for c in code.replace("-", ""))
    for _ in range(HOST_TRIES_MAX):
        assert pairing.take("192.0.2.9", wrong) is None
    assert pairing.take("192.0.2.9", code) is None  # this host has had its tries
    assert pairing.take(HOST, code) == "play"  # and has not spoilt it for others
    code = pairing.make("play")
    for number in range(TRIES_MAX):
        assert pairing.take(f"192.0.2.{number}", wrong) is None
    assert pairing.take(HOST, code) is None


def test_codes_are_random_and_have_no_letters_that_look_alike() -> None:
    pairing = Pairing()
    codes = {pairing.make("play") for _ in range(200)}
    assert len(codes) == 200
    assert not set("01IO") & set("".join(codes))


# --- devices --------------------------------------------------------------------------------------


async def test_a_device_is_known_after_a_restart_and_its_secret_is_kept_nowhere(
    tmp_path: Path,
) -> None:
    device, secret = Devices(tmp_path).pair("Tablet at the desk", "play", HOST)
    path = tmp_path / "devices.json"
    await until(lambda: path.exists() and device.id in path.read_text())
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert secret not in path.read_text()
    assert sha256(secret.encode()).hexdigest() in path.read_text()
    found = Devices(tmp_path).find(secret)
    assert found is not None
    assert (found.id, found.name, found.role) == (device.id, "Tablet at the desk", "play")
    assert Devices(tmp_path).find(secret[:-1]) is None
    assert Devices(tmp_path).find("\udcff") is None


def test_a_device_that_does_not_come_for_a_month_is_forgotten() -> None:
    now = [1e9]
    devices = Devices(None, clock=lambda: now[0])
    device, secret = devices.pair("", "watch", HOST)
    assert HOST in device.name
    now[0] += UNUSED_S - 1
    devices.seen(device, HOST)
    now[0] += UNUSED_S - 1
    assert devices.find(secret) is device
    now[0] += 2
    assert devices.find(secret) is None
    assert devices.listed() == []


def test_so_many_devices_and_the_longest_unused_gives_way() -> None:
    now = [1e9]
    devices = Devices(None, clock=lambda: now[0])
    secrets = []
    for number in range(DEVICES_MAX + 1):
        now[0] += 1
        secrets.append(devices.pair(f"number {number}", "play", HOST)[1])
    assert len(devices.listed()) == DEVICES_MAX
    assert devices.find(secrets[0]) is None
    assert devices.find(secrets[1]) is not None


@pytest.mark.parametrize("text", ["", "[]", '{"devices": [{"id": "x"}]}', "\x00" * 70_000])
def test_a_file_that_is_not_ours_lets_nobody_in(tmp_path: Path, text: str) -> None:
    (tmp_path / "devices.json").write_text(text)
    assert Devices(tmp_path).listed() == []


# --- roles ----------------------------------------------------------------------------------------


def test_each_role_includes_those_before_it() -> None:
    roles: tuple[Role, ...] = ("watch", "play", "edit")
    for rank, role in enumerate(roles):
        assert [suffices(role, other) for other in roles] == [n <= rank for n in range(3)]
    with acting("play"):
        demand("play", "a mute")
        with pytest.raises(CommandError) as refused:
            demand("edit", "a new lane")
        assert refused.value.kind == "role"
    demand("edit", "what this machine does by itself")


def test_the_table_gives_every_command_a_role() -> None:
    roles = {command.ROW.do: command.ROW.role for command in client_commands()}
    assert {roles[do] for do in ("mute", "macro", "section", "start", "stop", "mute-all")} == {
        "play"
    }
    assert {roles[do] for do in ("copy", "clear", "randomise", "learn")} == {"edit"}
    assert {do for do, role in roles.items() if role == "watch"} == {"chart", "alive", "scope"}


# --- a service on the network ---------------------------------------------------------------------


@pytest.fixture
async def open_stage(
    options: Any, player: Any, folder: Any, running: Any, make_stage: Any
) -> AsyncIterator[Any]:
    """A service with ``--lan`` and a token, asked by a program that shows it."""
    lan = replace(options, lan=True, token=TOKEN)
    async with running(Service(lan)) as service, aiohttp.ClientSession(headers=BEARER) as session:
        await service.link.met.wait()
        yield make_stage(service, player, session, folder)


@pytest.fixture
async def browser() -> AsyncIterator[Browser]:
    """Makes browsers: each keeps its cookies, for hosts that are numbers too."""
    made: list[aiohttp.ClientSession] = []

    def make() -> aiohttp.ClientSession:
        made.append(aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)))
        return made[-1]

    yield make
    for one in made:
        await one.close()


async def paired(stage: Any, one: aiohttp.ClientSession, role: str, name: str = "") -> str:
    """Lets a browser in by a code of this role; returns the id of the device."""
    status, answer, _ = await stage.call("POST", "/api/pairing", {"role": role})
    assert status == 200, answer
    query = {"code": answer["code"], "name": name}
    async with one.get(f"{stage.base}/", params=query) as response:
        assert response.status == 200
        cookie = response.headers["Set-Cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        assert TOKEN not in cookie
    devices = (await stage.call("GET", "/api/devices"))[1]["devices"]
    return str(max(devices, key=lambda device: device["paired"])["id"])


async def asks(
    stage: Any, one: aiohttp.ClientSession, method: str, path: str, body: Any = None
) -> tuple[int, Any]:
    async with one.request(method, stage.base + path, json=body) as response:
        return response.status, await response.json(content_type=None)


async def test_a_typed_code_lets_a_device_in_as_what_it_was_made_for(
    open_stage: Any, browser: Browser
) -> None:
    stage, screen, tablet = open_stage, browser(), browser()
    assert (await asks(stage, screen, "GET", "/api/state"))[0] == 401
    await paired(stage, screen, "watch", "Front of house")
    await paired(stage, tablet, "play")
    mute = ("PUT", "/api/lanes/kick/mute", {"muted": True})
    assert (await asks(stage, screen, "GET", "/api/state"))[0] == 200
    status, told = await asks(stage, screen, *mute)
    assert (status, told["kind"]) == (403, "role")
    assert (await asks(stage, tablet, *mute))[0] == 200
    status, told = await asks(stage, tablet, "POST", "/api/lanes/kick/clear")
    assert (status, told["kind"]) == (403, "role")
    for who, body in ((tablet, {"role": "edit"}), (screen, None)):
        assert (await asks(stage, who, "POST", "/api/pairing", body))[0] == 403
        assert (await asks(stage, who, "GET", "/api/devices"))[0] == 403
    assert stage.player.words == ["mute"]


async def test_the_code_and_the_form_for_it_are_there_for_a_person(open_stage: Any) -> None:
    stage = open_stage
    html = {"Accept": "text/html", "Authorization": ""}
    async with stage.session.get(f"{stage.base}/?code=AAAA-AAAA", headers=html) as response:
        page = await response.text()
    assert response.status == 401
    assert 'name="code"' in page
    assert "over" in page
    assert "AAAA" not in page


async def test_every_route_needs_the_role_that_its_description_says(
    open_stage: Any, browser: Browser
) -> None:
    stage, screen, tablet = open_stage, browser(), browser()
    await paired(stage, screen, "watch")
    await paired(stage, tablet, "play")
    paths = (await stage.call("GET", "/openapi.json"))[1]["paths"]
    seen = set()
    for path, operations in paths.items():
        for method, operation in operations.items():
            role = operation["x-role"]
            seen.add(role)
            for who, has in ((screen, "watch"), (tablet, "play")):
                if suffices(has, role):  # type: ignore[arg-type]
                    continue
                url = path.replace("{", "").replace("}", "")
                status, told = await asks(stage, who, method.upper(), url, {})
                assert (status, told["kind"]) == (403, "role"), (method, path)
    assert seen == {"watch", "play", "edit"}
    assert stage.player.words == []


async def test_the_page_s_socket_has_the_role_of_its_device(
    open_stage: Any, browser: Browser
) -> None:
    stage, one = open_stage, browser()
    device = await paired(stage, one, "watch")
    mute = {"do": "mute", "lane": "kick", "muted": True, "seq": 1}
    async with one.ws_connect(f"{stage.base}/api/live") as ws:
        await ws.send_json(mute)
        while (told := await ws.receive_json())["type"] != "refused":
            assert told["type"] != "done"
        assert told["problem"]["kind"] == "role"
        body = {"name": "Drummer", "role": "play"}
        assert (await stage.call("PUT", f"/api/devices/{device}", body))[1]["role"] == "play"
        while (message := await ws.receive()).type is aiohttp.WSMsgType.TEXT:
            pass
        assert message.data == 1008  # RFC 6455, section 7.4.1: policy
    async with one.ws_connect(f"{stage.base}/api/live") as ws:
        await ws.send_json(mute)
        while (told := await ws.receive_json())["type"] != "done":
            assert told["type"] != "refused"
    assert stage.player.words == ["mute"]


async def test_a_device_that_is_shut_out_is_out_at_once(open_stage: Any, browser: Browser) -> None:
    stage, one, other = open_stage, browser(), browser()
    device = await paired(stage, one, "edit", "Lost tablet")
    kept = await paired(stage, other, "play")
    rows = (await asks(stage, one, "GET", "/api/devices"))[1]["devices"]
    assert {row["id"]: row["here"] for row in rows} == {device: True, kept: False}
    assert {row["name"] for row in rows} >= {"Lost tablet"}
    assert not any("digest" in row for row in rows)
    async with one.ws_connect(f"{stage.base}/api/live") as ws:
        assert (await stage.call("DELETE", f"/api/devices/{device}"))[0] == 200
        while (await ws.receive()).type is aiohttp.WSMsgType.TEXT:
            pass
    assert (await asks(stage, one, "GET", "/api/state"))[0] == 401
    assert (await asks(stage, other, "GET", "/api/state"))[0] == 200
    assert (await stage.call("DELETE", f"/api/devices/{device}"))[0] == 404


async def test_a_device_stays_let_in_when_the_service_is_started_again(
    options: Any, player: Any, folder: Any, running: Any, make_stage: Any, browser: Browser
) -> None:
    one = browser()
    async with aiohttp.ClientSession(headers=BEARER) as session:
        async with running(Service(replace(options, lan=True, token=TOKEN))) as service:
            await service.link.met.wait()
            device = await paired(make_stage(service, player, session, folder), one, "play")
            kept = options.state_dir / "devices.json"
            await until(lambda: kept.exists() and device in kept.read_text())
        # Even with another token: what is new about it concerns programs.
        async with running(Service(replace(options, lan=True, token=TOKEN[::-1]))) as service:
            await service.link.met.wait()
            stage = make_stage(service, player, session, folder)
            assert (await asks(stage, one, "GET", "/api/state"))[0] == 200
            assert (await stage.call("GET", "/api/state"))[0] == 401


async def test_the_token_lifts_a_device_that_was_let_in_by_a_code(
    open_stage: Any, browser: Browser
) -> None:
    stage, one = open_stage, browser()
    device = await paired(stage, one, "watch")
    async with one.get(f"{stage.base}/?token={TOKEN}") as response:
        assert "Set-Cookie" not in response.headers
    rows = (await asks(stage, one, "GET", "/api/devices"))[1]["devices"]
    assert [(row["id"], row["role"]) for row in rows] == [(device, "edit")]


async def test_osc_of_a_host_may_do_what_its_devices_may(open_stage: Any) -> None:
    stage, access, end = open_stage, open_stage.service.access, open_stage.service.osc
    device, _ = access.devices.pair("", "play", HOST)
    access.admit("192.0.2.7", "watch")
    end.datagram_received(osc("/lane/kick/mute", 1), ("192.0.2.7", 5000))
    assert end.counts["forbidden"] == 1  # who only watches sends no OSC
    access.admit(HOST, "play")
    end.datagram_received(osc("/lane/kick/clear"), (HOST, 5000))
    await stage.until(lambda: end.counts["refused"] == 1)
    end.datagram_received(osc("/lane/kick/mute", 1), (HOST, 5000))
    await stage.until(lambda: stage.player.words == ["mute"])
    access.shut_out(device)
    end.datagram_received(osc("/lane/kick/mute", 0), (HOST, 5000))
    assert end.counts["forbidden"] == 2
    access.admit(HOST, "edit")
    assert access.osc_role(HOST) == "edit"


async def test_who_may_play_takes_back_what_was_played_and_no_change_of_the_text(
    open_stage: Any, browser: Browser
) -> None:
    stage, one = open_stage, browser()
    await paired(stage, one, "play")
    assert (await asks(stage, one, "PUT", "/api/lanes/kick/mute", {"muted": True}))[0] == 200
    assert (await asks(stage, one, "POST", "/api/undo"))[0] == 200
    text = (await stage.call("GET", "/api/set"))[1]["text"]
    body = {"text": text.replace("tempo: 126", "tempo: 96"), "when": "step"}
    assert (await stage.call("PUT", "/api/set", body))[0] == 200
    status, told = await asks(stage, one, "POST", "/api/undo")
    assert (status, told["kind"]) == (403, "role")
    assert (await stage.call("POST", "/api/undo"))[0] == 200  # it is still there to be taken back


async def test_only_this_machine_has_nothing_to_pair(stage: Any) -> None:
    status, told, _ = await stage.call("POST", "/api/pairing")
    assert (status, told["kind"]) == (409, "state")
    assert (await stage.call("GET", "/api/devices"))[1] == {"devices": []}


async def test_a_guesser_learns_nothing_and_is_stopped(open_stage: Any, browser: Browser) -> None:
    stage, one = open_stage, browser()
    code = (await stage.call("POST", "/api/pairing"))[1]["code"]
    guesses = [f"/?code={LETTERS[n] * CODE_LETTERS}" for n in range(HOST_TRIES_MAX)]
    answers = await asyncio.gather(*(asks(stage, one, "GET", guess) for guess in guesses))
    right = await asks(stage, one, "GET", f"/?code={code}")
    assert {json.dumps(answer) for answer in (*answers, right)} == {json.dumps(right)}
    assert right[0] == 401
