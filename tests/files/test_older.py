"""Older spellings: they play as before, are said, and can be written anew."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from bridge.cli import main
from bridge.files import older
from bridge.files.document import Document
from bridge.files.rig import load_rig, parse_rig
from bridge.files.rig_effects import rig_warnings
from bridge.files.set import parse_set

RIG = Path(__file__).parents[2] / "bridge" / "demo" / "rig.yaml"
BEFORE = """\
set: Sandbar   # as it was written once
lanes:
  plank: {every: 4, repeats: 3, spacing: accelerating, out: main.gate-1}   # hurries
  reed:
    steps: "x..x"
    spacing: -0.3
    repeats: 2
    out: main.gate-2
  wash: {levels: [0, ~, 1], advance: 1/8, out: main.level-1}
  swirl: {shape: sine, rate: 1/1, retrigger: plank, out: main.level-2}
  tune:
    advance: plank
    notes:
      - A1
      - ~
      - C2
    out: main.pitch-1
sections:
  s: {play: all, lanes: {wash: {levels: [0.5, null], advance: 1/4}}}
"""
AFTER = """\
set: Sandbar   # as it was written once
lanes:
  plank: {every: 4, repeats: 3, out: main.gate-1, repeat_curve: 0.5}   # hurries
  reed:
    steps: "x..x"
    repeats: 2
    out: main.gate-2
    repeat_curve: -0.3
  wash: {levels: [0, ., 1], out: main.level-1, rate: 1/8}
  swirl: {shape: sine, rate: 1/1, out: main.level-2, reset: plank}
  tune:
    advance: plank
    notes:
      - A1
      - .
      - C2
    out: main.pitch-1
sections:
  s: {play: all, lanes: {wash: {levels: [0.5, .], rate: 1/4}}}
"""


def data(text: str) -> object:
    return Document.parse(text, "set.yaml").data


def test_every_older_spelling_is_said_where_it_stands() -> None:
    said = [
        str(problem)
        for problem in parse_set(BEFORE, rig=load_rig(RIG)).warnings
        if "older spelling" in problem.message
    ]
    assert said == [
        "set.yaml:3:33  lanes.plank.spacing: is an older spelling; write repeat_curve: 0.5",
        "set.yaml:6:5  lanes.reed.spacing: is an older spelling; write repeat_curve: -0.3",
        "set.yaml:9:22  lanes.wash.levels.1: is an older spelling of a rest; write .",
        "set.yaml:9:29  lanes.wash.advance: is an older spelling; write rate: 1/8",
        "set.yaml:10:35  lanes.swirl.retrigger: is an older spelling; write reset: plank",
        "set.yaml:15:9  lanes.tune.notes.1: is an older spelling of a rest; write .",
        "set.yaml:19:47  sections.s.lanes.wash.levels.1: is an older spelling of a rest; write .",
        "set.yaml:19:54  sections.s.lanes.wash.advance: is an older spelling; write rate: 1/4",
    ]


def test_it_is_written_anew_and_nothing_else_is_touched() -> None:
    assert older.rewritten(BEFORE, data(BEFORE)) == AFTER
    assert list(older.older(data(AFTER))) == []
    assert older.rewritten(AFTER, data(AFTER)) == AFTER


def test_both_spellings_are_the_same_music() -> None:
    before, after = (parse_set(text, rig=load_rig(RIG)).spec for text in (BEFORE, AFTER))
    for lane, now in zip(before.lanes, after.lanes, strict=True):
        if (
            lane.name != "swirl"
        ):  # its restart is a part of the form in one, of the lane in the other
            assert lane == now
    from bridge.music.render import events_between
    from bridge.music.score import compile_score

    rig = load_rig(RIG)
    played = [
        events_between(compile_score(spec, rig.ranges), 0, 8 * 3840) for spec in (before, after)
    ]
    assert len(played[0]) > 100
    assert played[0] == played[1]


@pytest.mark.parametrize(
    "lane",
    [
        "{every: 1, advance: plank}",
        "{every: 1, advance: 1/0}",
        "{every: 1, spacing: slow}",
        "{shape: sine, retrigger: plank, reset: 4}",
        "{levels: 3}",
    ],
)
def test_what_is_no_older_spelling_or_cannot_be_put_right_is_left_alone(lane: str) -> None:
    text = f"set: A\nlanes:\n  a: {lane}\n"
    assert list(older.older(data(text))) == []


def test_check_offers_it_and_does_it(tmp_path: Path) -> None:
    path = tmp_path / "set.yaml"
    path.write_text(BEFORE)
    done = CliRunner().invoke(main, ["check", str(RIG), str(path), "--rewrite"])
    assert done.exit_code == 0, done.output
    assert path.read_text() == AFTER
    assert "older spelling" not in done.output
    (copy,) = [other for other in tmp_path.rglob("*.yaml") if other != path]
    assert copy.read_text() == BEFORE
    assert str(copy) in done.stdout
    again = CliRunner().invoke(main, ["check", str(RIG), str(path), "--rewrite"])
    assert "no older spelling" in again.stdout
    assert CliRunner().invoke(main, ["check", str(RIG), "--rewrite"]).exit_code == 2


def test_a_profile_that_is_called_otherwise_today() -> None:
    text = "rig: R\ninterfaces:\n  s: {profile: sync-box, cables: {clock-24: drum box clock}}\n"
    rig = parse_rig(text)
    assert rig.interfaces["s"].profile.name == "clock-and-reset"
    said = [str(one) for one in rig_warnings(rig) if "older" in one.message]
    assert said == ["rig.yaml:3:16  interfaces.s.profile: is an older name; write clock-and-reset"]
