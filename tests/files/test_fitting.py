"""A set on a rig that it was not made for: what fits, what is suggested, what is kept."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bridge.cli import main
from bridge.errors import InputError
from bridge.files.fitting import Fit, check_said, fits, fitted, keep_said, load_said, said_path
from bridge.files.rig import Rig, load_rig, parse_rig
from bridge.files.set import parse_set
from bridge.paper.differences import of_sets

SET = """\
set: Low tide
lanes:
  kick:  {steps: x.x., out: main.gate-1}        # deep
  rim:   {steps: x..x, out: main.gate-2}
  clap:  {steps: ..x., out: side.gate-3}
  line:  {notes: [A1, C2], out: main.pitch-1}
  moon:  {walk: true, out: main.level-1}
  swell:
    shape: sine
    drives:
      - {out: main.level-2, depth: 0.5}         # the delay
      - {lane: kick, setting: chance, depth: 0.2}
macros:
  tide: {drives: [{out: main.level-2, depth: 0.3}]}
"""
HOME = """\
rig: Quay rack
interfaces:
  main: {profile: eight-gates-four-cv, cables: {gate-2: rim voice}}
  side: {profile: eight-gates-four-cv}
"""
AWAY = """\
rig: Loft rack
interfaces:
  main: {profile: drum-triggers-eight, cables: {trigger-5: rim voice}}
  other: {profile: eight-gates-four-cv}
