"""Lanes as sections write them: what may be written, what it means, what is wrong and where."""

from __future__ import annotations

from fractions import Fraction

import pytest

from bridge.errors import InputError
from bridge.files import edit, reference, removal
from bridge.files.blocks import Signs
from bridge.files.set import parse_set
from bridge.music import model as m

TOP = """set: t
key: {root: A, scale: minor}
lanes:
  kick: {euclid: {hits: 4, steps: 16, rotate: 1}, out: main.gate-1}
  rim: {steps: "x..x", advance: kick, chance: 0.5, gate: tie, accents: "X.", passes: {on: [1], of: 2}}
  spray: {logic: "rim and kick", reads: before-mute, feel: grid, reset: 2}
  line: {notes: [A1, C2], advance: rim, quantise: key, transpose_by: swell}
  swell: {levels: [0, 1], rate: 1/8}
  held: {sample: {value: line, at: kick}}
sections:
  s: """


def section(text: str) -> m.Section:
    return parse_set(TOP + text + "\n").spec.sections[0]


def wrong(text: str) -> list[str]:
    with pytest.raises(InputError) as error:
        parse_set(TOP + text + "\n")
    return [f"{p.line}:{p.column} {p.path}: {p.message}" for p in error.value.problems]


def test_numbers_alone_are_numbers_and_nothing_is_written_otherwise() -> None:
    one = section("{lanes: {kick: {hits: 5, steps: 12, rotate: 2}, rim: {chance: 0.2}}}")
    assert one.lanes == {"kick": {"hits": 5, "steps": 12, "rotate": 2}, "rim": {"chance": 0.2}}
    assert not one.rewrites
    same = section("{lanes: {kick: {euclid: {hits: 5, rotate: 2}}}}")
    assert same.lanes == {"kick": {"hits": 5, "rotate": 2}}
    assert not same.rewrites


@pytest.mark.parametrize(
    ("text", "lane", "source"),
    [
        ("{lanes: {kick: {steps: xX.}}}", "kick", m.Steps((1, 2, 0))),
        ("{lanes: {rim: {euclid: {hits: 3, steps: 8}}}}", "rim", m.Euclid()),
        ("{lanes: {rim: {every: 3}}}", "rim", m.Every(3)),
        ('{lanes: {spray: {logic: "rim or kick"}}}', "spray", m.Logic("rim or kick")),
        ("{lanes: {held: {sample: {at: rim}}}}", "held", m.Sample("line", "rim")),
        ("{lanes: {line: {notes: [D2]}}}", "line", m.Notes((m.Note(38.0),))),
    ],
)
def test_a_source_takes_the_place_of_the_sets(text: str, lane: str, source: m.Source) -> None:
    written = section(text).written[lane]
    assert written.source == source
    own = next(one for one in parse_set(TOP + "{}\n").spec.lanes if one.name == lane)
    assert (written.name, written.out) == (own.name, own.out)


def test_what_the_set_says_of_its_own_source_only_is_left_out() -> None:
    """A lane of logic that becomes a pattern has no tap, and none of its feel."""
    written = section('{lanes: {spray: {steps: "x.x"}}}').written["spray"]
    assert (written.reads, written.feel, written.reset) == ("after-mute", "cause", 2)
    logic = section('{lanes: {rim: {logic: "not kick"}}}').written["rim"]
    assert logic.advance == Fraction(240)
    assert logic.accents == (2, 0)
    assert logic.passes == m.Passes((1,), 2)
    assert logic.settings == {"chance": 0.5}


def test_rates_ties_passes_and_notes_fitting() -> None:
    one = section(
        "{key: {root: D}, swing: 60, lanes: {rim: {rate: 1/8, gate: 0.5, passes: {on: [2], of: 2}}, "
        "line: {quantise: off, chord: [1, 3, 5], octaves: [1, 2]}}}"
    )
    rim, line = one.written["rim"], one.written["line"]
    assert (rim.advance, rim.tie, rim.passes) == (Fraction(480), False, m.Passes((2,), 2))
    assert (line.chord, line.octaves) == ((1, 3, 5), (1, 2))
    assert (one.root, one.key_name, one.swing) == (2, "D minor", 60)
    assert one.scale == (0, 2, 3, 5, 7, 8, 10)


