"""Logic means the same whether its parts are lanes or inline, and what the manual says it means."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.gates_oracle import GatesOracle
from support.logic_oracle import Oracle, Tree, text_of
from support.sets import BAR, hits_of, logic, score_of

from bridge.music.model import Lane, Steps
from bridge.music.score import Score

WORDS = (
    *("and", "or", "xor", "not", "not", "at-least", "exactly", "nth", "toggle", "first", "delay"),
    *("hold", "latch", "edge", "gap", "before-mute", "after-mute"),
)
SPAN = 2 * BAR
NAMES = ("a", "b", "c")
TIMES = ("1/16", "1/8", "1/8T", "3/16", "1/4", "1/16T")
GRIDS = (
    Fraction(240),
    Fraction(240),
    Fraction(240),
    Fraction(160),
    Fraction(480),
    Fraction(1280, 3),
)
LEVELS = {0.0: 0.8, 0.5: 0.9, 1.0: 1.0}
MANY = settings(
    deadline=None, max_examples=150, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)


@st.composite
def trees(draw: st.DrawFn, depth: int = 3) -> Tree:
    """Random expressions over a, b and c with every function but `chance`."""
    if depth == 0 or draw(st.integers(0, 5)) == 0:
        return ("lane", draw(st.sampled_from(NAMES)))
    part = trees(depth - 1)
    time = st.sampled_from(TIMES)
    word = draw(st.sampled_from(WORDS))
    match word:
        case "and" | "or" | "xor":
            return (word, *(draw(part) for _ in range(draw(st.integers(2, 3)))))
        case "at-least" | "exactly":
            parts = [draw(part) for _ in range(draw(st.integers(1, 3)))]
            return (word, draw(st.integers(1, len(parts))), *parts)
        case "first" | "latch":
            return (word, draw(part), draw(part))
        case "nth":
            every = draw(st.integers(1, 4))
            which = draw(st.none() | st.integers(1, every))
            return (word, draw(part), every) if which is None else (word, draw(part), every, which)
        case "edge":
            return (word, draw(part), draw(time)) if draw(st.booleans()) else (word, draw(part))
        case "delay" | "hold" | "gap":
            return (word, draw(part), draw(time))
    return (word, draw(part))


@dataclass
class Rig:
    """Three lanes to derive from, which of them are out, and the steps of what is derived."""

    lanes: tuple[Lane, ...]
    muted: frozenset[str]
    more: dict[str, Any]


@st.composite
def rigs(draw: st.DrawFn, by: str = "steps") -> Rig:
    feel: dict[str, Any] = {}
    if by == "gates":
        feel = {"gate": [0.3, 0.5, 1.0, 1.7], "shift": [-0.2, 0.0, 0.0, 0.3], "repeats": [1, 1, 3]}
    lanes = tuple(
        Lane(
            name,
            Steps(tuple(draw(st.lists(st.integers(0, 2), min_size=1, max_size=9)))),
            advance=draw(st.sampled_from(GRIDS)),
            accents=tuple(draw(st.lists(st.integers(0, 1), max_size=3))),
            settings={name: draw(st.sampled_from(values)) for name, values in feel.items()},
        )
        for name in NAMES
    )
    return Rig(
        lanes,
        draw(st.frozensets(st.sampled_from(NAMES), max_size=2)),
        {
            "advance": draw(st.sampled_from(GRIDS)),
            "tap": draw(st.sampled_from(["after-mute", "before-mute"])),
            "reset": draw(st.none() | st.none() | st.just(1)),
        },
    )


def lifted(
    draw: st.DrawFn,
    tree: Tree,
    by: str,
    more: dict[str, Any],
    helpers: list[Lane],
    top: bool = True,
) -> Tree:
    """`tree` with some of its parts made lanes of their own, added to `helpers`."""
    op, *rest = tree
    if op in ("before-mute", "after-mute"):
        more = {**more, "tap": op}
    inner = tuple(
        lifted(draw, part, by, more, helpers) if isinstance(part, tuple) else part for part in rest
    )
    new = (op, *inner)
    if not draw(st.booleans()):
        return new
    name = f"h{len(helpers)}"
    helpers.append(logic(name, text_of(new), by, **more))
    return ("lane", name)


def played(score: Score, muted: frozenset[str]) -> list[tuple[int, int, float, int]]:
    place = score.positions["out"]
    return [
        (event.grid, event.tick, event.value, event.length)
        for event in score.between(0, SPAN, muted=muted)
        if event.lane == place
    ]


def taken_apart(data: st.DataObject, rig: Rig, tree: Tree, by: str) -> None:
    inline = score_of(*rig.lanes, logic("out", text_of(tree), by, **rig.more))
    helpers: list[Lane] = []
    text = text_of(lifted(data.draw, tree, by, rig.more, helpers))
    apart = score_of(*rig.lanes, *helpers, logic("out", text, by, **rig.more))
    assert played(apart, rig.muted) == played(inline, rig.muted), (text, helpers)


@MANY
@given(st.data(), rigs(), trees())
def test_an_expression_means_the_same_whether_its_parts_are_lanes_or_inline(
    data: st.DataObject, rig: Rig, tree: Tree
) -> None:
    taken_apart(data, rig, tree, "steps")


@MANY
@given(st.data(), rigs("gates"), trees())
def test_by_gates_an_expression_means_the_same_whether_its_parts_are_lanes_or_inline(
    data: st.DataObject, rig: Rig, tree: Tree
) -> None:
    taken_apart(data, rig, tree, "gates")


def accent_of(value: float) -> float:
    return next(accent for accent, level in LEVELS.items() if abs(level - value) < 1e-9)


@MANY
@given(rigs(), trees())
def test_an_expression_means_what_the_manual_says(rig: Rig, tree: Tree) -> None:
    score = score_of(*rig.lanes, logic("out", text_of(tree), **rig.more))
    resets = (BAR,) if rig.more["reset"] else ()
    lanes = {
        name: {e.grid: accent_of(e.value) for e in hits_of(score, SPAN, name)} for name in NAMES
    }
    oracle = Oracle(lanes, rig.muted, rig.more["advance"], SPAN, resets)
    expected = oracle.hits(tree, rig.more["tap"])
    found = {grid: value for grid, _, value, _ in played(score, rig.muted)}
    assert sorted(found) == sorted(expected)
    assert {grid: LEVELS[accent] for grid, accent in expected.items()} == {
        grid: round(value, 9) for grid, value in found.items()
    }


@MANY
@given(rigs("gates"), trees())
def test_by_gates_an_expression_means_what_the_manual_says(rig: Rig, tree: Tree) -> None:
    more = {**rig.more, "reset": None}
    score = score_of(*rig.lanes, logic("out", text_of(tree), "gates", **more))
    # Hits from beyond the span may reach into it when they are shifted early.
    lanes = {
        name: [(e.tick, e.length, accent_of(e.value)) for e in hits_of(score, SPAN + BAR, name)]
        for name in NAMES
    }
    expected = GatesOracle(lanes, rig.muted, SPAN).hits(tree, more["tap"])
    found = [(tick, length, accent_of(v)) for _, tick, v, length in played(score, rig.muted)]
    assert [hit for hit in found if hit[0] + hit[1] < SPAN] == expected
