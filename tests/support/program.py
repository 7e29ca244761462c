"""The real program for the tests on real peers: started, asked over HTTP, waited for, ended."""

from __future__ import annotations

import io
import json
import os
import re
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import pytest
from support.patience import PATIENCE_S

if TYPE_CHECKING:
    from support.screen import Screen

# What the fixtures give.
Needs: TypeAlias = Callable[..., None]
Until: TypeAlias = Callable[..., Any]
MakeScreen: TypeAlias = "Callable[..., Screen]"
Record: TypeAlias = Callable[[str, object], None]

WAIT_S = PATIENCE_S


def answer_of(request: str | urllib.request.Request) -> Any:
    """The answer, as JSON. A refusal is raised with what it says as a note: the test that fails by
    it shows why."""
    try:
        with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
            return json.load(answer)
    except urllib.error.HTTPError as error:
        body = error.read()
        error.fp = io.BytesIO(body)  # a test may read it as well
        error.add_note(f"{error.code}: {body[:2000].decode(errors='replace')}")
        raise


@dataclass
class Running:
    """A running `lanebridge`; `lines` is what it has said so far."""

    process: subprocess.Popen[str]
    url: str
    osc_port: int
    lines: list[str] = field(default_factory=list)

    def get(self, path: str) -> Any:
        return answer_of(f"{self.url}api/{path}")

    def send(self, method: str, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            f"{self.url}api/{path}", data, {"Content-Type": "application/json"}, method=method
        )
        return answer_of(request)

    @property
    def state(self) -> dict[str, Any]:
        state: dict[str, Any] = self.get("state")
        return state


def free_port(kind: socket.SocketKind = socket.SOCK_STREAM) -> int:
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_until(true: Callable[[], Any], within_s: float = WAIT_S, what: str = "") -> Any:
    """Waits until `true()` holds and returns its value; fails after `within_s`."""
    end = time.monotonic() + within_s
    while not (value := true()):
        if time.monotonic() > end:
            pytest.fail(f"not within {within_s} s: {what or true}")
        time.sleep(0.02)
    return value


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

        program.url = wait_until(address, WAIT_S, "an address")
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


def call(url: str, method: str = "GET", body: object = None) -> Any:
    """One request to a program at `url`, which the test started itself."""
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data, {"Content-Type": "application/json"}, method=method)
    with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
        return json.load(answer)


def state_of(url: str) -> dict[str, dict[str, Any]]:
    state = call(f"{url}/api/state")
    assert isinstance(state, dict)
    return state


def answers(url: str) -> bool:
    try:
        state_of(url)
    except OSError:
        return False
    return True
