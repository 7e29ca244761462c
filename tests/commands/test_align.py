"""`lanebridge align`: proposed, shown before and after, and written only when wanted."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from support.drums import RATE, Drum
from support.earshot import Earshot

from bridge import cli
from bridge.bench.hearing import Hearing
from bridge.files.rig import load_rig
from bridge.listen import wrong
from bridge.listen.audio import Block, Samples

RIG = """\
rig: Quay rack   # by the door
interfaces:
  one: {profile: eight-gates-four-cv, cables: {gate-1: kick voice}}
  two: {profile: eight-gates-four-cv, cables: {gate-1: rim voice}}
clock: {follow: Recorder}
"""
GATES = ("one.gate-1", "two.gate-1")


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.yaml"
    path.write_text(RIG)
    return path


@pytest.fixture
def world(monkeypatch: pytest.MonkeyPatch) -> Earshot:
    world = Earshot(
        {
            GATES[0]: Drum("click", 2500.0, 12.0, 0.3, latency_ms=2.0),
            GATES[1]: Drum("rim", 450.0, 60.0, 0.3, latency_ms=9.5),
        }
    )

    @contextlib.contextmanager
    def ears_on(rig: Any, wanted: str, channel: int, ports: Any) -> Iterator[Hearing]:
        yield Hearing(world.ear, world)

    monkeypatch.setattr("bridge.commands.align.ears_on", ears_on)
    return world


def run(rig: Path, *more: object, typed: str = "y\n") -> Result:
    words = ["align", str(rig), "--listen", "ears", "--hits", "4", *map(str, more)]
    return CliRunner().invoke(cli.main, words, input=typed)


def test_it_is_shown_and_written_only_after_a_yes(rig: Path, world: Earshot) -> None:
    result = run(rig, typed="y\nn\n")
    assert result.exit_code == 0, result.output
    assert "one.gate-1, kick voice: 2.0" in result.output
    assert "two.gate-1, rim voice: 9.5" in result.output
    assert "two: latency_ms 0 -> 7.5" in result.output
    assert "hits fall 7.5" in result.output
    assert result.output.endswith("not applied\n")
    assert rig.read_text() == RIG
    result = run(rig, typed="y\ny\n")
    assert "it holds from the next start" in result.output
    loaded = load_rig(rig)
    assert loaded.interfaces["two"].latency_ms == pytest.approx(7.5, abs=0.1)
    assert "# by the door" in rig.read_text()
    assert len(list((rig.parent / "backups").iterdir())) == 1
    assert "Nothing is to be changed." in run(rig).output


def test_apply_asks_only_for_the_monitors(rig: Path, world: Earshot) -> None:
    assert run(rig, "--apply").exit_code == 0
    assert load_rig(rig).interfaces["two"].latency_ms > 7.0


def test_nothing_is_sent_unless_the_monitors_are_down(rig: Path, world: Earshot) -> None:
    assert run(rig, typed="n\n").exit_code == 1
    assert world.moves == []


def test_an_end_of_the_input_is_no_yes(rig: Path, world: Earshot) -> None:
    result = run(rig)
    assert "not applied" in result.output
    assert rig.read_text() == RIG


def test_a_device_that_is_pulled_out_leaves_what_was_measured_as_not_applied(
    rig: Path, world: Earshot
) -> None:
    world.dead_after_s = 4.5
    result = run(rig, "--apply")
    assert result.exit_code == 1
    assert "one.gate-1, kick voice: 2.0" in result.output
    assert "was it pulled out?" in result.output
    assert "ended early; not applied" in result.output
    assert rig.read_text() == RIG


def test_a_rack_that_is_silent_says_so(rig: Path, world: Earshot) -> None:
    world.drums = dict.fromkeys(GATES)
    result = run(rig, "--apply")
    assert result.exit_code == 1
    assert "nothing is heard on ears" in result.output or "only hum" in result.output
    assert "not applied: no voice was heard" in result.output


def test_only_gates_are_struck(rig: Path, world: Earshot) -> None:
    result = run(rig, "--only", "one.pitch-1")
    assert result.exit_code == 1
    assert "there is no gate one.pitch-1" in result.output
    run(rig, "--only", "two.gate-1")
    assert {move[0] for move in world.moves} == {"two.gate-1"}


# --- a host's click ----------------------------------------------------------------------------


class ClickEar:
    """An input that hears a click on each beat of 120 a minute from `start_s` on."""

    name, rate = "clicks", RATE

    def __init__(self, start_s: float, late_ms: float, level: float = 0.4) -> None:
        self.begun = time.monotonic_ns()
        line = np.random.default_rng(1).normal(0.0, 1e-3, round(24 * RATE))
        for beat in range(44):
            at = round((start_s + 0.5 * beat + late_ms / 1e3) * RATE)
            line[at : at + 300] += level * np.sin(np.arange(300) * 0.5 + 1.5)[: len(line) - at]
        self.line: Samples = line.astype(np.float32)
        self.firsts = iter(range(0, len(line), 4800))

    def blocks(self) -> Iterator[Block]:
        for first in self.firsts:
            ns = self.begun + round(first * 1e9 / RATE)
            yield Block(first, ns, self.line[first : first + 4800])
        raise wrong.gone(self.name)

    def close(self) -> None:
        self.line = np.zeros(0, np.float32)


class MidiIn:
    name = "Recorder"

    def close(self) -> None:
        """Nothing is held."""


@pytest.fixture
def host(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """A host that starts a second after it is listened to."""

    def begin(late_ms: float, level: float = 0.4) -> None:
        ears: list[ClickEar] = []

        def open_ear(wanted: str, channel: int = 1) -> ClickEar:
            assert (wanted, channel) == ("clicks", 2)
            ears.append(ClickEar(1.0, late_ms, level))
            return ears[-1]

        def open_input(text: str, receive: Callable[[int, bytes], None], label: str) -> MidiIn:
            assert text == "Recorder"
            start = ears[-1].begun + 1_000_000_000
            receive(start - 5_000_000, b"\xfa")
            for clock in range(44 * 24):
                receive(start + round(clock * 0.5e9 / 24), b"\xf8")
            return MidiIn()

        monkeypatch.setattr("bridge.listen.opening.open_ear", open_ear)
        monkeypatch.setattr("bridge.ports.open_input", open_input)

    return begin


CLICK = ("--click", "clicks", "--click-channel", 2)


def test_the_rack_is_put_on_the_hosts_click(
    rig: Path, world: Earshot, host: Callable[[float], None]
) -> None:
    """The click comes 20 ms after the clock, and the earliest voice is 2 ms late: 18 ms later."""
    host(20.0)
    result = run(rig, *CLICK, "--apply", typed="y\n\n")
    assert result.exit_code == 0, result.output
    assert load_rig(rig).clock.offset_ms == pytest.approx(18.0, abs=0.2)
    assert "clock: offset_ms 0 -> 18" in result.output or "-> 17.9" in result.output


def test_without_a_click_the_latencies_are_still_proposed(
    rig: Path, world: Earshot, host: Callable[..., None]
) -> None:
    host(0.0, level=0.0)
    result = run(rig, *CLICK, "--apply", typed="y\n\n")
    assert result.exit_code == 1
    assert "no offset: only 0 clicks were heard" in result.output
    assert load_rig(rig).clock.offset_ms == 0.0
    assert load_rig(rig).interfaces["two"].latency_ms > 7.0


def test_a_rig_that_leads_has_no_click(rig: Path, world: Earshot) -> None:
    rig.write_text(RIG.replace("Recorder", "internal"))
    result = run(rig, *CLICK)
    assert result.exit_code == 1
    assert "there is no click to line up with" in result.output
    assert world.moves == []
