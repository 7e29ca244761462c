"""Expressions that compare what hits at one tick, against sets of ticks."""

from __future__ import annotations

from random import Random

import pytest
from support.sets import logic, renderer, score_of, steps

from bridge.music.logic import LogicNode
from bridge.music.logic_parse import parse
from bridge.music.node import BOTH, WRITTEN, Hit, Window
from bridge.music.tally import is_pointwise

NAMES = {"a": 0, "b": 1, "c": 2}


@pytest.mark.parametrize(
    ("text", "pointwise"),
    [
        ("a", True),
        ("a xor (b and not c)", True),
        ("at-least(2, a, b, c) or exactly(1, a, b)", True),
        ("nth(a, 3)", False),
        ("a or delay(b, 1/8)", False),
        ("chance(a, 0.5)", False),
        ("a and earlier(b)", False),
    ],
)
def test_what_remembers_or_draws_is_not_pointwise(text: str, pointwise: bool) -> None:
    assert is_pointwise(parse(text, NAMES, "after-mute")) is pointwise


@pytest.mark.parametrize("muted", [False, True])
@pytest.mark.parametrize(
    "text", ["a xor b", "(a or b) and not c", "at-least(2, a, b, c)", "exactly(1, a, c) and b"]
)
def test_a_table_says_what_sets_of_ticks_say(text: str, muted: bool) -> None:
    score = score_of(steps("a", "x"), steps("b", "x"), steps("c", "x"), logic("made", text))
    node = renderer(score)._ensemble.nodes[3]
    assert isinstance(node, LogicNode)
    assert node.table is not None
    dice = Random(text)
    ticks = {name: {t for t in range(0, 9600, 60) if dice.random() < 0.4} for name in NAMES}
    window = Window(
        0,
        9600,
        lambda lane, name, tick: 0.0,
        lambda lane, tick: muted and lane == 0,  # the mute of `a` alone
        lambda lane, tick: 0.0,
        lambda ms: ms,
        hits={
            lane: [Hit(t, t, 0.5, 10) for t in sorted(ticks[name])] for name, lane in NAMES.items()
        },
    )

    def true_at(tick: int, heard: bool) -> bool:
        on = {name: tick in found for name, found in ticks.items()}
        a, b, c = on["a"] and not (heard and muted), on["b"], on["c"]
        return {
            "a xor b": a != b,
            "(a or b) and not c": (a or b) and not c,
            "at-least(2, a, b, c)": a + b + c >= 2,
            "exactly(1, a, c) and b": a + c == 1 and b,
        }[text]

    found = dict(node.table.hits(window))
    assert list(found) == sorted(found)
    for tick in range(0, 9600, 60):
        bits = found.get(tick, 0)
        assert bool(bits & WRITTEN) == true_at(tick, heard=False)
        assert bool(bits & BOTH & ~WRITTEN) == true_at(tick, heard=True)
