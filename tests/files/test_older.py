"""Older spellings: they play as before, are said, and can be written anew."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from bridge.cli import main
from bridge.errors import InputError
from bridge.files import older
from bridge.files.document import Document
from bridge.files.profile import load_profile, parse_profile
from bridge.files.rig import load_rig, parse_rig
from bridge.files.rig_effects import rig_warnings
from bridge.files.set import parse_set
from bridge.web.edit_http import EditRow, edited

RIG = Path(__file__).parents[2] / "bridge" / "demo" / "rig.yaml"
BEFORE = """\
set: Sandbar   # as it was written once
lanes:
  plank: {every: 4, repeats: 3, spacing: accelerating, out: main.gate-1}   # hurries
  reed:
    steps: "x..x"
    spacing: -0.3
    repeats: 2
    still: true
    drift: 0.1
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
  near: {logic: "hold(plank, 1/8) and not latch(reed, plank)", by: steps, tap: before-mute}
  grab: {hold: {value: wash, by: plank}}
  hand: {sample: {value: wash, by: reed}}
sections:
  s: {play: all, lanes: {wash: {levels: [0.5, null], advance: 1/4}, grab: {hold: {by: reed}}}}
"""
AFTER = """\
set: Sandbar   # as it was written once
lanes:
  plank: {every: 4, repeats: 3, out: main.gate-1, repeat_curve: 0.5}   # hurries
  reed:
    steps: "x..x"
    repeats: 2
    drift: 0.1
    out: main.gate-2
    freeze: true
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
  near: {logic: "extend(plank, 1/8) and not between(reed, plank)", reads: before-mute, compare: steps}
  grab: {sample: {value: wash, at: plank}}
  hand: {sample: {value: wash, at: reed}}
sections:
  s: {play: all, lanes: {wash: {levels: [0.5, .], rate: 1/4}, grab: {sample: {at: reed}}}}
"""


def data(text: str) -> object:
    return Document.parse(text, "set.yaml").data


def test_every_older_spelling_is_said_where_it_stands() -> None:
    said = [
        str(problem)
        for problem in parse_set(BEFORE, rig=load_rig(RIG)).warnings
        if "is an older" in problem.message
    ]
    assert said == [
        "set.yaml:3:33  lanes.plank.spacing: is an older spelling; write repeat_curve: 0.5",
        "set.yaml:6:5  lanes.reed.spacing: is an older spelling; write repeat_curve: -0.3",
        "set.yaml:8:5  lanes.reed.still: is an older spelling; write freeze: true",
        "set.yaml:11:22  lanes.wash.levels.1: is an older spelling of a rest; write .",
        "set.yaml:11:29  lanes.wash.advance: is an older spelling; write rate: 1/8",
        "set.yaml:12:35  lanes.swirl.retrigger: is an older spelling; write reset: plank",
        "set.yaml:17:9  lanes.tune.notes.1: is an older spelling of a rest; write .",
        "set.yaml:20:17  lanes.near.logic: is an older name; write "
        "extend(plank, 1/8) and not between(reed, plank)",
        "set.yaml:20:64  lanes.near.by: is an older spelling; write compare: steps",
        "set.yaml:20:75  lanes.near.tap: is an older spelling; write reads: before-mute",
        "set.yaml:21:10  lanes.grab.hold: is an older spelling; write sample: {value: wash, at: plank}",
        "set.yaml:22:32  lanes.hand.sample.by: is an older spelling; write at: reed",
        "set.yaml:24:47  sections.s.lanes.wash.levels.1: is an older spelling of a rest; write .",
        "set.yaml:24:54  sections.s.lanes.wash.advance: is an older spelling; write rate: 1/4",
        "set.yaml:24:76  sections.s.lanes.grab.hold: is an older spelling; write sample: {at: reed}",
    ]


def test_it_is_written_anew_and_nothing_else_is_touched() -> None:
    assert older.rewritten(BEFORE, data(BEFORE)) == AFTER
    assert list(older.older(data(AFTER))) == []
    assert older.rewritten(AFTER, data(AFTER)) == AFTER


def test_both_spellings_are_the_same_music() -> None:
    before, after = (parse_set(text, rig=load_rig(RIG)).spec for text in (BEFORE, AFTER))
    for lane, now in zip(before.lanes, after.lanes, strict=True):
        # A restart is a part of the form in one, of the lane in the other; functions have two names.
        if lane.name not in ("swirl", "near"):
            assert lane == now
    from bridge.music.render import events_between
    from bridge.music.score import compile_score

    rig = load_rig(RIG)
    played = [
        events_between(compile_score(spec, rig.ranges), 0, 8 * 3840) for spec in (before, after)
    ]
    assert len(played[0]) > 100
    assert played[0] == played[1]


def test_an_edit_names_what_is_written_today_and_writes_the_rest_anew() -> None:
    """The page knows no older spelling: what it changes must be found all the same."""
    row = EditRow(path=["lanes", "grab", "sample", "at"], value="reed")
    text, _ = edited(BEFORE, [row])
    assert text == AFTER.replace(
        "grab: {sample: {value: wash, at: plank}}", "grab: {sample: {value: wash, at: reed}}"
    )


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
    assert f"{RIG}: no older spelling stands in it" in done.output
    assert "is an older" not in done.output
    (copy,) = [other for other in tmp_path.rglob("*.yaml") if other != path]
    assert copy.read_text() == BEFORE
    assert str(copy) in done.stdout
    again = CliRunner().invoke(main, ["check", str(RIG), str(path), "--rewrite"])
    assert "no older spelling" in again.stdout


PROFILE = """\
profile: shed
says: two holes in a lid
outputs:
  a: {kind: gate, by: note, number: 36, says: "left: the loud one"}
  b: {kind: gate, by: note, number: 37}
