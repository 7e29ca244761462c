"""A host that sends its clock from an audio callback, followed by the player on a real wire.

The peer is a JACK client of its own (`support.jack_clock`): it writes each clock at its true frame,
or, as many hosts do, all clocks of a block at the block's beginning. JACK's MIDI hands both over
block by block, so the player hears blocks of 64, 256 or 1024 frames at 48 kHz. The receiver stamps
clocks and hits in JACK frames: hit n must belong to clock 6 n after Start, at a constant distance,
and after Stop the song position must be the number of clocks that the host sent since Start.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from support import jackd
from support.patience import PATIENCE_S
from support.program import Needs, answers, free_port, state_of

from bridge.clock.tempo import TICKS_PER_CLOCK

pytestmark = [pytest.mark.real, pytest.mark.timeout(900)]

BPM = 121.0
SET = """\
set: Blocks
tempo: 100
lanes:
  kick: {every: 1, out: main.gate-1}
"""
RATE = 48_000


@pytest.mark.parametrize("at", ["frame", "block"])
@pytest.mark.parametrize("frames", [64, 256, 1024])
def test_hits_keep_a_constant_distance_to_the_clock_of_a_host(
    tmp_path: Path, needs: Needs, frames: int, at: str
) -> None:
    needs("jackd", "python:jack")
    wrong = ""
    for attempt in range(3):  # a shared machine may stand still
        folder = tmp_path / str(attempt)
        folder.mkdir()
        wrong = judged(*played(folder, frames, at), frames)
        if not wrong:
            return
        print(f"try {attempt}: {wrong}")
    pytest.fail(wrong)


def played(
    folder: Path, frames: int, at: str
) -> tuple[list[tuple[str, int, bytes]], dict[str, Any], bool]:
    """The rows received, the clock as the player showed it, and whether the receiver missed any."""
    (folder / "rig.yaml").write_text(jackd.FOLLOWING_RIG)
    (folder / "set.yaml").write_text(SET)
    http, osc = free_port(socket.SOCK_STREAM), free_port(socket.SOCK_DGRAM)
    capture = folder / "capture.txt"
    with contextlib.ExitStack() as stack:
        env = stack.enter_context(jackd.server(f"lbb{os.getpid()}", folder, frames))
        stack.enter_context(jackd.receiver(env, capture, "in", "clock"))
        clock = jackd.ClockSource(env, BPM, at=at)
        stack.callback(clock.close)
        jackd.connect(env, "pulse:clock", "wire:clock")
        command = [sys.executable, "-m", "bridge.cli", "play", "rig.yaml", "set.yaml"]
        command += ["--port", str(http), "--osc-port", str(osc)]
        log = stack.enter_context((folder / "play.log").open("wb"))
        play = subprocess.Popen(command, cwd=folder, env=env, stdout=log, stderr=log)
        try:
            url = f"http://127.0.0.1:{http}"
            jackd.wait_for(lambda: answers(url), 60, "the page")
            jackd.wait_for(
                lambda: state_of(url)["clock"]["state"] == "locked", PATIENCE_S, "a lock"
            )
            time.sleep(4)
            clock.tell("start")
            time.sleep(10)
            shown = state_of(url)["clock"]
            clock.tell("stop")
            jackd.wait_for(lambda: state_of(url)["transport"]["state"] == "stopped", 10, "a stop")
            shown |= {"tick": state_of(url)["transport"]["tick"]}
            play.send_signal(signal.SIGTERM)
            assert play.wait(PATIENCE_S) == 0
        finally:
            if play.poll() is None:
                play.kill()
                play.wait()
    return jackd.read_capture(capture), shown, bool(jackd.read_gaps(capture))


def judged(
    rows: list[tuple[str, int, bytes]], shown: dict[str, Any], disturbed: bool, frames: int
) -> str:
    """What is wrong, or nothing."""
    start = next(at for at, row in enumerate(rows) if row[0] == "clock" and row[2] == b"\xfa")
    clocks = [frame for label, frame, data in rows[start:] if label == "clock" and data == b"\xf8"]
    hits = [
        frame
        for label, frame, data in rows[start:]
        if label == "in" and data[0] & 0xF0 == 0x90 and data[2] > 0
    ]
    end = next(at for at, row in enumerate(rows) if row[0] == "clock" and row[2] == b"\xfc")
    sent = sum(row[0] == "clock" and row[2] == b"\xf8" for row in rows[start:end])
    if shown["tick"] != sent * TICKS_PER_CLOCK:
        return f"song position {shown['tick']} after {sent} clocks since Start"
    if len(hits) < 60:
        return f"only {len(hits)} hits"
    # True times: the clocks lie on one line, each at most a block off it.
    period = 60 / BPM / 24 * RATE
    off = [(hit - clocks[0] - number * 6 * period) / RATE * 1000 for number, hit in enumerate(hits)]
    settled = off[4:]
    spread = max(settled) - min(settled)
    block = frames / RATE * 1000
    report = (
        f"{frames} frames: hits {statistics.fmean(settled):.2f} ms from the clock, spread "
        f"{spread:.2f} ms, tempo {shown['tempo']}, blocks {shown['block_ms']}, missed {disturbed}"
    )
    print(report)
    if abs(float(shown["tempo"]) - BPM) > 0.3:
        return f"tempo: {report}"
    # The hits come out in blocks of the same length themselves.
    if spread > block + 3:
        return f"spread: {report}"
    if not -block - 3 < statistics.fmean(settled) < 3 * block + 3:
        return f"distance: {report}"
    return ""
