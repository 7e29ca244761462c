"""`lanebridge profile`: list, check, schema, new."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import yaml
from click.testing import CliRunner, Result

from bridge import cli
from bridge.files.profile import load_profile, shipped, shipped_dir


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


@pytest.mark.parametrize("way", ["notes", "controllers"])
@pytest.mark.parametrize("law", ["v/oct", "hz/v"])
def test_new_writes_a_profile_that_loads(tmp_path: Path, way: str, law: str) -> None:
    typed = f"two-gates\na small box\ndin\n2\n1\n1\n10\n36\n8\n{way}\n0\n5\n{law}\n36\n14\n-5\n5\n"
    result = run("profile", "new", "--folder", tmp_path, typed=typed)
    assert result.exit_code == 0, result.output
    profile = load_profile("two-gates", tmp_path)
    assert profile.link == "din"
    assert {out.name for out in profile.outputs} >= {"gate-1", "gate-2", "pitch-1", "level-1"}
    assert profile.output("gate-1").high == 8.0
    assert profile.output("level-1").rest == 0.0
    again = run("profile", "new", "--folder", tmp_path, typed=typed)
    assert again.exit_code == 1
    assert "is there already" in again.output


def test_new_asks_again_for_a_name_that_cannot_be(tmp_path: Path) -> None:
    typed = "My Box\nsmall-box\n\nusb\n1\n0\n0\n10\n36\n5\n"
    result = run("profile", "new", "--folder", tmp_path, typed=typed)
    assert result.exit_code == 0, result.output
    assert "small letters" in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["small-box.yaml"]


def test_list_shows_a_rigs_own_profiles(tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text(
        "profile: mine\nsays: two holes\noutputs:\n  a: {kind: gate, by: note, number: 36}\n"
    )
    (tmp_path / "rig.yaml").write_text("rig: R\ninterfaces: {x: {profile: mine}}\n")
    lines = run("profile", "list", "--beside", tmp_path).output.splitlines()
    assert len(lines) == len(shipped()) + 1
    (mine,) = [line for line in lines if line.startswith("mine ")]
    assert mine.endswith("two holes  (your own)")
