"""Swing of eighths, and a timing that was played. The oracle is `numpy.interp` over the bar."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.grooves import warp_of
from support.wired import BAR, play, score_of

from bridge.music.event import Event
from bridge.music.model import Every, Lane, Logic, Note, Notes, Steps
from bridge.music.ticks import Groove

SIXTEENTH = 240
SHARES = st.lists(st.integers(-50, 50).map(lambda p: p / 100), min_size=1, max_size=20)


def late_of(shares: tuple[float, ...], bar: int, grid: int) -> float:
    """Straight lines between the sixteenths of a bar; triplets stay where they are."""
    along = grid % bar
    if along % 30:
        return 0.0
    places = np.arange(0, bar + 1, SIXTEENTH)
    known = [shares[step % len(shares)] * SIXTEENTH for step in range(len(places) - 1)]
    return float(np.interp(along, places, [*known, shares[0] * SIXTEENTH]))


@settings(max_examples=60)
@given(SHARES, st.integers(0, 6 * BAR), st.sampled_from([3840, 3360, 2880]))
def test_every_place_is_as_late_as_the_lines_between_sixteenths(
    shares: list[float], grid: int, bar: int
) -> None:
    made = Groove(tuple(shares), bar)
    assert made.at(grid) == pytest.approx(late_of(tuple(shares), bar, grid), abs=1e-6)


@given(SHARES, st.sampled_from([3840, 3360]))
def test_the_order_of_hits_never_changes(shares: list[float], bar: int) -> None:
    made = Groove(tuple(shares), bar)
    heard = [grid + made.at(grid) for grid in range(0, 2 * bar, 30)]
    assert all(one <= other + 1e-6 for one, other in pairwise(heard))


def ticks(events: Iterable[Event], place: int = 0) -> list[int]:
    return [e.tick for e in events if e.lane == place]


GROOVE = (0.1, -0.2, 0.05, 0.3)


def grooved(**more: Any) -> list[Event]:
    made = score_of(
        Lane("hat", Steps((1,)), out="main.gate-1"),
        Lane("trip", Every(), Fraction(320), out="main.gate-2"),
        Lane("own", Steps((1,)), out="main.gate-3", settings={"swing": 60.0}),
        Lane("spray", Logic("hat and not own"), out="main.gate-4"),
        Lane("echo", Logic("delay(hat, 1/16)"), out="main.gate-5"),
        Lane("line", Notes((Note(57.0), Note(60.0))), "hat", out="main.pitch-1"),
        groove=GROOVE,
        **more,
    )
    return play(made, 2 * BAR)


def test_a_set_with_a_groove_plays_with_it() -> None:
    """A quarter of 240 ticks is 60: 24 late, 48 early, 12 late, 72 late, beat by beat."""
    events = grooved()
    assert ticks(events)[:9] == [24, 192, 492, 792, 984, 1152, 1452, 1752, 1944]
    assert ticks(events, 1)[:4] == [0, 320, 640, 960]  # triplets have a time of their own
    assert ticks(events, 2)[:3] == [0, 288, 480]  # its own swing stands in its place
    assert ticks(events, 5)[:2] == [24, 192]


def test_what_follows_from_a_hit_sounds_with_it() -> None:
    """A delayed hit has the groove of its new place."""
    events = grooved()
    assert ticks(events, 4)[:3] == [192, 492, 792]


def test_swing_comes_on_top() -> None:
    warp = warp_of(Fraction(240), 60.0, BAR)
    found = ticks(grooved(swing=60.0))
    for step in range(16):
        grid = step * SIXTEENTH
        assert found[step] == pytest.approx(grid + warp(grid) + late_of(GROOVE, BAR, grid), abs=1)


@settings(max_examples=15)
@given(st.lists(st.integers(1, 2 * BAR), max_size=20))
def test_windows_of_any_size_agree(cuts: list[int]) -> None:
    made = score_of(
        Lane("hat", Steps((1, 0, 1)), out="main.gate-1"),
        Lane("late", Logic("hat or delay(hat, 1/8)"), out="main.gate-2"),
        groove=(-0.5, 0.5, -0.25),
        swing=58.0,
        swing_step=480,
    )
    assert play(made, 2 * BAR, cuts) == play(made, 2 * BAR)


# --- swing of eighths ----------------------------------------------------------------------------


def test_eighths_swing_and_what_lies_between_goes_with_them() -> None:
    """60 % of a pair of eighths (960 ticks) is 576: the second is 96 late, the sixteenths at its
    sides half of that."""
    made = score_of(Lane("hat", Steps((1,)), out="main.gate-1"), swing=60.0, swing_step=480)
    assert ticks(play(made, BAR))[:5] == [0, 288, 576, 768, 960]


@pytest.mark.parametrize("percent", [50.0, 54.0, 60.0, 66.7, 75.0])
@pytest.mark.parametrize("meter", [(4, 4), (7, 8), (3, 4)])
def test_swing_of_eighths_is_the_same_lines_over_eighths(
    percent: float, meter: tuple[int, int]
) -> None:
    bar = 3840 * meter[0] // meter[1]
    made = score_of(
        Lane("hat", Steps((1,)), out="main.gate-1"), swing=percent, swing_step=480, meter=meter
    )
    warp = warp_of(Fraction(480), percent, bar)
    for step, tick in enumerate(ticks(play(made, 2 * bar))):
        grid = step * SIXTEENTH
        assert tick == pytest.approx(grid + warp(grid), abs=1)
