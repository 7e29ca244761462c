"""Logic means the same whether its parts are lanes or inline, and what the manual says it means."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import accumulate
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.gates_oracle import GatesOracle
from support.logic_oracle import Oracle, Tree, text_of
from support.manual import table_under
from support.said import carry_out
from support.sets import (
    BAR,
    STEP,
    grids,
    hits_of,
    in_windows,
    logic,
    pattern,
    renderer,
    score_of,
    steps,
)

from bridge.music.model import Lane, Passes, Steps
from bridge.music.render import events_between
from bridge.music.score import Score

WORDS = (
    *("and", "or", "xor", "not", "not", "at-least", "exactly", "nth", "toggle", "first", "delay"),
    *("extend", "between", "edge", "gap", "before-mute", "after-mute"),
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
    deadline=None, max_examples=100, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
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
        case "first" | "between":
            return (word, draw(part), draw(part))
        case "nth":
            every = draw(st.integers(1, 4))
            which = draw(st.none() | st.integers(1, every))
            return (word, draw(part), every) if which is None else (word, draw(part), every, which)
        case "edge":
            return (word, draw(part), draw(time)) if draw(st.booleans()) else (word, draw(part))
        case "delay" | "extend" | "gap":
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
            "reads": draw(st.sampled_from(["after-mute", "before-mute"])),
            "reset": draw(st.none() | st.none() | st.just(1)),
        },
    )


def lifted(
    draw: Callable[[st.SearchStrategy[bool]], bool],
    tree: Tree,
    by: str,
    more: dict[str, Any],
    helpers: list[Lane],
    top: bool = True,
) -> Tree:
    """`tree` with some of its parts made lanes of their own, added to `helpers`."""
    op, *rest = tree
    if op in ("before-mute", "after-mute"):
        more = {**more, "reads": op}
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
        for event in events_between(score, 0, SPAN, muted=muted)
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
    expected = oracle.hits(tree, rig.more["reads"])
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
    expected = GatesOracle(lanes, rig.muted, SPAN).hits(tree, more["reads"])
    found = [(tick, length, accent_of(v)) for _, tick, v, length in played(score, rig.muted)]
    assert [hit for hit in found if hit[0] + hit[1] < SPAN] == expected


# --- single cases ---

STATES = (
    "not a",
    "toggle(not a)",
    "extend(not a, 1/8)",
    "between(not a, b)",
    "nth(not a, 2)",
    "first(not a, b)",
    "delay(not a, 1/16)",
    "edge(not a)",
    "gap(not a, 1/16)",
    "not toggle(a)",
    "a or not b",
)
FOUR = (steps("a", "x..x.x..x"), steps("b", "..x...x."), steps("rim", "xxx.xxxxx.x"))


@pytest.mark.parametrize("by", ["steps", "gates"])
@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize(
    "form", ["rim and {}", "rim xor {}", "nth({}, 2)", "delay({}, 1/8T)", "between(rim, {})"]
)
def test_what_is_made_of_a_state_is_the_same_when_the_state_is_a_lane(
    form: str, state: str, by: str
) -> None:
    inline = score_of(*FOUR, logic("out", form.format(f"({state})"), by))
    apart = score_of(*FOUR, logic("t", state, by), logic("out", form.format("t"), by))
    assert played(apart, frozenset()) == played(inline, frozenset())
    if by == "steps" or "gap" not in state:  # by gates `not a` is never low for long enough
        assert played(inline, frozenset())


def test_a_delayed_state_follows_every_step_on_which_it_is_true() -> None:
    score = score_of(steps("kick", "x..."), logic("late", "delay(not kick, 1/16)"))
    assert pattern(score, 12, "late") == "..xxx.xxx.xx"


def test_hits_off_the_grid_pass_a_state_that_is_a_lane() -> None:
    score = score_of(
        steps("kick", "x......."),
        steps("rim", "x", rate="1/16T"),
        logic("t", "toggle(kick)"),
        logic("out", "rim and t"),
    )
    assert grids(score, 2 * BAR, "out") == [
        *range(0, BAR // 2, 160),
        *range(BAR, 3 * BAR // 2, 160),
    ]


def test_a_state_that_leaves_hits_out_is_read_by_those_that_are_left() -> None:
    kept = Lane("t", logic("t", "not a").source, advance=Fraction(480))
    thinned = replace(kept, passes=Passes((2,), 2))
    rim = steps("rim", "x", rate="1/16T")
    out = logic("out", "rim and t")
    a = steps("a", "x...")
    everywhere = grids(score_of(a, rim, kept, out), 2 * BAR, "out")
    assert everywhere == [t for t in range(0, 2 * BAR, 160) if t % 960]
    left = grids(score_of(a, rim, thinned, out), 2 * BAR, "out")
    assert left == [t for t in range(BAR, 2 * BAR, 480) if t % 960]


def test_a_muted_state_is_false_for_those_that_listen_after_its_mute() -> None:
    score = score_of(
        steps("a", "x..."),
        steps("rim", "x", rate="1/16T"),
        logic("t", "not a"),
        logic("not-t", "not t"),
        logic("out", "rim and not-t"),
    )
    place = score.positions["out"]

    def heard(muted: frozenset[str]) -> list[int]:
        return [e.grid for e in events_between(score, 0, BAR, muted=muted) if e.lane == place]

    assert heard(frozenset()) == list(range(0, BAR, 960))
    assert heard(frozenset({"t"})) == list(range(0, BAR, 160))
    player = renderer(score)
    player.advance(BAR // 2 + 20)
    carry_out(
        player.performance, {"do": "mute", "lane": "t", "muted": True, "when": "now"}, BAR // 2 + 20
    )
    after = [e.grid for e in player.advance(BAR) if e.lane == place]
    assert after == list(range(BAR // 2 + 160, BAR, 160))


@pytest.mark.parametrize("by", ["steps", "gates"])
def test_chance_draws_the_same_when_what_it_takes_is_a_lane(by: str) -> None:
    some = "chance(not a and not b, 0.5)"
    apart = some.replace("not a and not b", "n")
    inline = score_of(*FOUR, logic("out", some, by), seed=3)
    lifted = score_of(*FOUR, logic("n", "not a and not b", by), logic("out", apart, by), seed=3)
    found = played(inline, frozenset())
    assert found == played(lifted, frozenset())
    assert len(found) > 3


@pytest.mark.parametrize("by", ["steps", "gates"])
@settings(deadline=None, max_examples=20, derandomize=True)
@given(sizes=st.lists(st.integers(1, 700), min_size=1, max_size=25), data=st.data())
def test_windows_jumps_and_edits_leave_the_hits_of_lanes_in_lanes_as_they_are(
    by: str, sizes: list[int], data: st.DataObject
) -> None:
    rig, tree = data.draw(rigs(by)), data.draw(trees())
    helpers: list[Lane] = []
    text = text_of(lifted(data.draw, tree, by, rig.more, helpers))
    score = score_of(*rig.lanes, *helpers, logic("out", text, by, **rig.more))
    ends = [*(end for end in accumulate(sizes) if end < SPAN), SPAN]
    whole = renderer(score).advance(SPAN)
    player = renderer(score)
    assert in_windows(player, ends) == whole
    # The same after a jump, back or ahead, and in a set that takes over while it plays.
    for started in (player, renderer(score)):
        started.seek(ends[0])
        again = renderer(score)
        again.adopt(started)
        for one in (started, again):
            assert one.advance(SPAN) == [event for event in whole if event.tick >= ends[0]]


def test_by_gates_a_state_longer_than_the_longest_gate_is_still_true_for_those_that_read_it() -> (
    None
):
    lanes = (steps("a", "x" + "." * 63, rate="1/4"), steps("rim", "x...", rate="1/4"))
    score = score_of(*lanes, logic("t", "toggle(a)", "gates"), logic("out", "rim and t", "gates"))
    inline = score_of(*lanes, logic("out", "rim and toggle(a)", "gates"))
    expected = [e.tick for e in hits_of(inline, 12 * BAR, "out")]
    assert expected == list(range(0, 12 * BAR, BAR))
    assert [e.tick for e in hits_of(score, 12 * BAR, "out")] == expected


def test_edge_by_gates_passes_every_rising_edge_unless_a_time_is_told() -> None:
    short = steps("x", "xx.xxx.x", settings={"gate": 0.5})
    score = score_of(
        short, logic("out", "edge(x)", "gates"), logic("slow", "edge(x, 1/8)", "gates")
    )
    assert pattern(score, 16, "out") == "xx.xxx.x" * 2
    assert pattern(score, 16, "slow") == "x" + "." * 15


# --- accents ---


@pytest.mark.parametrize("by", ["steps", "gates"])
def test_a_delay_keeps_the_accents_of_its_hits(by: str) -> None:
    a = steps("a", "xX.x.", accents=(0, 0, 0, 1))
    score = score_of(
        a,
        steps("b", "X.X.."),
        logic("late", "delay(a, 1/8)", by),
        logic("echo", "b or delay(delay(a, 1/16), 1/16)", by),
    )
    given_ = [(e.grid, e.value) for e in hits_of(score, 2 * BAR, "a")]
    late = [(e.grid - 480, e.value) for e in hits_of(score, 2 * BAR, "late")]
    assert late == [hit for hit in given_ if hit[0] + 480 < 2 * BAR]
    assert {value for _, value in late} == {0.8, 0.9, 1.0}
    echo = {e.grid: e.value for e in hits_of(score, 5 * STEP, "echo")}
    assert echo == {0: 1.0, 2 * STEP: 1.0, 3 * STEP: 1.0}


def table_of_accents() -> dict[str, list[str]]:
    lines = [line.split() for line in table_under("Accents")]
    return {
        words[0]: words[1:] for words in lines if words and words[0] in ("hits", "accents", "level")
    }


@pytest.mark.parametrize("kind", ["steps", "moved", "logic", "gates"])
def test_accents_count_by_one_rule_on_every_lane_of_hits(kind: str) -> None:
    """The rows of levels, hits and accents of the manual's table, wherever the accents stand."""
    table = table_of_accents()
    hits, accents = "".join(table["hits"]), "".join(table["accents"])
    marks = tuple(".xX".index(sign) for sign in accents)
    more: dict[str, Any] = {"accents": marks, "settings": {"level": 0.6}}
    under = steps("under", hits)
    lane = {
        "steps": steps("out", hits, **more),
        "moved": Lane("out", steps("x", hits).source, advance="all", **more),
        "logic": logic("out", "under", **more),
        "gates": logic("out", "under", "gates", **more),
    }[kind]
    score = score_of(steps("all", "x"), under, lane)
    levels = {e.grid: e.value for e in hits_of(score, len(hits) * STEP, "out")}
    said = {place * STEP: float(cell) for place, cell in enumerate(table["level"]) if cell != "."}
    assert levels == pytest.approx(said)


