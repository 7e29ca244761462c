"""The whole main job on a real wire, watched by programs that know nothing of this package.

A JACK server with the dummy driver; one peer sends MIDI clock, Start and Stop; another receives
what `lanebridge play` sends and stamps it in JACK frames; a lane is muted by a C OSC client and
unmuted over HTTP. Clock rules: MIDI 1.0 Detailed Specification 4.2.1, pp. 28-31 (the first F8 after
Start is position 0, a sixteenth is 6 clocks).
"""

from __future__ import annotations

import contextlib
import itertools
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import mido
import pytest
import yaml
from support import jackd
from support.patience import PATIENCE_S
from support.program import Needs, Record, answers, call, free_port, state_of

pytestmark = [pytest.mark.real, pytest.mark.timeout(900)]

Rows = list[tuple[str, int, bytes]]

BPM = 165.0
TRIES = 5
SET = """\
set: Wire
tempo: 165
key: {root: A, scale: minor}
lanes:
  kick: {euclid: {hits: 4, steps: 16}, out: main.gate-1}
  rim: {euclid: {hits: 5, steps: 16, rotate: 2}, out: main.gate-2}
  shaker: {steps: "x.x. x.xx x.x. xx.x", out: main.gate-3}
  spray: {logic: "(rim xor shaker) and not kick", out: main.gate-4}
  bass: {euclid: {hits: 7, steps: 16}, out: main.gate-5}
  bassline: {notes: [A1, A1, C2, E2, G1], advance: bass, out: main.pitch-1}
"""
# E(4,16), E(5,16) and E(7,16) as published: Toussaint 2005 by grouping (see tests/reference);
# rim is E(5,16) rotated by two; spray is worked out here by hand from the four rows above it.
PATTERNS = {
    "kick": "x...x...x...x...",
    "rim": ".x..x..x..x...x.",
    "shaker": "x.x.x.xxx.x.xx.x",
    "spray": ".xx...x......xxx",
    "bass": "x..x.x.x..x.x.x.",
}
GATES = {"kick": 1, "rim": 2, "shaker": 3, "spray": 4, "bass": 5}


def gate_notes() -> dict[str, int]:
    """The notes of the gates, read from the profile's text, not through the code under test."""
    profile = Path(__file__).parent.parent.parent / "profiles" / "eight-gates-four-cv.yaml"
    outputs = yaml.safe_load(profile.read_text(encoding="utf-8"))["outputs"]
    return {lane: _note(outputs, f"gate-{n}") for lane, n in GATES.items()}


def _note(outputs: object, name: str) -> int:
    entry = (
        outputs[name]
        if isinstance(outputs, dict)
        else next(o for o in outputs if o["name"] == name)  # type: ignore[attr-defined]
    )
    address = entry.get("address", entry)
    return int(address["number"])


def test_patterns_of_this_test() -> None:
    """The hand-worked spray row, bit by bit: (rim xor shaker) and not kick."""
    rows = zip(PATTERNS["rim"], PATTERNS["shaker"], PATTERNS["kick"], strict=True)
    worked = "".join("x" if (r == "x") != (s == "x") and k == "." else "." for r, s, k in rows)
    assert worked == PATTERNS["spray"]


def test_a_groove_on_a_wire(tmp_path: Path, needs: Needs, record_property: Record) -> None:
    """Five tries, because a shared machine may stand still for some milliseconds: a try counts as
    disturbed only when the receiver was left out of cycles or the player itself says that
    something left late. An undisturbed one must be right, and so must the last."""
    needs("jackd", "oscsend", "python:jack")
    for attempt in range(1, TRIES + 1):
        folder = tmp_path / str(attempt)
        folder.mkdir()
        played = play_the_groove(folder)
        assert played.muted["lanes"]["kick"]["muted"] is True  # type: ignore[index]
        assert played.back["lanes"]["kick"]["muted"] is False  # type: ignore[index]
        try:
            record_property("wire", judge_the_groove(played))
            return
        except AssertionError as wrong:
            if attempt == TRIES or not played.disturbed:
                raise
            print(f"try {attempt}: {wrong}\n  disturbed: {played.disturbed}")


