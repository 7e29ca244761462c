"""How long until the first hit, and how much memory the whole program takes with three pages.

    python tests/bench/bench_start.py [--minutes 2]

Cold start: from the call of ``lanebridge play … --start`` until the first byte of the first hit is
on the (simulated) port, and the CPU time of all processes so far; five times, the median. Memory:
the proportional set size (PSS) of all processes, early and late in a run with three pages that look
at six bars of chart each.
"""

from __future__ import annotations

import argparse
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).resolve().parent), str(ROOT)]

from bench_light import children  # noqa: E402
from bench_slow import pages  # noqa: E402
from stage import cpu_seconds, environment, free_port, stage, table  # noqa: E402

DEMO = ROOT / "bridge" / "demo"
TIMES = 5
GIVE_UP_S = 60.0
SMALL = """\
import os
said = os.sysconf
os.sysconf = lambda name: (512 << 20) // said("SC_PAGE_SIZE") if name == "SC_PHYS_PAGES" else said(name)
"""
"""Python's own way to run something first (site, sitecustomize)."""
NOTE_ON = "99"  # status of the drum channel, in hexadecimal, as the port's log writes it


def family(pid: int) -> list[int]:
    """A process and all below it."""
    return [pid, *(one for child in children(pid) for one in family(child))]


def pss_mb(pid: int) -> float:
    """Proportional set size of a process and all below it, in MB."""
    total = 0
    for one in family(pid):
        text = Path(f"/proc/{one}/smaps_rollup").read_text()
        total += next(int(line.split()[1]) for line in text.splitlines() if line[:4] == "Pss:")
    return total / 1024


def begin(folder: Path) -> tuple[float, float]:
    """Seconds from the call to the first hit, and CPU seconds of all processes until then."""
    for name in ("rig.yaml", "set.yaml"):
        (folder / name).write_text((DEMO / name).read_text())
    log = folder / "wire.log"
    log.touch()
    env = environment(folder, log)
    words = [sys.executable, "-m", "bridge.cli", "play", "rig.yaml", "set.yaml", "--start"]
    words += ["--port", str(free_port(socket.SOCK_STREAM))]
    words += ["--osc-port", str(free_port(socket.SOCK_DGRAM))]
    called = time.monotonic_ns()
    program = subprocess.Popen(
        words, cwd=folder, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        while time.monotonic_ns() < called + GIVE_UP_S * 1e9:
            for line in log.read_text().splitlines():
                ns, *_, data = line.split()
                if data.startswith(NOTE_ON):
                    used = sum(cpu_seconds(pid) for pid in family(program.pid))
                    return (int(ns) - called) / 1e9, used
            time.sleep(0.01)
        raise SystemExit("no hit came")
    finally:
        program.send_signal(signal.SIGTERM)
        program.wait(20)


def help_seconds() -> float:
    words = [sys.executable, "-m", "bridge.cli", "--help"]
    begun = time.monotonic()
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL, cwd=ROOT)
    return time.monotonic() - begun


def memory(minutes: float, before: Sequence[str] = ()) -> list[float]:
    """PSS of the program in MB after ten seconds and at the end, with three pages; the words of
    `before` begin its command line."""
    with tempfile.TemporaryDirectory() as name:
        demo = (DEMO / "set.yaml").read_text()
        rig = (DEMO / "rig.yaml").read_text()
        given = stage(Path(name), loaded=False, document=demo, rig=rig, before=before)
        with given as on, pages(on.http, 3):
            time.sleep(10)
            first = pss_mb(on.pid)
            time.sleep(max(0.0, minutes * 60 - 10))
            return [first, pss_mb(on.pid)]


def memory_of_small(minutes: float) -> float:
    """PSS at the end on a computer that says it has 512 MB, where players are not forked."""
    with tempfile.TemporaryDirectory() as name:
        (Path(name) / "sitecustomize.py").write_text(SMALL)
        return memory(minutes, ["env", f"PYTHONPATH={name}:{ROOT}"])[1]


def measure(minutes: float) -> list[str]:
    """Lines of Markdown."""
    starts: list[tuple[float, float]] = []
    for _ in range(TIMES):
        with tempfile.TemporaryDirectory() as name:
            starts.append(begin(Path(name)))
    first, last = memory(minutes)
    rows: list[Sequence[object]] = [
        ("cold start to the first hit, s", f"{statistics.median(s for s, _ in starts):.2f}"),
        ("CPU time of all processes by then, s", f"{statistics.median(c for _, c in starts):.2f}"),
        ("`--help`, s", f"{statistics.median(help_seconds() for _ in range(TIMES)):.2f}"),
        ("PSS of all processes after 10 s with three pages, MB", f"{first:.0f}"),
        (f"the same after {minutes:g} minutes, MB", f"{last:.0f}"),
        ("the same after 1 minute, a computer with 512 MB", f"{memory_of_small(1):.0f}"),
    ]
    return ["Start and memory, the demo:", "", *table(["", "measured"], rows)]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, default=2.0)
    print("\n".join(measure(parser.parse_args().minutes)))


if __name__ == "__main__":
    main()
