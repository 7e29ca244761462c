"""The player process by itself: its socket, another score while playing, ports that go and come.

An interface that is unplugged is shown within a second or so and plays again within a second or so
of its return, beginning with closed gates and present values, without a backlog (our choice).
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from support import jackd
from support.desk import RIG, gate_lane, score_of
from support.killing import zombie
from support.player_process import ROOT, PlayerProcess
from support.program import Needs, wait_until

from bridge.music.model import Lane, Levels
from bridge.player.start import PortSpec, Start
from bridge.voltage.rig_parts import ClockSettings

pytestmark = [pytest.mark.real, pytest.mark.timeout(900)]

HATS = gate_lane("hats", "xxxxxxxxxxxxxxxx", 2)
SWELL = Lane("swell", Levels((0.6,)), out="main.level-1")
SCORE = score_of(HATS, SWELL)


def start(text: str = "simulated", **more: object) -> Start:
    return Start(SCORE, dict(RIG), {"main": PortSpec(text)}, "", play=True, **more)  # type: ignore[arg-type]


def wire(log: Path) -> list[tuple[int, bytes]]:
    rows = (line.split() for line in log.read_text().splitlines())
    return [(int(ns), bytes.fromhex(data)) for ns, _, _, data in rows]


@pytest.fixture
def player(tmp_path: Path) -> Iterator[PlayerProcess]:
    env = os.environ | {"LANEBRIDGE_SIMULATED_LOG": str(tmp_path / "log")}
    running = PlayerProcess(start(), tmp_path, env)
    assert running.ready
    yield running
    assert running.stop() == 0


# Starts the player, and ends its main thread while another goes on: what a killed program with
# threads looks like on a busy machine, where its last thread may end seconds after the first.
DYING = """
import ctypes, os, subprocess, sys, threading, time
from pathlib import Path
from bridge.player.frames import pack_start
start = Path(sys.argv[1]).read_bytes()
player = subprocess.Popen([sys.executable, "-m", "bridge.player"],
                          stdin=subprocess.PIPE, stdout=subprocess.PIPE)