@dataclass
class Played:
    """What a try left: the rows received, the receiver's gaps, states of the player on the way, and
    the take of it, exported and read by a reader of another make."""

    rows: list[tuple[str, int, bytes]]
    gaps: list[tuple[int, int]]
    muted: dict[str, dict[str, object]]
    back: dict[str, dict[str, object]]
    take: mido.MidiFile

    @property
    def disturbed(self) -> str:
        """How the machine got in the way, or nothing."""
        worst = float(self.back["lateness"]["worst_us"])  # type: ignore[arg-type]
        left_out = sum(end - begin for begin, end in self.gaps) / 48
        if left_out or worst > 5000:
            return (
                f"receiver left out for {left_out:.1f} ms, player late by {worst:.0f} us at worst"
            )
        return ""


def play_the_groove(folder: Path) -> Played:
    (folder / "rig.yaml").write_text(jackd.FOLLOWING_RIG)
    (folder / "set.yaml").write_text(SET)
    http, osc = free_port(socket.SOCK_STREAM), free_port(socket.SOCK_DGRAM)
    capture = folder / "capture.txt"
    with contextlib.ExitStack() as stack:
        env = stack.enter_context(jackd.server(f"lb{os.getpid()}", folder, 128))
        with jackd.receiver(env, capture, "in", "clock"):
            clock = jackd.ClockSource(env, BPM)
            jackd.connect(env, "pulse:clock", "wire:clock")
            log = (folder / "play.log").open("wb")
            play = subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "bridge.cli",
                    "play",
                    "rig.yaml",
                    "set.yaml",
                    "--port",
                    str(http),
                    "--osc-port",
                    str(osc),
                ],
                cwd=folder,
                env=env,
                stdout=log,
                stderr=log,
            )
            try:
                bar = 4 * 60.0 / BPM
                url = f"http://127.0.0.1:{http}"
                jackd.wait_for(lambda: answers(url), PATIENCE_S, "the page")
                jackd.wait_for(
                    lambda: state_of(url)["clock"]["state"] == "locked",
                    PATIENCE_S,
                    "the follower to lock",
                )
                assert state_of(url)["transport"]["state"] == "stopped"
                clock.tell("start")
                time.sleep(8.5 * bar)
                state = state_of(url)
                assert state["transport"]["state"] == "running"
                subprocess.run(
                    ["oscsend", "127.0.0.1", str(osc), "/lane/kick/mute", "i", "1"], check=True
                )
                time.sleep(2 * bar)
                muted_state = state_of(url)
                call(f"{url}/api/lanes/kick/mute", "PUT", {"muted": False, "when": "now"})
                time.sleep(2 * bar)
                back_state = state_of(url)
                clock.tell("stop")
                time.sleep(0.3)
                play.send_signal(signal.SIGTERM)
                assert play.wait(PATIENCE_S) == 0
                export = [sys.executable, "-m", "bridge.cli", "takes", "export", "last"]
                subprocess.run([*export, "--out", folder / "take.mid"], env=env, check=True)
            finally:
                if play.poll() is None:
                    play.kill()
                    play.wait()
                log.close()
                clock.close()
    print((folder / "play.log").read_text())
    take = mido.MidiFile(folder / "take.mid")
    rows, gaps = jackd.read_capture(capture), jackd.read_gaps(capture)
    return Played(rows, gaps, muted_state, back_state, take)


