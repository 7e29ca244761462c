"""Tuning by ear from end to end: MIDI over a JACK server to a rack that is not ours, its sound back.

The rack (`support/rack.py`, a JACK client of its own) reads the MIDI on the wire, decodes volts with
its own tables, and sounds an oscillator that is bent, with hum, noise and a second voice at -30 dB.
Pitches: equal temperament, A4 = 440 Hz (ISO 16:1975); 0 V is C1.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import subprocess
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import yaml
from support import jackd
from support.patience import PATIENCE_S
from support.program import Needs, Record
from support.rack import Tone

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]

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


def cents_off(kept: dict[str, Any], note: int) -> float:
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


def test_a_bent_voice_is_tuned_in_spite_of_bleed_hum_and_noise(
    tmp_path: Path, needs: Needs, record_property: Record
) -> None:
    needs("jackd", "python:jack", "python:sounddevice")
    voice = {"wave": "saw", "level": LEVEL, **BENT}
    told = {"pitched": {"16": voice}, "hum": 0.003, "hiss": NOISE, "bleed": BLEED}
    with rack(tmp_path, told) as (env, _):
        run = tuning(tmp_path, env)
        said = run.communicate(timeout=PATIENCE_S)[0]
    assert run.returncode == 0, said
    assert "other notes are off by" in said
    kept = yaml.safe_load((tmp_path / "rig.tuning.yaml").read_text())["tuning"]["main.pitch-1"]
    off = {note: cents_off(kept, note) for note in range(30, 114)}
    record_property("worst_cents", round(max(map(abs, off.values())), 3))
    assert max(map(abs, off.values())) <= 2.0, off
    assert "checked: heard with the tuning" in (tmp_path / "residual.svg").read_text()


def test_what_was_heard_is_kept_and_not_applied_when_the_voice_is_pulled_out(
    tmp_path: Path, needs: Needs
) -> None:
    needs("jackd", "python:jack", "python:sounddevice")
    voice = {"level": LEVEL, **BENT}
    with rack(tmp_path, {"pitched": {"16": voice}, "hiss": NOISE}) as (env, process):
        run = tuning(tmp_path, env)
        assert run.stdout is not None
        before = []
        for line in run.stdout:
            before.append(line)
            if line.startswith("    C"):  # the first reading
                break
        assert process.stdin is not None
        process.stdin.write('{"pull": true}\n')
        process.stdin.flush()
        said = "".join(before) + run.communicate(timeout=PATIENCE_S)[0]
    assert run.returncode == 1, said
    assert "brings digital silence, not even noise: is it muted or pulled out" in said
    assert "main.pitch-1: nothing was changed" in said
    assert not (tmp_path / "rig.tuning.yaml").exists()
    text = (tmp_path / "rig.main.pitch-1.readings.txt").read_text()
    assert "broken off, not applied" in text
    assert text.count(" Hz\n") >= 1
