"""Derived lanes on steps: operators against numpy, functions against the tables they promise."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from support.manual import named_tables
from support.said import carry_out
from support.sets import BAR, STEP, grids, hits_of, logic, pattern, renderer, score_of, steps

from bridge.errors import InputError
from bridge.music.comparators import COMPARATORS
from bridge.music.logic_functions import FUNCTIONS as ON_HITS
from bridge.music.model import Lane, Levels, Passes
from bridge.music.render import events_between

FUNCTIONS = {**ON_HITS, **COMPARATORS}

# All eight ways three lanes may be, one per step.
THREE = {"a": "....xxxx", "b": "..xx..xx", "c": ".x.x.x.x"}
TABLE = np.array(list(itertools.product([False, True], repeat=3))).T


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a and b", np.logical_and(TABLE[0], TABLE[1])),
        ("a or b", np.logical_or(TABLE[0], TABLE[1])),
        ("a xor b", np.logical_xor(TABLE[0], TABLE[1])),
        ("not a", np.logical_not(TABLE[0])),
        ("a xor b xor c", np.logical_xor.reduce(TABLE)),
        ("a and b and c", np.logical_and.reduce(TABLE)),
        ("a or b or c", np.logical_or.reduce(TABLE)),
        ("not (a or b)", np.logical_not(np.logical_or(TABLE[0], TABLE[1]))),
        ("at-least(2, a, b, c)", TABLE.sum(axis=0) >= 2),
        ("exactly(1, a, b, c)", TABLE.sum(axis=0) == 1),
        ("exactly(2, a, b, not c)", (TABLE[0] * 1 + TABLE[1] + ~TABLE[2]) == 2),
    ],
)
def test_operators_against_numpy(text: str, expected: np.ndarray) -> None:
    lanes = [steps(name, marks) for name, marks in THREE.items()]
    score = score_of(*lanes, logic("out", text))
    assert pattern(score, 8, "out") == "".join(".x"[int(value)] for value in expected)


@st.composite
def boolean(draw: st.DrawFn, depth: int = 4) -> tuple[str, np.ndarray]:
    """Random operators over a, b, c, and what numpy makes of them."""
    if depth == 0 or draw(st.integers(0, 4)) == 0:
        place = draw(st.integers(0, 2))
        return "abc"[place], TABLE[place]
    if draw(st.integers(0, 3)) == 0:
        text, value = draw(boolean(depth - 1))
        return f"not {text}" if " " not in text else f"not ({text})", ~value
    word = draw(st.sampled_from(["and", "or", "xor"]))
    left, a = draw(boolean(depth - 1))
    right, b = draw(boolean(depth - 1))
    value = {"and": np.logical_and, "or": np.logical_or, "xor": np.logical_xor}[word](a, b)
    return f"({left}) {word} ({right})", value


@settings(deadline=None, max_examples=60, derandomize=True)
@given(boolean())
def test_any_expression_against_numpy(case: tuple[str, np.ndarray]) -> None:
    text, expected = case
    lanes = [steps(name, marks) for name, marks in THREE.items()]
    score = score_of(*lanes, logic("out", text))
    assert pattern(score, 8, "out") == "".join(".x"[int(value)] for value in expected)


# --- the tables of the manual ---


MANUAL = named_tables()


def step_tables() -> list[tuple[str, dict[str, str], str, str]]:
    """(function, inputs, expression, row) of every timing table of steps."""
    cases = []
    for word in FUNCTIONS:
        inputs: dict[str, str] = {}
        for line in MANUAL[word]:
            line_of_values = re.fullmatch(r"(\w+)\s{2,}(0\.\d(?: +0\.\d)+)", line)
            if line_of_values:
                inputs = {line_of_values[1]: line_of_values[2]}
                continue
            found = re.fullmatch(r"(\S.*?)\s{2,}([x.01](?: +[x.01])+)", line)
            if not found:
                continue
            label, cells = found[1], found[2].replace(" ", "")
            if label.startswith("n ="):
                cases.append((word, inputs, f"{word}({label[4:]}, {', '.join(inputs)})", cells))
            elif "(" in label:
                cases.append((word, inputs, label, cells))
            else:
                inputs = {**inputs, label: cells}
    return cases


TABLES = step_tables()


def test_every_function_has_its_table_read() -> None:
    assert {word for word, *_ in TABLES} == set(FUNCTIONS)


@pytest.mark.parametrize("case", TABLES, ids=lambda case: case[2])
def test_functions_do_what_their_tables_say(case: tuple[str, dict[str, str], str, str]) -> None:
    _, inputs, text, row = case
    lanes = [
        Lane(name, Levels(tuple(map(float, marks.split()))))
        if " " in marks
        else steps(name, marks.translate({48: ".", 49: "x"}))
        for name, marks in inputs.items()
    ]
    score = score_of(*lanes, logic("out", text))
    assert pattern(score, len(row), "out") == row.translate({48: ".", 49: "x"})


# --- times off the steps ---


def test_delays_and_gaps_fall_where_their_time_says() -> None:
    score = score_of(
        steps("a", "x......."),
        logic("later", "delay(a, 1/8T)"),
        logic("silent", "gap(a, 3:4)"),
        logic("both", "delay(delay(a, 1/8T), 1/16)"),
    )
    assert grids(score, BAR, "later") == [320, 2240]
    assert grids(score, BAR, "silent") == [1280, 3200]
    assert grids(score, BAR, "both") == [560, 2480]


def test_coincidence_is_exact_on_the_grid_before_swing_and_shift() -> None:
    score = score_of(
        steps("straight", "xxxx", settings={"shift": 0.25}),
        steps("triplet", "xxxx", rate="1/16T"),
        logic("both", "straight and triplet"),
        swing=66,
    )
    assert grids(score, 1920, "both") == [0, 480, 960, 1440]


def test_not_alone_hits_on_the_lanes_own_rate() -> None:
    score = score_of(
        steps("kick", "x..."),
        Lane("eighths", logic("x", "not kick").source, advance=steps("y", "x", "1/8").advance),
    )
    assert grids(score, 1920, "eighths") == [480, 1440]


def test_two_lanes_far_apart_meet_once() -> None:
    score = score_of(
        steps("fives", "x....", rate="1/16"),
        steps("sevens", "x......"),
        logic("both", "fives and sevens"),
    )
    assert grids(score, 71 * STEP, "both") == [0, 35 * STEP, 70 * STEP]


# --- chance ---


def test_chance_lets_its_share_through() -> None:
    """Chi-square against scipy, over the eight steps of the bar."""
    score = score_of(steps("a", "xx"), logic("some", "chance(a, 0.3)"), seed=5)
    bars = 500
    on = [0] * 16
    for grid in grids(score, bars * BAR, "some"):
        on[grid // STEP % 16] += 1
    observed = np.array([on, [bars - count for count in on]])
    expected = np.array([[bars * 0.3] * 16, [bars * 0.7] * 16])
    assert stats.chisquare(observed.ravel(), expected.ravel(), ddof=15).pvalue > 0.001


def test_two_chances_in_one_expression_do_not_depend_on_each_other() -> None:
    score = score_of(steps("a", "x"), logic("both", "chance(a, 0.5) and chance(a, 0.5)"), seed=1)
    count = len(grids(score, 200 * BAR, "both"))
    assert stats.binomtest(count, 200 * 16, 0.25).pvalue > 0.001


# --- taps, mutes, causes ---


def taps(text: str, muted: str, **more: object) -> str:
    score = score_of(steps("a", "x.x."), steps("b", "xx.."), logic("out", text, **more))
    place = score.positions["out"]
    events = events_between(score, 0, 4 * STEP, muted=frozenset(muted.split()))
    on = {e.grid for e in events if e.lane == place}
    return "".join("x" if i * STEP in on else "." for i in range(4))


def test_after_mute_is_the_rule_and_each_term_may_differ() -> None:
    assert taps("a or b", "") == "xxx."
    assert taps("a or b", "a") == "xx.."
    assert taps("a or b", "a b") == "...."
    assert taps("a or b", "a b", reads="before-mute") == "xxx."
    assert taps("before-mute(a) or b", "a b") == "x.x."
    assert taps("before-mute(a or after-mute(b))", "a b") == "x.x."
    assert taps("not a", "a") == "xxxx"


def test_counting_goes_on_while_the_source_is_out() -> None:
    score = score_of(steps("a", "x..."), logic("second", "nth(a, 2)"), logic("flip", "toggle(a)"))
    player = renderer(score)
    mute = {"do": "mute", "lane": "a", "when": "now"}
    carry_out(player.performance, {**mute, "muted": True}, 0)
    silent = player.advance(2000)
    assert [e.lane for e in silent if e.lane == 1] == []
    carry_out(player.performance, {**mute, "muted": False}, 2000)
    events = player.advance(2 * BAR)
    plain = list(events_between(score, 2000, 2 * BAR))
    assert [e for e in events if e.kind == "hit"] == plain


def test_gap_listens_to_what_is_heard() -> None:
    score = score_of(steps("a", "x..."), logic("fill", "gap(a, 3/8)"))
    assert grids(score, BAR, "fill") == []
    events = events_between(score, 0, BAR, muted=frozenset({"a"}))
    assert [e.grid for e in events if e.lane == 1] == [1440]


def test_a_lane_derived_from_a_derived_lane_follows_its_mutes() -> None:
    score = score_of(steps("a", "x.x."), logic("b", "a"), logic("c", "b or a"))
    out = [e.grid for e in events_between(score, 0, 960, muted=frozenset({"a"})) if e.lane == 2]
    assert out == []
    heard = [e.grid for e in events_between(score, 0, 960, muted=frozenset({"b"})) if e.lane == 2]
    assert heard == [0, 480]


def test_causes_are_the_lanes_that_hit_there() -> None:
    score = score_of(steps("a", "x.x."), steps("b", "xx.."), logic("out", "a or b"))
    assert [e.causes for e in hits_of(score, 960, "out")] == [(0, 1), (1,), (0,)]


def test_an_accent_is_handed_on() -> None:
    score = score_of(steps("a", "xX"), logic("out", "a"))
    assert [e.value for e in hits_of(score, 480, "out")] == [0.8, 1.0]


# --- what only derived lanes do ---


def test_density_thins_and_fills_by_the_bar() -> None:
    def count(density: float) -> int:
        score = score_of(steps("a", "x."), logic("out", "a", settings={"density": density}))
        return len(grids(score, BAR, "out"))

    counts = [count(density) for density in (0, 0.1, 0.25, 0.5, 0.75, 1)]
    assert counts == sorted(counts)
    assert (counts[0], counts[3], counts[5]) == (0, 8, 16)


def test_passes_of_a_derived_lane_are_bars() -> None:
    score = score_of(steps("a", "x..............."), logic("out", "a", passes=Passes((2,), 3)))
    assert grids(score, 6 * BAR, "out") == [BAR, 4 * BAR]


def test_reset_by_bars_sets_the_memory_back() -> None:
    score = score_of(steps("a", "x...."), logic("out", "nth(a, 3)", reset=1))
    assert grids(score, 2 * BAR, "out") == [10 * STEP, 30 * STEP]


# --- mistakes ---


def problems(*lanes: Lane) -> list[str]:
    with pytest.raises(InputError) as caught:
        score_of(*lanes)
    for problem in caught.value.problems:
        assert problem.keys[0] == "lanes"
    return [problem.message for problem in caught.value.problems]


def test_cycles_are_refused_by_name() -> None:
    (message,) = problems(
        logic("one", "two or kick"),
        logic("two", "three"),
        logic("three", "one"),
        steps("kick", "x"),
    )
    assert message == (
        "these lanes wait for each other: one reads two reads three reads one; in three, "
        "earlier(one) reads what it did one step before"
    )


def test_a_lane_that_names_itself() -> None:
    assert problems(logic("one", "not one")) == [
        "'one' names itself in its logic; earlier(one) reads what it did one step before"
    ]


def test_all_mistakes_come_at_once() -> None:
    messages = problems(
        logic("one", "twoo"),
        steps("two", "x", reset="tow"),
        Lane("v", Levels((0.5,))),
        logic("three", "v"),
        Lane("w", Levels((0.5,)), advance="v"),
    )
    assert "did you mean two" in messages[0]
    assert "did you mean two" in messages[1]
    assert "lane of values" in messages[2]
    assert "a lane of hits is needed" in messages[3]
