"""Chance: the same name, the same number; the numbers spread as they should."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from bridge.music import chance


def test_a_draw_is_a_pure_function_of_its_name() -> None:
    """Fixed by value, so that tonight's set sounds the same with the next release."""
    stream = chance.key(7, "rim", "chance")
    assert stream == 0xF5CFA2C3CFB7A723
    assert chance.draw(stream, 3, 5) == 0.13056830235610872
    assert chance.key(7, "rim", "chance") != chance.key(8, "rim", "chance")
    assert chance.key(7, "rim", "chance") != chance.key(7, "rim", "level")
    assert chance.key(7, "rim", "chance") != chance.key(7, "ri", "mchance")


@given(st.integers(0, 2**64 - 1), st.integers(0, 2**40), st.integers(0, 2**40))
def test_draws_lie_from_0_to_below_1(stream: int, turn: int, step: int) -> None:
    assert 0 <= chance.draw(stream, turn, step) < 1
    assert -1 <= chance.signed(stream, turn, step) < 1
    assert 0 <= chance.pick(stream, turn, step, 3) <= 2


@pytest.mark.parametrize("purpose", ["chance", "level", "time", "drift"])
def test_draws_are_even(purpose: str) -> None:
    """Chi-square over 64 equal parts, against scipy; the stream is fixed, so is the outcome."""
    stream = chance.key(11, "rim", purpose)
    counts = [0] * 64
    for turn in range(400):
        for step in range(16):
            counts[int(chance.draw(stream, turn, step) * 64)] += 1
    assert stats.chisquare(counts).pvalue > 0.001


@pytest.mark.parametrize("lag", [(0, 1), (1, 0), (1, 1), (0, 2), (1, -1)])
def test_neighbours_do_not_depend_on_each_other(lag: tuple[int, int]) -> None:
    """A contingency table of neighbouring draws, against scipy."""
    stream = chance.key(5, "shaker", "chance")
    table = [[0] * 8 for _ in range(8)]
    for turn in range(1, 250):
        for step in range(1, 17):
            a = chance.draw(stream, turn, step)
            b = chance.draw(stream, turn + lag[0], step + lag[1])
            table[int(a * 8)][int(b * 8)] += 1
    assert stats.chi2_contingency(table).pvalue > 0.001


def test_shuffles_are_permutations_and_each_as_likely() -> None:
    stream = chance.key(1, "x", "direction")
    counts: dict[tuple[int, ...], int] = {}
    for turn in range(4800):
        order = chance.shuffled(stream, turn, 4)
        assert sorted(order) == [0, 1, 2, 3]
        counts[order] = counts.get(order, 0) + 1
    assert len(counts) == 24
    assert stats.chisquare(list(counts.values())).pvalue > 0.001


@given(st.integers(0, 2**64 - 1), st.integers(0, 10**6), st.integers(0, 64))
def test_the_draws_of_a_pass_are_those_of_its_steps(stream: int, pass_index: int, n: int) -> None:
    assert chance.draws(stream, pass_index, n) == [
        chance.draw(stream, pass_index, step) for step in range(n)
    ]
