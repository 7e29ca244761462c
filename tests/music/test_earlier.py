"""`earlier`: what lanes were some steps before, and patterns that grow from themselves.

The oracle walks from tick to tick with sets of ticks, from what the manual says; it shares no code
with the program. Three circles have a mathematics of their own: sums modulo 2, shift registers of
greatest length (S. W. Golomb, Shift Register Sequences, 1967: x^4 + x^3 + 1 has period 15, with
eight ones), and neighbours added modulo 2, which gives Pascal's triangle (binomials modulo 2; the
theorem of Lucas, 1878).
"""

from __future__ import annotations

import pickle
import random
from fractions import Fraction
from itertools import accumulate
from math import comb
from typing import Any

import pytest
from support.manual import named_tables
from support.said import carry_out
from support.sets import BAR, STEP, grids, in_windows, logic, pattern, renderer, score_of, steps

from bridge.errors import InputError
from bridge.files.set import parse_set
from bridge.music.event import Event
from bridge.music.model import Lane, Logic, Section
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score
from bridge.paper.words import logic_words
from bridge.player.work import is_light

JOINS = ("and", "or", "xor", "and not")


class Equation:
    """A lane of the oracle: `source JOIN earlier(past, back)`, on steps of `rate` ticks."""

    def __init__(self, name: str, source: str, join: str, past: str, back: int, rate: Fraction):
        self.name, self.source, self.join = name, source, join
        self.past, self.back, self.rate = past, back, rate

    @property
    def text(self) -> str:
        look = f"earlier({self.past}, {self.back})"
        if self.join == "and not":
            return f"{look} and not {self.source}"
        return f"{self.source} {self.join} {look}"

    def said(self, source: bool, past: bool) -> bool:
        if self.join == "and not":
            return past and not source
        return {"and": source and past, "or": source or past, "xor": source != past}[self.join]


def walked(
    equations: list[Equation], given: dict[str, set[int]], muted: set[str], span: int
) -> tuple[dict[str, set[int]], dict[str, set[int]]]:
    """All hits as written, and those that are heard with these lanes muted."""
    grid = {
        one.name: [int(n * one.rate + Fraction(1, 2)) for n in range(int(span / one.rate) + 1)]
        for one in equations
    }
    written = {**given, **{one.name: set[int]() for one in equations}}
    heard = {name: hits - (hits if name in muted else set()) for name, hits in written.items()}
    for tick in sorted({t for some in (*grid.values(), *given.values()) for t in some if t < span}):
        for one in equations:
            before = False
            if tick in grid[one.name]:
                index = grid[one.name].index(tick) - one.back
                if index >= 0:
                    start, end = grid[one.name][index], grid[one.name][index + 1]
                    before = any(start <= t < end for t in written[one.past])
            past_heard = before and (one.past == one.name or one.past not in muted)
            if one.said(tick in written[one.source], before):
                written[one.name].add(tick)
            if one.said(tick in heard[one.source], past_heard):
                heard[one.name].add(tick)
    return written, heard


