"""Logic on gates: against a sampler that looks at every single tick, and against timing tables."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.manual import named_tables
from support.sets import BAR, STEP, hits_of, in_windows, logic, renderer, score_of, steps

from bridge.music.event import Event
from bridge.music.gate_functions import GATE_FUNCTIONS
from bridge.music.model import FeelOf, Lane, OutputRange, Steps
from bridge.music.render import events_between

SPAN = BAR


def signal(events: list[Event], span: int = SPAN) -> np.ndarray:
    """A gate, sampled at every tick."""
    high = np.zeros(span, dtype=bool)
    for event in events:
        high[event.tick : event.tick + event.length] = True
    return high


def edges(high: np.ndarray, before: bool) -> list[tuple[int, int]]:
    """(rising edge, length) of every high stretch that ends within the span."""
    padded = np.concatenate(([before], high)).astype(int)
    rises = np.flatnonzero(np.diff(padded) == 1)
    falls = np.flatnonzero(np.diff(padded) == -1)
    return [(int(r), int(falls[falls > r][0] - r)) for r in rises if (falls > r).any()]


@st.composite
def sources(draw: st.DrawFn) -> list[Lane]:
    lanes = []
    for name in "abc":
        marks = tuple(draw(st.lists(st.integers(0, 2), min_size=3, max_size=7)))
        lanes.append(
            Lane(
                name,
                Steps(marks),
                settings={
                    "gate": draw(st.sampled_from([0.1, 0.5, 0.99, 1.0, 1.5, 3.3])),
                    "shift": draw(st.sampled_from([-0.4, -0.1, 0, 0, 0.3])),
                    "repeats": draw(st.sampled_from([1, 1, 1, 3])),
                    "humanise_ms": draw(st.sampled_from([0, 0, 12])),
                    "swing": draw(st.sampled_from([20, 50, 58.3, 80])),
                    "chance": draw(st.sampled_from([0.7, 1])),
                },
            )
        )
    return lanes


EXPRESSIONS = {
    "a and b": lambda a, b, c: a & b,
    "a or b": lambda a, b, c: a | b,
    "a xor b": lambda a, b, c: a ^ b,
    "not a": lambda a, b, c: ~a,
    "(a xor b) and not c": lambda a, b, c: (a ^ b) & ~c,
    "at-least(2, a, b, c)": lambda a, b, c: (a * 1 + b + c) >= 2,
    "exactly(1, a, b, c)": lambda a, b, c: (a * 1 + b + c) == 1,
    "not (a or b or c)": lambda a, b, c: ~(a | b | c),
}


@settings(
    deadline=None, max_examples=25, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
@given(sources(), st.sampled_from(sorted(EXPRESSIONS)))
def test_operators_against_a_sampler_of_every_tick(lanes: list[Lane], text: str) -> None:
    score = score_of(*lanes, logic("out", text, "gates"))
    # Hits from beyond the span may reach into it when they are shifted early.
    gates = [signal(hits_of(score, SPAN + STEP, name), SPAN + 9 * STEP)[:SPAN] for name in "abc"]
    silent = [np.zeros(1, dtype=bool)] * 3
    expected = edges(EXPRESSIONS[text](*gates), bool(EXPRESSIONS[text](*silent)[0]))
    found = [(e.tick, e.length) for e in hits_of(score, SPAN, "out")]
    assert [pair for pair in found if sum(pair) < SPAN] == expected


@pytest.mark.parametrize("feel", ["cause", "grid"])
def test_gates_follow_a_cause_that_sounds_early_whatever_feel_they_have(feel: FeelOf) -> None:
    """However little is rendered at a time: a lane of gates has the feel of the signals it reads."""
    score = score_of(
        steps("a", ".xx", settings={"shift": -0.4}),
        steps("b", "x..", rate="1/8"),
        logic("out", "a xor b", "gates", feel=feel),
    )
    whole = renderer(score).advance(SPAN)
    for window in (1, 7, 31, 500):
        assert in_windows(renderer(score), [*range(window, SPAN, window), SPAN]) == whole
    a, b = (signal(hits_of(score, SPAN + STEP, name), 2 * SPAN)[:SPAN] for name in "ab")
    found = [(e.tick, e.length) for e in hits_of(score, SPAN, "out")]
    assert [pair for pair in found if sum(pair) < SPAN] == edges(a ^ b, False)


# --- the tables of the manual ---


def tables() -> list[tuple[str, dict[str, str], str, str]]:
    cases = []
    manual = named_tables()
    for word in GATE_FUNCTIONS:
        inputs: dict[str, str] = {}
        for line in manual.get(f"{word}-by-gates", ()):
            found = re.fullmatch(r"\s*(\S.*?)\s{2,}([▔▁]+)", line)
            if not found:
                continue
            if "(" in found[1]:
                cases.append((word, inputs, found[1].replace("t)", "3/16)"), found[2]))
            else:
                inputs = {**inputs, found[1]: found[2]}
    return cases


def gate_lane(name: str, drawn: str) -> list[Lane]:
    """A lane for each length of gate in the drawing, joined by `or` is not needed: one lane whose
    steps are hits of full length, which touch and so make one gate."""
    marks = tuple(int(sign == "▔") for sign in drawn)
    return [Lane(name, Steps(marks), settings={"gate": 1.0})]


TABLES = tables()


def test_all_functions_with_an_edge_have_their_table_read() -> None:
    as_on_steps = {"at-least", "exactly", "between"}
    assert {word for word, *_ in TABLES} == set(GATE_FUNCTIONS) - as_on_steps


@pytest.mark.parametrize("case", TABLES, ids=lambda case: case[2])
def test_functions_do_what_their_tables_say(case: tuple[str, dict[str, str], str, str]) -> None:
    _word, inputs, text, row = case
    lanes = [lane for name, drawn in inputs.items() for lane in gate_lane(name, drawn)]
    score = score_of(*lanes, logic("out", text, "gates"))
    span = len(row) * STEP
    high = signal(hits_of(score, span, "out"), span * 20)[:span]
    assert "".join("▁▔"[int(high[i * STEP])] for i in range(len(row))) == row
    assert all(len(set(high[i * STEP : (i + 1) * STEP])) == 1 for i in range(len(row)))


# --- what hardware does ---


def test_a_fall_and_a_rise_at_the_same_tick_make_no_spike() -> None:
    score = score_of(
        steps("a", "x.", settings={"gate": 1.0}),
        steps("b", ".x", settings={"gate": 1.0}),
        logic("both", "a and b", "gates"),
        logic("either", "a or b", "gates"),
        logic("one", "a xor b", "gates"),
    )
    assert hits_of(score, BAR, "both") == []
    assert [e.tick for e in hits_of(score, BAR, "either")] == [0]
    assert [e.tick for e in hits_of(score, BAR, "one")] == [0]


def test_swing_and_shift_count() -> None:
    score = score_of(
        steps("a", ".x", settings={"swing": 60}),
        steps("b", ".x", settings={"shift": 0.1}),
        logic("out", "a and b", "gates"),
    )
    # a: 240 + 48 for 120, b: 240 + 24 for 120
    assert [(e.tick, e.length) for e in hits_of(score, 480, "out")] == [(288, 96)]


@pytest.mark.parametrize("shift_ms", [-30, 0, 34, 62.5, 100])
def test_a_derived_gate_that_is_shifted_is_as_long_as_before(shift_ms: float) -> None:
    """Also where it ends far beyond the window that it begins in."""
    score = score_of(
        steps("a", "...x" + "." * 60, settings={"gate": 2}),
        logic("out", "a", "gates", settings={"shift_ms": shift_ms}),
        logic("long", "extend(a, 8/4)", "gates", settings={"shift_ms": shift_ms}),
    )
    (out,) = hits_of(score, BAR, "out")
    (long,) = hits_of(score, BAR, "long")
    late = round(shift_ms * 960 * 120 / 60_000)
    assert (out.tick, out.length) == (720 + late, 480)
    assert (long.tick, long.length) == (720 + late, 8 * 960)


def test_a_trigger_output_makes_its_own_width() -> None:
    outputs = {"t": OutputRange("t", "trigger", pulse_ms=10)}
    score = score_of(
        steps("a", "x...", out="t"),
        steps("b", "x...", settings={"gate": 4}),
        logic("out", "a and b", "gates"),
        outputs=outputs,
        tempo=125,
    )
    assert [(e.tick, e.length) for e in hits_of(score, 480, "out")] == [(0, 20)]


def test_a_gate_of_its_own_wins() -> None:
    score = score_of(
        steps("a", "x...", settings={"gate": 2}),
        logic("out", "a", "gates", settings={"gate": 0.25}),
    )
    assert [e.length for e in hits_of(score, 960, "out")] == [60]


def test_what_never_falls_lasts_four_bars() -> None:
    score = score_of(steps("a", "x" + "." * 63), logic("out", "between(a, a and not a)", "gates"))
    assert [(e.tick, e.length) for e in hits_of(score, BAR, "out")] == [(0, 4 * BAR)]


def test_a_mute_of_the_source_is_heard_and_counting_goes_on() -> None:
    score = score_of(
        steps("a", "x..."),
        logic("out", "nth(a, 2)", "gates"),
        logic("still", "nth(before-mute(a), 2)", "gates"),
    )
    events = events_between(score, 0, BAR, muted=frozenset({"a"}))
    assert [e.tick for e in events if e.lane == 1] == []
    assert [e.tick for e in events if e.lane == 2] == [960, 2880]


def test_gates_of_gates() -> None:
    score = score_of(
        steps("a", "x...", settings={"gate": 3}),
        steps("b", ".x..", settings={"gate": 3}),
        logic("both", "a and b", "gates"),
        logic("rest", "a and not both", "gates"),
    )
    assert [(e.tick, e.length) for e in hits_of(score, 960, "both")] == [(240, 480)]
    assert [(e.tick, e.length) for e in hits_of(score, 960, "rest")] == [(0, 240)]