def judge_the_groove(played: Played) -> list[str]:
    """Lines of a report; AssertionError for what is wrong."""
    rows, gaps = played.rows, played.gaps
    pulses = clock_pulses(rows)
    unheard = sum(end - begin for begin, end in gaps)
    assert unheard < 48_000, "the receiver was left out for a whole second: nothing is shown"

    def audible(pulse: int) -> bool:
        return not any(begin - 400 <= pulses[pulse] <= end + 400 for begin, end in gaps)

    notes = gate_notes()
    report = []
    distances: list[float] = []
    for lane, pattern in PATTERNS.items():
        got, late = hits_by_pulse(rows, notes[lane], pulses)
        wanted = [
            96 * bar_number + 6 * step
            for bar_number in range(8)
            for step, mark in enumerate(pattern)
            if mark == "x" and audible(96 * bar_number + 6 * step)
        ]
        first_eight = [pulse for pulse in got if pulse < 8 * 96 and audible(pulse)]
        wrong = set(first_eight) ^ set(wanted)
        distances += late
        # The recording says the same as the wire, to the last hit.
        assert taken(played.take, lane, audible) == [pulse for pulse in got if audible(pulse)]
        report.append(
            f"{lane}: expected {len(wanted)}, received {len(first_eight)}, wrong {len(wrong)}"
        )
        assert not wrong, f"{lane}: on wrong pulses {sorted(wrong)}"
        assert len(first_eight) == len(wanted), f"{lane}: doubled hits"
    distances.sort()
    low, middle, high = (distances[int(q * (len(distances) - 1))] for q in (0.01, 0.5, 0.99))
    report.append(
        f"a hit against its clock pulse, ms: 1 % {low:+.2f}, median {middle:+.2f}, "
        f"99 % {high:+.2f}, extremes {distances[0]:+.2f} {distances[-1]:+.2f}"
    )
    # Nothing here asserts how fast this machine is: a hit must only be nearer to its own pulse
    # than to any other (they are 15.15 ms apart), and typically below the 6 ms that listeners
    # notice (Friberg and Sundberg 1995).
    assert abs(middle) < 6.0

    if unheard:
        report.append(f"the receiver was left out for {unheard / 48:.1f} ms, not counted")
    kicks, _ = hits_by_pulse(rows, notes["kick"], pulses)
    silences = sorted((b - a, a) for a, b in itertools.pairwise(kicks))
    assert silences[-1][0] >= 96 * 1.5, "the mute by OSC left kick hits on the wire"
    assert all(kick % 24 == 0 for kick in kicks), "kick came back off its grid"
    assert kicks[-1] > sum(silences[-1]), "the unmute over HTTP brought kick back"

    for note_number in notes.values():
        opened = 0
        for _, _, data in of_port(rows, "in"):
            if data[0] & 0xF0 == 0x90 and data[1] == note_number and data[2]:
                opened = 1
            elif data[0] & 0xF0 in (0x80, 0x90) and data[1] == note_number:
                opened = 0
        assert opened == 0, f"gate with note {note_number} was left open"
    print("\n".join(report))
    return report


def taken(file: mido.MidiFile, lane: str, audible: Callable[[int], bool]) -> list[int]:
    """The clock pulses of a lane's hits in an exported take: 960 ticks a quarter, 24 clocks."""
    assert (file.type, file.ticks_per_beat) == (1, 960)
    (track,) = (track for track in file.tracks if track.name == lane)
    tick, found = 0, []
    for message in track:
        tick += message.time
        if message.type == "note_on" and message.velocity:
            found.append(round(tick / 40))
    return [pulse for pulse in found if audible(pulse)]


def of_port(rows: Rows, label: str) -> Rows:
    return [row for row in rows if row[0] == label]


def clock_pulses(rows: Rows) -> list[int]:
    """Frames of the clock bytes, counted from the first one after Start.

    Worked out from that one and the tempo: the source places its bytes by frame (those received
    are held against it), and a byte that the receiver missed must not shift the count.
    """
    clock = of_port(rows, "clock")
    start = next(i for i, row in enumerate(clock) if row[2] == b"\xfa")
    received = [frame for _, frame, data in clock[start:] if data == b"\xf8"]
    period = 48_000 * 60 / BPM / 24
    pulses = [round(received[0] + i * period) for i in range(16 * 96)]
    exact = sum(min(abs(frame - p) for p in pulses) <= 2 for frame in received[: 12 * 96])
    # The source is a client like any other: what it could not place in time it sends late.
    assert exact > 0.8 * 12 * 96, f"only {exact} clock bytes stand where the source placed them"
    return pulses


def hits_by_pulse(rows: Rows, note_number: int, pulses: list[int]) -> tuple[list[int], list[float]]:
    """For each note-on: the nearest clock pulse (counted from Start) and its distance in ms."""
    where, late = [], []
    for _, frame, data in of_port(rows, "in"):
        if data[0] & 0xF0 == 0x90 and data[1] == note_number and data[2]:
            nearest = min(range(len(pulses)), key=lambda i: abs(pulses[i] - frame))
            where.append(nearest)
            late.append((frame - pulses[nearest]) / 48.0)
    return where, late