def test_a_key_alone_writes_the_lanes_that_follow_it() -> None:
    written = section("{key: {scale: major}}").written
    assert set(written) == {"line"}
    assert written["line"].quantise == m.Quantise(9, (0, 2, 4, 5, 7, 9, 11))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{lanes: {kick: {hits: 17}}}", "sections.s.lanes.kick.hits: 17 hits do not fit in 16"),
        ("{lanes: {kick: {euclid: {hits: 17}}}}", "sections.s.lanes.kick.euclid.hits: 17 hits"),
        ("{lanes: {kick: {steps: 3}}}", "sections.s.lanes.kick.steps: 4 hits do not fit in 3"),
        ("{lanes: {kick: {steps: xo}}}", "sections.s.lanes.kick.steps: 'o' is not a step"),
        ("{lanes: {rim: {euclid: {hits: 3}}}}", "sections.s.lanes.rim.euclid: needs steps"),
        ("{lanes: {kick: {steps: x, every: 2}}}", "has two sources"),
        (
            "{lanes: {kick: {out: main.gate-2}}}",
            "kick.out: stays as the set has it, in every section",
        ),
        ("{lanes: {kick: {muted: true}}}", "kick.muted: is said by play"),
        ("{lanes: {kick: {slew_ms: 3}}}", "kick.slew_ms: slew_ms means nothing on kick"),
        ("{lanes: {kick: {chances: 1}}}", "did you mean chance?"),
        (
            "{lanes: {rim: {advance: nobody}}}",
            "sections.s.lanes.rim.advance: there is no lane nobody",
        ),
        ("{lanes: {rim: {advance: swell}}}", "a lane of hits is needed here"),
        ("{lanes: {kick: {logic: rim}}}", "wait for each other: kick reads rim reads kick"),
        ('{lanes: {spray: {logic: "rim andd kick"}}}', "sections.s.lanes.spray.logic: "),
        (
            "{lanes: {kick: {notes: [A1]}}}",
            "kick.notes: is a lane of hits in the set and cannot be one of values",
        ),
        ("{lanes: {swell: {notes: [A1]}}}", "levels in the other"),
        ("{lanes: {rim: {rate: 1/8, advance: kick}}}", "write either rate or advance"),
        ("{key: {root: H}}", "sections.s.key.root: "),
        ("{swing: 81}", "sections.s.swing: must be from 20 to 80"),
    ],
)
def test_what_is_wrong_is_said_in_the_section(text: str, said: str) -> None:
    found = wrong(text)
    assert len(found) == 1, found
    assert said in found[0]
    assert found[0].startswith("11:")


# --- names -------------------------------------------------------------------------------------

NAMED = """set: t
lanes:
  kick: {euclid: {hits: 4, steps: 16}}
  rim: {steps: "x..x"}
  hat: {steps: "x.x."}
  line: {notes: [A1, C2]}
sections:
  s:
    lanes: {rim: {logic: "kick and not hat"}, line: {advance: kick}, kick: {hits: 5}}
"""


def test_a_lane_that_is_renamed_is_renamed_in_sections_too() -> None:
    text = edit.apply(NAMED, [edit.Change(("lanes", "kick"), rename="drum")])
    one = parse_set(text).spec.sections[0]
    assert one.written["rim"].source == m.Logic("drum and not hat")
    assert one.written["line"].advance == "drum"
    assert one.lanes == {"drum": {"hits": 5}}


def test_what_a_section_derives_from_a_lane_that_goes_is_as_in_the_set() -> None:
    gone = edit.apply(NAMED, [edit.Change(("lanes", "kick"))])
    places = [problem.path for problem in removal.still_named(gone, [("lanes", "kick")])]
    assert places == [
        "sections.s.lanes.rim.logic",
        "sections.s.lanes.line.advance",
        "sections.s.lanes.kick",
    ]
    after, also = removal.without(NAMED, [("lanes", "kick")])
    assert also == []
    spec = parse_set(after).spec
    assert [lane.name for lane in spec.lanes] == ["rim", "hat", "line"]
    assert spec.sections[0] == m.Section("s")


def test_the_section_of_the_manual_means_what_stands_beside_it() -> None:
    """The block of text in the manual, in a set that has its lanes."""
    blocks = [block for block in reference.text() if isinstance(block, Signs)]
    example = next(block for block in blocks if block.lines[0] == "sections:")
    text = """set: t
key: {root: A, scale: minor}
lanes:
  kick: {euclid: {hits: 4, steps: 16}}
  rim: {euclid: {hits: 5, steps: 16}}
  shaker: {steps: "x.x."}
  spray: {logic: "rim xor shaker"}
  bassline: {notes: [A1, E1], quantise: key}
  bell: {euclid: {hits: 5, steps: 13}}
"""
    flood = parse_set(text + "\n".join(example.lines) + "\n").spec.sections[0]
    assert (flood.swing, flood.key_name) == (58, "D minor")
    assert set(flood.written) == {"kick", "spray", "bassline", "bell"}
    assert flood.written["bell"].advance == Fraction(480)
    assert flood.lanes["bell"] == {"hits": 7}
