"""Closing everything from outside the player."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.desk import RIG, wire

from bridge.player.start import PortSpec
from bridge.ports.simulated import LOG_VARIABLE
from bridge.supervisor.failsafe import Failsafe, main, safeties
from bridge.voltage.profile import Address, Output

VOICE = dict(RIG) | wire(
    Output("pitch-1", "pitch", Address("note-pitch", 3), 0.0, 5.0, voice="v"),
    Output("gate-1", "gate", Address("note", 3, None), voice="v"),
    port="mono",
)


def read(log: Path) -> dict[str, list[bytes]]:
    found: dict[str, list[bytes]] = {}
    for line in log.read_text().splitlines():
        _, _, port, data = line.split()
        found.setdefault(port, []).append(bytes.fromhex(data))
    return found


def test_every_gate_is_closed_then_all_notes_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Explicit note-offs first, then controllers 123 and 120: MIDI 1.0 4.2.1, pp. 24-25."""
    monkeypatch.setenv(LOG_VARIABLE, str(tmp_path / "log"))
    safe = Failsafe(
        safeties(VOICE, {"main": PortSpec(), "mono": PortSpec(), "own": PortSpec("virtual:x")})
    )
    safe.open()
    safe.heard(
        [
            [1, "mono", "923c40"],
            [2, "mono", "924040"],
            [3, "mono", "823c40"],
            [4, "mono", "f8"],
            [5, "gone", "903c40"],
            [6, "main", "b01000"],
        ]
    )
    safe.close_all()
    safe.stop()
    sent = read(tmp_path / "log")
    main, mono = sent["main-safety"], sent["mono-safety"]
    offs = {bytes((0x89, note, 0x40)) for note in range(36, 44)}
    assert offs <= set(main)
    assert max(map(main.index, offs)) < main.index(bytes((0xB9, 123, 0)))
    assert mono[0] == bytes((0x82, 0x40, 0x40))
    assert bytes((0x82, 0x3C, 0x40)) not in mono
    assert {bytes((0xB2, 123, 0)), bytes((0xB2, 120, 0))} <= set(mono)
    assert bytes((0xB0, 20, 0)) in main


def test_a_port_that_is_not_there_stops_nothing() -> None:
    safe = Failsafe(
        safeties(RIG, {"main": PortSpec("a port that nobody has"), "own": PortSpec("virtual:x")})
    )
    safe.open()
    safe.mend()
    safe.close_all()
    safe.stop()


def test_it_can_be_asked_for_from_outside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv(LOG_VARIABLE, str(tmp_path / "log"))
    rig = tmp_path / "rig.yaml"
    rig.write_text("rig: Quay rack\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")
    assert main([str(rig)]) == 0
    assert bytes((0x89, 43, 0x40)) in read(tmp_path / "log")["main-safety"]
    rig.write_text("rig: Quay rack\ninterfaces: {main: {profile: nothing-of-the-kind}}\n")
    assert main([str(rig)]) == 1
    assert "nothing-of-the-kind" in capsys.readouterr().err
    assert main([]) == 2


def test_closing_is_said_again_until_a_player_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Gates every 25 ms for 0.4 s, everything every 100 ms for a second, then once a second: our
    choice, by what was measured."""
    monkeypatch.setenv(LOG_VARIABLE, str(tmp_path / "log"))
    safe = Failsafe(safeties(VOICE, {"main": PortSpec(), "mono": PortSpec()}))
    safe.heard([[1, "mono", "923c40"]])
    ms = 1_000_000
    safe.look(0)
    assert not (tmp_path / "log").exists(), "not before it is begun"
    safe.begin(0)
    for now in range(0, 5000, 10):
        safe.look(now * ms)
    everything = read(tmp_path / "log")["mono-safety"].count(bytes((0xB2, 123, 0)))
    assert 13 <= everything <= 15
    said = read(tmp_path / "log")["mono-safety"].count(bytes((0x82, 0x3C, 0x40)))
    gates = said - everything
    assert 10 <= gates <= 13, "the note that sounded is closed each time"
    safe.rest()
    safe.look(10_000 * ms)
    assert read(tmp_path / "log")["mono-safety"].count(bytes((0x82, 0x3C, 0x40))) == said
    assert safe.again_ns is None
    safe.begin(20_000 * ms)
    assert read(tmp_path / "log")["mono-safety"].count(bytes((0x82, 0x3C, 0x40))) == said
    safe.stop()
