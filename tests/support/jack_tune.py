"""`lanebridge tune --listen` over JACK: a rack that is not ours, and how far its notes are off then.

The rack (`support/rack.py`, a JACK client of its own) reads the MIDI on the wire, decodes volts with
its own tables, and sounds an oscillator that is bent. Pitches: equal temperament, A4 = 440 Hz (ISO
16:1975); 0 V is C1.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

import yaml
from support import jackd
from support.rack import Tone

RIG = """\
rig: Quay rack
interfaces:
  main: {profile: eight-gates-four-cv, port: "quay:in"}
"""
BENT: dict[str, Any] = {"gain": 1.006, "offset": 0.021, "bow": 0.004}
LEVEL = 0.3
BLEED = {"wave": "saw", "level": LEVEL * 10 ** (-30 / 20), "zero_hz": 147.7}
NOISE = LEVEL * 10 ** (-50 / 20)
PERIOD = 1024  # long, because a busy machine loses short ones


@contextlib.contextmanager
def rack(
    folder: Path, told: dict[str, Any]
) -> Iterator[tuple[dict[str, str], subprocess.Popen[str]]]:
    """The server and the rack; what is written to the rack's input changes it."""
    (folder / "rig.yaml").write_text(RIG)
    with (
        jackd.server(f"lbe{os.getpid()}", folder, PERIOD) as env,
        jackd.peer(env, "rack.py", "quay", json.dumps(told)) as process,
    ):
        yield env, process


def tuning(folder: Path, env: dict[str, str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [
            *(sys.executable, "-u", "-m", "bridge.cli", "tune", "rig.yaml", "main.pitch-1"),
            *("--listen", "quay", "--every", "24", "--yes", "--plot", "residual.svg"),
        ],
        cwd=folder,
        env=env | {"PYTHONPATH": str(Path(__file__).parent.parent.parent)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def cents_off(kept: Mapping[str, Any], note: int) -> float:
    """How far a note is off with a tuning, by the formulas of the manual: what is asked for is the
    wanted volts less the table, offset and gain; the output has 16384 steps over 8 V."""
    table = kept["table"]

    def at(where: float) -> float:
        for (a, low), (b, high) in pairwise(table):
            if a <= where <= b:
                return float(low + (high - low) * (where - a) / (b - a))
        return float(table[0][1] if where < table[0][0] else table[-1][1])

    wanted = note - at(note) / 100.0
    volts = ((wanted - 24.0) / 12.0 - kept["offset_volts"]) / kept["gain"]
    volts = round(volts / 8.0 * 16383) * 8.0 / 16383
    return 1200.0 * math.log2(Tone(**BENT).hertz(volts) / (440.0 * 2 ** ((note - 69) / 12)))


def tuned(folder: Path) -> dict[int, float]:
    """How many cents each note is off with the tuning that was kept, by note number."""
    kept = yaml.safe_load((folder / "rig.tuning.yaml").read_text())["tuning"]["main.pitch-1"]
    return {note: cents_off(kept, note) for note in range(30, 114)}
