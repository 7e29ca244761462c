"""The line below all points, against a search through every pair."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.clock.envelope import Envelope, Line, Point

windows = st.lists(
    st.tuples(st.integers(1, 3), st.integers(0, 10**7)), min_size=2, max_size=40
).map(lambda rows: climb(rows))


def climb(rows: list[tuple[int, int]]) -> list[Point]:
    """Points with rising indices, about 20 ms apart and late by some."""
    points: list[Point] = []
    index = 0
    for step, late in rows:
        index += step
        points.append((index, index * 20_000_000 + late))
    return points


def filled(points: list[Point], most: int = 512, block: int = 64) -> Envelope:
    envelope = Envelope(most, block)
    envelope.refill(points)
    return envelope


def below(points: list[Point], line: Line) -> bool:
    return all(ns >= line.at(index) - 1 for index, ns in points)


def sum_above(points: list[Point], line: Line) -> float:
    return sum(ns - line.at(index) for index, ns in points)


@given(windows)
def test_no_line_below_all_points_passes_higher_over_the_middle(points: list[Point]) -> None:
    """Brute force: of all lines through two points that lie below the rest, the highest there."""
    line = filled(points).line()
    assert below(points, line)
    middle = (points[0][0] + points[-1][0]) / 2
    best = max(
        candidate.at(middle)
        for i, (x1, y1) in enumerate(points)
        for x2, y2 in points[i + 1 :]
        if below(points, candidate := Line(x1, y1, (y2 - y1) / (x2 - x1)))
    )
    assert line.at(middle) == pytest.approx(best, abs=2)


@given(st.lists(st.tuples(st.just(1), st.integers(0, 10**7)), min_size=2, max_size=300))
def test_blocks_change_nothing(rows: list[tuple[int, int]]) -> None:
    """A window that drops blocks has the line of the points it still holds."""
    points = climb(rows)
    sliding = filled(points, most=64, block=16)
    assert list(sliding.points) == points[-len(sliding) :]
    assert min(len(points), 49) <= len(sliding) <= 64
    assert sliding.line() == filled(list(sliding.points)).line()


@given(windows, st.floats(1e7, 4e7), st.floats(0, 5))
def test_the_line_near_a_period_lies_below_all_points_and_touches_one(
    points: list[Point], period: float, room: float
) -> None:
    line = filled(points).line_near(period, room)
    assert below(points, line)
    assert min(ns - line.at(index) for index, ns in points) == pytest.approx(0, abs=1)


@given(windows, st.floats(1e7, 4e7))
def test_without_room_the_hint_changes_nothing(points: list[Point], period: float) -> None:
    envelope = filled(points)
    near, free = envelope.line_near(period, 0), envelope.line()
    assert near.period == free.period
    middle = (points[0][0] + points[-1][0]) / 2
    assert near.at(middle) == pytest.approx(free.at(middle), abs=2)


@given(windows, st.floats(1e7, 4e7))
def test_with_all_the_room_only_the_phase_is_fitted(points: list[Point], period: float) -> None:
    assert filled(points).line_near(period, 1000).period == period


def test_one_point_is_enough_for_a_phase() -> None:
    assert filled([(5, 1000)]).line_near(20.0, 1) == Line(5, 1000, 20.0)


def test_late_points_do_not_move_the_line() -> None:
    points = [(i, i * 20_000_000 + (8_000_000 if i % 5 == 3 else 0)) for i in range(50)]
    assert filled(points).line() == Line(49, 49 * 20_000_000, 20_000_000.0)
