"""Who may talk to the service: loopback, names, origins, the token, hosts for OSC."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import aiohttp
import pytest
from pythonosc.osc_message_builder import OscMessageBuilder
from support.patience import PATIENCE_S

from bridge.control.access import ADMIT_S, HOSTS_MOST, Access, is_loopback, split_host
from bridge.files.token import new_token
from bridge.service.app import Service
from bridge.web.gate import origin_allowed

TOKEN = "cXVheS1yYWNrLWxvdy10aWRl"


@pytest.fixture
async def open_stage(
    options: Any, player: Any, folder: Any, running: Any, make_stage: Any
) -> AsyncIterator[Any]:
    """A service with ``--lan`` and a token."""
    lan = replace(options, lan=True, token=TOKEN)
    jar = aiohttp.CookieJar(unsafe=True)  # cookies of hosts that are numbers are kept too
    async with running(Service(lan)) as service, aiohttp.ClientSession(cookie_jar=jar) as session:
        await service.link.met.wait()
        yield make_stage(service, player, session, folder)


def test_tokens_are_long_random_and_safe_in_an_address() -> None:
    tokens = {new_token() for _ in range(100)}
    assert len(tokens) == 100
    assert all(len(t) >= 22 and t.replace("-", "").replace("_", "").isalnum() for t in tokens)


def test_a_token_is_needed_on_the_network(options: Any) -> None:
    with pytest.raises(ValueError, match="token"):
        Service(replace(options, lan=True))


def test_without_lan_only_this_machine_is_listened_on(options: Any) -> None:
    assert options.host == "127.0.0.1"
    assert replace(options, lan=True, token=TOKEN).host == "0.0.0.0"


@pytest.mark.parametrize(
    ("host", "loopback"),
    [
        ("127.0.0.1", True),
        ("127.8.9.1", True),
        ("::1", True),
        ("::ffff:127.0.0.1", True),
        ("192.0.2.1", False),
        ("fe80::1%lan", False),
        ("localhost", False),
        ("", False),
    ],
)
def test_loopback_is_a_number(host: str, loopback: bool) -> None:
    assert is_loopback(host) is loopback


@pytest.mark.parametrize(
    ("header", "host"),
    [
        ("localhost:8420", "localhost"),
        ("LOCALHOST", "localhost"),
        ("[::1]:8420", "::1"),
        ("127.0.0.1", "127.0.0.1"),
        ("a.b:", "a.b"),
    ],
)
def test_the_host_is_split_from_its_port(header: str, host: str) -> None:
    assert split_host(header) == host


def test_only_names_of_this_machine_are_answered() -> None:
    """Name rebinding: a page's own name is made to point here; numbers cannot be rebound."""
    here, lan = Access(None), Access(TOKEN)
    for good in ("127.0.0.1:8420", "localhost:8420", "[::1]:8420"):
        assert here.host_allowed(good)
        assert lan.host_allowed(good)
    for bad in ("evil.example", "127.0.0.1.evil.example", "localhost.evil.example", "", None):
        assert not here.host_allowed(bad)
        assert not lan.host_allowed(bad)
    assert lan.host_allowed("192.0.2.4:8420")
    assert not here.host_allowed("192.0.2.4:8420")


async def test_a_rebound_name_is_misdirected(stage: Any) -> None:
    """RFC 9110, section 15.5.20."""
    status, problem, _ = await stage.call("GET", "/api/state", headers={"Host": "evil.example"})
    assert (status, problem["title"]) == (421, "Misdirected Request")


async def test_forged_requests_of_other_sites_are_refused(stage: Any) -> None:
    for headers in (
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ):
        status, problem, _ = await stage.call("POST", "/api/transport/start", headers=headers)
        assert (status, problem["status"]) == (403, 403), headers
    assert stage.player.received == []
    for headers in ({"Origin": stage.base}, {"Sec-Fetch-Site": "same-origin"}, {}):
        assert (await stage.call("POST", "/api/transport/start", headers=headers))[0] == 200


async def test_every_answer_carries_the_security_headers(stage: Any) -> None:
    for method, path in (
        ("GET", "/"),
        ("GET", "/api/state"),
        ("GET", "/nothing"),
        ("PUT", "/api/state"),
        ("GET", "/openapi.json"),
    ):
        async with stage.session.request(method, stage.base + path) as response:
            policy = response.headers["Content-Security-Policy"]
            assert "unsafe" not in policy
            assert "default-src 'none'" in policy
            assert "frame-ancestors 'none'" in policy
            assert "http:" not in policy.replace(stage.base.replace("http", "ws"), "")
            assert response.headers["X-Content-Type-Options"] == "nosniff"
            assert response.headers["Referrer-Policy"] == "no-referrer"
            assert "aiohttp" not in response.headers["Server"].lower()


# --- with a token ---------------------------------------------------------------------------------


