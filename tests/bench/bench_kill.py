"""Kills at random moments over JACK: what an independent receiver hears of them, in counts.

    python tests/bench/bench_kill.py [--kills 100] [--who service player supervisor all] [--busy 15]

A JACK server with the dummy driver, the whole program on it, and a receiver that stamps what
arrives. Each kill is SIGKILL at a moment drawn from a seed, with at least one gate open. `--busy`
runs so many programs beside that never sleep.

- *service*: hits that were lost or came more than `LATE_MS` after their grid; until the page
  answers again.
- *player*: until every gate that was open is closed (the server's graph stalls while a client of it
  dies: what is sent meanwhile is lost, and said again); until the first hit of the next player,
  which must lie on the grid and at the right place of the bar; and whether mutes, macros, section,
  text and undo stand as they did.
- *supervisor*: the same gates, and whether any process or network port is left.
- *all*: every process at once, then what a service manager runs after any end
  (`bridge.supervisor.lastwords`); timed from its start.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1]), str(HERE.parents[2])]

from stage import percentile, table  # noqa: E402
from support import jackd  # noqa: E402
from support.killing import Stage, children, service_pid, zombie  # noqa: E402

WHO = ("service", "player", "supervisor", "all")
GIVE_UP_S = 60.0
LATE_MS = 10.0  # a cycle of the server, and what a busy machine adds
SERVICE_KILLS_A_RUN = 10
STEP_NS, BAR_NS = 125_000_000, 2_000_000_000
RIG = """\
rig: Quay rack
interfaces:
  main: {profile: eight-gates-four-cv, port: "wire:in"}
"""
SET = """\
set: Undertow
tempo: 120
lanes:
  kick: {steps: "xx", rate: 1/2, out: main.gate-1, gate: 0.95}
  hat: {steps: "xxxx", out: main.gate-2, gate: 0.5}
  one: {steps: "x... .... .... ....", out: main.gate-3}
  spray: {logic: "hat and not one", out: main.gate-4}
macros:
  depth: {start: 0.2, drives: [{out: main.level-1, from: 0, to: 5}]}
sections:
  shallow: {play: [kick, hat, one]}
  flood: {play: all}
