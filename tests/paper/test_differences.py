"""Differences in words: what is said for each change, worked out by hand from the two files."""

from __future__ import annotations

import json
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.styled_yaml import styled
from support.written import sets

from bridge.files.set import parse_set
from bridge.paper.differences import between, of_rigs, of_sets, of_tunings

SET = """\
set: Low tide
tempo: 126
key: {root: A, scale: minor}
lanes:
  kick:  {euclid: {hits: 4, steps: 16}, out: main.gate-1}
  rim:   {euclid: {hits: 5, steps: 16, rotate: 2}, out: main.gate-2, chance: 0.6}
  spray: {logic: "rim and not kick", out: main.gate-3}
  line:  {notes: [A1, C2, E2, G1], advance: rim, quantise: key, out: main.pitch-1}
  moon:  {walk: true, out: main.level-1}
macros:
  tide: {start: 0.4, drives: [{lane: rim, setting: chance, depth: 0.4}]}
sections:
  low:  {play: [kick, rim], macros: {tide: 0.2}}
  high: {lanes: {rim: {hits: 7}}}
order:
  - {section: low, bars: 4}
  - {section: high, bars: 8}
"""


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("hits: 5, steps", "hits: 7, steps", ["rim: hits 5 to 7"]),
        ("rotate: 2}", "rotate: 3}", ["rim: rotate 2 to 3"]),
        (", rotate: 2}", "}", ["rim: rotate 2 to 0"]),
        ("chance: 0.6", "chance: 0.6, gate: tie", ["rim: gate 0.5 to tie"]),
        (", chance: 0.6", "", ["rim: chance 0.6 to 1"]),
        ("tempo: 126", "tempo: 132.5", ["tempo 126 to 132.5"]),
        ("tempo: 126\n", "", ["tempo 126 to 120"]),
        ("{root: A, scale: minor}", "{root: A, scale: major}", ["key scale minor to major"]),
        ("main.gate-2, ", "main.gate-8, muted: true, ", None),
        ("[A1, C2, E2, G1]", "[A1, D2, E2, G1]", ["line: notes, 2nd: C2 to D2"]),
        ("[A1, C2, E2, G1]", "[A1, C2, E2]", ["line: notes, 4th: G1 taken out"]),
        ("[A1, C2, E2, G1]", "[B1, B2, B3, B4]", ["line: notes A1 C2 E2 G1 to B1 B2 B3 B4"]),
        ("rim and not kick", "rim or kick", ['spray: logic "rim and not kick" to "rim or kick"']),
        ("walk: true", "shape: sine", None),
        ("start: 0.4", "start: 0.5", ["macro tide: start 0.4 to 0.5"]),
        ("depth: 0.4}", "depth: 0.5}", ["macro tide: drives, 1st: depth 0.4 to 0.5"]),
        ("{tide: 0.2}", "{tide: 0.3}", ["section low: tide 0.2 to 0.3"]),
        ("rim: {hits: 7}", "rim: {hits: 9}", ["section high: rim hits 7 to 9"]),
        ("bars: 4", "bars: 6", ["running order, 1st entry: bars 4 to 6"]),
        (
            "  - {section: high, bars: 8}\n",
            "",
            ["running order, 2nd entry: section high, bars 8 taken out"],
        ),
    ],
)
def test_a_change_is_said_in_the_words_of_the_set(
    old: str, new: str, says: list[str] | None
) -> None:
    assert SET.count(old) == 1
    lines = of_sets(SET, SET.replace(old, new))
    if says is not None:
        assert lines == says
    assert len(lines) == 1


def test_a_kind_of_lane_that_changes_is_said_as_a_whole() -> None:
    (line,) = of_sets(SET, SET.replace("walk: true", "shape: sine"))
    assert line.startswith("moon: was ")
    assert "; now sine, " in line


def test_an_output_and_a_mute_are_said_together() -> None:
    after = SET.replace("main.gate-2,", "main.gate-8, muted: true,")
    assert of_sets(SET, after) == ["rim: muted no to yes; output main.gate-2 to main.gate-8"]


def test_a_new_name_is_said_once_and_not_in_all_that_names_it() -> None:
    after = (
        SET.replace("  rim:  ", "  clack:")
        .replace("rim and", "clack and")
        .replace("advance: rim", "advance: clack")
        .replace("lane: rim", "lane: clack")
        .replace("kick, rim]", "kick, clack]")
        .replace("{rim: {hits", "{clack: {hits")
    )
    assert of_sets(SET, after) == ["lane rim is called clack now"]
    assert of_sets(SET, after.replace("tempo: 126", "tempo: 90")) == [
        "lane rim is called clack now",
        "tempo 126 to 90",
    ]


def test_lanes_that_come_go_and_change_places_are_said() -> None:
    kick, rim, *rest = SET.split("\n  ")[1:3]
    gone = SET.replace("\n  moon:  {walk: true, out: main.level-1}", "")
    assert of_sets(SET, gone) == ["moon: gone"]
    assert of_sets(gone, SET)[0].startswith("moon: new, ")
    assert of_sets(gone, SET)[0].endswith(", to main.level-1")
    turned = SET.replace(f"{kick}\n  {rim}", f"{rim}\n  {kick}")
    assert of_sets(SET, turned) == ["lanes in another order: rim, kick, spray, line, moon"]
    assert rest == []