def test_any_circle_of_lanes_at_any_rates_with_any_mutes_is_as_the_manual_says() -> None:
    dice = random.Random(13)
    full = 0
    for _ in range(60):
        lengths = [Fraction(240), Fraction(240), Fraction(160), Fraction(480), Fraction(1280, 3)]
        rates = [dice.choice(lengths) for _ in range(3)]
        names = ["a", "b", "c"]
        equations = [
            Equation(
                name, dice.choice("xy"), dice.choice(JOINS), dice.choice(names),
                dice.randint(1, 5), rate,
            )
            for name, rate in zip(names, rates, strict=True)
        ]  # fmt: skip
        marks = ["".join(dice.choice("x...") for _ in range(dice.randint(3, 9))) for _ in "xy"]
        muted = {name for name in ("x", "y", *names) if dice.random() < 0.3}
        given = {
            name: {n * length for n in range(2 * BAR // length) if mark[n % len(mark)] == "x"}
            for name, mark, length in zip("xy", marks, (240, 320), strict=True)
        }
        lanes = [
            steps("x", marks[0], muted="x" in muted),
            steps("y", marks[1], rate="1/8T", muted="y" in muted),
            *(
                Lane(e.name, Logic(e.text, "steps"), advance=e.rate, muted=e.name in muted)
                for e in equations
            ),
        ]
        score = score_of(*lanes)
        _, heard = walked(equations, given, muted, 2 * BAR)
        for one in equations:
            if one.name not in muted:
                assert grids(score, 2 * BAR, one.name) == sorted(heard[one.name])
                full += bool(heard[one.name])
    assert full > 40


def test_the_table_of_the_manual() -> None:
    rows = [line.split("  ", 1) for line in named_tables()["earlier"]]
    given, *shown = [(label, cells.split()) for label, cells in rows]
    for text, cells in shown:
        assert text.startswith(("earlier", "x xor"))
        score = score_of(steps("x", "".join(given[1])), logic("out", text))
        assert pattern(score, 8, "out") == "".join(cells)


def test_a_sum_of_hits_is_on_after_an_odd_number() -> None:
    marks = "x..xx.x...xx.x.."
    score = score_of(steps("x", marks), logic("sum", "x xor earlier(sum)"))
    sums = accumulate(mark == "x" for mark in marks)
    assert pattern(score, 16, "sum") == "".join(".x"[count % 2] for count in sums)


def test_a_shift_register_goes_through_its_greatest_length() -> None:
    """It begins with one hit, and comes round after 15 steps; each window of four but silence is
    met once."""
    score = score_of(
        steps("seed", "x" + "." * 63), logic("row", "seed or (earlier(row, 3) xor earlier(row, 4))")
    )
    found = pattern(score, 60, "row")
    assert found[:15] * 4 == found
    assert found[:15].count("x") == 8
    assert len({(found + found)[n : n + 4] for n in range(15)}) == 15


def test_neighbours_that_add_up_draw_the_triangle_of_pascal() -> None:
    """Each lane is its two neighbours one step earlier, one of them or none: after n steps lane k
    is the binomial of n over k, even or odd."""
    names = [f"l{n}" for n in range(9)]
    lanes = [
        logic(
            name,
            ("seed or " if name == "l0" else "")
            + (f"(earlier({name}) xor earlier({names[n - 1]}))" if n else f"earlier({name})"),
        )
        for n, name in enumerate(names)
    ]
    score = score_of(steps("seed", "x" + "." * 31), *lanes)
    for k, name in enumerate(names):
        assert pattern(score, 16, name) == "".join(".x"[comb(n, k) % 2] for n in range(16))


LANES = (
    steps("kick", "x..x..x.", settings={"swing": 58.0}),
    steps("rim", "x.x", rate="1/8T"),
    logic("grow", "(kick xor earlier(back, 2)) and not earlier(grow)"),
    logic("back", "rim or earlier(grow)", reset=1),
    logic("bell", "edge(grow) or delay(earlier(bell, 3), 1/16T)", settings={"shift": -0.2}),
    logic("tied", "grow and earlier(back)", tie=True),
    logic("gated", "grow xor rim", "gates"),
)


def hits(events: list[Event]) -> list[Event]:
    return [event for event in events if event.kind == "hit"]


@pytest.mark.parametrize("size", [1, 37, 240, 1700])
def test_windows_of_any_size_give_the_same_hits(size: int) -> None:
    score = score_of(*LANES)
    end = 2 * BAR if size > 1 else 1500
    whole = renderer(score).advance(end)
    assert {event.lane for event in whole} == set(range(7))
    assert in_windows(renderer(score), [*range(size, end, size), end]) == whole


@pytest.mark.parametrize("tick", [0, 100, 240, 1111, BAR])
def test_a_set_swapped_at_any_tick_goes_on_as_it_was(tick: int) -> None:
    whole = renderer(score_of(*LANES)).advance(2 * BAR)
    old = renderer(score_of(*LANES))
    before = old.advance(tick)
    new = Renderer(score_of(*LANES), Performance(score_of(*LANES)))
    new.adopt(old)
    assert before + new.advance(2 * BAR) == whole


def grown(name: str) -> Score:
    return score_of(steps("x", "x" + "." * 63), logic(name, f"x or earlier({name}, 5)"))


def test_a_lane_that_is_called_otherwise_goes_on_growing() -> None:
    old = renderer(grown("one"))
    old.advance(12 * STEP)
    score = grown("other")
    new = Renderer(score, Performance(score))
    new.adopt(old, {"one": "other"})
    assert [event.grid for event in new.advance(30 * STEP)] == [15 * STEP, 20 * STEP, 25 * STEP]


def test_edited_logic_keeps_what_has_grown() -> None:
    old = renderer(grown("one"))
    old.advance(12 * STEP)
    score = score_of(steps("x", "x" + "." * 63), logic("one", "x or earlier(one, 5) and not x"))
    new = Renderer(score, Performance(score))
    new.adopt(old)
    assert [event.grid for event in new.advance(21 * STEP)] == [15 * STEP, 20 * STEP]


def test_after_a_jump_it_is_as_if_it_had_been_played() -> None:
    score = score_of(*LANES)
    whole = renderer(score).advance(12 * BAR)
    ahead = renderer(score)
    ahead.seek(11 * BAR + 100)
    rest = [event for event in whole if event.tick >= 11 * BAR + 100]
    assert ahead.advance(12 * BAR) == rest
    ahead.seek(9 * BAR)
    assert ahead.advance(12 * BAR) == [event for event in whole if event.tick >= 9 * BAR]
    again = renderer(score)
    again.recall(pickle.loads(pickle.dumps(ahead.memory)), 11 * BAR + 100)
    again.seek(11 * BAR + 100)
    assert again.advance(12 * BAR) == rest


def test_a_jump_that_is_not_played_begins_with_nothing() -> None:
    player = renderer(grown("one"))
    player.fall_in(7 * STEP)
    assert player.advance(63 * STEP) == []


def test_a_reset_forgets() -> None:
    score = score_of(
        steps("x", "x" + "." * 31), logic("bar", "x or earlier(bar, 5)", reset=1),
        steps("stop", "." * 12 + "x" + "." * 19), logic("cut", "x or earlier(cut, 5)", reset="stop"),
    )  # fmt: skip
    assert pattern(score, 32, "bar") == "x....x....x....x" + "." * 16
    assert pattern(score, 32, "cut") == "x....x....x....." + "." * 16


def test_mutes_change_nothing_of_what_grows() -> None:
    score = score_of(*LANES)
    plain = hits(renderer(score).advance(4 * BAR))
    player = renderer(score)
    found = player.advance(300)
    for muted, until in ((True, 2 * BAR), (False, 4 * BAR)):
        for name in ("kick", "grow"):
            said: dict[str, Any] = {"do": "mute", "lane": name, "muted": muted, "when": "now"}
            carry_out(player.performance, said, player.position)
        found += player.advance(until)
    # Two steps after the mutes are off, everything is as if they had never been.
    late = 2 * BAR + BAR // 2
    assert [e for e in found if e.tick >= late] == [e for e in plain if e.tick >= late]
    assert hits(found) != plain


def test_it_stands_on_the_steps_of_its_lane_without_the_feel_of_what_it_remembers() -> None:
    score = score_of(
        steps("x", "X..", settings={"shift": 0.3, "accent": 1.0}),
        logic("out", "earlier(x)"),
        logic("late", "delay(x, 1/16)"),
    )
    events = renderer(score).advance(2 * STEP)
    assert [(e.lane, e.tick, e.value) for e in events] == [
        (0, 72, 1.0),
        (1, 240, 0.8),
        (2, 312, 1.0),
    ]


def test_a_section_may_make_a_lane_grow() -> None:
    plain, other = logic("out", "x"), logic("out", "x xor earlier(out)")
    section = Section("on", written={"out": other})
    score = score_of(steps("x", "x..."), plain, sections=(section,))
    player = renderer(score)
    before = player.advance(BAR)
    carry_out(player.performance, {"do": "section", "section": "on", "when": "now"}, BAR)
    after = [e.grid - BAR for e in player.advance(2 * BAR) if e.lane == 1]
    assert [e.grid for e in before if e.lane == 1] == [0, 960, 1920, 2880]
    assert after == [n * STEP for n in range(16) if n % 8 < 4]


def wrong(*lanes: Lane) -> str:
    with pytest.raises(InputError) as caught:
        score_of(steps("x", "x"), *lanes)
    return "\n".join(str(problem) for problem in caught.value.problems)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("x or out", "names itself in its logic; earlier(out) reads what it did one step before"),
        ("earlier(x or x)", "',' expected in earlier(lane, count?), not 'or'"),
        ("earlier(0.5)", "a lane's name expected in earlier(lane, count?), not '0.5'"),
        ("earlier(ex)", "column 9: no lane is called 'ex'"),
        ("earlier(x, 0)", "0 is not a whole number from 1 to 64"),
        ("earlier(x, 65)", "65 is not a whole number from 1 to 64"),
    ],
)
def test_mistakes_are_said(text: str, says: str) -> None:
    assert says in wrong(logic("out", text))


