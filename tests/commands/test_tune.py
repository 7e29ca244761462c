"""`lanebridge tune` and `lanebridge soundcheck`, typed as a person would."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bridge import cli
from bridge.files.tuning import load_tuning

DEMO = Path(__file__).parent.parent.parent / "bridge/demo"
# A meter on an output that is 9 mV high and 0.5 % steep, with a millivolt of reading error.
READINGS = """\
# note, volts
C1 0.010
C2 1.014
C3 2.021
C4, 3.023
C5 4.030
C6 5.035 V
C7 6037 mV
C8 7.048
"""


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    return Path(shutil.copy(DEMO / "rig.yaml", tmp_path / "rig.yaml"))


def run(*args: object, typed: str = "") -> Result:
    return CliRunner().invoke(cli.main, [str(a) for a in args], input=typed)


def test_readings_from_a_file(rig: Path, tmp_path: Path) -> None:
    (tmp_path / "meter.txt").write_text(READINGS)
    result = run("tune", rig, "main.pitch-1", "--readings", tmp_path / "meter.txt", "--yes")
    assert result.exit_code == 0, result.output
    assert "before: worst 57.67 cents" in result.output
    kept = load_tuning(rig)["main.pitch-1"].correction
    # By hand: least squares through the eight rows (numpy.polyfit gives the same line in
    # tests/voltage/test_fit.py) is steep by 0.5 %.
    assert kept.gain == pytest.approx(1.005, abs=0.001)
    assert kept.offset_volts == pytest.approx(0.009, abs=0.002)


def test_a_tuning_can_be_taken_back(rig: Path, tmp_path: Path) -> None:
    (tmp_path / "meter.txt").write_text(READINGS)
    run("tune", rig, "main.pitch-1", "--readings", tmp_path / "meter.txt", "--yes")
    result = run("tune", rig, "main.pitch-1", "--undo")
    assert (result.exit_code, load_tuning(rig)) == (0, {})
    assert "untuned again" in result.output


def test_typed_readings_with_a_slip(rig: Path) -> None:
    typed = "C1 +3\nnonsense\nC2 +4\nback\nC2 +5\n\ndone\nn\n"
    result = run("tune", rig, "main.pitch-1", "--every", 12, typed=typed)
    assert result.exit_code == 0, result.output
    assert "'nonsense' is not a reading" in result.output
    assert "nothing was changed" in result.output
    assert not rig.with_name("rig.tuning.yaml").exists()


def test_volts_and_cents_do_not_mix(rig: Path) -> None:
    typed = "0.01\nC2 +4\n1.02\ndone\nn\n"
    result = run("tune", rig, "main.pitch-1", "--every", 12, typed=typed)
    assert "take all readings the same way" in result.output
    assert result.exit_code == 0


@pytest.mark.parametrize(
    ("output", "said"),
    [("main.pich-1", "did you mean main.pitch-1"), ("main.gate-1", "is not a pitch output")],
)
def test_wrong_outputs_are_explained(rig: Path, output: str, said: str) -> None:
    result = run("tune", rig, output)
    assert result.exit_code == 1
    assert said in result.output


def test_too_few_readings_change_nothing(rig: Path) -> None:
    result = run("tune", rig, "main.pitch-1", typed="0.01\ndone\n")
    assert result.exit_code == 1
    assert not rig.with_name("rig.tuning.yaml").exists()


def test_soundcheck_warns_first_and_reports(rig: Path, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("bridge.commands.soundcheck.time.sleep", lambda seconds: None)
    report = tmp_path / "report.txt"
    result = run(
        "soundcheck",
        rig,
        "--only",
        "main.gate-1",
        "--only",
        "main.level-1",
        "--report",
        report,
        typed="y\nyes\nagain\nno\n",
    )
    assert result.exit_code == 1
    assert result.output.index("monitors and headphones down") < result.output.index("main.gate-1")
    assert "kick voice, trigger input" in result.output
    lines = report.read_text().splitlines()
    assert lines[1].startswith("yes   main.gate-1")
    assert lines[2].startswith("NO    main.level-1")


def test_soundcheck_broken_off_keeps_what_was_answered(
    rig: Path, tmp_path: Path, monkeypatch
) -> None:
    monkeypatch.setattr("bridge.commands.soundcheck.time.sleep", lambda seconds: None)
    report = tmp_path / "report.txt"
    result = run(
        "soundcheck",
        rig,
        "--only",
        "main.gate-1",
        "--only",
        "main.gate-2",
        "--report",
        report,
        typed="y\n\nyes\n",
    )
    lines = report.read_text().splitlines()
    assert lines[1].startswith("yes   main.gate-1"), "Enter alone is no answer"
    assert lines[2] == "open  main.gate-2  rim voice, trigger input"
    assert lines[3] == "1 arrived, 1 not checked"
    assert result.exit_code == 0


def test_soundcheck_stops_when_monitors_are_up(rig: Path) -> None:
    result = run("soundcheck", rig, typed="n\n")
    assert result.exit_code == 1
    assert "main.gate-1" not in result.output


def test_soundcheck_of_an_unknown_output(rig: Path) -> None:
    result = run("soundcheck", rig, "--only", "main.gate-11")
    assert result.exit_code == 1
    assert "did you mean main.gate-1" in result.output


def test_a_self_test_of_an_unknown_interface(rig: Path) -> None:
    result = run("soundcheck", rig, "--loop", "anything", "--interface", "mian")
    assert result.exit_code == 1
    assert "there is no interface mian; did you mean main?" in result.output
    assert run("soundcheck", rig, "--interface", "main").exit_code == 2


def test_a_sheet_that_is_there_is_kept(rig: Path, tmp_path: Path) -> None:
    out = tmp_path / "patch.html"
    out.write_text("knob notes in here")
    result = run("sheet", rig, tmp_path / "set.yaml", "--out", out)
    assert result.exit_code == 1  # no set: nothing is touched
    assert out.read_text() == "knob notes in here"
    (tmp_path / "set.yaml").write_text("set: S\nlanes:\n  k: {every: 1, out: main.gate-1}\n")
    result = run("sheet", rig, tmp_path / "set.yaml", "--out", out)
    assert result.exit_code == 0, result.output
    (kept,) = (tmp_path / "backups").iterdir()
    assert kept.read_text() == "knob notes in here"
    assert f"what was there is kept as {kept}" in result.output


def test_sheet(rig: Path, tmp_path: Path) -> None:
    out = tmp_path / "sheet.html"
    result = run("sheet", rig, DEMO / "set.yaml", "--out", out)
    assert result.exit_code == 0, result.output
    assert out.read_text(encoding="utf-8").startswith("<!doctype html>")
