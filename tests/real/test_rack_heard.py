"""A rack of drums over JACK: its MIDI and its sound are real, so are the times; the voices are those
of `support.drums`. What JACK does to times bounds what can be asked here: a message waits for the
next period, 5.3 ms at 256 samples, so figures are held to a period; `tests/bench/test_lining.py`
holds them to half a millisecond.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TypeVar

import pytest
from support import jackd
from support.drums import Drum
from support.earshot import Earshot
from support.jack_align import CLICK_MS, RIG, Aligned, align, rack
from support.patience import PATIENCE_S
from support.program import Needs

from bridge.bench.hearing import Hearing
from bridge.bench.listened import ListenedCheck, to_keep
from bridge.files.rig import load_rig
from bridge.files.sounds import save_sounds

pytestmark = pytest.mark.real

PERIOD = 256
PERIOD_MS = PERIOD / 48.0
LATE_MS = 40.0
KICK = Drum("kick", 50.0, 250.0, 0.3)
RIM = Drum("rim", 450.0, 60.0, 0.3, LATE_MS)


def command(env: dict[str, str], *words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "bridge.cli", *map(str, words)],
        env=env,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


BUSY = ("are lost again and again", "ended by signal", "has no audio input")
"""The machine was too busy for real-time audio, and the program says so; or the JACK library of the
MIDI ports fell over in its own thread while a graph that had missed its cycle was taken apart (seen
once in a dozen runs at a load of 19 on two cores). Then it is tried again, four times at most."""
T = TypeVar("T")


def tried(run: Callable[[Path], T], folder: Path, busy: Callable[[T], bool]) -> T:
    """What came out of the first run that the machine let through."""
    for _ in range(4):
        found = run(folder)
        if not busy(found):
            break
    return found


def said_busy(said: str) -> bool:
    return any(words in said for words in BUSY)


def ending(process: subprocess.Popen[str]) -> str:
    code = process.wait(PATIENCE_S)
    return f"\nended by signal {-code}" if code < 0 else ""


def aligned(folder: Path) -> Aligned:
    """One `align`, four hits a voice and five seconds of click."""
    with jackd.server(f"lbe{os.getpid()}", folder, PERIOD) as env:
        return align(env, folder, (KICK, RIM), {"hits": 4, "seconds": 5}, bpm=240)


def near_click(ms: float) -> bool:
    """Within a period of where the click is. A graph that misses its cycles moves the clock and the
    sound against each other, which nobody can tell afterwards: of four runs one must be right."""
    return abs(ms - CLICK_MS - PERIOD_MS) <= PERIOD_MS


def test_align_finds_how_late_a_voice_is_and_where_the_hosts_click_is(
    tmp_path: Path, needs: Needs
) -> None:
    """A host's click comes through the same server as the voices, whose period counts once."""
    needs("jackd", "python:jack", "python:sounddevice")
    one = tried(
        aligned,
        tmp_path,
        lambda one: said_busy(one.said) or one.click_ms is None or not near_click(one.click_ms),
    )
    found = load_rig(tmp_path / "rig.yaml")
    later = found.interfaces["two"].latency_ms - found.interfaces["one"].latency_ms
    assert later == pytest.approx(LATE_MS, abs=PERIOD_MS + 0.5), one.said
    assert found.clock.offset_ms == (one.offset_ms or 0.0)
    if one.click_ms is None and one.disturbed:
        # Four times the server was late. What it heard made no offset, and that is said.
        assert "no offset: " in one.said
        return
    assert one.click_ms is not None
    assert near_click(one.click_ms), one.said


def checked(folder: Path) -> str:
    with (
        jackd.server(f"lbe{os.getpid()}", folder, PERIOD) as env,
        rack(env, RIM, KICK),
        command(env, "soundcheck", folder / "rig.yaml", "--listen", "quay") as process,
    ):
        said, _ = process.communicate("y\nn\n", PATIENCE_S)
        return said + ending(process)


def test_soundcheck_hears_that_two_cables_are_swapped(tmp_path: Path, needs: Needs) -> None:
    needs("jackd", "python:jack", "python:sounddevice")
    path = tmp_path / "rig.yaml"
    path.write_text(RIG)
    rig = load_rig(path)
    world = Earshot({"one.gate-1": KICK, "two.gate-1": RIM})
    before = ListenedCheck(rig, None, Hearing(world.ear, world))
    for _ in before.run(["one.gate-1", "two.gate-1"]):
        pass
    save_sounds(path, to_keep(before, datetime(2026, 5, 4)), datetime(2026, 5, 4))
    said = tried(checked, tmp_path, said_busy)
    assert "one.gate-1, kick voice: sounds like rim voice (two.gate-1) did on 2026-05-04" in said
    assert "two.gate-1, rim voice: sounds like kick voice (one.gate-1) did on 2026-05-04" in said
