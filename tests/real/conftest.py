"""The real program for the tests of this folder: started, waited for, ended."""

from __future__ import annotations

import importlib.util
import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from support.program import MakeScreen, Needs, Running, Until, running, wait_until


@pytest.fixture
def until() -> Until:
    return wait_until


@pytest.fixture
def lanebridge(tmp_path: Path) -> Callable[..., AbstractContextManager[Running]]:
    """``with lanebridge("play", RIG, SET) as app:`` on free ports."""
    return partial(running, tmp_path / "state")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """`lanebridge demo`, one for all tests of a file."""
    with running(tmp_path_factory.mktemp("state"), "demo") as program:
        yield program


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium, one for all tests of a file; None where there is none (`screen` says so in each
    test). Not one for the whole run: its driver keeps an event loop in this thread, and tests of
    the service need their own."""
    chromium = shutil.which("chromium")
    if chromium is None or importlib.util.find_spec("playwright") is None:
        yield None
        return
    from playwright.sync_api import sync_playwright
    from support.screen import ARGS

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=ARGS)
        yield browser
        browser.close()


@pytest.fixture
def as_found(demo: Running) -> Iterator[None]:
    """A test of the page leaves the demo as it found it: its text, mutes, no solo, and running."""
    text = demo.get("set")["text"]
    yield
    for what in ("tuning/session", "soundcheck"):
        if demo.get(what.split("/")[0]).get("session" if "/" in what else "check"):
            demo.send("DELETE", what)
    state = demo.state
    if state["transport"]["state"] != "running":
        demo.send("POST", "transport/continue")
    now = demo.get("set")
    if now["file"] != "set.yaml":
        demo.send("POST", "set/open", {"file": "set.yaml", "when": "step"})
    if demo.get("set")["text"] != text:
        demo.send("PUT", "set", {"text": text, "when": "step"})
    wait_until(lambda: demo.state["revision"] == demo.get("set")["revision"], what="the old set")
    for name, lane in demo.state["lanes"].items():
        if lane["solo"]:
            demo.send("PUT", f"lanes/{name}/solo", {"on": False})
        if lane["muted"] or lane["pending"]:
            demo.send("PUT", f"lanes/{name}/mute", {"muted": False})


@pytest.fixture
def screen(needs: Needs, browser: Any, demo: Running, as_found: None) -> Iterator[MakeScreen]:
    """Makes screens, 1024 by 768 unless told; at the end none of them may have had an error."""
    needs("chromium", "python:playwright")
    from support.screen import Screen

    made: list[Screen] = []

    def make(width: int = 1024, height: int = 768, **options: Any) -> Screen:
        context = browser.new_context(
            viewport={"width": width, "height": height}, has_touch=True, **options
        )
        made.append(Screen(context))
        return made[-1]

    yield make
    for one in made:
        one.context.close()
    assert [error for one in made for error in one.errors] == []
