"""A host on a real wire whose song jumps far away, and what arrives at a receiver after it.

The host is a JACK client (`support.jack_clock`). It sends its clock in audio blocks and jumps as hosts
do: Stop, Song Position Pointer, Continue; the next clock is then the downbeat of that position (MIDI
1.0 Detailed Specification, pp. 27 to 31). A Song Position counts sixteenths, of six clocks each, in 14
bits, so that 16,383 is the farthest: the last sixteenth of bar 1,024. The set counts, drifts and walks,
so lanes fall in first, and where they are exactly is known some bars later. From that bar line on the
receiver must have got what the same set plays that was played from bar 1 on without a jump.
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
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from support import jackd
from support.patience import PATIENCE_S
from support.program import Needs, answers, free_port, state_of

from bridge.files import take
from bridge.files.rig import parse_rig
from bridge.files.set import parse_set
from bridge.music.score import compile_score
from bridge.player.offline import perform_rig

pytestmark = [pytest.mark.real, pytest.mark.timeout(900)]

BPM = 180.0
RATE = 48_000
PERIOD = 60 / BPM / 24 * RATE
"""Frames from clock to clock."""
TICKS_PER_CLOCK, SIXTEENTH, BAR = 40, 240, 3840
MS_PER_TICK = 60_000 / BPM / 960
FARTHEST = 16_383
SET = """\
set: Causeway
tempo: 180
seed: 11
swing: 57
lanes:
  kick: {steps: "x..x..x.", drift: 0.2, drift_bound: 2, out: main.gate-1, gate: 0.5}
  rim: {euclid: {hits: 5, steps: 13}, chance: 0.6, out: main.gate-2, gate: 0.5}
  made: {logic: "nth(rim xor kick, 7)", out: main.gate-3}
  turned: {logic: "toggle(rim) and kick", out: main.gate-4}
  late: {logic: "delay(made, 3/16) or earlier(late, 5) and rim", out: main.gate-5}
  tied: {steps: "x..x.....x", advance: rim, out: main.gate-6, gate: 0.5}
  fourth: {logic: "nth(turned, 4)", out: main.gate-7}
  moon: {walk: true, rate: 3/8, walk_step: 0.25, out: main.level-1}
  held: {sample: {value: moon, at: made}, out: main.level-2}
  tune: {walk: true, advance: made, walk_step: 0.3, quantise: key, octaves: [3, 4], out: main.pitch-1}
"""
MADE = 38
"""The note of the gate at whose hits the pitch and a level move; both stand before it opens."""
STEPPED = {16, 48, 19, 51}
"""Controllers of that pitch and of that level on channel 1: pairs of 14 bits."""
BARS_AFTER = 4
"""Bars that must be heard after the exact place has taken over."""

Row = tuple[str, int, bytes]


class Gate(NamedTuple):
    """One gate: its note, ticks from the beginning of the song, and what stood when it opened."""

    note: int
    on: float
    off: float
    values: tuple[tuple[int, int], ...]


class Jump(NamedTuple):
    """How the host jumps, where to (sixteenths), and for how many bars it plays there."""

    how: str
    to: int
    bars: int


class Heard(NamedTuple):
    """What one run has brought: the receiver's rows, the first bar line of each jump's exact part by
    the tick where the jump led, and the player's process before and after."""

    rows: list[Row]
    lines: dict[int, int]
    pids: tuple[int, int]


@pytest.mark.parametrize(
    ("frames", "at", "jumps"),
    [
        (512, "block", (Jump("stopped", FARTHEST, 10), Jump("at once", 16 * 200, 6))),
        (256, "frame", (Jump("soon", 16 * 250 + 6, 7),)),
    ],
)
def test_a_host_that_jumps_far_is_soon_played_along_with_exactly(
    tmp_path: Path, needs: Needs, frames: int, at: str, jumps: tuple[Jump, ...]
) -> None:
    needs("jackd", "python:jack")
    wrong = ""
    for attempt in range(3):  # a shared machine may stand still
        folder = tmp_path / str(attempt)
        folder.mkdir()
        heard = played(folder, frames, at, jumps)
        assert heard.pids[0] == heard.pids[1], "another player"
        assert not still_open(heard.rows)
        wrong = judged(heard, jumps, frames)
        if not wrong:
            return
        print(f"try {attempt}: {wrong}")
    pytest.fail(wrong)