"""
NOW = datetime(2026, 1, 31, 21, 5)


def told(found: list[Fit]) -> dict[str, tuple[str | None, str]]:
    return {fit.out: (fit.to, fit.how) for fit in found}


def test_on_its_own_rig_everything_fits_and_nothing_changes() -> None:
    document = parse_set(SET)
    found = fits(document.spec, parse_rig(HOME))
    assert {how for _, how in told(found).values()} == {"same"}
    assert not any(fit.open for fit in found)
    assert fitted(document, found) == SET


def test_what_is_missing_is_suggested_by_cable_then_name_then_kind() -> None:
    found = fits(parse_set(SET).spec, parse_rig(AWAY), {}, parse_rig(HOME))
    assert told(found) == {
        "main.gate-1": ("other.gate-1", "suggested"),  # the name of the jack
        "main.gate-2": ("main.trigger-5", "suggested"),  # the cable
        "side.gate-3": ("other.gate-3", "suggested"),
        "main.pitch-1": ("other.pitch-1", "suggested"),
        "main.level-1": ("other.level-1", "suggested"),
        "main.level-2": ("other.level-2", "suggested"),
    }
    assert all(fit.open for fit in found)
    level = found[-1]
    assert level.users == ("swell", "tide")
    assert level.kinds == ("level",)


def test_a_name_that_is_another_kind_here_is_no_fit() -> None:
    away = "rig: L\ninterfaces: {main: {profile: plain-levels-eight}}\n"
    found = told(fits(parse_set(SET).spec, parse_rig(away)))
    assert found["main.level-1"] == ("main.level-1", "same")
    assert found["main.gate-1"] == (None, "none")
    assert found["main.pitch-1"] == (None, "none")


def test_nothing_is_guessed_in_silence() -> None:
    document, rig = parse_set(SET), parse_rig(AWAY)
    with pytest.raises(InputError, match=r"suggested: other\.gate-1, which has that name"):
        fitted(document, fits(document.spec, rig))


def test_what_was_said_is_written_and_the_rest_stays() -> None:
    document, rig = parse_set(SET), parse_rig(AWAY)
    said = {fit.out: str(fit.to) for fit in fits(document.spec, rig)}
    said |= {"main.gate-1": "main.trigger-8", "main.level-1": "none"}
    text = fitted(document, fits(document.spec, rig, said))
    parse_set(text, "set.yaml", rig)
    assert "# deep" in text
    assert "# the delay" in text
    assert of_sets(SET, text) == [
        "kick: output main.gate-1 to main.trigger-8",
        f"rim: output main.gate-2 to {said['main.gate-2']}",
        "clap: output side.gate-3 to other.gate-3",
        "line: output main.pitch-1 to other.pitch-1",
        "moon: output main.level-1 gone",
        "swell: drives, 1st: output main.level-2 to other.level-2",
        "macro tide: drives, 1st: output main.level-2 to other.level-2",
    ]


def test_two_outputs_never_go_to_one() -> None:
    said = {"main.gate-1": "main.trigger-1", "main.gate-2": "main.trigger-1"}
    found = told(fits(parse_set(SET).spec, parse_rig(AWAY), said))
    places = [to for to, _ in found.values() if to is not None]
    assert len(places) == len(set(places))
    assert found["main.gate-2"][1] == "suggested"


@pytest.mark.parametrize(
    ("out", "to", "says"),
    [
        ("main.gate-7", "other.gate-1", "the set plays no main.gate-7; did you mean main.gate-2?"),
        ("main.gate-1", "other.gate-9", "Loft rack has no output other.gate-9; did you mean"),
        (
            "main.gate-1",
            "other.level-1",
            "other.level-1 is a level output; main.gate-1 needs a gate",
        ),
    ],
)
def test_what_cannot_be_is_refused(out: str, to: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        check_said({out: to}, parse_set(SET).spec, parse_rig(AWAY))


# --- kept with the rig --------------------------------------------------------------------------


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    (tmp_path / "rig.yaml").write_text(AWAY)
    return load_rig(tmp_path / "rig.yaml")


def test_what_was_said_is_kept_beside_the_rig_by_where_sets_come_from(rig: Rig) -> None:
    assert load_said(rig, "Quay rack") == {}
    first = {"main.gate-1": "main.trigger-8", "main.level-1": "none"}
    assert keep_said(rig, "Quay rack", first, NOW) is not None
    keep_said(rig, "Attic: rack", {"a.gate-1": "other.gate-2"}, NOW)
    assert rig.path is not None
    path = said_path(rig.path)
    path.write_text(path.read_text().replace("main.level-1", "# no filter\n    main.level-1"))
    keep_said(rig, "Quay rack", {"main.gate-1": "main.trigger-7"}, NOW)
    assert load_said(rig, "Quay rack") == first | {"main.gate-1": "main.trigger-7"}
    assert load_said(rig, "Attic: rack") == {"a.gate-1": "other.gate-2"}
    assert "# no filter" in path.read_text()
    assert keep_said(rig, "Quay rack", first | {"main.gate-1": "main.trigger-7"}, NOW) is None


def test_a_wrong_file_is_explained_and_stays(rig: Rig) -> None:
    assert rig.path is not None
    said_path(rig.path).write_text("outputs: {Quay rack: {main.gate-1: 7}}\n")
    with pytest.raises(InputError, match="must be an output"):
        load_said(rig, "Quay rack")


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def test_the_command_asks_keeps_and_writes(rig: Rig, tmp_path: Path) -> None:
    set_file, home, out = tmp_path / "set.yaml", tmp_path / "home.yaml", tmp_path / "away.yaml"
    set_file.write_text(SET)
    home.write_text(HOME)
    asked = run("fit", rig.path, set_file, "--from", home, "--out", out)
    assert asked.exit_code == 1
    assert (
        "main.gate-2 (rim): this rig has no main.gate-2; suggested: main.trigger-5" in asked.output
    )
    assert not out.exists()
    said = run("fit", rig.path, set_file, "--from", home, "--put", "main.gate-1=none", "--accept")
    assert said.exit_code == 0
    assert "main.gate-1 (kick): goes nowhere, as you said" in said.output
    assert "kept for other sets of Quay rack" in said.output
    written = run("fit", rig.path, set_file, "--from", home, "--out", out)
    assert written.exit_code == 0, written.output
    assert run("check", rig.path, out).exit_code == 0
    assert run("fit", rig.path, set_file, "--put", "x").exit_code == 2
