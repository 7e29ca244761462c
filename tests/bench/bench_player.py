"""How late events leave, measured beside other ways of doing it, on the same machine in one run.

    python tests/bench/bench_player.py [--seconds 20] [--out FOLDER] [--no-realtime]

The whole program plays a 16-lane set on the simulated port, with macros moving, while three page
clients move faders over WebSocket, 500 OSC messages a second arrive, and one other process is busy
on every core. Under the same load follow:

- a bare C timer loop (``cyclictest``) at the player's priority, the limit of the machine;
- a playback loop of a general MIDI library (``mido``) over the same events;
- an asyncio timer per event over the same events.

Prints a table and writes ``lateness.svg``, the share of events that leave later than a time. Then
the cost of the player by number of lanes, and the speed of offline rendering. Needs cyclictest and
root (or the rights) for real-time priority; ``--no-realtime`` takes that right away from the
player and runs the timer loop without it.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import itertools
import json
import os
import re
import shutil
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent.parent
PERIOD_US = 5000
OSC_A_SECOND = 500
PAGES = 3
MOVES_A_SECOND = 30

RIG = """\
rig: Bench
interfaces:
  one: {profile: eight-gates-four-cv, port: simulated}
  two: {profile: eight-gates-four-cv, port: simulated}
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
"""


# --- the load -----------------------------------------------------------------------------------

def free_port(kind: socket.SocketKind) -> int:
    with socket.socket(socket.AF_INET, kind) as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


async def faders(http: int, osc: int) -> None:
    """Three pages move a macro each, and OSC moves all of them."""
    import aiohttp

    async def page(session: aiohttp.ClientSession, macro: str) -> None:
        async with session.ws_connect(f"http://127.0.0.1:{http}/api/live") as ws:
            number = 0
            reader = asyncio.create_task(drain(ws))
            while not reader.done():
                number += 1
                value = abs(number % 60 - 30) / 30
                await ws.send_json({"do": "macro", "macro": macro, "value": value, "seq": number})
                await asyncio.sleep(1 / MOVES_A_SECOND)

    async def drain(ws: aiohttp.ClientWebSocketResponse) -> None:
        async for _ in ws:
            pass

    async def osc_sender() -> None:
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        begin, sent = time.monotonic(), 0
        while True:
            while sent < (time.monotonic() - begin) * OSC_A_SECOND:
                sent += 1
                address = f"/macro/{'abc'[sent % 3]}\0".encode()
                address += b"\0" * (-len(address) % 4)
                sock.sendto(address + b",f\0\0" + struct.pack(">f", sent % 100 / 99),
                            ("127.0.0.1", osc))
            await asyncio.sleep(0.01)

    async with aiohttp.ClientSession() as session:
        await asyncio.gather(osc_sender(), *(page(session, macro) for macro in "abc"[:PAGES]))


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

@contextlib.contextmanager
def stage(folder: Path, realtime: bool) -> Iterator[dict[str, Any]]:
    """`lanebridge play` and its load, until the block ends."""
    (folder / "rig.yaml").write_text(RIG)
    (folder / "set.yaml").write_text(SET)
    http, osc = free_port(socket.SOCK_STREAM), free_port(socket.SOCK_DGRAM)
    env = os.environ | {
        "LANEBRIDGE_SIMULATED_LOG": str(folder / "wire.log"), "XDG_STATE_HOME": str(folder),
        "XDG_RUNTIME_DIR": str(folder), "PYTHONPATH": str(ROOT),
    }  # fmt: skip
    # Root may always have priority, so the right itself is taken away.
    refused = [] if realtime or os.geteuid() else [
        "setpriv", "--bounding-set=-sys_nice", "--inh-caps=-sys_nice"
    ]  # fmt: skip
    play = subprocess.Popen(
        [*refused, sys.executable, "-m", "bridge.cli", "play", "rig.yaml", "set.yaml", "--start",
         "--port", str(http), "--osc-port", str(osc)],
        cwd=folder, env=env, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    load: subprocess.Popen[bytes] | None = None
    try:
        wait_for(http)
        load = subprocess.Popen(
            [sys.executable, __file__, "--role", "load", str(http), str(osc)], env=env
        )
        time.sleep(1.0)
        (path,) = folder.glob("lanebridge-*/player.sock")
        yield {"http": http, "socket": str(path), "log": folder / "wire.log"}
    finally:
        if load is not None:
            load.kill()
            load.wait()
        play.send_signal(signal.SIGTERM)
        play.wait(10)


def state(http: int) -> dict[str, Any]:
    with urllib.request.urlopen(f"http://127.0.0.1:{http}/api/state", timeout=5) as answer:
        return json.load(answer)  # type: ignore[no-any-return]


def wait_for(http: int) -> None:
    for _ in range(200):
        with contextlib.suppress(OSError):
            state(http)
            return
        time.sleep(0.1)
    raise SystemExit("the program did not start")


def ours(stage_: dict[str, Any], seconds: float) -> dict[str, Any]:
    """Error of every hit: when its note-on left, by the port's log, less its deadline."""
    from bridge.engine.watch import Watch
    from bridge.files.rig import load_rig

    rig = load_rig(stage_["log"].parent / "rig.yaml")
    document = stage_["log"].parent / "set.yaml"
    outs = dict(re.findall(r"^  (\w+): .*out: ([\w.-]+)", document.read_text(), re.M))
    notes = {lane: rig.wired[out] for lane, out in outs.items()}
    watch = Watch()
    due: list[tuple[int, str]] = []
    take = watch._take

    def keep(kind: str, payload: bytes) -> None:
        if b'"played"' in payload[:40]:
            for _, lane, what, *_, at in json.loads(payload)["events"]:
                if what == "hit":
                    due.append((at, lane))
        take(kind, payload)

    watch._take = keep  # type: ignore[method-assign]
    pid = state(stage_["http"])["player"]["pid"]
    cpu, begin = cpu_seconds(pid), time.monotonic()
    watch.connect(stage_["socket"], time.monotonic_ns())
    while time.monotonic() < begin + seconds:
        watch.read(time.monotonic_ns())
        watch.sent.clear()
        time.sleep(0.02)
    used = (cpu_seconds(pid) - cpu) / (time.monotonic() - begin)
    watch.close()
    time.sleep(0.3)
    sent: dict[tuple[str, int], list[int]] = defaultdict(list)
    for line in stage_["log"].read_text().splitlines():
        ns, _, port, data = line.split()
        if data.startswith("99"):
            sent[port, int(data[2:4], 16)].append(int(ns))
    errors, lost, after = [], 0, dict.fromkeys(sent, 0)
    left: dict[str, list[int]] = defaultdict(list)
    for at, lane in sorted(due):
        wired = notes[lane]
        key = (wired.port, wired.output.address.number or 0)
        stamps = sent[key]
        place = after[key]
        while place < len(stamps) and stamps[place] < at - 200_000:
            place += 1
        if place == len(stamps) or stamps[place] > at + 50_000_000:
            lost += 1
            continue
        errors.append(max(0, stamps[place] - at) / 1000)
        left[wired.port].append(stamps[place])
        after[key] = place + 1
    # Hits were taken by deadline, so on each port their stamps must rise (those that fall together
    # may stand in any order among themselves: 2 ms).
    wrong = sum(
        two < one - 2_000_000
        for stamps in left.values() for one, two in itertools.pairwise(stamps)
    )  # fmt: skip
    return {
        "errors": errors, "lost": lost, "wrong": wrong, "cpu": used,
        "state": state(stage_["http"])["lateness"],
    }  # fmt: skip


