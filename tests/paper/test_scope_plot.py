"""The scope draws what the bytes mean."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import BridgeError
from bridge.paper import scope_plot
from bridge.voltage.profile import Address, Output, WiredOutput

GATE = Output("gate-1", "gate", Address("note", 10, 36))
LEVEL = Output("level-1", "level", Address("cc14", 1, 16), high=5.0, bits=14)
OUTPUTS = {
    "main.gate-1": WiredOutput("main.gate-1", "main", GATE),
    "main.level-1": WiredOutput("main.level-1", "main", LEVEL),
}
SENT = [
    (1_000_000_000, "main", bytes.fromhex("992464")),
    (1_250_000_000, "main", bytes.fromhex("892440")),
    # 14-bit controller 16 with 48: 8192 of 16383 over 5 V (MIDI 1.0 4.2.1 p. 12: MSB, then LSB)
    (1_500_000_000, "main", bytes.fromhex("b01040b03000")),
]


def test_traces_are_volts_at_seconds() -> None:
    found = scope_plot.traces(OUTPUTS, SENT)
    assert found["main.gate-1"] == [(0.0, 0.0), (0.0, 5.0), (0.25, 0.0)]
    seconds, volts = found["main.level-1"][-1]
    assert seconds == 0.5
    assert volts == pytest.approx(5.0 * 8192 / 16383)


@pytest.mark.parametrize(("name", "head"), [("a.svg", b"<svg "), ("a.png", b"\x89PNG\r\n\x1a\n")])
def test_drawing(tmp_path: Path, name: str, head: bytes) -> None:
    shown = scope_plot.draw(
        OUTPUTS, scope_plot.traces(OUTPUTS, SENT), tmp_path / name, "Quay rack", [0.0, 0.5]
    )
    assert shown == ["main.gate-1", "main.level-1"]
    assert (tmp_path / name).read_bytes().startswith(head)


def test_the_same_picture_twice(tmp_path: Path) -> None:
    for name in ("a.svg", "b.svg"):
        scope_plot.draw(OUTPUTS, scope_plot.traces(OUTPUTS, SENT), tmp_path / name, "Quay rack")
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()


def test_outputs_at_rest_are_left_out(tmp_path: Path) -> None:
    found = scope_plot.traces(OUTPUTS, SENT[:2])
    assert scope_plot.draw(OUTPUTS, found, tmp_path / "a.svg", "x") == ["main.gate-1"]
    assert len(scope_plot.draw(OUTPUTS, found, tmp_path / "a.svg", "x", idle=True)) == 2


def test_refusals(tmp_path: Path) -> None:
    found = scope_plot.traces(OUTPUTS, SENT)
    with pytest.raises(BridgeError, match=r"ends in \.svg or \.png"):
        scope_plot.draw(OUTPUTS, found, tmp_path / "a.gif", "x")
    with pytest.raises(BridgeError, match="no output moves"):
        scope_plot.draw(OUTPUTS, scope_plot.traces(OUTPUTS, []), tmp_path / "a.svg", "x")
    assert not list(tmp_path.iterdir())