async def test_without_the_token_nothing_is_given(open_stage: Any) -> None:
    stage = open_stage
    for method, path in (
        ("GET", "/"),
        ("GET", "/api/state"),
        ("POST", "/api/transport/start"),
        ("GET", "/openapi.json"),
        ("GET", "/api/live"),
        ("GET", "/nothing"),
        ("GET", "/?token=wrong"),
        ("GET", "/js/main.js"),
    ):
        status, problem, response = await stage.call(method, path)
        assert (status, problem["title"]) == (401, "Unauthorized"), path
        assert response.headers["WWW-Authenticate"].startswith("Bearer")
        assert TOKEN not in str(problem)
    with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
        await stage.session.ws_connect(stage.base + "/api/live")
    assert refused.value.status == 401
    assert stage.player.received == []
    assert stage.service.access.refused == 9


async def test_the_printed_address_leaves_a_cookie_and_then_hides_the_token(
    open_stage: Any,
) -> None:
    stage = open_stage
    async with stage.session.get(f"{stage.base}/?token={TOKEN}") as response:
        assert response.status == 200
        cookie = response.headers["Set-Cookie"]
        page = await response.text()
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert 'content="0;url=./"' in page
    assert TOKEN not in page
    assert (await stage.call("GET", "/api/state"))[0] == 200  # by the cookie
    assert (await stage.call("POST", "/api/transport/start"))[0] == 200
    async with stage.page() as page_socket:
        assert (await page_socket.next())["type"] == "state"


async def test_programs_show_it_as_bearer_or_in_the_query(open_stage: Any) -> None:
    stage = open_stage
    for headers in ({"Authorization": f"Bearer {TOKEN}"}, {"Authorization": f"bearer {TOKEN}"}):
        assert (await stage.call("GET", "/api/state", headers=headers))[0] == 200
    for headers in (
        {"Authorization": f"Basic {TOKEN}"},
        {"Authorization": "Bearer"},
        {"Authorization": "Bearer \xe9"},
    ):
        assert (await stage.call("GET", "/api/state", headers=headers))[0] == 401
    async with stage.session.ws_connect(f"{stage.base}/api/live?token={TOKEN}") as ws:
        assert (await ws.receive_json(timeout=PATIENCE_S))["type"] == "state"


async def test_the_token_does_not_excuse_a_foreign_origin_or_name(open_stage: Any) -> None:
    stage = open_stage
    bearer = {"Authorization": f"Bearer {TOKEN}"}
    status, _, _ = await stage.call(
        "POST", "/api/mute-all", headers={**bearer, "Origin": "http://evil.example"}
    )
    assert status == 403
    status, _, _ = await stage.call("GET", "/api/state", headers={**bearer, "Host": "evil.example"})
    assert status == 421


# --- OSC ------------------------------------------------------------------------------------------


def test_osc_comes_from_this_machine_or_from_hosts_that_have_shown_the_token() -> None:
    now = [0.0]
    lan = Access(TOKEN, clock=lambda: now[0])
    assert lan.osc_allowed("127.0.0.1")
    assert not lan.osc_allowed("192.0.2.4")
    lan.admit("192.0.2.4")
    assert lan.osc_allowed("192.0.2.4")
    assert not lan.osc_allowed("192.0.2.5")
    now[0] = ADMIT_S + 1
    assert not lan.osc_allowed("192.0.2.4")


def test_without_lan_no_other_host_is_ever_admitted() -> None:
    here = Access(None)
    here.admit("192.0.2.4")
    assert not here.osc_allowed("192.0.2.4")
    assert not here.matches("")
    assert not here.matches(None)


def test_the_number_of_admitted_hosts_is_bounded() -> None:
    lan = Access(TOKEN)
    for number in range(HOSTS_MOST + 10):
        lan.admit(f"host-{number}")
    assert len(lan._admitted) == HOSTS_MOST
    assert lan.osc_allowed(f"host-{HOSTS_MOST + 9}")


async def test_the_token_over_osc_opens_osc_for_its_host(open_stage: Any) -> None:
    osc = open_stage.service.osc

    def arrive(address: str, arg: Any) -> None:
        builder = OscMessageBuilder(address=address)
        builder.add_arg(arg)
        osc.datagram_received(builder.build().dgram, ("192.0.2.4", 5000))

    arrive("/lane/kick/mute", 1)
    arrive("/token", "guess")
    arrive("/token", 1)
    arrive("/subscribe", 9000)
    assert osc.counts == {"forbidden": 4}
    assert not osc.feedback.subscribers
    arrive("/token", TOKEN)
    arrive("/lane/kick/mute", 1)
    await open_stage.until(lambda: open_stage.player.received)
    assert open_stage.player.words == ["mute"]


def test_a_page_in_an_older_browser_may_open_its_socket() -> None:
    """Some count ws: to the own host as foreign unless it is named; the name is checked first."""
    from bridge.web.gate import _plain

    assert _plain("127.0.0.1:8420")
    assert _plain("[::1]:8420")
    for bad in ("", "a; script-src *", "a\r\nX: y", "a b"):
        assert not _plain(bad)


def test_origin_is_compared_with_the_name_that_was_asked_for() -> None:
    request = SimpleNamespace(host="Localhost:8420", headers={"Origin": "http://localhost:8420"})
    assert origin_allowed(request)  # type: ignore[arg-type]