"""
KICK, HAT, ONE = 36, 37, 38


@dataclass(slots=True)
class Kill:
    """What one kill did; times in ms, None where it does not apply."""

    open: int = 0
    closed_ms: float | None = None
    left_open: int = 0
    playing_ms: float | None = None
    off_grid_ms: float = 0.0
    lost: int = 0
    back_ms: float | None = None
    wrong: list[str] = field(default_factory=list)


# --- what the receiver heard --------------------------------------------------------------------


def hits(rows: Sequence[tuple[int, bytes]], note: int) -> list[int]:
    return [ns for ns, data in rows if data[0] == 0x99 and data[1] == note and data[2]]


def gates(rows: Sequence[tuple[int, bytes]], killed: int, until: int) -> tuple[int, float, int]:
    """Gates that were open at the kill, ms until the last of them was closed, and how many never
    were before they were opened again or `until`."""
    open_: set[int] = set()
    for ns, data in rows:
        if ns > killed:
            break
        if data[0] == 0x99 and data[2]:
            open_.add(data[1])
        elif data[0] in (0x89, 0x99):
            open_.discard(data[1])
    count, last, left = len(open_), killed, set(open_)
    for ns, data in rows:
        if not killed < ns < until or not left:
            continue
        if data[0] == 0x89 and data[1] in left:
            left.discard(data[1])
            last = ns
    return count, (last - killed) / 1e6, len(left)


def off_grid(times: Sequence[int], first: int, step: int) -> float:
    """The worst distance from a grid, ms."""
    away = ((ns - first + step // 2) % step - step // 2 for ns in times)
    return max((abs(one) for one in away), default=0.0) / 1e6


# --- one program, one kill or several -----------------------------------------------------------


def wait(true: Any, what: str) -> float:
    """Seconds until `true()` held."""
    begin = time.monotonic()
    while time.monotonic() < begin + GIVE_UP_S:
        with contextlib.suppress(OSError, KeyError, StopIteration):
            if true():
                return time.monotonic() - begin
        time.sleep(0.003)
    raise TimeoutError(what)


def shown(state: Mapping[str, Any]) -> dict[str, Any]:
    """What a kill must not change."""
    return {
        "mutes": {name: (x["muted"], x["pending"]) for name, x in state["lanes"].items()},
        "macros": {name: x["value"] for name, x in state["macros"].items()},
        "section": state["section"],
        "order": state.get("order"),
        "undo": (state["history"]["undo"], state["history"]["redo"]),
        "saved": state["document"]["saved"],
    }


def touched(stage: Stage) -> dict[str, Any]:
    """Hands on it: an unsaved edit, a section, a macro, a mute; gives the state that stands."""
    stage.put("/api/set", {"text": SET.replace("gate: 0.5", "gate: 0.6"), "when": "step"})
    stage.post("/api/sections/flood")
    wait(lambda: stage.state()["section"] == "flood", "the section")
    stage.put("/api/macros/depth", {"value": 0.7})
    stage.put("/api/lanes/spray/mute", {"muted": True, "when": "now"})
    wait(lambda: stage.state()["lanes"]["spray"]["muted"], "the mute")
    return shown(stage.state())


def taken(port: int, kind: socket.SocketKind) -> bool:
    with socket.socket(socket.AF_INET, kind) as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind(("127.0.0.1", port))
        except OSError:
            return True
    return False


@contextlib.contextmanager
def playing(env: dict[str, str], folder: Path, capture: Path) -> Iterator[Stage]:
    with jackd.receiver(env, capture, "in"):
        stage = Stage(folder, rig=RIG, text=SET, env=env)
        try:
            wait(stage.answers, "the service")
            wait(lambda: stage.state()["transport"]["state"] == "running", "playing")
            yield stage
        finally:
            stage.end()


def heard(capture: Path) -> list[tuple[int, bytes]]:
    return sorted((ns, data) for _, _, ns, data in jackd.read_stamped(capture))


def kill_services(env: dict[str, str], folder: Path, count: int, chance: random.Random) -> Any:
    found, moments = [], []
    capture = folder / "capture"
    with playing(env, folder, capture) as stage:
        before, player = touched(stage), stage.player()
        for _ in range(count):
            time.sleep(1.0 + chance.random())
            kill, old = Kill(), service_pid(stage)
            begin = time.monotonic_ns()
            os.kill(old, signal.SIGKILL)
            kill.back_ms = wait(stage.answers, "the service") * 1e3
            moments.append((begin, time.monotonic_ns()))
            if stage.player() != player:
                kill.wrong.append("another player")
            if shown(stage.state()) != before:
                kill.wrong.append("state")
            found.append(kill)
        time.sleep(0.5)
    rows = heard(capture)
    hats = hits(rows, HAT)
    for kill, (begin, end) in zip(found, moments, strict=True):
        near = [ns for ns in hats if begin - BAR_NS < ns < end + BAR_NS // 4]
        gaps = [two - one for one, two in itertools.pairwise(near)]
        kill.lost = sum(round(gap / STEP_NS) - 1 for gap in gaps)
        kill.off_grid_ms = max((abs(gap - STEP_NS) for gap in gaps), default=0) / 1e6
    return found


def kill_player(env: dict[str, str], folder: Path, chance: random.Random) -> list[Kill]:
    kill, capture = Kill(), folder / "capture"
    with playing(env, folder, capture) as stage:
        before, player = touched(stage), stage.player()
        time.sleep(2.2 + 2 * chance.random())
        killed = time.monotonic_ns()
        os.kill(player, signal.SIGKILL)
        wait(lambda: stage.state()["player"]["pid"] != player, "another player")
        wait(stage.answers, "its state")
        time.sleep(3.0)
        if shown(stage.state()) != before:
            kill.wrong.append("state")
    rows = heard(capture)
    hats, ones = hits(rows, HAT), hits(rows, ONE)
    old = [ns for ns in hats if ns < killed]
    later = [ns for ns in hats if ns > killed + 50_000_000]
    if not later:
        kill.wrong.append("silent")
        return [kill]
    kill.open, kill.closed_ms, kill.left_open = gates(rows, killed, later[0])
    kill.playing_ms = (later[0] - killed) / 1e6
    kill.off_grid_ms = off_grid(later, old[-1], STEP_NS)
    first = [ns for ns in ones if ns < killed]
    if off_grid([ns for ns in ones if ns > killed], first[-1], BAR_NS) > STEP_NS / 2e6:
        kill.wrong.append("place")
    return [kill]


def kill_supervisor(
    env: dict[str, str], folder: Path, chance: random.Random, everything: bool
) -> list[Kill]:
    kill, capture = Kill(), folder / "capture"
    with playing(env, folder, capture) as stage:
        family = [stage.player(), *children(stage.process.pid)]
        time.sleep(1.0 + 2 * chance.random())
        killed = time.monotonic_ns()
        stage.process.kill()
        if everything:
            for pid in family:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
        stage.process.wait()
        if everything:
            subprocess.run(
                [sys.executable, "-m", "bridge.supervisor.lastwords", "rig.yaml"],
                cwd=folder,
                env={**stage.surroundings, "SERVICE_RESULT": "signal"},
                check=False,
            )
        try:
            kill.back_ms = wait(lambda: all(map(zombie, family)), "the others") * 1e3
        except TimeoutError:
            kill.wrong.append("left running")
        if taken(stage.http, socket.SOCK_STREAM):
            kill.wrong.append("port")
        time.sleep(0.3)
    rows = heard(capture)
    kill.open, kill.closed_ms, kill.left_open = gates(rows, killed, time.monotonic_ns())
    if kill.left_open:
        last = max((ns for ns, _ in rows), default=0)
        gaps = jackd.read_gaps(capture)
        kill.wrong.append(f"last heard {(last - killed) / 1e6:.0f} ms; gaps {gaps[-3:]}")
    return [kill]


# --- all of them --------------------------------------------------------------------------------


@contextlib.contextmanager
def busy(count: int) -> Iterator[None]:
    beside = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
    try:
        yield
    finally:
        for one in beside:
            one.kill()
            one.wait()


def runs(who: str, count: int, chance: random.Random) -> Iterator[Kill]:
    done = 0
    while done < count:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            try:
                with jackd.server(f"lbbench{os.getpid()}", folder) as env:
                    if who == "service":
                        some = min(SERVICE_KILLS_A_RUN, count - done)
                        found = kill_services(env, folder, some, chance)
                    elif who == "player":
                        found = kill_player(env, folder, chance)
                    else:
                        found = kill_supervisor(env, folder, chance, who == "all")
            except (TimeoutError, subprocess.TimeoutExpired) as error:
                found = [Kill(wrong=[f"gave up: {error}"])]
        done += len(found)
        yield from found


def spread(values: Sequence[float | None]) -> str:
    """Median, 99th percentile and worst."""
    known = sorted(value for value in values if value is not None)
    if not known:
        return ""
    return " / ".join(f"{percentile(known, part):.0f}" for part in (0.5, 0.99, 1))


def row(who: str, found: Sequence[Kill]) -> list[object]:
    with_gates = [kill for kill in found if kill.open]
    wrong = Counter(what for kill in found for what in kill.wrong)
    closed = [kill.closed_ms for kill in with_gates if not kill.left_open]
    return [
        who,
        len(found),
        f"{sum(not kill.left_open for kill in with_gates)} of {len(with_gates)}"
        if who != "service"
        else "",
        spread(closed),
        spread([kill.playing_ms for kill in found]),
        spread([kill.back_ms for kill in found]),
        sum(kill.lost for kill in found) if who == "service" else "",
        f"{max((kill.off_grid_ms for kill in found), default=0):.1f}",
        "; ".join(f"{what}: {times}" for what, times in wrong.items()) or "nothing",
    ]


HEAD = (
    "killed",
    "times",
    "gates closed",
    "closed, ms",
    "playing again, ms",
    "back or gone, ms",
    "hits lost",
    "off the grid, ms",
    "wrong",
)


def measure(count: int, who: Sequence[str] = WHO, beside: int = 0, seed: int = 1) -> list[str]:
    """Lines of Markdown."""
    chance = random.Random(seed)
    with busy(beside):
        rows = []
        for one in who:
            found = []
            for kill in runs(one, count, chance):
                found.append(kill)
                print(f"{one} {len(found)}: {kill}", file=sys.stderr, flush=True)
            rows.append(row(one, found))
    says = f"Kills over JACK, {beside} busy programs beside (median / p99 / worst):"
    return [says, "", *table(HEAD, rows)]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--who", nargs="+", choices=WHO, default=list(WHO))
    parser.add_argument("--busy", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that what was started is ended
    print("\n".join(measure(given.kills, given.who, given.busy, given.seed)))


if __name__ == "__main__":
    main()
