"""Steps with something of their own: how they are read and written, and what they play."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.sets import BAR, STEP, hits_of, in_windows, pattern, renderer, score_of

from bridge.errors import InputError
from bridge.files.set import parse_set
from bridge.music import vary
from bridge.music.model import Lane, Steps, StepShape
from bridge.music.pattern import parse_pattern, parse_steps, shape_text, steps_text
from bridge.music.score import Score


def lane(text: str, **more: Any) -> Lane:
    return Lane("a", parse_pattern(text), **more)


@pytest.mark.parametrize(
    ("text", "marks", "shapes"),
    [
        ("x..X", "x..X", {}),
        ("x(60%)..X", "x..X", {0: StepShape(chance=0.6)}),
        ("x. .X( 3x , 50 % )", "x..X", {3: StepShape(chance=0.5, repeats=3)}),
        ("x(level 0.25, gate 2)x", "xx", {0: StepShape(level=0.25, gate=2)}),
        (
            "xx(1 of 4) x(3 1 of 4)",
            "xxx",
            {1: StepShape(on=(1,), of=4), 2: StepShape(on=(1, 3), of=4)},
        ),
        (
            "x(0%)x(100%, 16x, level 1, gate .5)",
            "xx",
            {0: StepShape(chance=0), 1: StepShape(1.0, 16, 1, 0.5)},
        ),
    ],
)
def test_what_stands_behind_a_step(text: str, marks: str, shapes: dict[int, StepShape]) -> None:
    read = parse_pattern(text)
    assert read.marks == parse_steps(marks)
    assert read.shapes == (tuple(shapes.get(i) for i in range(len(marks))) if shapes else ())
    assert parse_pattern(steps_text(read.marks, read.shapes)) == read


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x..(60%)", "column 4: parentheses stand right behind a hit"),
        ("(60%)x", "column 1: parentheses stand right behind a hit"),
        ("x (60%)", "column 3: parentheses stand right behind a hit"),
        ("x(60%)(3x)", "column 7: parentheses stand right behind a hit"),
        ("x(60%", "column 2: this parenthesis is not closed"),
        ("x(60%x", "column 2: this parenthesis is not closed"),
        ("x((60%)", "column 2: this parenthesis is not closed"),
        ("x(60%)..o", "column 9: 'o' is not a step"),
        ("x()", "'' says nothing of a step"),
        ("x(60)", "'60' says nothing of a step"),
        ("x(soft)", "'soft' says nothing of a step"),
        ("x(60%, 70%)", "'70%' says again"),
        ("x(130%)", "130 %: must be from 0 to 100"),
        ("x(0x)", "0 x: must be from 1 to 16"),
        ("x(level 2)", "2 level: must be from 0 to 1"),
        ("x(gate 20)", "20 gate: must be from 0.01 to 16"),
        ("x(5 of 4)", "5 of 4: must be from 1 to 4"),
        ("x(0 1 of 4)", "0 of 4: must be from 1 to 4"),
    ],
)
def test_what_is_wrong_is_said_with_its_column(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        parse_pattern(text)


SHAPES = st.builds(
    StepShape,
    chance=st.none() | st.integers(0, 100).map(lambda n: n / 100),
    repeats=st.none() | st.integers(1, 16),
    level=st.none() | st.integers(0, 100).map(lambda n: n / 100),
    gate=st.none() | st.integers(1, 1600).map(lambda n: n / 100),
).filter(lambda shape: shape != StepShape()) | st.builds(
    lambda of, on: StepShape(on=tuple(sorted({1 + o % of for o in on})), of=of),
    st.integers(1, 8),
    st.lists(st.integers(0, 7), min_size=1, max_size=4),
)
PATTERNS = st.lists(st.tuples(st.integers(0, 2), st.none() | SHAPES), min_size=1, max_size=12).map(
    lambda rows: Steps(
        tuple(mark for mark, _ in rows),
        tuple(s if m else None for m, s in rows) if any(m and s for m, s in rows) else (),
    )
)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(PATTERNS)
def test_what_is_written_reads_back(source: Steps) -> None:
    assert parse_pattern(steps_text(source.marks, source.shapes)) == source


# --- what they play ---------------------------------------------------------------------------


def played(score: Score, bars: int) -> list[tuple[int, float, int]]:
    return [(e.tick, round(e.value, 6), e.length) for e in hits_of(score, bars * BAR, "a")]


def test_level_gate_and_repeats_of_one_step() -> None:
    score = score_of(
        lane("x(level 0.5)...x(3x)...x(gate 3)...X(level 0.5)...", settings={"level": 0.6})
    )
    assert played(score, 1) == [
        (0, 0.3, 120),
        # Three in a step of 240: every 80; half a step of 80 each.
        (960, 0.6, 40),
        (1040, 0.6, 40),
        (1120, 0.6, 40),
        (1920, 0.6, 720),
        # Accented: from half of 0.6 the whole way to 1.
        (2880, 1.0, 120),
    ]


def test_passes_of_single_steps() -> None:
    score = score_of(lane("x(1 of 2)...x(2 3 of 4)...x..."))
    on = pattern(score, 4 * 12, "a")
    passes = [on[at : at + 12] for at in range(0, 48, 12)]
    assert passes == ["x.......x...", "....x...x...", "x...x...x...", "........x..."]


def test_rotation_length_and_direction_take_a_step_with_what_it_has() -> None:
    turned = lane("x..x(level 0.5)", settings={"rotate": 3.0})
    assert [v for _, v, _ in played(score_of(turned), 1)][:3] == [0.4, 0.8, 0.4]
    longer = lane("x(level 0.5).x", settings={"length": 5.0})
    hits = [(t // STEP, v) for t, v, _ in played(score_of(longer), 1)][:5]
    assert hits == [(0, 0.4), (2, 0.8), (3, 0.4), (5, 0.4), (7, 0.8)]
    back = lane("x(level 0.5)..x", direction="backward")
    assert [v for _, v, _ in played(score_of(back), 1)][:4] == [0.8, 0.4, 0.8, 0.4]


def test_a_macro_still_moves_what_a_step_only_scales() -> None:
    soft = score_of(lane("x(level 0.5)x", settings={"level": 0.2}))
    assert [v for _, v, _ in played(soft, 1)][:2] == [0.1, 0.2]
    silent = score_of(lane("x(gate 2)x", settings={"chance": 0.0}))
    assert played(silent, 4) == []


def test_chance_of_a_step_is_as_likely_as_it_says_and_touches_no_other() -> None:
    """Chi-square of 2000 passes against 30 %: 10.83 is passed once in a thousand (any table of the
    distribution, one degree of freedom)."""
    bars = 1000
    text = "x(30%)xxxx(30%)xxx"
    score = score_of(lane(text, settings={"chance": 0.5}), seed=3)
    plain = score_of(lane("x" * 8, settings={"chance": 0.5}), seed=3)
    with_shapes = {t // STEP for t, _, _ in played(score, bars)}
    without = {t // STEP for t, _, _ in played(plain, bars)}
    others = [step for step in range(16 * bars) if step % 8 not in (0, 4)]
    assert [s in with_shapes for s in others] == [s in without for s in others]
    for place in (0, 4):
        count = sum(step % 8 == place for step in with_shapes)
        passes, expected = 2 * bars, 2 * bars * 0.15
        chi = (count - expected) ** 2 / expected
        chi += (count - expected) ** 2 / (passes - expected)
        assert chi < 10.83
    both = sum({8 * p, 8 * p + 4} <= with_shapes for p in range(2 * bars))
    assert both / (2 * bars) == pytest.approx(0.15**2, abs=0.012)  # they are drawn apart


@settings(deadline=None, derandomize=True, max_examples=40)
@given(
    PATTERNS,
    st.lists(st.integers(1, 3 * BAR), max_size=30),
    st.sampled_from(["forward", "shuffle"]),
)
def test_windows_of_any_size_agree(source: Steps, cuts: list[int], direction: Any) -> None:
    more = {"chance": 0.7, "drift": 0.3, "rotate": 2.0, "density": 0.6}
    score = score_of(Lane("a", source, direction=direction, settings=more))
    ends = sorted({*cuts, 3 * BAR})
    assert in_windows(renderer(score), ends) == renderer(score).advance(3 * BAR)


# --- files --------------------------------------------------------------------------------------


def test_in_a_file_in_a_section_and_by_chance() -> None:
    text = """set: t
lanes:
  a: {steps: "x(60%).X(3x, level 0.5) ."}
sections:
  s: {lanes: {a: {steps: "x(1 of 2)..."}}}
"""
    document = parse_set(text)
    one = document.spec.lanes[0]
    assert one.source == parse_pattern("x(60%).X(3x, level 0.5).")
    assert document.spec.sections[0].written["a"].source == parse_pattern("x(1 of 2)...")
    written = document.document.data["lanes"]["a"]
    new = vary.randomised(one, written, document.spec, 1.0, 5, "pattern")["steps"]
    assert parse_pattern(new).marks.count(0) == 2
    with pytest.raises(InputError) as error:
        parse_set(text.replace("60%", "sixty"))
    assert error.value.problems[0].path == "lanes.a.steps"
    assert "'sixty' says nothing of a step" in error.value.problems[0].message


def test_a_shape_says_what_it_is() -> None:
    shape = StepShape(0.125, 2, 0.5, 1.5, (1, 3), 4)
    assert shape_text(shape) == "12.5%, 2x, level 0.5, gate 1.5, 1 3 of 4"
