"""Lanes said in words."""

from __future__ import annotations

import pytest

from bridge.files.set import parse_set
from bridge.music import model
from bridge.music.logic_parse import FUNCTIONS
from bridge.music.scale import SCALES
from bridge.music.spelling import names_in_key
from bridge.music.ticks import parse_rate
from bridge.paper.words import lane_words, logic_words, ordinal, section_words

LANES = ["kick", "rim", "shaker"]


@pytest.mark.parametrize(
    ("expression", "words"),
    [
        ("rim", "rim hits"),
        ("not kick", "kick does not hit"),
        ("rim and kick", "rim hits, and kick hits"),
        (
            "(rim xor shaker) and not kick",
            "exactly one of rim and shaker hits, and kick does not hit",
        ),
        ("at-least(2, kick, rim, shaker)", "at least 2 of kick, rim and shaker hit"),
        ("nth(rim, 3)", "rim hits, but only the 3rd of every 3 times"),
        ("nth(rim, 4, 1)", "rim hits, but only the 1st of every 4 times"),
        ("toggle(kick)", "kick has hit an odd number of times"),
        (
            "toggle(kick or rim)",
            "it has been so an odd number of times that (kick hits, or rim hits)",
        ),
        ("first(rim, kick)", "rim hits, for the first time since kick hit"),
        ("delay(kick, 1/8T)", "kick hit 1/8T ago"),
        ("delay(not kick, 1/16)", "it was so 1/16 ago that (kick does not hit)"),
        ("extend(kick, 1/4.)", "kick hit less than 1/4. ago"),
        ("between(kick, rim)", "kick has hit, and rim has not hit since"),
        ("chance(kick, 0.5)", "kick hits, by a chance of 0.5"),
        ("edge(rim)", "rim hits, for the first time in more than one step"),
        ("edge(rim, 1/8)", "rim hits, for the first time in more than 1/8"),
        ("gap(kick, 1/4)", "kick has not hit for 1/4"),
        ("kick and above(rim, 0.5)", "kick hits, and rim is above 0.5"),
        ("below(rim, -0.5, 0.2)", "rim is below -0.5 (until it is at or above 0.2)"),
        ("edge(rising(rim))", "rim rises, for the first time in more than one step"),
        ("changed(rim)", "rim changes"),
        (
            "kick or nth(rim, 2) and shaker",
            "kick hits, or ((rim hits, but only the 2nd of every 2 times), and shaker hits)",
        ),
        ("before-mute(kick) or rim", "kick hits (even when it is muted), or rim hits"),
    ],
)
def test_logic_reads_as_a_clause(expression: str, words: str) -> None:
    assert logic_words(expression, LANES) == words


def test_every_function_has_words() -> None:
    """A function without words of its own would fall through to its bare name."""
    written = {"hits": "kick", "hits...": "kick, rim", "count": "1", "time": "1/8", "chance": "0.5"}
    written |= {"line": "kick", "lane": "kick", "level": "0.5"}
    said = {}
    for name, kinds in FUNCTIONS.items():
        arguments = ", ".join(written[kind] for kind in kinds if not kind.endswith("?"))
        said[name] = logic_words(f"{name}({arguments})", LANES)
    assert all("kick" in words and "(kick" not in words for words in said.values())
    # On kick alone a tap is heard as the lane itself, unless it reads before the mute.
    different = [words for name, words in said.items() if name != "after-mute"]
    assert len(set(different)) == len(different)


@pytest.mark.parametrize(
    "expression", ["toggle(kick)", "extend(kick, 1/8)", "between(kick, rim)", "gap(kick, 1/4)"]
)
def test_a_clause_goes_on_from_hits_when(expression: str) -> None:
    """A state is said in the perfect or the past, an event in the present: both stand after
    "hits when", with the lane as the subject of one verb."""
    words = logic_words(expression, LANES)
    assert words.split()[:2] in (["kick", "has"], ["kick", "hit"])


@pytest.mark.parametrize("rate", ["1/16", "1/8T", "1/16T", "1/8.", "5/16", "3:4", "1/1", "4/1"])
def test_rates_are_written_as_in_the_set(rate: str) -> None:
    lane = model.Lane("pulse", model.Every(1), advance=parse_rate(rate))
    said = lane_words(lane, LANES)
    shown = said.rpartition("steps of ")[2]
    assert parse_rate(shown) == parse_rate(rate)
    if rate != "3:4":  # a free ratio is said as the note value it comes to
        assert shown == rate


def test_notes_are_spelled_by_the_key() -> None:
    lane = model.Lane("line", model.Notes((model.Note(34), model.Note(37))), advance="kick")
    names = names_in_key("Bb", SCALES["dorian"])
    assert lane_words(lane, LANES, names).startswith("Bb1 Db2, ")
    assert lane_words(lane, LANES).startswith("A#1 C#2, ")


def test_a_lane_in_one_line() -> None:
    lane = model.Lane(
        "rim", model.Euclid(), settings={"hits": 5, "steps": 16, "rotate": 2, "chance": 0.6}
    )
    assert lane_words(lane, LANES) == (
        "5 hits spread over 16 steps, steps of 1/16; rotate 2; chance 0.6"
    )
    line = model.Lane(
        "line",
        model.Notes((model.Note(33), model.Note(None), model.Note(36, glide=True))),
        advance="kick",
        reset=4,
    )
    assert lane_words(line, LANES) == (
        "A1 rest C2 (glide), moves on with each hit of kick; from its start every 4 bars"
    )
    tap = model.Lane("tap", model.Every(), advance="kick", feel="grid")
    assert lane_words(tap, LANES) == (
        "a hit on each step, moves on with each hit of kick; on the grid"
    )


def test_ordinals() -> None:
    assert [ordinal(n) for n in (1, 2, 3, 4, 11, 12, 13, 21, 22, 113)] == [
        "1st",
        "2nd",
        "3rd",
        "4th",
        "11th",
        "12th",
        "13th",
        "21st",
        "22nd",
        "113th",
    ]


def test_a_section_is_said_in_the_same_words_whatever_the_order_it_was_written_in() -> None:
    """A sheet is compared with the one before: what did not change must not read otherwise."""
    keys = {"hits": 3, "chance": 0.5, "gate": 2, "density": 0.4, "shift": 0.1, "level": 0.7}
    told = set()
    for order in (list(keys), list(keys)[::-1]):
        change = ", ".join(f"{key}: {keys[key]}" for key in order)
        text = (
            "set: x\nlanes:\n  a: {euclid: {hits: 4, steps: 16}, out: main.gate-1}\n"
            f"sections:\n  s: {{play: all, lanes: {{a: {{{change}}}}}}}\n"
        )
        spec = parse_set(text, "set.yaml").spec
        told.add(section_words(spec.sections[0], spec))
    assert len(told) == 1
    assert "hits 3" in told.pop()