"""
OLD_RIG = """\
rig: R   # as it was written once
interfaces:
  s: {profile: sync-box, port: simulated, cables: {clock-24: drum box clock}}
controllers:
  pads:
    port: simulated
    controls:
      - {note: 40, transport: stop}
      - {note: 41, transport: all-out}
      - {cc: 20, macro: m, fine: true}
"""


def test_a_rig_is_written_anew_with_and_without_a_set(tmp_path: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_text(OLD_RIG)
    rig = load_rig(path)
    assert [b.transport for b in rig.controllers["pads"].bindings] == ["stop", "mute-all", None]
    assert rig.controllers["pads"].bindings[2].pair
    said = [str(one) for one in rig_warnings(rig) if "older" in one.message]
    assert [line.partition("  ")[2] for line in said] == [
        "interfaces.s.profile: is an older name; write clock-and-reset",
        "controllers.pads.controls.1.transport: is an older name; write mute-all",
        "controllers.pads.controls.2.fine: is an older spelling; write pair",
    ]
    done = CliRunner().invoke(main, ["check", str(path), "--rewrite"])
    assert done.exit_code == 0, done.output
    now = OLD_RIG.replace("sync-box", "clock-and-reset").replace("all-out", "mute-all")
    now = now.replace("fine", "pair")
    assert path.read_text() == now
    assert "is an older" not in done.output


def test_a_profile_with_older_keys_is_read_and_its_check_says_what_to_write(tmp_path: Path) -> None:
    path = tmp_path / "shed.yaml"
    path.write_text(PROFILE)
    profile = load_profile("shed", tmp_path)
    assert profile.description == "two holes in a lid"
    assert profile.outputs[0].description == "left: the loud one"
    said = CliRunner().invoke(main, ["profile", "check", str(path)]).output
    assert f'{path}:2:1  says: is an older spelling; write description: "two holes' in said
    assert f"{path}:4:41  outputs.a.says: is an older spelling; write description:" in said
    text = older.rewritten(PROFILE, data(PROFILE), older.of_profile)
    assert "says:" not in text
    assert parse_profile(text, "shed.yaml") == profile


@pytest.mark.parametrize("both", ["says: a\ndescription: b", "description: b\nsays: a"])
def test_both_spellings_at_once_are_an_error(both: str) -> None:
    with pytest.raises(InputError, match="says: is not a key of a profile"):
        parse_profile(PROFILE.replace("says: two holes in a lid", both), "shed.yaml")


def test_a_profile_that_is_called_otherwise_today() -> None:
    text = "rig: R\ninterfaces:\n  s: {profile: sync-box, cables: {clock-24: drum box clock}}\n"
    rig = parse_rig(text)
    assert rig.interfaces["s"].profile.name == "clock-and-reset"
    said = [str(one) for one in rig_warnings(rig) if "older" in one.message]
    assert said == ["rig.yaml:3:16  interfaces.s.profile: is an older name; write clock-and-reset"]
