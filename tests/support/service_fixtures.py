"""A running service on free loopback ports, with a fake player behind it."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from support.fake_player import FakePlayer
from support.patience import PATIENCE_S, until

from bridge.control import door
from bridge.files.rig import load_rig
from bridge.files.set import load_set
from bridge.music.score import compile_score
from bridge.protocol.state import PlayerReport
from bridge.service.app import Service, ServiceOptions
from bridge.voltage.encode import Encoder

RIG = """\
rig: Quay rack
interfaces:
  main:
    profile: eight-gates-four-cv
    port: simulated
    cables: {gate-1: kick voice}
controllers:
  pads:
    port: pads
    controls:  # kept as they are by learning
      - {cc: 20, macro: brightness}
      - {cc: 21, macro: shaker-level, pickup: false}
      - {note: 36, channel: 2, mute: kick}
      - {cc: 30, section: flood}
      - {note: 40, transport: start}
      - {cc: 9, macro: brightness, pair: true, pickup: false, feedback: true, channel: 3}
      - {note: 41, mute: rim, latch: true, feedback: true}
"""
SET = """\
set: Low tide
tempo: 126
key: {root: A, scale: minor}
seed: 7
lanes:
  kick:    {euclid: {hits: 4, steps: 16}, out: main.gate-1, groups: [drums]}
  rim:     {euclid: {hits: 5, steps: 16, rotate: 2}, out: main.gate-2, groups: [drums]}
  shaker:  {steps: "x.x. x.xx x.x. xx.x", out: main.gate-3}
  spray:   {logic: "(rim xor shaker) and not kick", out: main.gate-4}
  bass:    {euclid: {hits: 7, steps: 16}, out: main.gate-5}
  bassline: {notes: [A1, A1, C2, E2, G1], advance: bass, out: main.pitch-1}
macros:
  shaker-level: {start: 0.8, drives: [{out: main.level-2, from: 0, to: 5}]}
  brightness:   {start: 0.3, drives: [{lane: rim, setting: chance, depth: 0.4}]}
sections:
  shallow: {play: [kick, shaker], macros: {brightness: 0.2}}
  flood:   {play: all, macros: {brightness: 0.8}, lanes: {rim: {chance: 0.5}}}
order:
  - {section: shallow, bars: 4}
"""


@dataclass
class Stage:
    """What a test plays with: the service, the player behind it, a client session before it."""

    service: Service
    player: FakePlayer
    session: aiohttp.ClientSession
    folder: Path

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.service.http_port}"

    @property
    def state(self) -> PlayerReport:
        return self.service.link.state

    async def call(
        self, method: str, path: str, json: Any = None, **more: Any
    ) -> tuple[int, Any, aiohttp.ClientResponse]:
        """One request: (status, decoded JSON, response)."""
        async with self.session.request(method, self.base + path, json=json, **more) as response:
            body = await response.json(content_type=None) if method != "HEAD" else None
            return response.status, body, response

    @contextlib.asynccontextmanager
    async def page(self, **more: Any) -> AsyncIterator[Page]:
        async with self.session.ws_connect(self.base + "/api/live", **more) as ws:
            yield Page(ws)

    async def until(self, true: Callable[[], Any], what: str = "") -> None:
        await until(true, what)


class Page:
    """One WebSocket client; `state` follows by merge patches, as a page's would."""

    def __init__(self, ws: aiohttp.ClientWebSocketResponse) -> None:
        self.ws = ws
        self.state: dict[str, Any] = {}
        self.messages: list[dict[str, Any]] = []
        self._seq = 0
        self._looked = 0  # messages before this one have been asked for

    async def next(self, timeout: float = PATIENCE_S) -> dict[str, Any]:
        message = await self._read(timeout)
        self._looked = len(self.messages)
        return message

    async def _read(self, timeout: float = PATIENCE_S) -> dict[str, Any]:
        message: dict[str, Any] = await self.ws.receive_json(timeout=timeout)
        self.messages.append(message)
        if message["type"] == "state":
            self.state = message["state"]
        elif message["type"] == "change":
            self.state = apply_patch(self.state, message["patch"])
        return message

    async def wait(self, true: Callable[[dict[str, Any]], Any]) -> dict[str, Any]:
        """The next message for which `true` holds. What came before the answer to a command, since
        it was sent, counts as well: how much that is depends on the machine."""
        while True:
            while self._looked < len(self.messages):
                message = self.messages[self._looked]
                self._looked += 1
                if true(message):
                    return message
            await self._read()

    async def send(self, **command: Any) -> int:
        self._seq += 1
        await self.ws.send_json({**command, "seq": self._seq})
        return self._seq

    async def do(self, **command: Any) -> dict[str, Any]:
        """Sends a command and reads up to its answer."""
        self._looked = len(self.messages)
        seq = await self.send(**command)
        while True:
            message = await self._read()
            if message["type"] in ("done", "refused") and message["seq"] == seq:
                return message


def apply_patch(target: Any, patch: Any) -> Any:
    """JSON Merge Patch, the algorithm of RFC 7396, section 2."""
    if not isinstance(patch, dict):
        return patch
    result = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = apply_patch(result.get(name), value)
    return result


@contextlib.asynccontextmanager
async def run_service(service: Service) -> AsyncIterator[Service]:
    """The service in a task of its own, so that it begins and ends in the same one."""
    started: asyncio.Future[None] = asyncio.get_running_loop().create_future()
    stop = asyncio.Event()

    async def main() -> None:
        try:
            async with service.running():
                started.set_result(None)
                await stop.wait()
        except BaseException as error:
            if not started.done():
                started.set_exception(error)
            raise

    task = asyncio.create_task(main())
    await asyncio.wait([started, task], return_when=asyncio.FIRST_COMPLETED)
    try:
        if task.done():
            await task
        yield service
    finally:
        stop.set()
        await task


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "rig.yaml").write_text(RIG, encoding="utf-8")
    (tmp_path / "low-tide.yaml").write_text(SET, encoding="utf-8")
    return tmp_path


@pytest.fixture
async def player(folder: Path) -> AsyncIterator[FakePlayer]:
    rig = load_rig(folder / "rig.yaml")
    score = compile_score(load_set(folder / "low-tide.yaml", rig).spec, rig.ranges)
    fake = FakePlayer(folder / "player.sock", score)
    fake.encoder = Encoder(rig.wired)
    await fake.start()
    yield fake
    await fake.stop()


@pytest.fixture
def options(folder: Path) -> ServiceOptions:
    return ServiceOptions(
        rig=folder / "rig.yaml",
        set=folder / "low-tide.yaml",
        socket=folder / "player.sock",
        http_port=0,
        osc_port=0,
        state_dir=folder / "state",
    )


@pytest.fixture
async def stage(
    options: ServiceOptions, player: FakePlayer, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[Stage]:
    """On a machine that is busy the player answers late, and no hold is refreshed in time: neither
    is news here. Tests of these limits put them back, or have a clock of their own."""
    monkeypatch.setattr(door, "ACK_S", PATIENCE_S)
    monkeypatch.setattr(door, "ANSWER_S", PATIENCE_S)
    async with run_service(Service(options)) as service, aiohttp.ClientSession() as session:
        await until(lambda: service.link.present, "the player says hello")
        service.control.holds._hold_s = PATIENCE_S
        yield Stage(service, player, session, folder)


@pytest.fixture
def running() -> Any:
    """Runs a service of the test's own making: ``async with running(service)``."""
    return run_service


@pytest.fixture
def make_stage() -> type[Stage]:
    return Stage