player.stdin.write(pack_start(start, changes={"parent": os.getpid()}))
player.stdin.close()
print(player.stdout.readline().decode().strip(), player.pid, flush=True)
threading.Thread(target=time.sleep, args=(600,)).start()
sys.stdin.readline()
ctypes.CDLL(None).pthread_exit(None)
"""


def test_a_player_whose_parent_is_dying_closes_again_and_again(tmp_path: Path) -> None:
    """Also while the parent is not quite gone: its number is then still that of our parent."""
    log, kept = tmp_path / "log", tmp_path / "start"
    kept.write_bytes(pickle.dumps(replace(start(), socket=str(tmp_path / "p.sock"))))
    env = os.environ | {"LANEBRIDGE_SIMULATED_LOG": str(log), "PYTHONPATH": str(ROOT)}
    parent = subprocess.Popen(
        [sys.executable, "-c", DYING, str(kept)],
        env=env,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert parent.stdout is not None
        assert parent.stdin is not None
        word, pid = parent.stdout.readline().split()
        assert word == "ready"
        wait_until(lambda: any(data[0] == 0x99 for _, data in wire(log)), what="a hit")
        parent.stdin.write("\n")
        parent.stdin.flush()
        wait_until(lambda: zombie(int(pid)), what="the end of the player")
        assert parent.poll() is None, "one thread of the parent is still there"
    finally:
        parent.kill()
        parent.communicate()
    rows = wire(log)
    last = max(ns for ns, data in rows if data[0] == 0x99)
    closed = [ns for ns, data in rows if data == bytes((0xB9, 120, 0)) and ns > last]
    assert len(closed) > 5
    assert closed[-1] - closed[0] > 0.9e9


def test_commands_are_answered_and_heard(player: PlayerProcess, tmp_path: Path) -> None:
    player.until(lambda: player.watch.state, 3, "the state")
    time.sleep(0.4)
    assert player.do("mute", lane="hats", muted=True) == ""
    assert "nobody" in player.do("mute", lane="nobody", muted=True)
    assert player.do("fly") != ""
    player.until(lambda: player.watch.state["lanes"]["hats"]["muted"], 2, "the mute")
    asked = time.monotonic_ns()
    time.sleep(0.6)
    ons = [ns for ns, data in wire(tmp_path / "log") if data[0] == 0x99]
    assert ons
    assert max(ons) < asked
    assert player.do("stop") == ""
    player.until(lambda: player.watch.state["transport"]["state"] == "stopped", 2, "the stop")


def test_who_closes_gates_hears_of_each_note_and_of_nothing_else(
    player: PlayerProcess, tmp_path: Path
) -> None:
    """Note-ons and note-offs are the statuses 8n and 9n (MIDI 1.0, table 1)."""
    heard = player.watch.notes
    player.until(lambda: len(heard) > 20, 20, "notes")
    assert player.do("stop") == ""
    log = tmp_path / "log"
    left = [(ns, data.hex()) for ns, data in wire(log) if data.hex()[0] in "89"]
    player.until(lambda: int(str(heard[-1][0])) >= left[-1][0], 5, "the last note")
    assert any(data.hex()[0] not in "89" for _, data in wire(log)), "a level moved, too"
    assert [row[1:] for row in heard] == [["main", data] for _, data in left[-len(heard) :]]


def test_a_score_is_swapped_while_playing_and_kept_for_a_restart(
    player: PlayerProcess, tmp_path: Path
) -> None:
    other = score_of(gate_lane("low", "x.x.", 1))
    assert player.swap(other, 7, "step") == ""
    assert player.swap("no score", 8, "step") != ""
    player.until(lambda: player.watch.state["revision"] == 7, 2, "the new score")
    assert list(player.watch.state["lanes"]) == ["low"]
    assert player.watch.revision == 7
    assert player.watch.score is not None
    assert pickle.loads(player.watch.score).score.spec == other.spec
    time.sleep(0.5)
    last = [data[1] for _, data in wire(tmp_path / "log") if data[0] == 0x99][-2:]
    assert last == [36, 36]


def test_a_clock_that_is_not_there_is_refused_and_playing_goes_on(player: PlayerProcess) -> None:
    assert "MIDI" in player.do("follow", source="nobody's clock")
    assert player.watch.state["clock"]["source"] == "internal"
    assert player.do("tempo", bpm=133.0) == ""
    player.until(lambda: player.watch.state["transport"]["tempo"] == 133.0, 2, "the tempo")


@pytest.mark.parametrize("restarts", [0, 1])
def test_a_missing_port_is_waited_for(tmp_path: Path, restarts: int) -> None:
    running = PlayerProcess(start("nobody's box", restarts=restarts), tmp_path, os.environ)
    assert running.ready
    running.until(lambda: "ports" in running.watch.state, 3, "the state")
    assert running.watch.state["ports"]["main"]["open"] is False
    assert running.stop() == 0


def test_an_interface_is_unplugged_and_plugged_in_again(tmp_path: Path, needs: Needs) -> None:
    needs("jackd", "python:jack")
    first, second = tmp_path / "first", tmp_path / "second"
    with jackd.server(f"lbport{os.getpid()}", tmp_path) as env:
        with jackd.receiver(env, first, "in"):
            running = PlayerProcess(start("wire:in"), tmp_path, env)
            assert running.ready
            running.until(lambda: running.watch.state, 3, "the state")
            time.sleep(1.0)
        shown = running.until(
            lambda: not running.watch.state["ports"]["main"]["open"], 5, "the loss to be seen"
        )
        time.sleep(2.0)
        assert running.watch.state["transport"]["state"] == "running"
        with jackd.receiver(env, second, "in"):
            back = running.until(
                lambda: running.watch.state["ports"]["main"]["open"], 5, "the port to be back"
            )
            time.sleep(1.0)
            assert running.stop() == 0
    before = jackd.read_capture(first)
    after = [data for _, _, data in jackd.read_capture(second)]
    assert [data for _, _, data in before if data[0] == 0x99]
    assert after[0][0] & 0xF0 == 0x80, "closed gates come first"
    assert bytes((0xB0, 20, round(0.6 * 127))) in after
    hits = len([data for data in after if data[0] == 0x99])
    assert 5 <= hits <= 10, "a second of sixteenths at 120, and no backlog"
    assert after[-1][0] & 0xF0 == 0xB0
    assert shown < 2.0
    assert back < 2.0


def test_a_followed_port_of_a_real_system_leads(tmp_path: Path, needs: Needs) -> None:
    needs("jackd", "python:jack")
    capture = tmp_path / "capture"
    with jackd.server(f"lbclock{os.getpid()}", tmp_path) as env, jackd.receiver(env, capture, "in"):
        clock = jackd.ClockSource(env, 120.0)
        second = jackd.ClockSource(env, 97.0, "second")
        settings = ClockSettings(follow="pulse", send_to=("main",))
        running = PlayerProcess(start("wire:in", clock=settings), tmp_path, env)
        try:
            assert running.ready, running.errors()
            running.until(
                lambda: running.watch.state.get("clock", {}).get("state") == "locked", 5, "lock"
            )
            running.until(
                lambda: abs((running.watch.state["clock"]["tempo"] or 0.0) - 120.0) < 0.3,
                5,
                "the tempo",
            )
            clock.tell("start")
            running.until(
                lambda: running.watch.state["transport"]["state"] == "running", 3, "running"
            )
            time.sleep(1.0)
            # The other clock on the desk is counted, and the tempo is not drawn to it.
            running.until(
                lambda: running.watch.state["clock"]["others"].get("second:clock", 0) > 20,
                3,
                "the other clock",
            )
            assert abs((running.watch.state["clock"]["tempo"] or 0.0) - 120.0) < 1.0
            clock.tell("stop")
            running.until(
                lambda: running.watch.state["transport"]["state"] == "stopped", 3, "stopped"
            )
        finally:
            running.stop()
            clock.close()
            second.close()
    rows = [data for _, _, data in jackd.read_capture(capture)]
    assert [data for data in rows if data[0] == 0x99]
    assert b"\xf8" in rows
    assert b"\xfa" in rows
    assert b"\xfc" in rows


def test_the_clock_that_a_hand_took_stays_taken_through_a_crash(tmp_path: Path) -> None:
    """And where a hand follows a clock that is away just then, it is followed when it comes."""
    clock = ClockSettings(follow="nobody's clock")
    first = PlayerProcess(start(clock=clock), tmp_path, os.environ)
    assert first.ready
    first.until(lambda: "clock" in first.watch.state, 3, "the state")
    assert first.do("internal-clock") == ""
    assert first.do("tempo", bpm=131.0) == ""
    assert first.do("start") == ""
    first.until(lambda: first.watch.state["transport"]["state"] == "running", 2, "running")
    first.until(lambda: first.watch.state["clock"]["source"] == "internal", 2, "our own clock")
    state = first.watch.state
    first.process.kill()
    first.stop()
    again = Start(
        SCORE,
        dict(RIG),
        {"main": PortSpec("simulated")},
        "",
        clock=clock,
        snapshot=state,
        restarts=1,
    )
    second = PlayerProcess(again, tmp_path, os.environ)
    assert second.ready
    second.until(lambda: "clock" in second.watch.state, 3, "the state")
    now = second.watch.state
    assert (now["clock"]["source"], now["clock"]["state"]) == ("internal", "internal")
    assert now["transport"]["state"] == "running"
    assert now["transport"]["tempo"] == 131.0
    assert now["inputs"] == {"nobody's clock": False}, "still wanted, for whoever follows it again"
    assert second.stop() == 0


def test_a_clock_that_was_away_at_the_crash_leads_when_it_comes(
    tmp_path: Path, needs: Needs
) -> None:
    needs("jackd", "python:jack")
    with jackd.server(f"lbaway{os.getpid()}", tmp_path) as env:
        settings = ClockSettings(follow="internal")
        before = PlayerProcess(start(clock=settings), tmp_path, env)
        assert before.ready
        before.until(lambda: "clock" in before.watch.state, 3, "the state")
        state = {**before.watch.state, "clock": {"source": "pulse", "offset_ms": 0.0}}
        before.stop()
        running = PlayerProcess(start(clock=settings, snapshot=state, restarts=1), tmp_path, env)
        assert running.ready, running.errors()
        running.until(lambda: "clock" in running.watch.state, 3, "the state")
        assert running.watch.state["inputs"] == {"pulse": False}
        clock = jackd.ClockSource(env, 120.0)
        try:
            running.until(
                lambda: running.watch.state["clock"]["state"] == "locked", 10, "the clock"
            )
            assert running.watch.state["inputs"] == {"pulse": True}
        finally:
            assert running.stop() == 0
            clock.close()
