"""Lanes said in words."""

from __future__ import annotations

import itertools
from fractions import Fraction

import pytest

from bridge.music import model
from bridge.paper.words import lane_words, logic_words, ordinal, rate_words

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
        ("nth(rim, 3)", "each 3rd time that rim hits"),
        ("delay(kick, 1/8)", "1/8 note after kick hits"),
        ("gap(kick, 1/4)", "1/4 note have passed without that kick hits"),
        ("before-mute(kick) or rim", "kick hits (even when it is out), or rim hits"),
    ],
)
def test_logic_reads_as_a_clause(expression: str, words: str) -> None:
    assert logic_words(expression, LANES) == words


def test_every_function_has_words() -> None:
    """A function without words of its own would fall through to its bare name."""
    calls = [
        "at-least(1, kick, rim)",
        "exactly(1, kick, rim)",
        "nth(kick, 2)",
        "toggle(kick)",
        "first(kick, rim)",
        "delay(kick, 1/8)",
        "hold(kick, 1/8)",
        "latch(kick, rim)",
        "chance(kick, 0.5)",
        "edge(kick)",
        "gap(kick, 1/2)",
    ]
    said = [logic_words(call, LANES) for call in calls]
    for a, b in itertools.combinations(said, 2):
        assert a != b
    assert not [words for words in said if "(" in words]


def test_rates() -> None:
    assert rate_words(Fraction(240)) == "1/16"
    assert rate_words(Fraction(320)) == "1/12"


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