def cpu_seconds(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


# --- the other ways -----------------------------------------------------------------------------

def events_file(folder: Path, seconds: float) -> Path:
    """The same events as (seconds, hex), from the player's own offline performance."""
    from bridge.engine.offline import perform
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.music.score import compile_score

    rig = load_rig(folder / "rig.yaml")
    score = compile_score(load_set(folder / "set.yaml", rig).spec, rig.ranges)
    bars = int(seconds / (240 / score.spec.tempo)) + 1
    night = perform(score, rig.wired, bars)
    rows = [[sent.ns / 1e9, sent.data.hex()] for sent in night.sent if 0 <= sent.ns / 1e9 < seconds]
    path = folder / "events.json"
    path.write_text(json.dumps(rows))
    return path


def by_mido(path: Path) -> None:
    """What a user would write: a file's worth of messages, `play()`, and a port."""
    import mido

    rows = json.loads(path.read_text())
    track = mido.MidiTrack()
    tempo, per_quarter = 500_000, 30_000
    last = 0
    for seconds, data in rows:
        tick = round(seconds * 1e6 / tempo * per_quarter)
        track.append(mido.Message.from_hex(data).copy(time=tick - last))
        last = tick
    song = mido.MidiFile(ticks_per_beat=per_quarter, tracks=[track])
    note_ons: list[tuple[float, float]] = []

    class Port(mido.ports.BaseOutput):  # type: ignore[misc]
        def _send(self, message: Any) -> None:
            if message.type == "note_on":
                note_ons.append((wanted, time.monotonic()))

    port, wanted = Port(), 0.0
    begin = time.monotonic()
    for message in song.play():
        wanted += message.time
        port.send(message)
    print(json.dumps([max(0.0, at - begin - due) * 1e6 for due, at in note_ons]))


def by_timers(path: Path) -> None:
    """What a user would write: one `call_at` per event."""
    rows = json.loads(path.read_text())
    errors: list[float] = []

    async def run() -> None:
        loop = asyncio.get_running_loop()
        begin = loop.time() + 0.2

        def send(due: float, data: bytes) -> None:
            if data[0] & 0xF0 == 0x90:
                errors.append(max(0.0, loop.time() - due) * 1e6)

        for seconds, data in rows:
            loop.call_at(begin + seconds, send, begin + seconds, bytes.fromhex(data))
        await asyncio.sleep(rows[-1][0] + 0.5)

    asyncio.run(run())
    print(json.dumps(errors))


def by_role(role: str, path: Path) -> list[float]:
    run = subprocess.run(
        [sys.executable, __file__, "--role", role, str(path)], capture_output=True, text=True,
        check=True, env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    return json.loads(run.stdout)  # type: ignore[no-any-return]


def by_cyclictest(seconds: float, realtime: bool) -> list[float]:
    """The bare timer: latencies in us, one per 5 ms."""
    program = shutil.which("cyclictest", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/bin")
    if program is None:
        return []
    how = ["-p", "60", "--policy", "fifo", "-m"] if realtime else ["--policy", "other"]
    run = subprocess.run(
        [program, "-q", "-t", "1", "-i", str(PERIOD_US), "-l", str(int(seconds * 1e6 / PERIOD_US)),
         "-h", "100000", *how],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    found: list[float] = []
    for line in run.stdout.splitlines():
        parts = line.split()
        if len(parts) == 2 and not line.startswith("#"):
            found += [float(parts[0])] * int(parts[1])
    return found


# --- cost ---------------------------------------------------------------------------------------

def cost() -> list[tuple[int, float, float]]:
    """(lanes, share of one core in percent, us per lane and second), by CPU time on a clock that
    jumps; waking and the system's own MIDI calls are not in it."""
    sys.path.insert(0, str(ROOT / "tests"))
    from support.desk import Desk, score_of, wire

    from bridge.music.model import Euclid, Lane, Logic
    from bridge.voltage.profile import Address, Output

    rows = []
    for count in (8, 32, 128, 512):
        rig = wire(*(
            Output(f"gate-{n}", "gate", Address("note-velocity", 1 + n // 100, 20 + n % 100))
            for n in range(count)
        ))  # fmt: skip
        lanes = []
        for n in range(count):
            if n % 4 == 3:
                logic = Logic(f"l{n - 1} and not l{n - 2}")
                lanes.append(Lane(f"l{n}", logic, out=f"main.gate-{n}"))
            else:
                numbers = {"hits": float(3 + n % 7), "steps": 16.0, "rotate": float(n % 5),
                           "chance": 0.8 if n % 3 else 1.0}  # fmt: skip
                lanes.append(Lane(f"l{n}", Euclid(), out=f"main.gate-{n}", settings=numbers))
        desk = Desk(score_of(*lanes, rig=rig), rig=rig)
        desk.start()
        desk.run(500)
        seconds = 10.0
        used = time.process_time()
        desk.run(seconds * 1000)
        used = time.process_time() - used
        rows.append((count, used / seconds * 100, used / seconds / count * 1e6))
    return rows


def offline(folder: Path) -> tuple[float, float]:
    """Speed of the 16-lane set as a multiple of real time: events only, and through the player.
    By CPU time, like `cost`."""
    from bridge.engine.offline import perform
    from bridge.files.rig import load_rig
    from bridge.files.set import load_set
    from bridge.music.score import compile_score

    rig = load_rig(folder / "rig.yaml")
    score = compile_score(load_set(folder / "set.yaml", rig).spec, rig.ranges)
    bars = 64
    seconds = bars * 240 / score.spec.tempo
    begin = time.process_time()
    score.between(0, bars * score.spec.bar_ticks)
    middle = time.process_time()
    perform(score, rig.wired, bars)
    return seconds / (middle - begin), seconds / (time.process_time() - middle)


# --- what is printed ----------------------------------------------------------------------------

def percentile(sorted_values: list[float], share: float) -> float:
    return sorted_values[min(len(sorted_values) - 1, int(share * len(sorted_values)))]


def draw(path: Path, ways: dict[str, list[float]]) -> None:
    import matplotlib as mpl

    mpl.use("svg")
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(figsize=(8, 4.5))
    for name, values in ways.items():
        ordered = sorted(max(1.0, value) for value in values)
        count = len(ordered)
        axes.step(ordered, [(count - n) / count for n in range(count)], where="post", label=name)
    axes.axvline(320, color="grey", linestyle=":", linewidth=1)
    axes.text(300, 1.5e-3, "one byte on a DIN link", rotation=90, ha="right", color="grey")
    axes.set(xscale="log", yscale="log", xlabel="later than (microseconds)",
             ylabel="share of events", xlim=(1, None), ylim=(1e-3, 1.2))  # fmt: skip
    axes.grid(visible=True, which="major", alpha=0.3)
    axes.legend()
    figure.tight_layout()
    figure.savefig(path)


def measure(seconds: float, out: Path, realtime: bool) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with stage(folder, realtime) as running, busy():
            player = ours(running, seconds)
            ways = {"this player": player["errors"]}
            bare = by_cyclictest(seconds, realtime)
            if bare:
                ways["bare C timer loop"] = bare
            events = events_file(folder, seconds)
            ways["mido play loop"] = by_role("mido", events)
            ways["asyncio timers"] = by_role("timers", events)
        rates = offline(folder)
    mine = sorted(ways["this player"])
    print(f"\n{seconds:g} s each, {os.cpu_count()} cores, all of them busy; "
          f"real-time priority {'on' if realtime else 'refused'}; microseconds\n")  # fmt: skip
    print("| way | events | p50 | p99 | p99.9 | worst | p99 against this player |")
    print("| --- | ---: | ---: | ---: | ---: | ---: | ---: |")
    for label, values in ways.items():
        ordered = sorted(values)
        cells = [percentile(ordered, share) for share in (0.5, 0.99, 0.999)]
        ratio = cells[1] / percentile(mine, 0.99)
        print(f"| {label} | {len(ordered)} | " + " | ".join(f"{cell:.0f}" for cell in cells)
              + f" | {ordered[-1]:.0f} | {ratio:.2f} |")  # fmt: skip
    told = player["state"]
    print(
        f"\nlost {player['lost']}, out of order {player['wrong']} of {len(mine)}; all messages by "
        f"the player's own count: p50 {told['p50_us']:.0f}, p99 {told['p99_us']:.0f}, "
        f"worst {told['worst_us']:.0f} of {told['count']}; "
        f"CPU of the player {player['cpu'] * 100:.1f} % of a core\n"
    )
    draw(out / "lateness.svg", ways)
    print("| lanes | % of one core | us per lane and second |\n| ---: | ---: | ---: |")
    for count, share, each in cost():
        print(f"| {count} | {share:.2f} | {each:.0f} |")
    print(f"\noffline, 16 lanes: events {rates[0]:.0f} times real time, "
          f"through the player to bytes {rates[1]:.0f} times")  # fmt: skip


def main() -> None:
    sys.path.insert(0, str(ROOT))
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--out", type=Path, default=Path("."))
    parser.add_argument("--no-realtime", action="store_true")
    parser.add_argument("--role", nargs="+", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.role:
        role, *rest = given.role
        if role == "load":
            asyncio.run(faders(int(rest[0]), int(rest[1])))
        else:
            {"mido": by_mido, "timers": by_timers}[role](Path(rest[0]))
        return
    given.out.mkdir(parents=True, exist_ok=True)
    measure(given.seconds, given.out, not given.no_realtime)


if __name__ == "__main__":
    main()