def test_layout_and_comments_make_no_difference() -> None:
    other = SET.replace("tempo: 126", "tempo: 126.0  # as ever").replace(
        "{hits: 4, steps: 16}", ("{steps: 16, hits: 4, rotate: 0}")
    )
    assert other != SET
    assert of_sets(SET, other) == []
    assert between(SET.encode(), other.encode()) == []


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(sets(), st.integers(0, 2**32).map(Random), st.floats(20, 400))
def test_something_is_said_when_and_only_when_something_else_is_played(
    data: dict[str, Any], random: Random, tempo: float
) -> None:
    data["sections"]["all"] = {"macros": {}}
    text = styled(data, random)
    assert of_sets(text, json.dumps(data, ensure_ascii=False)) == []
    other = {**data, "tempo": tempo, "lanes": dict(data["lanes"])}
    name = random.choice([n for n in data["lanes"] if n not in ("kick", "rim", "spare", "line")])
    other["lanes"][name] = {**other["lanes"][name], "muted": True, "groups": ["a"]}
    changed = json.dumps(other, ensure_ascii=False)
    said = of_sets(text, changed)
    assert parse_set(text).spec != parse_set(changed).spec
    assert any(line.startswith(f"{name}: ") for line in said)
    assert any(line.startswith("tempo ") for line in said) == (tempo != data["tempo"])


RIG = """\
rig: Quay rack
interfaces:
  main:
    profile: eight-gates-four-cv
    port: simulated
    cables:
      gate-1: kick voice
      gate-2: rim voice
      gate-3: {to: shaker voice, colour: red}
clock: {offset_ms: 0}
controllers:
  desk: {port: Knobs, controls: [{cc: 20, macro: tide}]}
"""


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("port: simulated", "port: Box", ["interface main: port simulated to Box"]),
        ("gate-2: rim", "gate-5: rim", ['cable "rim voice" moved from main.gate-2 to main.gate-5']),
        ("gate-2: rim voice", "gate-2: cow", ['main.gate-2: cable "rim voice" to "cow"']),
        ("      gate-1: kick voice\n", "", ['main.gate-1: cable "kick voice" pulled']),
        ("colour: red", "colour: blue", ["main.gate-3: colour red to blue"]),
        ("offset_ms: 0", "offset_ms: -3", ["clock: offset ms 0 to -3"]),
        ("macro: tide", "macro: ebb", ["controller desk: controls, 1st: macro tide to ebb"]),
        ("controllers:", "resume: playing\ncontrollers:", ["resume stopped to playing"]),
    ],
)
def test_a_rig_is_told_by_its_cables(old: str, new: str, says: list[str]) -> None:
    assert of_rigs(RIG, RIG.replace(old, new)) == says
    assert of_rigs(RIG, RIG) == []


def test_two_cables_that_change_places_are_both_said() -> None:
    after = (
        RIG.replace("kick voice", "x")
        .replace("rim voice", "kick voice")
        .replace(": x", ": rim voice")
    )
    assert of_rigs(RIG, after) == [
        'cable "kick voice" moved from main.gate-1 to main.gate-2',
        'cable "rim voice" moved from main.gate-2 to main.gate-1',
    ]


def test_tunings_are_told_by_what_was_measured() -> None:
    def text(offset: float) -> str:
        made = f'made: "2026-01-31T21:00:00", profile: p, offset_volts: {offset}'
        return f"tuning:\n  main.pitch-1: {{{made}}}\n"

    assert of_tunings("tuning: {}", text(0.01)) == [
        "main.pitch-1: tuned 2026-01-31: offset +10.0 mV, gain 1.0000"
    ]
    assert of_tunings(text(0.01), "tuning: {}") == ["main.pitch-1: no longer tuned"]
    (line,) = of_tunings(text(0.01), text(0.02))
    assert line.startswith("main.pitch-1: tuned 2026-01-31: offset +20.0 mV")
    assert line.endswith("before: tuned 2026-01-31: offset +10.0 mV, gain 1.0000")


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        (
            b"Soundcheck\nyes   main.gate-1  kick\n",
            b"Soundcheck\nNO    main.gate-1  kick\n",
            ['line: "yes main.gate-1 kick" to "NO main.gate-1 kick"'],
        ),
        (
            b"<!doctype html><style>a{}</style><p>Kick</p><p class='x'>Rim</p>",
            b"<!doctype html><style>b{}</style><p>Kick</p><p>Clap</p>",
            ["line: Rim to Clap"],
        ),
        (b"%PDF\xff\xfe", b"%PDF\xff", ["differs; 6 bytes before, 5 now"]),
        (b"set: a\n", b"rig: b\n", ["they are files of different kinds"]),
        (
            SET.replace("126", "fast").encode(),
            SET.encode(),
            [
                "cannot be compared, for one of them has a mistake: "
                "tempo: must be a number from 20 to 400 BPM, not fast"
            ],
        ),
    ],
)
def test_any_file_can_be_asked_about(before: bytes, after: bytes, says: list[str]) -> None:
    assert between(before, after) == says
