"""Two even rows in one stream, told apart."""

from __future__ import annotations

import pytest

from bridge.clock.merged import Merged, separate, uneven

MS = 1_000_000


def row(period_ms: float, count: int, begin_ms: float = 0) -> list[int]:
    return [round((begin_ms + n * period_ms) * MS) for n in range(count)]


def test_two_rows_are_separated_with_their_periods() -> None:
    """20 ms and 25 ms: 125 and 100 bpm."""
    found = separate(sorted(row(20, 30) + row(25, 24, 3)))
    assert found is not None
    assert sorted(one.bpm for one in found) == [pytest.approx(100), pytest.approx(125)]
    assert min(one.stamps for one in found) > 20


@pytest.mark.parametrize(
    "stamps",
    [
        row(20, 60),  # one clock
        sorted(row(20, 30) + row(20, 30, 10)),  # one of 10 ms, not two halves of it
        row(20, 30) + row(10, 40, 600),  # one tempo after the other
        row(20, 8),  # too few
    ],
)
def test_what_is_one_clock(stamps: list[int]) -> None:
    assert separate(stamps) is None


def test_a_stream_is_two_until_one_has_been_alone_for_a_while() -> None:
    merged = Merged()
    for ns in row(20, 40):
        merged.take(ns)
    assert merged.rows is None
    changes = [merged.take(ns) for ns in sorted(row(20, 60, 800) + row(26, 46, 805))]
    assert changes.count(True) == 1
    assert merged.rows is not None
    changes = [merged.take(ns) for ns in row(20, 80, 2020)]
    assert changes.count(True) == 1
    assert merged.rows is None


def test_doubt_is_for_stamps_that_are_uneven_without_a_pause() -> None:
    even = row(20, 13)
    assert not uneven(even, MS)
    assert not uneven(even[:6], MS)  # too few to say
    both = sorted(row(20, 16) + row(27, 12, 3))
    assert any(uneven(both[:count], MS) for count in range(13, 28))
    late = [*even[:6], even[6] + 9 * MS, *even[7:]]
    assert not uneven(late, MS)
    owed = [*even[:5], *(even[9] + n * 1000 for n in range(5)), *even[10:]]
    assert not uneven(owed, MS)
