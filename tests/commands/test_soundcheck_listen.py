"""`lanebridge soundcheck --listen`: what it says, keeps and asks, on a rack within earshot."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from support.drums import Drum, drum
from support.earshot import Earshot

from bridge import cli
from bridge.bench.hearing import Hearing
from bridge.files.sounds import load_sounds
from bridge.listen import wrong

RIG = """\
rig: Quay rack
interfaces:
  main:
    profile: eight-gates-four-cv
    cables:
      gate-1: kick voice, trigger input
      gate-2: rim voice
"""
KICK, RIM = drum("kick", 1), drum("rim", 1)
GATES = ("main.gate-1", "main.gate-2")


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.yaml"
    path.write_text(RIG)
    return path


@pytest.fixture
def world(monkeypatch: pytest.MonkeyPatch) -> Earshot:
    world = Earshot({GATES[0]: KICK, GATES[1]: RIM})

    @contextlib.contextmanager
    def ears_on(rig: Any, wanted: str, channel: int, ports: Any) -> Iterator[Hearing]:
        assert (wanted, channel) == ("ears", 2)
        yield Hearing(world.ear, world)

    monkeypatch.setattr("bridge.commands.soundcheck.ears_on", ears_on)
    return world


def run(rig: Path, *more: object, typed: str = "y\n") -> Result:
    words = ["soundcheck", str(rig), *map(str, more), "--listen", "ears", "--channel", "2"]
    return CliRunner().invoke(cli.main, words, input=typed)


def test_nothing_sounds_before_the_monitors_are_down(rig: Path, world: Earshot) -> None:
    result = run(rig, typed="n\n")
    assert result.exit_code == 1
    assert "nothing was sent" in result.output
    assert world.moves == []


def test_a_good_rack_is_kept_to_compare_with(rig: Path, world: Earshot) -> None:
    result = run(rig)
    assert result.exit_code == 0, result.output
    assert "main.gate-1, kick voice: heard after " in result.output
    assert "nothing to compare with yet" in result.output
    assert set(load_sounds(rig)) == set(GATES)
    again = run(rig)
    assert again.exit_code == 0
    assert "as at the last good soundcheck" in again.output


def test_swapped_cables_are_said_and_not_kept_unless_wanted(rig: Path, world: Earshot) -> None:
    run(rig)
    before = load_sounds(rig)
    world.drums = {GATES[0]: RIM, GATES[1]: KICK}
    result = run(rig, typed="y\nn\n")
    assert result.exit_code == 1
    assert "sounds like rim voice (main.gate-2) did on " in result.output
    assert result.output.count("cables swapped?") == 2
    assert load_sounds(rig) == before
    run(rig, typed="y\ny\n")
    assert load_sounds(rig) != before
    assert run(rig).exit_code == 0


def test_the_report_has_what_was_heard_and_what_is_wrong(
    rig: Path, world: Earshot, tmp_path: Path
) -> None:
    world.drums[GATES[1]] = None
    report = tmp_path / "found.txt"
    result = run(rig, "--report", report, typed="y\nn\n")
    assert result.exit_code == 1
    lines = report.read_text().splitlines()
    assert lines[0].startswith("Soundcheck of Quay rack, ")
    assert lines[1].startswith("main.gate-1, kick voice: heard after ")
    assert lines[2] == "main.gate-2, rim voice: nothing heard"
    assert lines[4:6] == ["To look at:", "  main.gate-2, rim voice: nothing heard"]


def test_an_input_that_goes_away_or_clips_keeps_nothing(rig: Path, world: Earshot) -> None:
    world.dead_after_s = 3.2
    result = run(rig)
    assert result.exit_code == 1
    assert "ended early: ears brings no more sound: was it pulled out?" in result.output
    assert "none of it is kept" in result.output
    assert load_sounds(rig) == {}
    world.dead_after_s, world.gain = None, 30.0
    world.drums[GATES[0]] = Drum("kick", 50.0, 300.0, 0.5)
    result = run(rig)
    assert "ended early: ears clips: turn its gain or the voice down" in result.output
    assert world.moves[-1][1] == "rest"


def test_a_set_is_for_listening_only(rig: Path) -> None:
    (rig.parent / "set.yaml").write_text("set: S\nlanes: {}\n")
    words = ["soundcheck", str(rig), str(rig.parent / "set.yaml")]
    result = CliRunner().invoke(cli.main, words)
    assert result.exit_code == 2
    assert "SET belongs to --listen" in result.output


def test_without_the_library_it_says_what_to_install(
    rig: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_numpy(wanted: str, channel: int = 1) -> Any:
        raise wrong.no_library("the Python package numpy")

    monkeypatch.setattr("bridge.listen.opening.open_ear", no_numpy)
    result = run(rig)
    assert result.exit_code == 1
    assert "pip install 'lanebridge[listen]'" in result.output
