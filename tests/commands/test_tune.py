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
    # tests/voltage/test_least_squares.py) is steep by 0.5 %.
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


# --- slips ---------------------------------------------------------------------------------------

LADDER = {"C1": 0.0, "C2": 1.0, "C3": 2.0, "C4": 3.0, "C5": 4.0, "C6": 5.0, "C7": 6.0, "C8": 7.0}
"""The notes that are asked for with --every 12 (and C9, 8 V), and their volts: 0 V is C1."""


def typed_volts(**changed: str) -> str:
    lines = {name: f"{volts + 0.004:.3f}" for name, volts in LADDER.items()} | changed
    return "".join(f"{line}\n" for line in lines.values()) + "done\n"


def tune(rig: Path, typed: str, *more: str) -> Result:
    return run("tune", rig, "main.pitch-1", "--every", 12, *more, typed=typed)


@pytest.mark.parametrize(
    ("slip", "said"),
    [
        ("2004", "did you mean mV or Hz?"),
        ("2.004 mV", "did you mean V?"),
        ("130.8 Hz", "take all readings the same way"),
        ("C3 +5", "take all readings the same way"),
        ("3.004", "1 octave above what the other readings say"),
        ("2.5", "cents above what the other readings say"),
        ("2,004", "write decimals with a point"),
    ],
)
def test_a_slip_is_asked_about_at_once_and_costs_nothing(rig: Path, slip: str, said: str) -> None:
    result = tune(rig, typed_volts(C3=f"{slip}\n2.004") + "y\n")
    assert result.exit_code == 0, result.output
    assert said in result.output
    kept = load_tuning(rig)["main.pitch-1"]
    assert len(kept.readings) == 8
    assert kept.correction.offset_volts == pytest.approx(0.004, abs=6e-4)  # a step of 14 bits


def test_what_looks_like_a_slip_is_taken_when_it_is_typed_again_and_not_kept_by_default(
    rig: Path,
) -> None:
    result = tune(rig, typed_volts(C3="3.004\n3.004") + "\n")
    assert result.exit_code == 0
    assert "type it again to take it all the same" in result.output
    assert "nothing was changed" in result.output
    assert load_tuning(rig) == {}


def test_a_note_can_be_taken_again_once_the_result_is_seen(rig: Path) -> None:
    result = tune(rig, typed_volts(C3="3.004\n3.004") + "c3\n2.004\n\n")
    assert result.exit_code == 0, result.output
    assert len(load_tuning(rig)["main.pitch-1"].readings) == 8


def test_readings_that_cannot_be_fitted_are_not_lost(rig: Path, tmp_path: Path) -> None:
    """Two readings in the wrong order give no tuning; one is taken again, or all are printed."""
    wrong = "C1 +0\n\n\n\n\n\n\n\nC1 +0\nC1 +0\n"
    mended = tune(rig, f"{wrong}C9\nC9 +2\nC9 +2\ny\n")
    assert "check the meter" in mended.output
    assert len(load_tuning(rig)["main.pitch-1"].readings) == 2
    left = tune(rig, f"{wrong}n\n")
    assert left.exit_code == 1
    printed = left.output[left.output.index("--readings FILE:\n") :].splitlines()[1:3]
    assert printed == ["C1 C1 +0", "C9 C1 +0"]


@pytest.mark.parametrize("end", ["n\n", "q\n", ""])
def test_readings_that_are_not_kept_are_printed_for_another_try(
    rig: Path, tmp_path: Path, end: str
) -> None:
    result = tune(rig, typed_volts() + end)
    assert load_tuning(rig) == {}
    lines = result.output[result.output.index("--readings FILE:\n") :].splitlines()[1:9]
    (tmp_path / "again.txt").write_text("\n".join(lines))
    again = run("tune", rig, "main.pitch-1", "--readings", tmp_path / "again.txt", "--yes")
    assert again.exit_code == 0, again.output
    assert len(load_tuning(rig)["main.pitch-1"].readings) == 8


DOUBTFUL = {
    "an octave off": "C1 0\nC2 1\nC3 3\nC4 3\n",
    "the same note twice": "C1 0\nC2 1\nC3 2\nC3 2.488\nC4 3\nC5 4\n",
    "all an octave off": "C1 1\nC2 2\nC3 3\nC4 4\n",
}


@pytest.mark.parametrize("what", DOUBTFUL)
def test_doubtful_readings_of_a_file_are_not_kept_by_default(
    rig: Path, tmp_path: Path, what: str
) -> None:
    file = tmp_path / "meter.txt"
    file.write_text(DOUBTFUL[what])
    asked = run("tune", rig, "main.pitch-1", "--readings", file, typed="\n")
    assert (asked.exit_code, load_tuning(rig)) == (0, {})
    assert "warning: " in asked.output
    unasked = run("tune", rig, "main.pitch-1", "--readings", file, "--yes")
    assert (unasked.exit_code, load_tuning(rig)) == (1, {})
    insisted = run("tune", rig, "main.pitch-1", "--readings", file, typed="y\n")
    assert insisted.exit_code == 0
    assert len(load_tuning(rig)) == 1


def cents(row: str) -> list[float]:
    """Before and after."""
    return [float(word) for word in row.split()[1:3]]


def test_a_note_that_cannot_be_reached_says_so_in_its_row(rig: Path, tmp_path: Path) -> None:
    """At 0 V an output that is 30 mV high stays 36 cents sharp: it cannot go below 0 V."""
    file = tmp_path / "meter.txt"
    file.write_text("".join(f"{name} {volts + 0.03:.3f}\n" for name, volts in LADDER.items()))
    rows = {
        line.split()[0]: line
        for line in run(
            "tune", rig, "main.pitch-1", "--readings", file, "--yes"
        ).output.splitlines()
        if line.split()[:1] and line.split()[0] in LADDER
    }
    step = 0.6  # cents of a step of 14 bits over 8 V
    assert cents(rows["C1"]) == pytest.approx([36.0, 36.0], abs=step)
    assert rows["C1"].endswith("  cannot be reached")
    assert cents(rows["C2"]) == pytest.approx([36.0, 0.0], abs=step)
    assert "cannot be reached" not in rows["C2"]


@pytest.mark.parametrize(
    ("output", "said"),
    [("main.pich-1", "did you mean main.pitch-1"), ("main.gate-1", "is not a pitch output")],
)
def test_wrong_outputs_are_explained(rig: Path, output: str, said: str) -> None:
    result = run("tune", rig, output)
    assert result.exit_code == 1
    assert said in result.output


def test_rig_and_output_in_the_wrong_order(rig: Path) -> None:
    result = run("tune", "main.pitch-1", rig)
    said = f"the rig comes first: lanebridge tune {rig} main.pitch-1\n"
    assert (result.exit_code, result.stderr) == (1, said)


def test_too_few_readings_change_nothing(rig: Path) -> None:
    result = run("tune", rig, "main.pitch-1", typed="0.01\ndone\n")
    assert result.exit_code == 1
    assert not rig.with_name("rig.tuning.yaml").exists()


def test_soundcheck_warns_first_and_reports(
    rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("time.sleep", lambda seconds: None)
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
    rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("time.sleep", lambda seconds: None)
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
