"""The table of events, held against rows worked out by hand."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from bridge.files.rig import Rig, load_rig, parse_rig
from bridge.files.set import load_set, parse_set
from bridge.music.render import events_between
from bridge.music.score import compile_score
from bridge.paper import csv_rows
from bridge.player.offline import perform_rig

DEMO = Path(__file__).parents[2] / "bridge" / "demo"

SET = """\
set: Small
tempo: 120
lanes:
  kick:  {steps: "x... X...", out: main.gate-1}
  ghost: {logic: not kick, rate: 1/2}
  bass:  {notes: [A1, C2], advance: kick, out: main.pitch-1}
  tide:  {levels: [0, 0.5], advance: 1/2, out: main.level-1}
  loose: {levels: [1, -0.25], advance: 1/2}
"""
# A sixteenth is 240 ticks, a gate half of it; kick repeats after 8 steps; a level of 0.5 on an
# output of 0 to 5 V is 2.5 V. Values stand before the hits of the same tick.
GOLDEN = """\
tick,lane,kind,value,length,output
0,bass,pitch,33.0,0,main.pitch-1
0,tide,level,0.0,0,main.level-1
0,kick,hit,0.8,120,main.gate-1
960,bass,pitch,36.0,0,main.pitch-1
960,kick,hit,1.0,120,main.gate-1
1920,bass,pitch,33.0,0,main.pitch-1
1920,tide,level,2.5,0,main.level-1
1920,kick,hit,0.8,120,main.gate-1
2880,bass,pitch,36.0,0,main.pitch-1
2880,kick,hit,1.0,120,main.gate-1
"""


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse_rig("rig: R\ninterfaces: {main: {profile: eight-gates-four-cv}}\n")


def test_golden(rig: Rig) -> None:
    assert csv_rows.text(parse_set(SET, rig=rig).spec, rig, 1) == GOLDEN


def test_all_lanes(rig: Rig) -> None:
    table = csv_rows.text(parse_set(SET, rig=rig).spec, rig, 1, True)
    rows = list(csv.DictReader(table.splitlines()))
    assert [row for row in rows if row["output"]] == list(csv.DictReader(GOLDEN.splitlines()))
    # kick hits at 0 and 1920, where `not kick` is looked at every half note: nothing is left of it
    loose = [(row["tick"], row["kind"], row["value"]) for row in rows if row["lane"] == "loose"]
    assert loose == [("0", "level", "1.0"), ("1920", "level", "-0.25")]
    assert {row["lane"] for row in rows if not row["output"]} == {"loose"}


def test_a_longer_table_begins_with_the_shorter_one(rig: Rig) -> None:
    spec = parse_set(SET, rig=rig).spec
    assert csv_rows.text(spec, rig, 3).startswith(GOLDEN)


def test_a_macro_that_moves_an_output_by_itself(rig: Rig) -> None:
    text = (
        "set: S\nlanes: {kick: {every: 16, out: main.gate-1}}\n"
        "macros: {lamp: {start: 0.8, drives: [{out: main.level-2, from: 0, to: 5}]}}\n"
    )
    rows = csv_rows.text(parse_set(text, rig=rig).spec, rig, 1).splitlines()
    assert rows[1:] == ["0,macro:lamp,level,4.0,0,main.level-2", "0,kick,hit,0.8,120,main.gate-1"]


@pytest.mark.parametrize(
    ("rate", "ticks"),
    # an eighth triplet is 960 * 2 / 3 / 2 = 320 ticks; dotted 720; 3 in the time of 4 quarters 1280
    [("1/8T", [0, 320, 640, 960]), ("1/8.", [0, 720, 1440, 2160]), ("3:4", [0, 1280, 2560])],
)
def test_rates_fall_on_their_ticks(rig: Rig, rate: str, ticks: list[int]) -> None:
    text = f"set: S\nlanes: {{a: {{every: 1, rate: {rate}, out: main.gate-1}}}}\n"
    table = csv_rows.text(parse_set(text, rig=rig).spec, rig, 1)
    found = [int(row["tick"]) for row in csv.DictReader(table.splitlines())]
    assert found[: len(ticks)] == ticks


def test_rows_of_one_tick_stand_in_the_order_in_which_the_player_sends() -> None:
    rig = load_rig(DEMO / "rig.yaml")
    spec = load_set(DEMO / "set.yaml", rig).spec
    score = compile_score(spec, rig.ranges)
    sent = [
        (event.tick, event.lane, event.kind, event.output)
        for event in perform_rig(rig, score, 4).events
        if event.output
    ]
    rows = [
        (tick, lane, kind, output)
        for tick, lane, kind, _, _, output in csv_rows.rows(
            spec, events_between(score, 0, 4 * 3840)
        )
        # the levels that outputs stand at when the song begins have been sent before
        if (tick, kind) != (0, "level")
    ]
    # what leads (pitch, levels: 2 ms) may overtake a hit of a slightly earlier tick on the wire
    assert rows == sorted(sent, key=lambda row: row[0])