def test_half_an_accent_stays_half_through_derived_lanes() -> None:
    score = score_of(
        steps("a", "x", accents=(0, 1, 2, 0)),
        logic("one", "a"),
        logic("two", "one and not delay(one, 1/4)"),
        logic("three", "nth(delay(a, 1/16), 1)", "gates"),
    )
    for name, late in (("one", 0), ("two", 0), ("three", STEP)):
        levels = [e.value for e in hits_of(score, 4 * STEP + late, name)]
        assert levels == pytest.approx([0.8, 0.9, 1.0, 0.8]), name


def test_accents_of_a_derived_lane_begin_anew_at_its_reset() -> None:
    score = score_of(
        steps("a", "x"), logic("out", "a", accents=(2, 0, 0), reset=1), steps("b", "x", reset=1)
    )
    levels = [e.value for e in hits_of(score, 2 * BAR, "out")]
    assert levels[:16] == levels[16:]
    assert levels[:4] == [1.0, 0.8, 0.8, 1.0]


def test_density_of_what_is_written_does_not_depend_on_mutes() -> None:
    a, out = steps("a", "x.x..x"), logic("out", "a xor not a", settings={"density": 0.8})
    for text in ("not a", "a", "toggle(a)"):
        score = score_of(
            a,
            replace(out, source=logic("x", text).source),
            Lane("moved", Steps((1, 0, 0)), advance="out"),
        )
        place = score.positions["moved"]
        counted = [
            [e.grid for e in events_between(score, 0, 4 * BAR, muted=muted) if e.lane == place]
            for muted in (frozenset(), frozenset({"a"}))
        ]
        assert counted[0] == counted[1]
