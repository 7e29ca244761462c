"""Whether the rack falls on a host's click after `lanebridge align --click`, over JACK.

    python tests/bench/bench_click.py [--runs 3] [--period 256] [--how frame]

A rack of two drums and a host, each a JACK client of its own. What `align` proposes is agreed to;
then the program follows the host's clock, and another client records the host's click and the first
drum side by side, which plays on each beat. Printed: how much later than the click the drum begins.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).resolve().parent), str(ROOT / "tests"), str(ROOT)]

from bench_align import DRUMS  # noqa: E402
from support import jackd  # noqa: E402
from support.jack_align import CLICK_MS, align, rack  # noqa: E402

BPM = 120
SET = 'set: Click\nlanes:\n  kick: {steps: "x...", out: one.gate-1}\n'
STARTS_S, PLAYS_S = 4.0, 14.0
SETTLES = 6  # clicks, until the follower has its clock
RATE = 48_000


def begins(samples: Any, loud: float) -> Any:
    """Where sounds begin: what is louder than that after a tenth of a second of less."""
    places = np.flatnonzero(np.abs(samples) > loud)
    return places[np.diff(places, prepend=-RATE) > RATE // 10]


def later_ms(folder: Path, env: dict[str, str], how: str) -> Any:
    """How much later than each click the drum begins, in ms."""
    (folder / "set.yaml").write_text(SET)
    surroundings = {"XDG_RUNTIME_DIR": str(folder), "XDG_STATE_HOME": str(folder)}
    words = ["play", "rig.yaml", "set.yaml", "--port", "0", "--osc-port", "0"]
    path = folder / "heard.npz"
    with (
        rack(env, *DRUMS[:2]),
        jackd.peer(env, "jack_host.py", "recorder", str(BPM), str(CLICK_MS), how) as host,
    ):
        play = subprocess.Popen(
            [sys.executable, "-m", "bridge.cli", *words],
            cwd=folder,
            env=env | surroundings | {"PYTHONPATH": str(ROOT)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            time.sleep(STARTS_S)
            with jackd.peer(env, "jack_capture.py", str(path), "quay:out", "recorder:click"):
                assert host.stdin is not None
                host.stdin.write("start\n")
                host.stdin.flush()
                time.sleep(PLAYS_S)
        finally:
            play.terminate()
            play.wait()
    with np.load(path) as heard:
        drum, click = begins(heard["first"], 0.03), begins(heard["second"], 0.05)
    near = [drum[np.argmin(np.abs(drum - place))] - place for place in click[SETTLES:]]
    return np.array(near) * 1e3 / RATE


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--period", type=int, default=256)
    parser.add_argument("--how", choices=("frame", "block"), default="frame")
    told = parser.parse_args()
    for run in range(told.runs):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            with jackd.server(f"lbc{os.getpid()}", folder, told.period) as env:
                found = align(env, folder, DRUMS[:2], {"hits": 12, "seconds": 10}, how=told.how)
                if found.offset_ms is None:
                    print(f"{run}: no offset was proposed", flush=True)
                    continue
                off = later_ms(folder, env, told.how)
            print(
                f"{run}: offset {found.offset_ms:g} ms; {len(off)} drums {np.median(off):+.2f} ms "
                f"after the click in the median, {off.min():+.2f} to {off.max():+.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