def played(folder: Path, frames: int, at: str, jumps: Sequence[Jump]) -> Heard:
    """Runs the program behind a host that plays two bars, then jumps again and again."""
    (folder / "rig.yaml").write_text(jackd.FOLLOWING_RIG)
    (folder / "set.yaml").write_text(SET)
    http, osc = free_port(socket.SOCK_STREAM), free_port(socket.SOCK_DGRAM)
    capture = folder / "capture.txt"
    with contextlib.ExitStack() as stack:
        env = stack.enter_context(jackd.server(f"lbj{os.getpid()}", folder, frames))
        env["XDG_STATE_HOME"] = str(folder)
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
            before = state_of(url)["player"]["pid"]
            clock.tell("start")
            wait_until_played(url, 0, 2)
            for jump in jumps:
                carry_out(jump, clock, url)
                wait_until_played(url, jump.to * SIXTEENTH, jump.bars)
            after = state_of(url)["player"]["pid"]
            clock.tell("stop")
            jackd.wait_for(lambda: transport(url)["state"] == "stopped", PATIENCE_S, "a stop")
            play.send_signal(signal.SIGTERM)
            assert play.wait(PATIENCE_S) == 0
        finally:
            if play.poll() is None:
                play.kill()
                play.wait()
    return Heard(jackd.read_capture(capture), taken_over(folder), (before, after))


def transport(url: str) -> dict[str, Any]:
    return state_of(url)["transport"]


def wait_until_played(url: str, tick: int, bars: int) -> None:
    """Waits until the song has come so many bars further than a tick, and is not far beyond."""
    goal = tick + bars * BAR

    def there() -> bool:
        time.sleep(0.1)
        return goal <= int(transport(url)["tick"]) < goal + 8 * BAR

    jackd.wait_for(there, PATIENCE_S + bars * BAR * MS_PER_TICK / 1000, f"tick {goal}")


def carry_out(jump: Jump, clock: jackd.ClockSource, url: str) -> None:
    """Jumps while stopped for a moment, in some blocks that follow one another, or in one block."""
    if jump.how == "at once":
        clock.tell(f"relocate {jump.to}")
        return
    clock.tell("stop")
    if jump.how == "stopped":
        jackd.wait_for(lambda: transport(url)["state"] == "stopped", PATIENCE_S, "a stop")
    clock.tell(f"position {jump.to}")
    if jump.how == "stopped":
        jackd.wait_for(
            lambda: transport(url)["tick"] == jump.to * SIXTEENTH, PATIENCE_S, "the position"
        )
    clock.tell("continue")


def taken_over(folder: Path) -> dict[int, int]:
    """The bar lines at which the exact place took over, as the takes tell, by where each began."""
    lines: dict[int, int] = {}
    for path in sorted(folder.rglob("*.take")):
        begun = None
        for mark in take.read(path).marks:
            if mark["is"] == "stands":
                begun = mark["rendered"] if begun is None else begun
                if mark.get("joins"):
                    lines[begun] = mark["rendered"]
    return lines


def still_open(rows: Sequence[Row]) -> set[int]:
    """Notes that were opened and never closed."""
    sounding: set[int] = set()
    for label, _, data in rows:
        if label == "in" and data[0] & 0xF0 == 0x90 and data[2]:
            sounding.add(data[1])
        elif label == "in" and data[0] & 0xF0 in (0x80, 0x90):
            sounding.discard(data[1])
    return sounding


def gates(messages: Sequence[tuple[float, bytes]]) -> list[Gate]:
    """The gates of a stream of messages with their ticks, in the order in which they open."""
    found: list[Gate] = []
    open_at: dict[int, int] = {}
    standing: dict[int, int] = {}
    for tick, data in messages:
        sort = data[0] & 0xF0
        if data[0] == 0xB0 and data[1] in STEPPED:
            standing[data[1]] = data[2]
        elif sort == 0x90 and data[2]:
            open_at[data[1]] = len(found)
            values = tuple(sorted(standing.items())) if data[1] == MADE else ()
            found.append(Gate(data[1], tick, float("inf"), values))
        elif sort in (0x80, 0x90) and data[1] in open_at:
            at = open_at.pop(data[1])
            found[at] = found[at]._replace(off=tick)
    return found


@cache
def expected(bars: int) -> list[Gate]:
    """The gates of a performance without a jump, from bar 1 on: no clock, no port, no waiting."""
    rig = parse_rig(jackd.FOLLOWING_RIG)
    score = compile_score(parse_set(SET, rig=rig).spec, rig.ranges)
    return gates([(sent.tick, sent.data) for sent in perform_rig(rig, score, bars).sent])


