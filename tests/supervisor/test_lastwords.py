"""Closing from bytes that were kept ready, for a service manager."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.desk import RIG

from bridge.player import closing
from bridge.player.closing import OFTEN_NS
from bridge.player.start import PortSpec
from bridge.ports.jack_watch import clients_left
from bridge.ports.simulated import LOG_VARIABLE, SimulatedOut
from bridge.supervisor import failsafe, lastwords
from bridge.supervisor.folders import CLOSING

ROOT = Path(__file__).parent.parent.parent
OFFS = {bytes((0x89, note, 0x40)) for note in range(36, 44)}
SPECS = {"main": PortSpec(), "own": PortSpec("virtual:x")}


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setenv(LOG_VARIABLE, str(tmp_path / "log"))
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody's")
    (tmp_path / "lanebridge").mkdir()
    return tmp_path / "log"


def sent(log: Path) -> list[bytes]:
    return [bytes.fromhex(line.split()[3]) for line in log.read_text().splitlines()]


@pytest.mark.parametrize(("result", "times"), [("success", 1), ("watchdog", 5)])
def test_once_after_a_good_end_and_again_after_any_other(
    log: Path, monkeypatch: pytest.MonkeyPatch, result: str, times: int
) -> None:
    monkeypatch.setenv("SERVICE_RESULT", result)
    assert failsafe.keep(failsafe.safeties(RIG, SPECS), log.parent / "lanebridge") == ()
    assert lastwords.main(["no-rig-is-read.yaml"]) == 0
    data = sent(log)
    assert set(data) >= OFFS | {bytes((0xB9, 123, 0)), bytes((0xB9, 120, 0)), bytes((0xB0, 20, 0))}
    count = data.count(bytes((0x89, 36, 0x40)))
    assert count == 1 if times == 1 else count >= times


def test_it_is_said_for_a_second_from_when_the_port_is_open(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A busy JACK server was seen to let a client in after two seconds (measured): the second in
    which what is sent may be lost begins there."""
    clock = [0]

    def slowly(text: str, name: str) -> SimulatedOut:
        clock[0] += 2_000_000_000
        opened.append(SimulatedOut(text, lambda: clock[0], keep=None))
        return opened[-1]

    def pause(seconds: float) -> None:
        clock[0] += round(seconds * 1e9) + 1

    opened: list[SimulatedOut] = []
    monkeypatch.setattr(lastwords, "open_output", slowly)
    monkeypatch.setattr("bridge.supervisor.lastwords.time.sleep", pause)
    monkeypatch.setattr("bridge.supervisor.lastwords.time.monotonic_ns", lambda: clock[0])
    assert lastwords.close([("quay", [b"off"], [b"off", b"rest"])], OFTEN_NS) == 1
    [port] = opened
    offs = [ns / 1e9 for ns, data in port.sent if data == b"off"]
    assert offs[0] == 2.0
    assert len([at for at in offs if at < 2.4]) >= 12
    assert 2.9 < offs[-1] < 3.1


@pytest.mark.parametrize(("result", "times"), [("success", 0), ("signal", 2)])
def test_only_after_a_sudden_end_a_server_that_lets_nobody_in_is_freed(
    log: Path, monkeypatch: pytest.MonkeyPatch, result: str, times: int
) -> None:
    """Each opening by itself, so that one port more is not taken for a server that hangs."""
    around: list[str] = []

    @contextlib.contextmanager
    def unblocked() -> Iterator[None]:
        around.append("begin")
        yield
        around.append("end")

    def opened(text: str, name: str) -> SimulatedOut:
        around.append(text)
        return SimulatedOut(text, keep=None)

    monkeypatch.setattr(lastwords, "unblocked", unblocked)
    monkeypatch.setattr(lastwords, "open_output", opened)
    monkeypatch.setattr("bridge.supervisor.lastwords.time.sleep", lambda seconds: None)
    monkeypatch.setattr(lastwords, "OFTEN_NS", 1)
    monkeypatch.setenv("SERVICE_RESULT", result)
    rows = [["quay", ["893640"], ["893640"]], ["tide", ["893640"], ["893640"]]]
    (log.parent / "lanebridge" / CLOSING).write_text(json.dumps(rows))
    assert lastwords.main([]) == 0
    assert around.count("begin") == times
    assert [word for word in around if word not in ("begin", "end")] == ["quay", "tide"]
    if times:
        assert around == ["begin", "quay", "end", "begin", "tide", "end"]


def test_without_the_file_the_rig_is_read(log: Path, tmp_path: Path) -> None:
    rig = tmp_path / "rig.yaml"
    rig.write_text("rig: Quay rack\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")
    for content in (
        None,
        "[[1]]",
        "[",
        '[["simulated", ["zz"], []]]',
        '[["simulated", ["893640"]]]',
    ):
        if content is not None:
            (log.parent / "lanebridge" / CLOSING).write_text(content)
        log.unlink(missing_ok=True)
        assert lastwords.main([str(rig)]) == 0
        assert set(sent(log)) >= OFFS


def test_a_port_that_is_away_is_told_by_the_exit_code(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SERVICE_RESULT", "success")
    away = failsafe.safeties(RIG, {"main": PortSpec("nobody's box")})
    failsafe.keep(away, log.parent / "lanebridge")
    assert lastwords.main([]) == 1


def test_it_imports_next_to_nothing() -> None:
    """What takes long is what is imported: neither YAML nor models nor the encoder."""
    code = "import sys, bridge.supervisor.lastwords; print(*sys.modules)"
    out = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    heavy = {"yaml", "pydantic", "ruamel", "asyncio", "bridge.voltage.encode", "bridge.files.store"}
    assert heavy & set(out) == set()


@pytest.mark.parametrize(("leaves_s", "waits_s"), [(0.2, 0.2), (90.0, closing.LEFT_S)])
def test_what_a_server_still_holds_of_the_dead_is_waited_for_but_not_for_ever(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, leaves_s: float, waits_s: float
) -> None:
    """jack2 names what it keeps for each client jack_sem.UID_SERVER_CLIENT (JackLinuxFutex.cpp)."""
    shared = tmp_path / "shm"
    shared.mkdir()
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "quay")
    ours = shared / f"jack_sem.{os.getuid()}_quay_lanebridge-01"
    for other in (f"jack_sem.{os.getuid()}_tide_lanebridge", f"jack_sem.{os.getuid()}_quay_wire"):
        (shared / other).touch()
    assert not clients_left("lanebridge", shared)
    ours.touch()
    assert clients_left("lanebridge", shared)
    clock = [0.0]

    def pause(seconds: float) -> None:
        clock[0] += seconds
        if clock[0] > leaves_s:
            ours.unlink(missing_ok=True)

    monkeypatch.setattr("bridge.player.closing.time.sleep", pause)
    monkeypatch.setattr("bridge.player.closing.time.monotonic", lambda: clock[0])
    monkeypatch.setattr(closing, "clients_left", lambda name: clients_left(name, shared))
    assert failsafe.keep(failsafe.safeties(RIG, SPECS), log.parent / "lanebridge") == ()
    monkeypatch.setenv("SERVICE_RESULT", "success")
    assert lastwords.main([]) == 0
    assert waits_s <= clock[0] - lastwords.DRAIN_S <= waits_s + 0.05
    assert set(sent(log)) >= OFFS
