"""`lanebridge tune --listen`, typed as a person would, on a computed rack."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from support.feed import Feed
from support.rack import Hiss, Rack, Samples, Tone

from bridge import cli, ports
from bridge.files.tuning import load_tuning
from bridge.listen import device, wrong

RIG = """\
rig: Quay rack
interfaces:
  main: {profile: eight-gates-four-cv, port: simulated}
"""
RATE = 48000.0
GAIN = 1.006


class Room:
    """The rack, its MIDI port and its audio input; `opened` counts what is open."""

    name = "rack"

    def __init__(self) -> None:
        self.tones = {n: Tone(RATE, "saw", gain=GAIN, offset=0.02, gate=0.0) for n in (16, 17)}
        self.tones[16].gate = 1.0
        self.rack = Rack(self.tones, others=[Hiss(0.0003)])
        self.sent: list[bytes] = []
        self.opened = 0
        self.before_block: Callable[[], None] = lambda: None
        # Sound is computed, and always ahead of the clock on the wall.
        start = time.monotonic_ns() + 10**15
        self.feed = Feed(self.render, RATE, 4800, "bay in", start)

    def render(self, n: int) -> Samples:
        self.before_block()
        return self.rack.render(n)

    def send(self, data: bytes) -> None:
        self.sent.append(data)
        self.rack.message(data)

    def close(self) -> None:
        self.opened -= 1

    def open_output(self, text: str, label: str) -> Room:
        self.opened += 1
        return self

    def open_input(self, wanted: str, channel: int) -> Feed:
        if wanted != "bay":
            raise wrong.no_device(wanted, ["bay in"])
        return self.feed

    def volts(self) -> float:
        return self.rack.interface.volts(16)


@pytest.fixture
def room(monkeypatch: pytest.MonkeyPatch) -> Room:
    made = Room()
    monkeypatch.setattr(ports, "open_output", made.open_output)
    monkeypatch.setattr(device, "open_input", made.open_input)
    return made


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.yaml"
    path.write_text(RIG)
    return path


def tune(rig: Path, *more: object, typed: str = "") -> Result:
    args = ["tune", rig, *more, "--every", 12]
    return CliRunner().invoke(cli.main, [str(a) for a in args], input=typed)


def test_monitors_first_then_measured_checked_and_kept(rig: Path, room: Room) -> None:
    result = tune(rig, "main.pitch-1", "--listen", "bay", typed="n\n")
    assert result.exit_code == 1
    assert "nothing was sent; turn them down" in result.output
    assert room.sent == []
    result = tune(
        rig, "main.pitch-1", "--listen", "bay", "--plot", rig.with_name("p.svg"), typed="y\ny\n"
    )
    assert result.exit_code == 0, result.output
    assert "Nothing of what is heard is recorded or kept" in result.output
    assert "8 other notes are off by 0." in result.output
    assert "drift: " in result.output
    kept = load_tuning(rig)["main.pitch-1"].correction
    assert kept.gain == pytest.approx(GAIN, abs=1e-4)
    assert rig.with_name("p.svg").read_text().startswith("<svg")
    assert (room.volts(), room.opened, room.feed.closed) == (0.0, 0, True)


def test_what_is_not_kept_stands_beside_the_rig_and_can_be_gone_on_from(
    rig: Path, room: Room
) -> None:
    result = tune(rig, "main.pitch-1", "--listen", "bay", typed="y\nn\n")
    assert result.exit_code == 0, result.output
    assert load_tuning(rig) == {}
    readings = rig.with_name("rig.main.pitch-1.readings.txt")
    assert "measured, not applied" in readings.read_text()
    result = tune(rig, "main.pitch-1", "--readings", readings, "--yes")
    assert result.exit_code == 0, result.output
    assert load_tuning(rig)["main.pitch-1"].correction.gain == pytest.approx(GAIN, abs=1e-4)


@pytest.mark.parametrize("how", [KeyboardInterrupt(), wrong.gone("bay in")])
def test_an_early_end_leaves_rest_and_the_readings(
    rig: Path, room: Room, how: BaseException
) -> None:
    def end() -> None:
        if room.feed.now_ns > begun + 3 * 10**9:
            raise how

    begun, room.before_block = room.feed.now_ns, end
    result = tune(rig, "main.pitch-1", "--listen", "bay", "--yes")
    assert result.exit_code == 1, result.output
    assert "main.pitch-1: nothing was changed" in result.output
    text = rig.with_name("rig.main.pitch-1.readings.txt").read_text()
    assert "broken off, not applied" in text
    assert text.count(" Hz\n") >= 2
    assert (room.volts(), room.opened, room.feed.closed) == (0.0, 0, True)
    assert load_tuning(rig) == {}


def test_all_voices_one_after_the_other(rig: Path, room: Room) -> None:
    def patch() -> None:
        """The person opens the voice whose pitch has moved."""
        if room.rack.interface.code.get(17):
            room.tones[16].gate, room.tones[17].gate = 0.0, 1.0

    room.before_block = patch
    result = tune(rig, "--all", "--listen", "bay", typed="y\ny\ny\ny\ny\n")
    assert result.exit_code == 0, result.output
    assert result.output.count("Does this voice alone reach the input?") == 2
    assert set(load_tuning(rig)) == {"main.pitch-1", "main.pitch-2"}


@pytest.mark.parametrize(
    ("more", "code", "said"),
    [
        (
            ["main.pitch-1", "--listen", "harp", "--yes"],
            1,
            "no audio input harp; audio inputs: bay in",
        ),
        (["main.pitch-1", "--all"], 2, "--all belongs to --listen"),
        (["main.pitch-1", "--all", "--listen", "bay"], 2, "name an OUTPUT, or say --all"),
        ([], 2, "Missing argument 'OUTPUT'"),
        (["main.pitch-1", "--undo", "--listen", "bay"], 2, "undoes nothing"),
        (["--all", "--listen", "bay", "--plot", "x.svg"], 2, "--plot draws one output"),
        (
            ["main.gate-1", "--listen", "bay"],
            1,
            "is not a pitch output; pitch outputs: main.pitch-1",
        ),
        (["main.pitch-1", "--listen", "bay", "--plot", "x.png"], 2, "must end in .svg"),
    ],
)
def test_what_does_not_fit_is_said_before_anything_sounds(
    rig: Path, room: Room, more: list[Any], code: int, said: str
) -> None:
    result = tune(rig, *more)
    assert (result.exit_code, said in result.output) == (code, True), result.output
    assert room.sent == []
