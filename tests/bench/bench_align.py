"""How sure `lanebridge align --click` is over JACK: several runs, and what the rack then plays.

    python tests/bench/bench_align.py [--runs 10] [--periods 256] [--how frame]

A rack of two drums and a host, each a JACK client of its own, on the dummy driver. Each run proposes
latencies and an offset from nothing. What they should be follows from the clients: the rim is 7 ms
later than the kick, and the click 20 ms later than the clock.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT)]

from support import jackd  # noqa: E402
from support.drums import Drum  # noqa: E402

RIG = """\
rig: Quay rack
interfaces:
  one: {profile: eight-gates-four-cv, port: "quay:one", cables: {gate-1: kick voice}}
  two: {profile: eight-gates-four-cv, port: "quay:two", cables: {gate-1: rim voice}}
clock: {follow: "recorder:clock"}
"""
LATER_MS, CLICK_MS = 7.0, 20.0
KICK = Drum("click", 2500.0, 12.0, 0.3, 2.0)
RIM = Drum("rim", 450.0, 60.0, 0.3, 2.0 + LATER_MS)


@contextlib.contextmanager
def client(env: dict[str, str], *words: str) -> Iterator[subprocess.Popen[str]]:
    path = os.pathsep.join([str(jackd.SUPPORT.parent), *sys.path])
    process = subprocess.Popen(
        [sys.executable, str(jackd.SUPPORT / words[0]), *words[1:]],
        env=env | {"PYTHONPATH": path},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        assert process.stdout.readline().startswith("ready")
        yield process
    finally:
        process.stdin.close()
        process.wait(60)
        process.stdout.close()


def aligned(env: dict[str, str], folder: Path, hits: int, how: str, seconds: int) -> str:
    """One run; what it said."""
    rig = folder / "rig.yaml"
    rig.write_text(RIG)
    told = {"ports": {"one": {"36": asdict(KICK)}, "two": {"36": asdict(RIM)}}}
    with (
        client(env, "jack_drums.py", "quay", json.dumps(told)),
        client(env, "jack_host.py", "recorder", "120", str(CLICK_MS), how) as host,
        subprocess.Popen(
            [
                *(sys.executable, "-u", "-m", "bridge.cli", "align", str(rig), "--listen", "quay"),
                *("--click", "recorder", "--hits", str(hits), "--seconds", str(seconds), "--apply"),
            ],
            env=env | {"PYTHONPATH": str(ROOT)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        ) as run,
    ):
        assert run.stdin is not None
        assert run.stdout is not None
        assert host.stdin is not None
        run.stdin.write("y\n")
        run.stdin.flush()
        said = []
        for line in run.stdout:
            said.append(line)
            if line.startswith("Stop the host"):
                time.sleep(0.3)
                run.stdin.write("\n")
                run.stdin.flush()
            if f"for {seconds} s ..." in line:
                host.stdin.write("start\n")
                host.stdin.flush()
        run.wait(60)
    return "".join(said)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--periods", type=int, nargs="+", default=[256])
    parser.add_argument("--how", choices=("frame", "block"), default="frame")
    parser.add_argument("--hits", type=int, default=12)
    parser.add_argument("--seconds", type=int, default=10)
    parser.add_argument("--words", action="store_true", help="all that was said")
    told = parser.parse_args()
    for period in told.periods:
        for run in range(told.runs):
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name)
                with jackd.server(f"lba{os.getpid()}", folder, period) as env:
                    said = aligned(env, folder, told.hits, told.how, told.seconds)
            late = re.findall(r"voice: ([\d.]+) ms after", said)
            offset = re.search(r"offset_ms .* -> (\S+)", said)
            words = [line for line in said.splitlines() if "lost" in line or "no offset" in line]
            later = float(late[1]) - float(late[0]) if len(late) == 2 else float("nan")
            grid = float(offset[1]) + float(late[0]) if offset and late else float("nan")
            print(
                f"{period:5} {told.how} {run:2}: late {late}, later by {later:.2f} "
                f"(true {LATER_MS:g}), click {grid:.2f} after the clock (true {CLICK_MS:g}) "
                f"{'; '.join(words)}",
                flush=True,
            )
            if told.words:
                print(said)


if __name__ == "__main__":
    main()
