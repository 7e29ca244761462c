"""Lines between two hulls, and the line through a clock that waits for its blocks."""

from __future__ import annotations

import sys
from itertools import pairwise
from types import FrameType

import pytest

from bridge.clock.strip import Hulls, Strip

MS = 1_000_000


def hulls(*rows: tuple[int, int, int]) -> Hulls:
    made = Hulls()
    for index, latest, earliest in rows:
        made.add(index, latest, earliest)
    return made


def test_the_extremes_touch_the_hulls_at_opposite_ends() -> None:
    """Through (0, 0..10) and (10, 100..110): from 9 to 11 for each step."""
    flat, steep = hulls((0, 10, 0), (10, 110, 100)).extremes(1, 100) or pytest.fail("no line")
    assert (flat.period, steep.period) == pytest.approx((9, 11))
    assert (flat.at(0), flat.at(10)) == pytest.approx((10, 100))
    assert (steep.at(0), steep.at(10)) == pytest.approx((0, 110))


def test_the_middle_has_the_most_room() -> None:
    """Slope 10 leaves 10 to move; every other slope leaves less."""
    made = hulls((0, 10, 0), (10, 110, 100))
    line = made.middle(9, 11)
    assert line is not None
    assert line.period == pytest.approx(10)
    assert (line.at(0), line.at(10)) == pytest.approx((5, 105))
    assert made.room(10) == pytest.approx(10)
    assert made.room(9.5) == pytest.approx(5)
    assert made.along(9.5).at(5) == pytest.approx(55)


def test_no_line_passes_where_the_hulls_cross() -> None:
    assert hulls((0, 10, 0), (5, 30, 20), (10, 110, 100)).extremes(1, 100) is None


def in_blocks(period: int, block: int, count: int, begin: int = 0) -> list[tuple[int, int]]:
    return [(n, -(-(begin + n * period) // block) * block) for n in range(count)]


def followed(points: list[tuple[int, int]], block: int) -> Strip:
    strip = Strip(block)
    strip.restart(points[:30])
    for index, ns in points[30:]:
        strip.add(index, ns)
    return strip


def test_half_a_block_is_taken_out() -> None:
    """20.83 ms (120 bpm) in blocks of 10 ms: the line is the clock's, not that of its stamps. They
    take twelve places in a block, 0.83 ms apart: so much is open, and the line is in its middle."""
    strip = followed(in_blocks(20_833_333, 10 * MS, 300), 10 * MS)
    assert strip.line.at(300) == pytest.approx(300 * 20_833_333, abs=0.42 * MS)


def test_where_the_phase_cannot_be_known_the_line_is_in_the_middle() -> None:
    """20 ms in blocks of 10 ms: each stamp is 3 ms late, and any lateness below 10 fits."""
    strip = followed(in_blocks(20 * MS, 10 * MS, 200, begin=7 * MS), 10 * MS)
    assert strip.line.at(200) == pytest.approx(200 * 20 * MS + 5 * MS, abs=0.2 * MS)


def test_a_whole_tempo_is_taken_while_it_is_as_likely() -> None:
    """120 bpm is 20 833 333 ns. After 60 clocks in blocks of 20 ms much is possible; in the middle
    of it lies the whole tempo."""
    strip = followed(in_blocks(20_833_333, 20 * MS, 100), 20 * MS)
    assert strip.line.period == pytest.approx(20_833_333.3, abs=1)


def test_the_line_never_jumps() -> None:
    points = in_blocks(20_833_333, 10 * MS, 100)
    strip = followed(points[:60], 10 * MS)
    before = [strip.line.at(200)]
    index, ns = points[59]
    for step in range(1, 60):  # another phase, 9 ms later
        strip.add(index + step, ns + step * 20_833_333 + 9 * MS)
        before.append(strip.line.at(index + step + 1) - (step + 1) * 20_833_333)
    moves = [abs(b - a) for a, b in pairwise(before[1:])]
    assert max(moves) < 20_833_333 / 16 + 0.3 * MS


def test_a_bunch_after_a_pause_does_not_bend_the_line() -> None:
    points = in_blocks(20_833_333, 10 * MS, 200)
    pause_ends = points[120][1]
    stalled = [(n, max(ns, pause_ends) if 100 <= n <= 120 else ns) for n, ns in points]
    strip = followed(stalled, 10 * MS)
    assert strip.line.at(200) == pytest.approx(200 * 20_833_333, abs=MS)


@pytest.mark.parametrize("late", range(40, 100, 7))
def test_a_block_found_out_to_be_late_costs_nothing_else(late: int) -> None:
    """20.06 ms in blocks of 10: the lateness creeps through a block in 166 clocks. Until then a
    block that was 8 ms late is possible; a stamp that shows it up does not end the tempo."""
    period = 20_060_000
    points = in_blocks(period, 10 * MS, 400, begin=4 * MS)
    points[late] = (late, points[late][1] + 8 * MS)
    strip = followed(points, 10 * MS)
    assert len(strip) == 400
    assert strip.line.at(400) == pytest.approx(4 * MS + 400 * period, abs=0.3 * MS)


def test_no_clock_takes_much_work() -> None:
    """The player follows between two hits. Counted in calls, not in time: while the window grows,
    when its oldest part is dropped, and when it is cut where a tempo began."""
    block = 10_666_667
    points = in_blocks(21_333_000, block, 1600)  # nearly two blocks: the hulls change for long
    index, ns = points[-1]
    points += [(index + n, ns + at) for n, at in in_blocks(18_000_000, block, 40)[1:]]
    strip = Strip(block + 200_000)
    strip.restart(points[:30])
    most = calls = 0

    def count(frame: FrameType, event: str, argument: object) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    for point in points[30:]:
        calls = 0
        sys.setprofile(count)
        strip.add(*point)
        sys.setprofile(None)
        most = max(most, calls)
    assert strip.line.period == pytest.approx(18_000_000, rel=0.03)
    assert most < 8_000
