"""`lanebridge profile`: list, check, schema, new."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import yaml
from click.testing import CliRunner, Result

from bridge import cli
from bridge.files.profile import load_profile, parse_profile, shipped, shipped_dir


def run(*args: object, typed: str = "") -> Result:
    return CliRunner().invoke(cli.main, [str(a) for a in args], input=typed)


def test_list_names_every_shipped_profile() -> None:
    result = run("profile", "list")
    assert result.exit_code == 0
    assert [line.split()[0] for line in result.output.splitlines()] == shipped()
    assert len(shipped()) >= 8


def test_check_of_all_that_is_shipped() -> None:
    result = run("profile", "check", *sorted(shipped_dir().glob("*.yaml")))
    assert (result.exit_code, result.output.count(": good.")) == (0, len(shipped()))


def test_check_says_what_is_wrong_and_where(tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("profile: bad\noutputs:\n  gate-1: {kind: gate, by: note, nmber: 36}\n")
    result = run("profile", "check", bad)
    assert result.exit_code == 1
    assert "bad.yaml:3:" in result.output
    assert "did you mean number?" in result.output


def test_schema_is_json_schema_and_accepts_what_is_shipped() -> None:
    """JSON Schema draft 2020-12, by the general-purpose reference validator."""
    schema = json.loads(run("profile", "schema").output)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for path in shipped_dir().glob("*.yaml"):
        validator.validate(yaml.safe_load(path.read_text(encoding="utf-8")))
    with pytest.raises(jsonschema.ValidationError):
        validator.validate({"profile": "x", "outputs": {"a": {"kind": "gaet", "by": "note"}}})


def answers(**changed: str) -> str:
    """What a person types for a small interface with every kind of jack, a line a question.
    Several lines under one name are typed one after another."""
    lines = {
        "name": "two-gates",
        "description": "a small box",
        "link": "din",
        "gates": "2",
        "gates-channel": "10",
        "gates-note": "36",
        "gates-volts": "8",
        "triggers": "1",
        "triggers-channel": "10",
        "triggers-note": "C4",
        "triggers-volts": "5",
        "triggers-width": "10",
        "triggers-velocity": "y",
        "pitches": "1",
        "pitch-way": "controllers",
        "pitch-channel": "1",
        "pitch-first": "16",
        "pitch-low": "0",
        "pitch-high": "5",
        "pitch-law": "v/oct",
        "pitch-note": "36",
        "levels": "1",
        "levels-channel": "1",
        "levels-bits": "14",
        "levels-first": "18",
        "levels-low": "-5",
        "levels-high": "5",
        "clocks": "1",
        "clock-ppqn": "4",
        "clock-width": "5",
        "reset": "y",
        "reset-width": "10",
        "run": "n",
    } | changed
    return "".join(f"{line}\n" for line in lines.values() if line != "-")


VOICE = {"pitch-way": "notes", "pitch-first": "-", "pitch-note": "36\ny\ny"}


@pytest.mark.parametrize("way", [{}, VOICE], ids=["controllers", "notes"])
@pytest.mark.parametrize("law", ["v/oct", "hz/v"])
def test_new_writes_a_profile_that_loads(tmp_path: Path, way: dict[str, str], law: str) -> None:
    typed = answers(**way, **{"pitch-law": law})
    result = run("profile", "new", "--folder", tmp_path, typed=typed)
    assert result.exit_code == 0, result.output
    profile = load_profile("two-gates", tmp_path)
    assert profile.link == "din"
    wanted = {"gate-1", "gate-2", "trigger-1", "pitch-1", "level-1", "clock-1", "reset"}
    more = {"voice-gate-1", "velocity-1"} if way else set()
    assert {out.name for out in profile.outputs} == wanted | more
    assert profile.output("gate-1").high == 8.0
    assert profile.output("level-1").rest == 0.0
    assert profile.output("trigger-1").address.number == 60  # C4, middle C, is note 60
    assert profile.output("trigger-1").address.by == "note-velocity"
    assert (profile.output("clock-1").ppqn, profile.output("clock-1").address.by) == (4, "clock")
    assert profile.output("reset").kind == "reset"
    again = run("profile", "new", "--folder", tmp_path, typed=typed)
    assert again.exit_code == 130  # nothing more is typed
    assert "is there already" in again.output


@pytest.mark.parametrize(
    ("slip", "said"),
    [
        ({"gates-note": "127\n8\n\n\n36"}, "gate-2: must be 0..127 for note"),
        ({"triggers-note": "37", "triggers-velocity": "n\n\n\nC4\n\n\ny"}, "note 37 on channel 10"),
        ({"pitch-low": "5", "pitch-note": "36\n\n\n\n\n0\n\n\n"}, "are the same voltage"),
        ({"pitch-high": "-5", "pitch-low": "-2", "pitch-note": "36\n\n\n\n\n0\n5\n\n"}, "outside"),
        ({"levels-first": "16", "levels-high": "5\n\n\n\n18\n\n"}, "controller 16 on channel 1"),
        ({"levels": "20", "levels-high": "5\n1\n\n\n\n\n"}, "must be 0..31 for cc14"),
        ({"clock-width": "900", "reset-width": "10", "run": "n\n\n\n5\n\n\n"}, "do not fit"),
    ],
)
def test_one_answer_that_does_not_fit_costs_its_own_section_only(
    tmp_path: Path, slip: dict[str, str], said: str
) -> None:
    """The section is asked again, with the answers given in brackets; what was answered before it
    and after it is in the file as without the slip."""
    good, slipped = tmp_path / "good", tmp_path / "slipped"
    for folder, typed in ((good, answers()), (slipped, answers(**slip))):
        folder.mkdir()
        result = run("profile", "new", "--folder", folder, typed=typed)
        assert result.exit_code == 0, result.output
    assert f"does not fit: {said}" in result.output or said in result.output
    assert result.output.count("These again") == 1
    texts = [(folder / "two-gates.yaml").read_text() for folder in (good, slipped)]
    assert texts[0] == texts[1]


def test_wrong_words_are_asked_again(tmp_path: Path) -> None:
    typed = answers(
        **{
            "gates-note": "H2\n128\nc2",
            "gates": "many\n-1\n2",
            "triggers-velocity": "maybe\nYES",
            "pitch-law": "V/OCT",
            "link": "cable\nDIN",
        }
    )
    result = run("profile", "new", "--folder", tmp_path, typed=typed)
    assert result.exit_code == 0, result.output
    assert load_profile("two-gates", tmp_path).output("gate-1").address.number == 36


def test_an_interface_without_any_output_is_asked_about_again(tmp_path: Path) -> None:
    none = "0\n0\n0\n0\n0\nn\nn\n"
    result = run("profile", "new", "--folder", tmp_path, typed=f"a\n\n\n{none}1\n\n\n\n{none[2:]}")
    assert result.exit_code == 0, result.output
    assert "at least one output" in result.output
    assert [out.name for out in load_profile("a", tmp_path).outputs] == ["gate-1"]


def test_a_full_disk_prints_the_profile_instead(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, data: str) -> None:
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr("bridge.files.profile.write_atomic", full)
    result = run("profile", "new", "--folder", tmp_path, typed=answers())
    assert result.exit_code == 3
    assert "cannot be written: no space left on device" in result.stderr
    printed = result.stdout[result.stdout.index("profile: two-gates") :]
    assert parse_profile(printed).output("reset").kind == "reset"


def test_new_asks_again_for_a_name_that_cannot_be(tmp_path: Path) -> None:
    typed = "My Box\nsmall-box\n\nusb\n1\n10\n36\n5\n0\n0\n0\n0\nn\nn\n"
    result = run("profile", "new", "--folder", tmp_path, typed=typed)
    assert result.exit_code == 0, result.output
    assert "small letters" in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["small-box.yaml"]


def test_list_shows_a_rigs_own_profiles(tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text(
        "profile: mine\ndescription: two holes\noutputs:\n  a: {kind: gate, by: note, number: 36}\n"
    )
    (tmp_path / "rig.yaml").write_text("rig: R\ninterfaces: {x: {profile: mine}}\n")
    lines = run("profile", "list", "--rig-folder", tmp_path).output.splitlines()
    assert len(lines) == len(shipped()) + 1
    (mine,) = [line for line in lines if line.startswith("mine ")]
    assert mine.endswith("two holes  (your own)")
