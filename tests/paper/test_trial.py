"""What only playing shows: outputs at their end, and lanes that never hit."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.files.rig import Rig, load_rig
from bridge.files.set import SetDocument, parse_set
from bridge.paper.trial import warnings

PROFILE = """\
profile: dock
outputs:
  gate: {kind: gate, by: note, number: 36}
  other: {kind: gate, by: note, number: 37}
  third: {kind: gate, by: note, number: 38}
  low: {kind: pitch, by: cc14, number: 1, low: 0, high: 2, reference_note: C2}
  level: {kind: level, by: cc14, number: 2, high: 5}
  both: {kind: level, by: cc14, number: 3, low: -5, high: 5}
"""


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    (tmp_path / "dock.yaml").write_text(PROFILE)
    (tmp_path / "rig.yaml").write_text("rig: Quay rack\ninterfaces: {main: {profile: dock}}\n")
    return load_rig(tmp_path / "rig.yaml")


def a_set(rig: Rig, lanes: str, more: str = "") -> SetDocument:
    body = "".join(f"  {line.strip()}\n" for line in lanes.strip().splitlines())
    return parse_set(f"set: Low tide\nlanes:\n{body}{more}", "set.yaml", rig)


def said(rig: Rig, lanes: str, more: str = "") -> list[str]:
    document = a_set(rig, lanes, more)
    return [str(document.document.locate(problem)) for problem in warnings(rig, document)]


GLOW = "macros:\n  glow: {start: %s, drives: [{out: main.level, depth: %s}]}\n"


# --- pitch: a wrong note always matters ------------------------------------------------------------


def test_notes_beyond_the_range_are_said_by_their_share_of_the_time(rig: Rig) -> None:
    """2 V above C2 is C4 at 1 V per octave: of four quarter notes one lies above it."""
    assert said(rig, "line: {notes: [C2, C3, C2, C5], rate: 1/4, out: main.low}") == [
        "set.yaml:3:51  lanes.line.out: main.low ends at C4 (2 V): line asks for notes above it "
        "for 25% of the time, as far as C5, first at bar 1 beat 4"
    ]


def test_notes_below_the_range_as_well(rig: Rig) -> None:
    (problem,) = said(rig, "line: {notes: [A1, C3], rate: 1/1, out: main.low}")
    assert problem.endswith(
        "main.low ends at C2 (0 V): line asks for notes below it for 50% of the time, as far as "
        "A1, first at bar 1 beat 1"
    )


def test_an_output_is_said_once_at_its_worse_end(rig: Rig) -> None:
    (problem,) = said(rig, "line: {notes: [C1, C5, C5, C3], rate: 1/4, out: main.low}")
    assert "above it for 50% of the time" in problem


def test_notes_are_spelled_by_the_key(rig: Rig) -> None:
    more = "key: {root: Eb, scale: minor}\n"
    (problem,) = said(rig, "line: {notes: [Gb4, C2], rate: 1/4, out: main.low}", more)
    assert "as far as Gb4" in problem


# --- levels: only where the movement is lost -------------------------------------------------------


def test_a_level_that_stands_at_its_end_for_half_of_the_time_is_said(rig: Rig) -> None:
    lanes = "swell: {levels: [0, 0.8], rate: 1/4, out: main.level}"
    (problem,) = said(rig, lanes, GLOW % (0.5, 1))
    assert problem.endswith(
        "main.level stands at its end of 5 V for 50% of the time: swell and macro glow together "
        "ask for up to 6.5 V"
    )


def test_a_level_that_is_cut_now_and_then_is_an_effect(rig: Rig) -> None:
    lanes = "swell: {levels: [0, 0.1, 0.2, 0.8], rate: 1/4, out: main.level}"
    assert said(rig, lanes, GLOW % (0.5, 1)) == []


@pytest.mark.parametrize("start", [0.3, 0.6, 0.9])
def test_a_macro_that_tames_down_to_nothing_is_no_mistake(rig: Rig, start: float) -> None:
    lanes = "swell: {levels: [0, 0.25, 1, 0.5, 0.75], rate: 1/8, out: main.level}"
    assert said(rig, lanes, GLOW % (start, -1)) == []


def test_an_output_that_nothing_ever_lifts_is_one(rig: Rig) -> None:
    lanes = "swell: {levels: [0, 0.25, 0.5], rate: 1/8, out: main.level}"
    (problem,) = said(rig, lanes, GLOW % (1, -1))
    assert "stands at its end of 0 V for 100% of the time" in problem
    assert problem.endswith("together ask for down to -5 V")


def test_the_lower_end_of_an_output_of_both_signs_matters_too(rig: Rig) -> None:
    macros = "macros:\n  ebb: {start: 1, drives: [{out: main.both, depth: -1}]}\n"
    (problem,) = said(rig, "swell: {levels: [-0.5, 0.1], rate: 1/4, out: main.both}", macros)
    assert "stands at its end of -5 V for 50% of the time" in problem


def test_what_only_a_section_asks_for(rig: Rig) -> None:
    lanes = "swell: {levels: [0.2, 0.8], rate: 1/4, out: main.level}"
    more = (GLOW % (0, 1)) + "sections:\n  flood: {macros: {glow: 1}}\n"
    (problem,) = said(rig, lanes, more)
    assert "for 100% of the time in section flood" in problem


def test_what_the_file_alone_shows_is_not_said_again(rig: Rig) -> None:
    document = a_set(rig, "swell: {levels: [0, 1], offset: 3, rate: 1/4, out: main.level}")
    assert ["asks for 8 V" in p.message for p in document.warnings].count(True) == 1
    assert list(warnings(rig, document)) == []


def test_an_output_that_only_macros_drive_has_no_place_in_a_lane(rig: Rig) -> None:
    drive = "{out: main.level, depth: 1}"
    more = f"macros:\n  glow: {{start: 1, drives: [{drive}, {drive}]}}\n"
    (problem,) = said(rig, "kick: {every: 1, out: main.gate}", more)
    assert "main.level stands at its end of 5 V for 100% of the time" in problem
    assert problem.endswith("macro glow asks for up to 10 V")


# --- lanes that never hit --------------------------------------------------------------------------

KICK = "kick: {every: 4, out: main.gate}\nrim: {steps: '..x.', out: main.other}\n"


@pytest.mark.parametrize(
    "lane",
    [
        'spray: {logic: "kick and rim", out: main.third}',
        'spray: {logic: "kick and not kick", out: main.third}',
        'spray: {logic: "edge(kick, 1/2)  and rim", out: main.third}',
        'spray: {steps: "....", out: main.third}',
        "spray: {euclid: {hits: 0, steps: 8}, out: main.third}",
    ],
)
def test_a_lane_that_never_hits_is_said(rig: Rig, lane: str) -> None:
    (problem,) = said(rig, KICK + lane)
    assert "lanes.spray" in problem
    assert "does not hit once, in 64 bars" in problem


@pytest.mark.parametrize(
    ("lane", "more"),
    [
        ('spray: {logic: "rim and not kick", out: main.third}', ""),
        # only now and then
        ('spray: {logic: "nth(kick, 60)", rate: 1/1, out: main.third}', ""),
        ('spray: {steps: "x", rate: 1/1, chance: 0.02, out: main.third}', ""),
        ('spray: {steps: "...x", rate: 16/1, out: main.third}', ""),
        ('spray: {steps: "x", rate: 1/1, passes: {on: [100], of: 100}, out: main.third}', ""),
        # made for the time when its source is out
        ('spray: {logic: "gap(kick, 1/1)", out: main.third}', ""),
        # only with a macro up, or in a section
        ("spray: {every: 1, density: 0, out: main.third}",
         "macros:\n  more: {drives: [{lane: spray, setting: density, depth: 1}]}\n"),
        ("spray: {euclid: {hits: 0, steps: 8}, out: main.third}",
         "sections:\n  flood: {lanes: {spray: {hits: 3}}}\n"),
    ],
)  # fmt: skip
def test_a_lane_that_may_hit_is_not(rig: Rig, lane: str, more: str) -> None:
    assert said(rig, KICK + lane, more) == []


def test_a_lane_that_hits_only_while_another_is_out_says_so(rig: Rig) -> None:
    assert said(rig, KICK + 'spray: {logic: "rim and not every", out: main.third}\n'
                "every: {every: 2}") == [
        "set.yaml:5:18  lanes.spray.logic: hits only while every is muted: with every lane on it "
        "never does"
    ]  # fmt: skip


def test_of_lanes_that_follow_from_a_silent_one_nothing_more_is_said(rig: Rig) -> None:
    lanes = 'spray: {logic: "kick and rim"}\nmore: {logic: "delay(spray, 1/8)", out: main.third}'
    (problem,) = said(rig, KICK + lanes)
    assert "lanes.spray.logic: does not hit once" in problem


def test_a_derived_lane_whose_sources_are_out_in_a_section(rig: Rig) -> None:
    lane = 'spray: {logic: "rim and not kick", out: main.third}'
    more = "sections:\n  ebb: {play: [kick, spray]}\n  flood: {play: [rim, spray]}\n"
    assert said(rig, KICK + lane, more) == [
        "set.yaml:7:22  sections.ebb.play.1: spray does not hit in this section: rim, from which "
        "it follows, is muted"
    ]


def test_a_source_that_is_read_before_its_mute_may_be_out(rig: Rig) -> None:
    lane = 'spray: {logic: "before-mute(rim) and not kick", out: main.third}'
    assert said(rig, KICK + lane, "sections:\n  ebb: {play: [kick, spray]}\n") == []


def test_a_circle_that_nothing_begins_is_said_of_each_of_its_lanes(rig: Rig) -> None:
    """What only follows from such a lane is not said again."""
    found = said(
        rig,
        """one: {logic: "earlier(two)", out: main.gate}
        two: {logic: "earlier(one)", out: main.other}
        after: {logic: "one and two", out: main.third}""",
    )
    assert len(found) == 2
    assert all("does not hit once" in problem for problem in found)
    assert ["lanes.one" in found[0], "lanes.two" in found[1]] == [True, True]
