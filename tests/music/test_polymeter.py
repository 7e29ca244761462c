"""Lanes of different lengths and rates meet again after the least common multiple of their cycles,
and not before; long renders of chance are as even as chance should be."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from math import lcm

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from support.sets import BAR, OUTPUTS, grids, score_of, steps

from bridge.music.model import Lane, Note, Notes, Steps
from bridge.music.render import events_between
from bridge.music.ticks import parse_rate

RATES = ["1/16", "1/8T", "1/16.", "3:4", "5:4", "1/8"]


def lcm_of(cycles: list[Fraction]) -> Fraction:
    """The least common multiple of fractions: over a common denominator, that of the numerators."""
    denominator = lcm(*(cycle.denominator for cycle in cycles))
    return Fraction(lcm(*(int(cycle * denominator) for cycle in cycles)), denominator)


@settings(deadline=None, max_examples=40, derandomize=True)
@given(st.lists(st.tuples(st.integers(1, 7), st.sampled_from(RATES)), min_size=2, max_size=4))
def test_lanes_of_any_rates_meet_after_their_least_common_multiple(
    lanes: list[tuple[int, str]],
) -> None:
    cycles = [length * parse_rate(rate) for length, rate in lanes]
    period = lcm_of(cycles)
    if period > 200 * BAR:
        return
    made = [
        steps(f"lane-{n}", "x" + "." * (length - 1), rate) for n, (length, rate) in enumerate(lanes)
    ]
    end = int(2 * period) + BAR
    played = [grids(score_of(*made), end, f"lane-{n}") for n in range(len(lanes))]
    together = set.intersection(*map(set, played))
    # A tick is the whole one nearest below or above a fraction, so only exact meetings are counted.
    exact = {int(k * period) for k in range(int(end / period) + 1) if k * period < end}
    assert exact <= together
    if all(cycle.denominator == 1 for cycle in cycles):
        assert together == exact


def test_a_melody_under_a_rhythm_repeats_after_both_have_come_round() -> None:
    """Five notes moved by three hits in eight steps: 5 rounds of 8 steps, for 5 and 3 share
    nothing (the least common multiple of 3 and 5 hits is 15 hits, or 5 bars of eight steps)."""
    notes_5 = Notes(tuple(Note(40.0 + n) for n in range(5)))
    tune = Lane("tune", notes_5, advance="beat", out="pitch")
    score = score_of(steps("beat", "x..x..x."), tune, outputs=OUTPUTS)
    place = score.positions["tune"]
    notes = [(e.tick, e.value) for e in events_between(score, 0, 12 * BAR) if e.lane == place]
    hits = grids(score, 12 * BAR, "beat")
    assert [tick for tick, _ in notes] == hits

    def repeats_after(ticks: int) -> bool:
        later = {(tick - ticks, value) for tick, value in notes if tick >= ticks}
        return later == {(tick, value) for tick, value in notes if tick < 12 * BAR - ticks}

    period = 5 * 8 * 240
    assert [k for k in range(1, 6) if repeats_after(k * 8 * 240)] == [5]
    assert repeats_after(period)


# --- chance on long renders, against scipy ------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_lanes_of_one_set_draw_independently(seed: int) -> None:
    """A contingency table of what two lanes do on the same step, over 1000 bars."""
    score = score_of(
        Lane("a", Steps((1,)), settings={"chance": 0.3}),
        Lane("b", Steps((1,)), settings={"chance": 0.6}),
        seed=seed,
    )
    count = 1000 * 16
    on = [np.zeros(count, bool), np.zeros(count, bool)]
    for row, name in zip(on, "ab", strict=True):
        row[[grid // 240 for grid in grids(score, 1000 * BAR, name)]] = True
    table = [
        [int(np.sum(on[0] == a) - np.sum((on[0] == a) & on[1])), int(np.sum((on[0] == a) & on[1]))]
        for a in (False, True)
    ]
    assert stats.chi2_contingency(table).pvalue > 0.001
    for row, chance in zip(on, (0.3, 0.6), strict=True):
        assert stats.binomtest(int(row.sum()), count, chance).pvalue > 0.001


def test_a_shuffled_melody_begins_with_each_note_as_often() -> None:
    notes = Notes(tuple(Note(40.0 + n) for n in range(6)))
    score = score_of(Lane("a", notes, direction="shuffle", out="pitch"), outputs=OUTPUTS, seed=4)
    turns = 1500
    values = {e.tick: e.value for e in events_between(score, 0, turns * 6 * 240)}
    first: Counter[float] = Counter()
    now = 0.0
    for step in range(turns * 6):
        now = values.get(step * 240, now)  # a note that comes twice running is not said again
        if step % 6 == 0:
            first[now] += 1
    assert set(first) == {40.0 + n for n in range(6)}
    assert stats.chisquare(list(first.values())).pvalue > 0.001
