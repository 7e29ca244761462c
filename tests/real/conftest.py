"""The real program for the tests of this folder: started, waited for, ended."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import pytest

START_S = 60.0
WAIT_S = 60.0  # a wait ends by progress; the limit is for machines that are busy


@dataclass
class Running:
    """A running `lanebridge`; `lines` is what it has said so far."""

    process: subprocess.Popen[str]
    url: str
    osc_port: int
    lines: list[str] = field(default_factory=list)

    def get(self, path: str) -> Any:
        with urllib.request.urlopen(f"{self.url}api/{path}", timeout=WAIT_S) as answer:
            return json.load(answer)

    def send(self, method: str, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            f"{self.url}api/{path}", data, {"Content-Type": "application/json"}, method=method
        )
        with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
            return json.load(answer)

    @property
    def state(self) -> dict[str, Any]:
        return self.get("state")


def free_port(kind: int = socket.SOCK_STREAM) -> int:
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_until(true: Callable[[], Any], within_s: float = WAIT_S, what: str = "") -> Any:
    """Waits until `true()` holds and returns its value; fails after `within_s`."""
    end = time.monotonic() + within_s
    while not (value := true()):
        if time.monotonic() > end:
            pytest.fail(f"not within {within_s} s: {what or true}")
        time.sleep(0.02)
    return value


@pytest.fixture
def until() -> Callable[..., Any]:
    return wait_until


@contextmanager
def running(state_home: Path, *args: str) -> Iterator[Running]:
    """`lanebridge ARGS` on free ports; ended by SIGTERM and waited for."""
    http, osc = free_port(), free_port(socket.SOCK_DGRAM)
    process = subprocess.Popen(
        [sys.executable, "-m", "bridge.cli", *args, "--port", str(http), "--osc-port", str(osc)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "XDG_STATE_HOME": str(state_home), "PYTHONUNBUFFERED": "1"},
    )
    program = Running(process, "", osc)
    assert process.stdout is not None
    out = process.stdout

    def read() -> None:
        for line in out:
            program.lines.append(line)

    reader = threading.Thread(target=read)
    reader.start()
    try:

        def address() -> str | None:
            if process.poll() is not None:
                pytest.fail("it ended: " + "".join(program.lines))
            said = re.search(r"http://\S+/", "".join(program.lines))
            return said[0] if said else None

        program.url = wait_until(address, START_S, "an address")
        yield program
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        reader.join()
        out.close()


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
def screen(
    needs: Callable[..., None], browser: Any, demo: Running, as_found: None
) -> Iterator[Callable[..., Any]]:
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
