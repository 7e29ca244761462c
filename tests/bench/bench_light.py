"""What the running program takes of a core, process by process, and how often each wakes.

    python tests/bench/bench_light.py [--seconds 20]

The demo with no page open: playing, standing, and standing with nobody who gets its MIDI clock; and
32 lanes of which eight glide. CPU time and voluntary switches come from /proc, so a busy machine
moves them less than wall time; still, compare runs on one machine at one load. The bare ratio is
wake-ups to moments at which messages left: a player that wakes once for each and never else has 1.

What is played is measured twice: as the machine is, and with an endless loop at the lowest priority
on each core. A virtual processor that sleeps may be taken away, and what it knew (caches, branches)
is gone when it comes back: where the second figure is lower, the machine pays so much for sleeping.
Where nobody else uses the machine it can be higher, for the loops use its caches too.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).resolve().parent), str(ROOT)]

from stage import RIG, environment, free_port, state, table, wait_for  # noqa: E402

DEMO = ROOT / "bridge" / "demo"
PORTS = ("one", "two", "three")
GLIDING = (
    ("one.level-1", "sine", "1/2"),
    ("one.level-2", "triangle", "3/4"),
    ("two.level-1", "random-smooth", "1/1"),
    ("two.level-2", "sine", "3/8"),
    ("three.level-1", "triangle", "5/8"),
    ("three.level-2", "sine", "1/4"),
    ("one.pitch-1", "random-smooth", "7/8"),
    ("two.pitch-2", "triangle", "2/1"),
)
TOGETHER_NS = 1_000_000  # messages closer than this left in one wake-up


def wide() -> str:
    """A set of 32 lanes, of which eight glide all the time."""
    lanes = [
        f"g{n}: {{euclid: {{hits: {2 + n % 5}, steps: {11 + n % 6}}}, "
        f"out: {PORTS[n // 8]}.gate-{n % 8 + 1}}}"
        for n in range(24)
    ]
    lanes += [
        f"v{n}: {{shape: {form}, rate: {rate}, out: {out}}}"
        for n, (out, form, rate) in enumerate(GLIDING)
    ]
    return "\n".join(("set: Wide", "tempo: 126", "seed: 3", "lanes:", *(f"  {x}" for x in lanes)))


@contextlib.contextmanager
def kept_awake() -> Iterator[None]:
    """Every core has something to do, which anything else goes before."""
    loops = [
        subprocess.Popen(
            ["nice", "-n", "19", "taskset", "-c", str(core), "sh", "-c", "while :; do :; done"]
        )
        for core in sorted(os.sched_getaffinity(0))
    ]
    try:
        yield
    finally:
        for loop in loops:
            loop.kill()
            loop.wait()


def tasks(pid: int) -> list[Path]:
    return list(Path(f"/proc/{pid}/task").iterdir())


def cpu_ns(pid: int) -> int:
    return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks(pid))


def wakes(pid: int) -> int:
    """Voluntary switches: one for each time it went to sleep."""
    lines = [line for task in tasks(pid) for line in (task / "status").read_text().splitlines()]
    return sum(int(line.split()[1]) for line in lines if line.startswith("voluntary"))


def children(parent: int) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                stat = (entry / "stat").read_text()
            except OSError:
                continue
            if int(stat.rsplit(")", 1)[1].split()[1]) == parent:
                found.append(int(entry.name))
    return found


def named(supervisor: int, player: int) -> dict[str, int]:
    """The processes of the program by what they are; players come from the fork server."""
    found = {"supervisor": supervisor}
    for pid in children(supervisor):
        line = Path(f"/proc/{pid}/cmdline").read_text()
        other = "fork server" if pid != player else "player"
        found["service" if "bridge.service" in line else other] = pid
    return found


def moments(log: Path, begin: int, end: int) -> int:
    """How many times messages left together between two times."""
    stamps = [int(line.split()[0]) for line in log.read_text().splitlines()]
    inside = [ns for ns in stamps if begin <= ns < end]
    return sum(two - one > TOGETHER_NS for one, two in zip([0, *inside], inside, strict=False))


def run(
    label: str, rig: str, playing: bool, seconds: float, text: str | None = None
) -> list[list[object]]:
    """`text` is another set than the demo's."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "rig.yaml").write_text(rig)
        (folder / "set.yaml").write_text(text or (DEMO / "set.yaml").read_text())
        http, log = free_port(socket.SOCK_STREAM), folder / "wire.log"
        log.touch()
        env = environment(folder, log)
        words = [sys.executable, "-m", "bridge.cli", "play", "rig.yaml", "set.yaml"]
        words += ["--port", str(http), "--osc-port", str(free_port(socket.SOCK_DGRAM))]
        words += ["--start"] if playing else []
        program = subprocess.Popen(
            words, cwd=folder, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            wait_for(http, program)
            time.sleep(3)
            player = int(state(http)["player"]["pid"])
            names = {pid: name for name, pid in named(program.pid, player).items()}
            before = {pid: (cpu_ns(pid), wakes(pid)) for pid in names}
            begin = time.monotonic_ns()
            time.sleep(seconds)
            took = time.monotonic_ns() - begin
            after = {pid: (cpu_ns(pid), wakes(pid)) for pid in names}
            left = moments(log, begin, begin + took)
        finally:
            program.send_signal(signal.SIGTERM)
            program.wait(10)
    rows: list[list[object]] = []
    for pid, what in names.items():
        used, woken = (late - early for early, late in zip(before[pid], after[pid], strict=True))
        own = what == "player"
        rows.append(
            [
                f"{label}: {what}",
                f"{used / took * 100:.2f} %",
                f"{woken * 1e9 / took:.0f}",
                f"{left * 1e9 / took:.0f}" if own else "",
                f"{woken / left:.2f}" if own and left else "",
            ]
        )
    return rows


def measure(seconds: float) -> list[str]:
    """Lines of Markdown."""
    rig = (DEMO / "rig.yaml").read_text()
    alone = "\n".join(line for line in rig.splitlines() if "send_to" not in line) + "\n"
    with kept_awake():
        awake = run("demo, cores kept awake", rig, True, seconds)
        awake += run("32 lanes, cores kept awake", RIG, True, seconds, wide())
    rows = [
        *run("demo playing", rig, True, seconds),
        *run("32 lanes, 8 glide", RIG, True, seconds, wide()),
        *(row for row in awake if "player" in str(row[0])),
        *run("standing", rig, False, seconds),
        *run("standing, no MIDI clock", alone, False, seconds),
    ]
    head = ["no page open", "of a core", "wake-ups/s", "moments sent/s", "wake-ups a moment"]
    return ["What the program takes, process by process:", "", *table(head, rows)]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=20.0)
    print("\n".join(measure(parser.parse_args().seconds)))


if __name__ == "__main__":
    main()
