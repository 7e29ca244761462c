"""The command around the report: which port it opens, and what its exit code says."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bridge import ports
from bridge.cli import main
from bridge.commands import clockcheck
from bridge.errors import PortError


class Desk:
    """A port that plays a clock while somebody waits."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, pulses: int) -> None:
        self.pulses = pulses
        self.asked = ""
        self.open = False
        self.name = "Desk MIDI 1"
        monkeypatch.setattr(ports, "open_input", self.opened)
        monkeypatch.setattr(clockcheck, "wait", self.wait)

    def opened(self, text: str, receive: Callable[[int, bytes], None], label: str) -> Desk:
        self.asked, self.receive, self.open = text, receive, True
        return self

    def wait(self, seconds: float) -> None:
        for n in range(self.pulses):
            self.receive(n * 20_833_333, b"\xf8")
            self.receive(n * 20_833_333 + 1, b"\x90\x3c\x40")

    def close(self) -> None:
        self.open = False


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.yaml"
    path.write_text("rig: R\ninterfaces: {main: {profile: four-voices}}\nclock: {follow: Desk}\n")
    return path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["clockcheck", *arguments])


def test_listens_to_the_port_of_the_rig(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Desk(monkeypatch, 480)
    result = run(str(rig))
    assert result.exit_code == 0
    assert desk.asked == "Desk"
    assert not desk.open
    assert "listening to Desk MIDI 1 for 10 s" in result.stdout
    assert "A good clock: 120.00 bpm" in result.stdout


def test_listens_to_another_port_when_told(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Desk(monkeypatch, 480)
    assert run(str(rig), "--from", "Recorder").exit_code == 0
    assert desk.asked == "Recorder"


def test_no_clock_is_exit_code_1(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Desk(monkeypatch, 0)
    result = run(str(rig), "--seconds", "3")
    assert result.exit_code == 1
    assert "No clock: nothing arrived." in result.stdout


def test_a_rig_that_leads_has_nothing_to_listen_to(
    rig: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = Desk(monkeypatch, 480)
    rig.write_text("rig: R\ninterfaces: {main: {profile: four-voices}}\n")
    result = run(str(rig))
    assert result.exit_code == 1
    assert result.stderr == (
        f"{rig}  uses the internal clock (clock.follow: internal); name an input with --from\n"
    )
    assert desk.asked == ""


def test_a_port_that_is_not_there(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PortError("no MIDI input has 'Desk' in its name")

    monkeypatch.setattr(ports, "open_input", refuse)
    result = run(str(rig))
    assert (result.exit_code, result.stderr) == (3, "no MIDI input has 'Desk' in its name\n")
