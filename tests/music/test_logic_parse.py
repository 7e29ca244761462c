"""Reading logic: precedence, names with hyphens, and mistakes told with their column."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.manual import named_tables

from bridge.music.logic_parse import FUNCTIONS, LogicError, Term, parse

LANES = ("kick", "rim", "shaker", "hat-open", "hold")


def shape(term: Term) -> str:
    """The tree with every bracket written."""
    if term.op == "lane":
        return ("~" if term.before_mute else "") + term.name
    inner = [shape(part) for part in term.terms] + [str(number) for number in term.numbers]
    return f"{term.op}[{' '.join(inner)}]"


@pytest.mark.parametrize(
    ("text", "tree"),
    [
        ("kick", "kick"),
        ("hat-open and not kick", "and[hat-open not[kick]]"),
        ("kick or rim xor shaker and not hat-open", "or[kick xor[rim and[shaker not[hat-open]]]]"),
        ("not kick and rim xor shaker or hat-open", "or[xor[and[not[kick] rim] shaker] hat-open]"),
        ("(kick or rim) and shaker", "and[or[kick rim] shaker]"),
        ("not not kick", "not[not[kick]]"),
        ("kick and rim and shaker", "and[kick rim shaker]"),
        ("(rim xor shaker) and not kick", "and[xor[rim shaker] not[kick]]"),
        ("at-least(2, kick, rim, shaker)", "at-least[kick rim shaker 2]"),
        ("exactly(1, kick, rim or shaker)", "exactly[kick or[rim shaker] 1]"),
        ("nth(kick, 4)", "nth[kick 4]"),
        ("nth(kick, 4, 1)", "nth[kick 4 1]"),
        ("delay(kick, 1/8T)", "delay[kick 320]"),
        ("delay(kick, 3:4)", "delay[kick 1280]"),
        ("delay(kick, 1/8.) or rim", "or[delay[kick 720] rim]"),
        ("extend(hold, 1/4)", "extend[hold 960]"),
        ("first(kick, rim)", "first[kick rim]"),
        ("between(kick, rim) and toggle(shaker)", "and[between[kick rim] toggle[shaker]]"),
        ("chance(kick, 0.25)", "chance[kick 1/4]"),
        ("edge(kick)", "edge[kick]"),
        ("edge(kick, 1/4) or gap(rim, 1/2)", "or[edge[kick 960] gap[rim 1920]]"),
        ("before-mute(kick or rim) and shaker", "and[or[~kick ~rim] shaker]"),
        ("before-mute(kick and after-mute(rim)) or shaker", "or[and[~kick rim] shaker]"),
    ],
)
def test_precedence_and_functions(text: str, tree: str) -> None:
    assert shape(parse(text, LANES)) == tree


def test_the_tap_of_the_lane_is_where_terms_begin() -> None:
    assert shape(parse("kick and after-mute(rim)", LANES, "before-mute")) == "and[~kick rim]"


@pytest.mark.parametrize(
    ("text", "column", "says"),
    [
        ("", 1, "empty"),
        ("kick and", 9, "a lane expected, but the expression ends"),
        ("and kick", 1, "a lane expected, not 'and'"),
        ("kick shaker", 6, "and, or or xor expected"),
        ("kick adn rim", 6, "did you mean and?"),
        ("kick and shakr", 10, "did you mean shaker?"),
        ("kick and hatopen", 10, "did you mean hat-open?"),
        ("kick and (rim or shaker", 24, "to close the '(' of column 10"),
        ("kick)", 5, "closes nothing"),
        ("kick & rim", 6, "'&' has no meaning"),
        ("nht(kick, 2)", 1, "did you mean nth?"),
        ("nth(kick)", 9, "',' expected"),
        ("nth(kick, 0)", 11, "whole number from 1"),
        ("nth(kick, 2, 3)", 1, "no number 3"),
        ("delay(kick, 2)", 13, "a time like 1/8"),
        ("delay(1/16, kick)", 7, "a lane comes here in delay(hits, time), not '1/16'"),
        ("nth(3, kick)", 5, "a lane comes here in nth(hits, count, count?), not '3'"),
        (
            "at-least(kick, 2)",
            10,
            "a whole number expected in at-least(count, hits...), not 'kick'",
        ),
        ("chance(kick, 1.5)", 14, "chance from 0 to 1"),
        ("at-least(3, kick, rim)", 1, "can never be"),
        ("delay kick", 1, "needs '('"),
        ("kick (rim)", 1, "it is a lane"),
        ("(" * 60 + "kick" + ")" * 60, 41, "nested too deep"),
        ("not " * 60 + "kick", 161, "nested too deep"),
    ],
)
def test_mistakes(text: str, column: int, says: str) -> None:
    with pytest.raises(LogicError) as caught:
        parse(text, LANES)
    assert caught.value.column == column
    assert says in str(caught.value)
    assert str(caught.value).startswith(f"column {column}: ")


@given(st.text(alphabet="kicrmxorandtse ()-,.:/0123456789T&\n", max_size=60))
def test_any_text_is_read_or_refused_with_a_column(text: str) -> None:
    column, term = _read(text)
    if term is None:
        assert 1 <= column <= len(text) + 1
    else:
        assert term.lanes()


def _read(text: str) -> tuple[int, Term | None]:
    try:
        return 0, parse(text, LANES)
    except LogicError as error:
        return error.column, None


def test_lanes_are_listed_once_in_order() -> None:
    assert parse("rim and kick or not rim", LANES).lanes() == ["rim", "kick"]


def test_every_function_has_a_table_in_the_manual() -> None:
    from bridge.music.comparators import COMPARATORS
    from bridge.music.gate_functions import GATE_FUNCTIONS
    from bridge.music.logic_functions import FUNCTIONS as ON_HITS

    on_steps = {**ON_HITS, **COMPARATORS}

    words = set(FUNCTIONS) - {"after-mute", "before-mute"}
    assert set(on_steps) == words - {"earlier"}  # that one is of the lane, not of the expression
    on_steps_only = {word for word in words if {"line", "lane"} & {*FUNCTIONS[word]}}
    assert set(GATE_FUNCTIONS) == words - on_steps_only
    tables = named_tables()
    assert words <= set(tables)
    own_by_gates = {word for word, made in GATE_FUNCTIONS.items() if made is not on_steps[word]}
    assert {f"{word}-by-gates" for word in own_by_gates} <= set(tables)


def test_times_are_exact() -> None:
    assert parse("delay(kick, 7:4)", LANES).numbers == (Fraction(3840, 7),)
