"""A running program whose processes can be killed, and the wire that it plays on."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from support.patience import PATIENCE_S
from support.program import free_port

RIG = """\
rig: Test quay
interfaces:
  main: {profile: eight-gates-four-cv, port: simulated}
"""
STEP_NS = 125_000_000
SET = """\
set: Undertow
tempo: 120
lanes:
  kick:  {steps: "x.x.", out: main.gate-1, gate: 1.9}
  other: {steps: "xxxx", out: main.gate-2, gate: 0.5}
  spray: {logic: "other and not kick", out: main.gate-3}
macros:
  depth: {start: 0.2, drives: [{out: main.level-1, from: 0, to: 5}]}
"""
KICK, OTHER, SPRAY = 36, 37, 38


class Line(NamedTuple):
    ns: int
    pid: int
    data: bytes


class Stage:
    """A running `lanebridge play`, its log and its state."""

    def __init__(
        self,
        folder: Path,
        *,
        start: bool = True,
        rig: str = RIG,
        text: str | None = SET,
        env: Mapping[str, str] | None = None,
        more: tuple[str, ...] = (),
        **pipes: Any,
    ) -> None:
        self.folder = folder
        self.log = folder / "wire.log"
        (folder / "rig.yaml").write_text(rig)
        if text is not None:  # None: the files as they are
            (folder / "set.yaml").write_text(text)
        self.http, self.osc = free_port(socket.SOCK_STREAM), free_port(socket.SOCK_DGRAM)
        command = [
            sys.executable,
            "-m",
            "bridge.cli",
            "play",
            "rig.yaml",
            "set.yaml",
            "--port",
            str(self.http),
            "--osc-port",
            str(self.osc),
            *(["--start"] if start else []),
            *more,
        ]
        self.out = (folder / "out.txt").open("wb")
        given = {"stdout": self.out, "stderr": self.out, **pipes}
        self.surroundings = {**environment(folder), **(env or {})}
        self.process = subprocess.Popen(command, cwd=folder, env=self.surroundings, **given)

    def lines(self) -> list[Line]:
        if not self.log.exists():
            return []
        rows = (line.split() for line in self.log.read_text().splitlines())
        return [Line(int(ns), int(pid), bytes.fromhex(data)) for ns, pid, _, data in rows]

    def hits(self, note: int, since: int = 0) -> list[Line]:
        return [
            line
            for line in self.lines()
            if line.ns >= since and line.data[0] & 0xF0 == 0x90 and line.data[1] == note
        ]

    def state(self) -> dict[str, Any]:
        return self.get("state")

    def history(self) -> tuple[list[str], list[str]]:
        """What can be undone, the last first, and what can be redone, the next first."""
        found = self.get("history")
        return found["done"], found["undone"]

    def get(self, what: str) -> dict[str, Any]:
        url = f"http://127.0.0.1:{self.http}/api/{what}"
        with urllib.request.urlopen(url, timeout=PATIENCE_S) as answer:
            return json.load(answer)  # type: ignore[no-any-return]

    def put(self, path: str, body: dict[str, Any], method: str = "PUT") -> None:
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.http}{path}",
            json.dumps(body).encode(),
            {"Content-Type": "application/json"},
            method=method,
        )
        urllib.request.urlopen(request, timeout=PATIENCE_S).close()

    def post(self, path: str) -> None:
        self.put(path, {}, "POST")

    def player(self) -> int:
        return int(self.state()["player"]["pid"])

    def answers(self) -> bool:
        try:
            return bool(self.state()["player"]["present"])
        except OSError:
            return False

    def ready(self) -> None:
        wait_for(self.answers, PATIENCE_S, "the service", self)
        wait_for(lambda: self.hits(KICK), PATIENCE_S, "the first hit", self)

    def end(self) -> None:
        """Asks it to end, and makes sure."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(PATIENCE_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        self.out.close()

    def open_notes(self, until: int | None = None) -> set[int]:
        """Notes that sound, by the log, at a time or at its end."""
        sounding: set[int] = set()
        for line in self.lines():
            if until is not None and line.ns > until:
                break
            if line.data[0] & 0xF0 == 0x90:
                sounding.add(line.data[1])
            elif line.data[0] & 0xF0 == 0x80:
                sounding.discard(line.data[1])
        return sounding

    def wait_for_open(self) -> None:
        wait_for(lambda: KICK in self.open_notes(), PATIENCE_S, "an open gate", self)


def environment(folder: Path) -> dict[str, str]:
    return os.environ | {
        "LANEBRIDGE_SIMULATED_LOG": str(folder / "wire.log"),
        "XDG_STATE_HOME": str(folder),
        "PYTHONPATH": str(Path(__file__).parent.parent.parent),
    }


def wait_for(done: Callable[[], object], seconds: float, what: str, stage: Stage) -> float:
    """Seconds until `done()` was true."""
    begin = time.monotonic()
    while time.monotonic() < begin + seconds:
        if done():
            return time.monotonic() - begin
        time.sleep(0.005)
    pytest.fail(f"waited {seconds} s for {what}\n{(stage.folder / 'out.txt').read_text()}")


def children(pid: int) -> dict[int, str]:
    """Process ids and command lines of the children."""
    found: dict[int, str] = {}
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            with contextlib.suppress(OSError):
                found[int(child)] = Path(f"/proc/{child}/cmdline").read_text().replace("\0", " ")
    return found


def service_pid(stage: Stage) -> int:
    return next(pid for pid, line in children(stage.process.pid).items() if "service" in line)


def zombie(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().split(")")[1].split()[0] == "Z"
    except OSError:
        return True
