"""What is wrong with an audio input, in each command that listens: said in words, the outputs at rest
at the end, and nothing written but what is marked as not applied."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from support.drums import Drum
from support.earshot import Earshot
from support.feed import Feed
from support.rack import Hiss, Hum, Rack, Tone, Voice

from bridge import cli, ports
from bridge.bench.hearing import Hearing
from bridge.listen import device, wrong
from bridge.listen.audio import Block
from bridge.listen.wrong import ListenError

RIG = """\
rig: Quay rack
interfaces:
  main: {profile: eight-gates-four-cv, port: simulated, cables: {gate-1: kick voice, gate-2: rim voice}}
"""
WORDS = {
    "tune": ("main.pitch-1", "--every", "24"),
    "soundcheck": ("--only", "main.gate-1", "--only", "main.gate-2"),
    "align": ("--hits", "3", "--apply"),
}
RATE = 48000.0


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.yaml"
    path.write_text(RIG)
    return path


def listen(command: str, rig: Path) -> Result:
    words = [command, str(rig), *WORDS[command], "--listen", "bay"]
    return CliRunner().invoke(cli.main, words, input="y\nn\n")


@pytest.mark.parametrize("command", WORDS)
@pytest.mark.parametrize(
    ("error", "says"),
    [
        (wrong.no_device("bay", []), "this computer has no audio input; is the interface plugged?"),
        (wrong.no_device("bay", ["quay in"]), "there is no audio input bay"),
        (wrong.no_channel("bay in", 2, 1), "bay in has one channel: there is no channel 2"),
        (wrong.rate_refused("bay in", 44100.0), "bay in does not run at 44100 Hz"),
        (wrong.not_opened("bay in", "busy"), "is another program using it?"),
        (wrong.no_portaudio(), "listening needs the PortAudio library"),
    ],
    ids=["none", "another", "mono", "rate", "busy", "library"],
)
def test_an_input_that_cannot_be_opened_is_said_before_anything_sounds(
    rig: Path, monkeypatch: pytest.MonkeyPatch, command: str, error: ListenError, says: str
) -> None:
    sent: list[bytes] = []

    def refuse(wanted: str, channel: int) -> Any:
        raise error

    monkeypatch.setattr(device, "open_input", refuse)
    monkeypatch.setattr(ports, "open_output", lambda *told: sent.append(b"opened"))
    result = listen(command, rig)
    assert (result.exit_code, says in result.output) == (1, True), result.output
    assert not sent
    assert [path.name for path in rig.parent.iterdir()] == ["rig.yaml"]


class Room:
    """A voice on an interface and an input that hears it."""

    name = "rack"

    def __init__(self, tone: Tone, *others: Voice, gain: float = 1.0) -> None:
        self.rack = Rack({16: tone}, others=others)
        self.rack.line.gain = gain
        self.feed = Feed(self.rack.render, RATE, 4800, "bay in", time.monotonic_ns() + 10**15)

    def send(self, data: bytes) -> None:
        self.rack.message(data)

    def close(self) -> None:
        """Nothing is held."""


def quiet() -> Hiss:
    return Hiss(3e-4)


VOICES: dict[str, tuple[Room, str]] = {
    "muted": (Room(Tone(level=0.0)), "digital silence"),
    "silence": (Room(Tone(level=0.0), quiet()), "nothing is heard on bay in"),
    "hum": (Room(Tone(level=0.0), quiet(), Hum(level=0.05)), "hum of the mains (50 Hz)"),
    "clipping": (Room(Tone(level=0.9), quiet(), gain=3.0), "bay in clips"),
    "two voices": (Room(Tone(), quiet(), Tone(zero_hz=301.3, level=0.25)), "two sounds are heard"),
    "unsettled": (Room(Tone(drift=6000.0), quiet()), "the pitch never settles"),
}


@pytest.mark.parametrize("fault", VOICES)
def test_a_voice_that_cannot_be_measured_is_said_and_nothing_is_changed(
    rig: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    room, says = VOICES[fault]
    monkeypatch.setattr(device, "open_input", lambda wanted, channel: room.feed)
    monkeypatch.setattr(ports, "open_output", lambda text, label: room)
    result = listen("tune", rig)
    assert (result.exit_code, says in result.output) == (1, True), result.output
    assert "main.pitch-1: nothing was changed" in result.output
    assert room.rack.interface.volts(16) == 0.0
    assert room.feed.closed
    assert not (rig.parent / "rig.tuning.yaml").exists()


class WrongRate:
    """An input whose samples come slower than it says, which is known after a while."""

    name, rate = "ears", RATE

    def __init__(self, world: Earshot) -> None:
        self.world = world

    def blocks(self) -> Iterator[Block]:
        for block in self.world.blocks():
            if self.world.now_ns() > 3 * 10**9:
                raise wrong.wrong_rate("ears", 48000.0, 44100.0)
            yield block

    def close(self) -> None:
        """Nothing is held."""


def rack_with(fault: str) -> Earshot:
    names = ("main.gate-1", "main.gate-2")
    drums = (Drum("click", 2500.0, 12.0, 0.3), Drum("rim", 450.0, 60.0, 0.3))
    dead = fault in ("silence", "hum", "two voices")
    world = Earshot(
        dict.fromkeys(names) if dead else dict(zip(names, drums, strict=True)),
        {"other": (Tone(level=0.0), None)},
        noise_db=-60.0,
        hum_db=-30.0 if fault == "hum" else -90.0,
    )
    if fault == "muted":
        world.gain = 0.0
    if fault == "clipping":
        world.gain = 90.0
    if fault == "gone":
        world.dead_after_s = 4.2
    if fault == "lost":
        world.loses = lambda block: block % 40 == 0
    if fault == "two voices":
        # Something else plays, at times of its own.
        strikes = iter(range(1, 1000))
        sounds = world.open

        def opened(output: str, level: float) -> int:
            now: int = sounds(output, level)
            late = (next(strikes) * 0.618 % 1.0) * 0.3
            world._ringing.append((world._made + round(late * RATE), drums[1].hit(1)))
            return now

        world.open = opened  # type: ignore[method-assign]
    return world


@pytest.mark.parametrize("command", ["soundcheck", "align"])
@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("muted", "digital silence"),
        ("silence", "nothing is heard on ears"),
        ("hum", "only hum of the mains (50 Hz) is heard on ears"),
        ("clipping", "ears clips"),
        ("gone", "was it pulled out?"),
        ("lost", "are lost again and again"),
        ("rate", "brings 44100 samples a second"),
        ("two voices", "does not come with its hits"),
    ],
)
def test_a_rack_that_cannot_be_listened_to_is_said_and_left_at_rest(
    rig: Path, monkeypatch: pytest.MonkeyPatch, command: str, fault: str, says: str
) -> None:
    world = rack_with(fault)

    @contextlib.contextmanager
    def ears_on(*told: object) -> Iterator[Hearing]:
        yield Hearing(WrongRate(world) if fault == "rate" else world.ear, world)

    monkeypatch.setattr(f"bridge.commands.{command}.ears_on", ears_on)
    result = listen(command, rig)
    assert (result.exit_code, says in result.output) == (1, True), result.output
    not_kept = "not applied" if command == "align" else "To look at:|is kept"
    assert any(words in result.output for words in not_kept.split("|")), result.output
    opened = [output for output, what, _ in world.moves if what == "open"]
    closed = [output for output, what, _ in world.moves if what == "close"]
    assert closed == opened
    assert rig.read_text() == RIG
    assert [path.name for path in rig.parent.iterdir()] == ["rig.yaml"]