def test_a_circle_without_it_says_what_would_do() -> None:
    says = wrong(logic("a", "x or b"), logic("b", "a and x"))
    assert "these lanes wait for each other: a reads b reads a" in says
    assert "in b, earlier(a) reads what it did one step before" in says


def test_gates_and_ties_of_a_circle_are_refused() -> None:
    assert "gates have none" in wrong(logic("out", "x or earlier(x)", "gates"))
    says = wrong(logic("a", "earlier(b)"), logic("b", "a xor x", "gates"))
    assert "b is read by what it reads (with earlier)" in says
    assert "use compare: steps" in says
    assert "in place of tie" in wrong(logic("a", "x or earlier(a)", tie=True))


def test_it_is_said_in_words() -> None:
    lanes = ["kick", "rim"]
    assert logic_words("kick and earlier(rim)", lanes) == "kick hits, and rim hit one step earlier"
    assert logic_words("earlier(rim, 3)", lanes) == "rim hit 3 steps earlier"
    assert logic_words("earlier(rim, 12)", lanes) == "rim hit 12 steps earlier"


def test_steps_that_all_lanes_are_looked_at_count_as_work() -> None:
    many = [steps(f"l{n}", "x", rate="1/1") for n in range(60)]
    grows = Lane("a", Logic("l1 or earlier(a)", "steps"), advance=Fraction(15))
    plain = Lane("a", Logic("l1", "steps"), advance=Fraction(15))
    assert is_light(score_of(*many, plain))
    assert not is_light(score_of(*many, grows))


def test_a_set_file_may_have_a_pattern_that_grows() -> None:
    text = (
        "set: S\nlanes:\n  kick: {euclid: {hits: 3, steps: 8}}\n"
        '  grow: {logic: "kick xor earlier(grow)"}\n'
    )
    spec = parse_set(text, "set.yaml").spec
    assert pattern(score_of(*spec.lanes), 8, "grow") == "xxx...xx"
