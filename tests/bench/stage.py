"""What is measured: the whole program on the simulated port, and the load that it plays under.

Sixteen lanes with macros moving; three page clients move a fader each over WebSocket (each its own
macro, so that every move counts), 500 OSC messages a second move three more; one process that never
sleeps on every core. Also run by itself, as the load: ``stage.py HTTP_PORT OSC_PORT COUNTS_FILE``.
"""

from __future__ import annotations

import asyncio
import compileall
import contextlib
import functools
import json
import os
import signal
import socket
import struct
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parent.parent.parent
OSC_A_SECOND = 500
MOVES_A_SECOND = 30
PAGE_MACROS, OSC_MACROS, FINGER = "abc", "def", "finger"

RIG = """\
rig: Bench
interfaces:
  one: {profile: eight-gates-four-cv, port: simulated}
  two: {profile: eight-gates-four-cv, port: simulated}
  three: {profile: eight-gates-four-cv, port: simulated}
"""
SET = """\
set: Bench
tempo: 133.33
swing: 56
seed: 3
lanes:
  kick:    {euclid: {hits: 4, steps: 16}, out: one.gate-1}
  rim:     {euclid: {hits: 5, steps: 16, rotate: 2}, out: one.gate-2}
  shaker:  {steps: "x.X. x.xx x.X. xx.x", out: one.gate-3}
  hat:     {every: 1, rate: 1/32, out: one.gate-4}
  bass:    {euclid: {hits: 7, steps: 16}, out: one.gate-5}
  spray:   {logic: "(rim xor shaker) and not kick", out: one.gate-6}
  clap:    {logic: "rim and shaker", out: one.gate-7}
  tom:     {euclid: {hits: 5, steps: 13}, out: one.gate-8, humanise_ms: 6}
  bell:    {euclid: {hits: 3, steps: 8}, rate: 1/8T, out: two.gate-1}
  wood:    {euclid: {hits: 9, steps: 16}, out: two.gate-2, repeats: 3, chance: 0.7}
  block:   {euclid: {hits: 11, steps: 16}, out: two.gate-3}
  glass:   {steps: "..x...x.", rate: "3:4", out: two.gate-4}
  line:    {notes: [A1, A1, C2, E2, G1], advance: bass, out: one.pitch-1}
  lead:    {notes: [A3, C4, E4, D4], advance: bell, out: two.pitch-1}
  swell:   {shape: sine, rate: 1/2, out: one.level-1}
  drift:   {shape: random-smooth, rate: 1/4, out: two.level-1}
macros:
  a:
    start: 0.5
    drives: [{out: one.level-2, from: 0, to: 5}, {lane: wood, setting: chance, depth: 0.3}]
  b:
    start: 0.5
    drives: [{out: two.level-2, from: 0, to: 5}, {lane: shaker, setting: level, depth: 0.4}]
  c: {start: 0.5, drives: [{out: one.level-1, depth: -0.4}]}
  d: {start: 0.5, drives: [{out: two.level-1, depth: 0.3}]}
  e: {start: 0.5, drives: [{lane: hat, setting: level, depth: -0.4}]}
  f: {start: 0.5, drives: [{out: three.level-2, from: 0, to: 5}]}
  finger: {start: 0, drives: [{out: three.level-1, from: 0, to: 5}]}
"""


# --- the load -----------------------------------------------------------------------------------


def free_port(kind: socket.SocketKind) -> int:
    with socket.socket(socket.AF_INET, kind) as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


async def hands(http: int, osc: int, counts_file: Path) -> None:
    """Three pages and an OSC surface, until killed; `counts_file` says what became of the moves."""
    import aiohttp

    counts = {"done": 0, "refused": 0, "osc": 0}

    async def page(session: aiohttp.ClientSession, macro: str) -> None:
        async with session.ws_connect(f"http://127.0.0.1:{http}/api/live") as ws:
            number = 0
            reader = asyncio.create_task(read(ws))
            while not reader.done():
                number += 1
                value = abs(number % 60 - 30) / 30
                await ws.send_json({"do": "macro", "macro": macro, "value": value, "seq": number})
                await asyncio.sleep(1 / MOVES_A_SECOND)

    async def read(ws: aiohttp.ClientWebSocketResponse) -> None:
        async for message in ws:
            what = json.loads(message.data)["type"]
            if what in counts:
                counts[what] += 1

    async def osc_sender() -> None:
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        begin = time.monotonic()
        while True:
            while counts["osc"] < (time.monotonic() - begin) * OSC_A_SECOND:
                counts["osc"] += 1
                address = f"/macro/{OSC_MACROS[counts['osc'] % 3]}\0".encode()
                address += b"\0" * (-len(address) % 4)
                value = struct.pack(">f", counts["osc"] % 100 / 99)
                sock.sendto(address + b",f\0\0" + value, ("127.0.0.1", osc))
            await asyncio.sleep(0.01)

    async def tell() -> None:
        while True:
            await asyncio.sleep(0.5)
            counts_file.write_text(json.dumps(counts))  # noqa: ASYNC240

    async with aiohttp.ClientSession() as session:
        await asyncio.gather(osc_sender(), tell(), *(page(session, m) for m in PAGE_MACROS))


