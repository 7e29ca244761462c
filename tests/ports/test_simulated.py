from __future__ import annotations

import os
from pathlib import Path

import pytest

from bridge.ports import list_ports, open_input, open_output
from bridge.ports.simulated import LOG_VARIABLE, SimulatedIn, SimulatedOut


def test_it_keeps_what_it_got_with_the_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(LOG_VARIABLE, raising=False)
    now = [5]
    port = SimulatedOut("main", lambda: now[0], keep=2)
    for number in range(3):
        now[0] = number
        port.send(bytes((0x90, number, 1)))
    assert list(port.sent) == [(1, b"\x90\x01\x01"), (2, b"\x90\x02\x01")]
    port.close()
    port.close()
    port.send(b"\xf8")
    assert len(port.sent) == 2
    assert not port.alive()


def test_an_unplugged_cable_loses_what_is_sent() -> None:
    port = SimulatedOut()
    port.plugged = False
    port.send(b"\xf8")
    assert not port.sent
    assert not port.alive()
    assert not port.reopen()
    port.plugged = True
    assert port.reopen()
    assert port.alive()


def test_a_log_has_one_line_per_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = tmp_path / "log"
    monkeypatch.setenv(LOG_VARIABLE, str(log))
    port = SimulatedOut("main", lambda: 42)
    port.send(b"\x99\x24\x40")
    port.send(b"\xf8")
    port.close()
    assert log.read_text() == f"42 {os.getpid()} main 992440\n42 {os.getpid()} main f8\n"


def test_an_input_can_be_played() -> None:
    got: list[tuple[int, bytes]] = []
    port = SimulatedIn(lambda stamp, data: got.append((stamp, data)), now=lambda: 7)
    port.play(b"\xfa")
    port.close()
    port.play(b"\xfc")
    assert got == [(7, b"\xfa")]
    assert not port.alive()


def test_opening_by_text() -> None:
    out = open_output("simulated", "main")
    assert out.name == "main"
    assert out.alive()
    out.close()
    into = open_input("simulated", lambda stamp, data: None)
    into.close()
    assert isinstance(list_ports(), list)
