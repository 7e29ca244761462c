"""The page and its connection: it goes on after a gap, and says what its device may not do."""

from __future__ import annotations

import itertools
import json
import re
import urllib.request
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
from playwright.sync_api import WebSocketRoute
from support.patience import PATIENCE_S
from support.program import MakeScreen, Needs, Running, Until
from support.screen import Screen

pytestmark = [pytest.mark.real, pytest.mark.timeout(900)]

HEAR = """() => {
  window.heard = [];
  const { link } = lanebridge.app;
  for (const kind of ["state", "resumed", "change"])
    link.addEventListener(kind, ({ detail }) => heard.push([kind, detail.number]));
}"""


def heard(one: Screen, *kinds: str) -> list[int]:
    """Numbers of the messages of these kinds that have come since `HEAR`."""
    return [number for kind, number in one.page.evaluate("heard") if kind in kinds]


def is_live(one: Screen) -> bool:
    return bool(
        one.page.evaluate("lanebridge.app.link.live && !document.querySelector('#main').inert")
    )


def test_after_a_gap_the_page_is_sent_only_what_has_changed(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    one.page.evaluate(HEAR)
    until(lambda: heard(one, "change"), what="a change")
    one.page.evaluate("lanebridge.app.link.socket.close()")
    demo.send("PUT", "lanes/rim/mute", {"muted": True})
    until(lambda: heard(one, "resumed"), what="going on")
    until(lambda: one.look("rim") == "out", what="the mute that came in the gap")
    assert not heard(one, "state")
    numbers = heard(one, "change")
    assert all(later - earlier in (0, 1) for earlier, later in itertools.pairwise(numbers))
    until(lambda: is_live(one))


def test_what_has_changed_in_a_gap_comes_before_the_controls_however_slow_the_way(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    """Half a second lies between the word that it can be gone on and what has changed."""
    held: list[tuple[WebSocketRoute, str | bytes]] = []
    slow = False

    def between(ws: WebSocketRoute) -> None:
        server = ws.connect_to_server()
        ws.on_message(server.send)
        second = slow  # a change may still come on the connection that is about to be closed

        def told(message: str | bytes) -> None:
            if second and slow and (held or json.loads(message)["type"] == "change"):
                held.append((ws, message))
            else:
                ws.send(message)

        server.on_message(told)

    one = screen()
    one.page.route_web_socket(re.compile(r"/api/live\b"), between)
    one.open(demo.url)
    one.page.evaluate(HEAR)
    until(lambda: heard(one, "change"), what="a change")
    slow = True
    one.page.evaluate("lanebridge.app.link.socket.close()")
    demo.send("PUT", "lanes/rim/mute", {"muted": True})
    until(lambda: heard(one, "resumed"), what="going on")
    one.page.wait_for_timeout(500)
    assert held
    assert not is_live(one)
    slow = False
    for ws, message in held:
        ws.send(message)
    until(lambda: is_live(one))
    assert one.look("rim") == "out"


def test_a_page_that_nobody_remembers_gets_the_whole_state(
    screen: MakeScreen, demo: Running, until: Until
) -> None:
    one = screen().open(demo.url)
    one.page.evaluate(HEAR)
    one.page.evaluate("lanebridge.app.link.got = { name: 'another-night', number: 7 }")
    one.page.evaluate("lanebridge.app.link.socket.close()")
    until(lambda: heard(one, "state"), what="the whole state")
    until(lambda: is_live(one))
    assert not heard(one, "resumed")


class Lan:
    """A demo on the network, asked as somebody who has the token."""

    def __init__(self, program: Running) -> None:
        said = re.search(r"http://[^/]+:(\d+)/\?token=(\S+)", "".join(program.lines))
        assert said is not None
        self.url, self.token = f"http://127.0.0.1:{said[1]}/", said[2]

    def ask(self, method: str, path: str, body: Any = None) -> Any:
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(f"{self.url}api/{path}", data, headers, method=method)
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
            return json.load(answer)


def test_a_device_that_may_less_is_told_and_one_that_is_shut_out_can_pair_again(
    lanebridge: Callable[..., AbstractContextManager[Running]],
    browser: Any,
    needs: Needs,
    until: Until,
) -> None:
    needs("chromium", "python:playwright")
    with lanebridge("demo", "--lan") as program:
        until(lambda: "token=" in "".join(program.lines), what="the address with the token")
        lan = Lan(program)
        context = browser.new_context(has_touch=True)
        try:
            one = Screen(context)
            one.page.goto(f"{lan.url}?token={lan.token}")
            one.page.wait_for_selector("body[data-link=live] .head")
            (device,) = lan.ask("GET", "devices")["devices"]
            one.page.evaluate(HEAR)
            one.page.evaluate(HEAR)
            lan.ask("PUT", f"devices/{device['id']}", {"name": "tablet", "role": "watch"})
            until(lambda: heard(one, "resumed", "state"), what="coming back as less")
            until(lambda: is_live(one))
            one.page.locator(".head[data-lane=rim]").tap()
            until(lambda: "let in for less" in one.page.inner_text("#say"), what="why not")
            assert not lan.ask("GET", "state")["lanes"]["rim"]["muted"]
            lan.ask("DELETE", f"devices/{device['id']}")
            one.page.wait_for_selector("text=This device is not let in yet")
            code = lan.ask("POST", "pairing", {"role": "play"})["code"]
            one.page.locator("input[name=code]").fill(code.lower())
            one.page.get_by_role("button", name="Open").tap()
            one.page.wait_for_selector("body[data-link=live] .head")
            one.page.locator(".head[data-lane=rim]").tap()
            until(lambda: lan.ask("GET", "state")["lanes"]["rim"]["muted"], what="playing again")
        finally:
            context.close()