@contextlib.contextmanager
def busy() -> Iterator[None]:
    """One process that never sleeps per core."""
    processes = [
        subprocess.Popen([sys.executable, "-c", "while True: pass"])
        for _ in range(os.cpu_count() or 1)
    ]
    try:
        yield
    finally:
        for process in processes:
            process.kill()
            process.wait()


# --- the program under test ---------------------------------------------------------------------


class Stage(NamedTuple):
    """The running program: its ports, the player's socket, the log of its simulated ports, and its
    first process."""

    folder: Path
    http: int
    osc: int
    socket: str
    log: Path
    pid: int

    def state(self) -> dict[str, Any]:
        return state(self.http)

    def counts(self) -> dict[str, int]:
        """What became of the load's moves so far."""
        try:
            return json.loads((self.folder / "counts.json").read_text())  # type: ignore[no-any-return]
        except (OSError, ValueError):
            return {}


@functools.cache
def compiled() -> None:
    """Byte code as an installed package has it, whatever PYTHONDONTWRITEBYTECODE says here."""
    compileall.compile_dir(ROOT / "bridge", quiet=1)


def environment(folder: Path, log: Path) -> dict[str, str]:
    """What the program is started with: all that it writes goes into `folder`, and what its
    simulated ports send into `log`."""
    compiled()
    return os.environ | {
        "LANEBRIDGE_SIMULATED_LOG": str(log),
        "XDG_STATE_HOME": str(folder),
        "XDG_RUNTIME_DIR": str(folder),
        "PYTHONPATH": str(ROOT),
    }


@contextlib.contextmanager
def stage(
    folder: Path,
    *,
    realtime: bool = True,
    loaded: bool = True,
    document: str = SET,
    rig: str = RIG,
    before: Sequence[str] = (),
) -> Iterator[Stage]:
    """`lanebridge play`, with its load unless told otherwise, until the block ends. The words of
    `before` begin the command line: a program that sets limits and starts another. When the block
    fails, what the program said is shown."""
    (folder / "rig.yaml").write_text(rig)
    (folder / "set.yaml").write_text(document)
    http, osc = free_port(socket.SOCK_STREAM), free_port(socket.SOCK_DGRAM)
    log = folder / "wire.log"
    env = environment(folder, log)
    # Root may always have priority, so the right itself is taken away.
    refused = (
        []
        if realtime or os.geteuid()
        else ["setpriv", "--bounding-set=-sys_nice", "--inh-caps=-sys_nice"]
    )
    said = folder / "said.log"
    with said.open("w") as saying:
        play = subprocess.Popen(
            [
                *before,
                *refused,
                sys.executable,
                "-m",
                "bridge.cli",
                "play",
                "rig.yaml",
                "set.yaml",
                "--start",
                "--port",
                str(http),
                "--osc-port",
                str(osc),
            ],
            cwd=folder,
            env=env,
            stdout=saying,
            stderr=subprocess.STDOUT,
        )
    load: subprocess.Popen[bytes] | None = None
    try:
        wait_for(http, play)
        if loaded:
            arguments = [str(http), str(osc), str(folder / "counts.json")]
            load = subprocess.Popen([sys.executable, __file__, *arguments], env=env)
        time.sleep(1.5)
        (path,) = folder.glob("lanebridge-*/player.sock")
        yield Stage(folder, http, osc, str(path), log, play.pid)
    except BaseException:
        print(said.read_text(errors="replace"), file=sys.stderr)
        raise
    finally:
        if load is not None:
            load.kill()
            load.wait()
        play.send_signal(signal.SIGTERM)
        play.wait(10)


def state(http: int) -> dict[str, Any]:
    with urllib.request.urlopen(f"http://127.0.0.1:{http}/api/state", timeout=5) as answer:
        return json.load(answer)  # type: ignore[no-any-return]


def wait_for(http: int, program: subprocess.Popen[bytes]) -> None:
    for _ in range(300):
        with contextlib.suppress(OSError):
            state(http)
            return
        if program.poll() is not None:
            break
        time.sleep(0.1)
    raise SystemExit("the program did not start")


def cpu_seconds(pid: int) -> float:
    """Of a process, and of its children that have ended (proc(5): utime to cstime)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")


# --- figures ------------------------------------------------------------------------------------


def percentile(ordered: Sequence[float], share: float) -> float:
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> list[str]:
    """A table in Markdown; the first column is text, the others are figures."""
    lines = ["| " + " | ".join(head) + " |", "| --- |" + " ---: |" * (len(head) - 1)]
    return lines + ["| " + " | ".join(map(str, row)) + " |" for row in rows]


if __name__ == "__main__":
    asyncio.run(hands(int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3])))
