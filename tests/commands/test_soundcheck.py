"""`lanebridge soundcheck`, answered as people answer: letters, words, back, quit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from bridge import cli
from bridge.commands.soundcheck import ANSWERS, read_answer
from bridge.voltage.profile import WiredOutput

RIG = """\
rig: Quay rack
interfaces:
  main:
    profile: eight-gates-four-cv
    cables:
      gate-1: kick voice
      gate-2: rim voice
      pitch-1: bass voice, 1 V/oct input
"""


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("time.sleep", lambda seconds: None)


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.yaml"
    path.write_text(RIG)
    return path


def run(*args: object, typed: str = "") -> Result:
    return CliRunner().invoke(cli.main, ["soundcheck", *map(str, args)], input=typed)


def rows(result: Result) -> list[str]:
    """The report: what stands after the last empty line."""
    return result.output.rpartition("\n\n")[2].splitlines()


@pytest.mark.parametrize("yes", ["y", "yes", "Y", " Yes ", "ye"])
@pytest.mark.parametrize("no", ["n", "no", "NO"])
@pytest.mark.parametrize("skip", ["s", "skip"])
def test_an_answer_may_be_its_first_letter(rig: Path, yes: str, no: str, skip: str) -> None:
    result = run(rig, typed=f"y\n{yes}\n{no}\n{skip}\n")
    assert result.exit_code == 1  # one did not arrive
    assert rows(result)[:3] == [
        "yes   main.gate-1  kick voice",
        "NO    main.gate-2  rim voice",
        "skip  main.pitch-1  bass voice, 1 V/oct input",
    ]
    assert rows(result)[-1] == "1 arrived, 1 did not arrive, 1 skipped, 9 not checked"


def test_every_answer_differs_in_its_first_letter() -> None:
    assert [read_answer(answer[0]) for answer in ANSWERS] == list(ANSWERS)


def test_an_unknown_answer_says_what_may_be_typed(rig: Path) -> None:
    result = run(rig, typed="y\nmaybe\n\nq\n")
    assert result.exit_code == 0
    assert "'maybe' is not an answer; type y (yes), n (no), s (skip)" in result.output


def test_it_counts(rig: Path) -> None:
    result = run(rig, typed="y\ny\ny\ny\n")
    for place, output in enumerate(("main.gate-1", "main.gate-2", "main.pitch-1"), 1):
        assert f"\n{place} of 3: {output} " in result.output
    assert "of 3: main.gate-3" not in result.output


def test_back_plays_the_output_before_again_and_a_new_answer_replaces_the_old(rig: Path) -> None:
    result = run(rig, typed="y\nback\nn\nb\ny\ny\ns\n")
    assert result.exit_code == 0, result.output
    assert result.output.count("1 of 3: main.gate-1") == 3  # back at the first stays there
    assert rows(result)[0] == "yes   main.gate-1  kick voice"
    left = run(rig, typed="y\ny\nb\nq\n")
    assert rows(left)[0] == "yes   main.gate-1  kick voice"  # nothing new was said of it


def test_quit_keeps_what_was_answered(rig: Path, tmp_path: Path) -> None:
    report = tmp_path / "report.txt"
    result = run(rig, "--report", report, typed="y\ny\nq\n")
    assert result.exit_code == 0
    lines = report.read_text().splitlines()
    assert lines[0].startswith("Soundcheck of Quay rack, ")
    assert lines[1:3] == ["yes   main.gate-1  kick voice", "open  main.gate-2  rim voice"]
    assert lines[-1] == "1 arrived, 11 not checked"
    again = run(rig, "--report", report, typed="y\nq\n")
    assert "what was there is kept as" in again.output


def test_jacks_without_a_cable_are_named_and_not_asked_about(rig: Path) -> None:
    result = run(rig, typed="y\ny\ny\ny\n")
    assert "not checked, for they have no cable (--all asks): main.gate-3, " in result.output
    assert "open  main.gate-3  (no cable written down)" in rows(result)
    asked = run(rig, "--all", typed="y\nq\n")
    assert "1 of 12: " in asked.output
    only = run(rig, "--only", "main.gate-8", typed="y\ny\n")
    assert rows(only) == ["yes   main.gate-8  (no cable written down)", "1 arrived"]


def test_a_rig_without_any_cable_is_asked_about_as_a_whole(tmp_path: Path) -> None:
    rig = tmp_path / "rig.yaml"
    rig.write_text("rig: R\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")
    assert "1 of 12: " in run(rig, typed="y\nq\n").output


def test_louder_lasts_for_its_own_output_only(rig: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is louder for one jack must not come as a surprise from the next one."""
    played: list[tuple[str, bool]] = []

    def carry_out(
        wired: WiredOutput, encoder: Any, send: Any, wait_ms: Any, loud: bool = False
    ) -> None:
        played.append((wired.name, loud))

    monkeypatch.setattr("bridge.bench.checklist.carry_out", carry_out)
    run(rig, typed="y\nl\na\ny\nl\nb\ny\ny\ny\n")
    assert played == [
        ("main.gate-1", False),
        ("main.gate-1", True),
        ("main.gate-1", True),
        ("main.gate-2", False),
        ("main.gate-2", True),
        ("main.gate-1", False),
        ("main.gate-2", False),
        ("main.pitch-1", False),
    ]