def judged(heard: Heard, jumps: Sequence[Jump], frames: int) -> str:
    """What is wrong, or nothing."""
    parts = performances(heard.rows)
    if [tick for tick, _, _ in parts] != [0, *(jump.to * SIXTEENTH for jump in jumps)]:
        return f"the host began at {[tick for tick, _, _ in parts]}"
    bars = max(jump.to for jump in jumps) // 16 + 24
    for (begun, end, messages), jump in zip(parts[1:], jumps, strict=True):
        line = heard.lines.get(begun)
        what = f"{jump}: "
        if line is None:
            return what + "nothing took over"
        print(
            f"{what}taken over {(line - begun) / BAR:.2f} bars later, heard until {end / BAR:.2f}"
        )
        if sum(line <= gate.on < end for gate in gates(messages)) < 40:
            return what + "too little is heard"
        if line % BAR or end - line < BARS_AFTER * BAR:
            return what + f"taken over at {line}, which is too late or no bar line"
        got, wanted = gates(messages), expected(bars)
        if wrong := apart(got, wanted, (line, end), frames):
            return what + wrong
        if not apart(got, wanted, (begun, line), frames):
            return what + "exact from the beginning, so that it says nothing about taking over"
    return ""


def performances(rows: Sequence[Row]) -> list[tuple[int, float, list[tuple[float, bytes]]]]:
    """Each performance by what the host sent: the tick at which it began, the one at which it ended,
    and what the receiver got from its downbeat on, with the ticks that the clocks say."""
    at: list[tuple[int, int, int]] = []  # tick, row of the downbeat, row of the Stop
    place, armed = 0, False
    for number, (label, _, data) in enumerate(rows):
        if label != "clock":
            continue
        if data[0] == 0xFA:
            place, armed = 0, True
        elif data[0] == 0xF2:
            place = (data[1] | data[2] << 7) * SIXTEENTH
        elif data[0] == 0xFB:
            armed = True
        elif data[0] == 0xF8 and armed:
            at.append((place, number, len(rows)))
            armed = False
        elif data[0] == 0xFC and at:
            at[-1] = (*at[-1][:2], number)
    return [performance(rows, *one) for one in at]


def performance(
    rows: Sequence[Row], tick: int, downbeat: int, stop: int
) -> tuple[int, float, list[tuple[float, bytes]]]:
    own = rows[downbeat:stop]
    clocks = [frame for label, frame, data in own if label == "clock" and data == b"\xf8"]
    # The clocks of an even tempo lie on one line; each is at most a block before its true time.
    zero = statistics.fmean(frame - n * PERIOD for n, frame in enumerate(clocks))

    def tick_of(frame: int) -> float:
        return tick + (frame - zero) / PERIOD * TICKS_PER_CLOCK

    end = tick + (len(clocks) - 1) * TICKS_PER_CLOCK
    return tick, end, [(tick_of(frame), data) for label, frame, data in own if label == "in"]


def apart(got: list[Gate], wanted: list[Gate], span: tuple[float, float], frames: int) -> str:
    """How the gates that open in `span` (ticks) differ, or nothing."""
    block = frames / RATE * 1000
    far: list[float] = []
    for note in sorted({gate.note for gate in wanted}):
        pair = [between([g for g in some if g.note == note], span) for some in (got, wanted)]
        if len(pair[0]) != len(pair[1]):
            return f"note {note}: {len(pair[0])} gates, and {len(pair[1])} without a jump"
        for mine, theirs in zip(*pair, strict=True):
            far.append((mine.on - theirs.on) * MS_PER_TICK)
            shorter = (theirs.off - theirs.on) - (mine.off - mine.on)
            if abs(shorter) * MS_PER_TICK > block + 3:
                return f"note {note} at {theirs.on:.0f}: shorter by {shorter * MS_PER_TICK:.1f} ms"
            if mine.values != theirs.values:
                return f"note {note} at {theirs.on:.0f}: {mine.values}, not {theirs.values}"
    if not far:
        return "nothing is heard"
    middle, spread = statistics.median(far), max(far) - min(far)
    report = f"{len(far)} gates, {middle:.2f} ms from the clock, spread {spread:.2f} ms"
    print(report)
    # The limits of `test_wire_blocks`: hits come out in blocks of the same length themselves.
    if spread > 2 * block + 3 or not -block - 3 < middle < 3 * block + 3:
        return report
    return ""


def between(some: list[Gate], span: tuple[float, float]) -> list[Gate]:
    """Those that open in a span. A hit is closer than `MARGIN` to its tick, and farther than that
    from the hit beside it. The last beat is left out: its gates may end with the Stop."""
    return [gate for gate in some if span[0] - MARGIN <= gate.on < span[1] - 960 - MARGIN]


MARGIN = 80
