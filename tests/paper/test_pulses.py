"""What became of single pulses, over tables of stamps worked by hand."""

from __future__ import annotations

import random

import pytest
from support.clocks import steady

from bridge.paper.pulses import sort_out

MS = 1_000_000


def even(count: int, begin_ms: int = 0) -> list[int]:
    return [(begin_ms + n * 20) * MS for n in range(count)]


def test_an_even_clock_is_all_there() -> None:
    found = sort_out(even(40))
    assert found.points == list(enumerate(even(40)))
    assert (found.missing, found.doubled, found.bunched, found.block_ns) == (0, 0, 0, 0)
    assert found.two is None
    assert not found.every_twice


def test_pulses_that_never_came_are_left_free_in_the_count() -> None:
    stamps = even(40)
    del stamps[20:22]
    found = sort_out(stamps)
    assert found.missing == 2
    assert [index for index, _ in found.points] == [*range(20), *range(22, 40)]


def test_a_late_pulse_is_not_missing() -> None:
    stamps = even(40)
    stamps[20] += 15 * MS
    found = sort_out(stamps)
    assert (found.missing, found.doubled) == (0, 0)
    assert found.points[20] == (20, stamps[20])


def test_the_same_pulse_once_more_is_doubled_and_takes_no_place() -> None:
    stamps = even(40)
    found = sort_out([*stamps[:21], stamps[20] + 2 * MS, *stamps[21:]])
    assert found.doubled == 1
    assert found.points == list(enumerate(stamps))


def test_nothing_is_missing_or_doubled_while_the_early_edge_goes_on() -> None:
    """Half of the pulses come 12 to 40 ms late: by chance a few of them look like a hole in an even
    row, or like a pulse that came twice. Whatever the tempo, all are there."""
    for seed in range(120):
        rng = random.Random(seed)
        stamps = sorted(
            t + (rng.uniform(12, 40) * MS if rng.random() < 0.5 else rng.uniform(0, 0.3) * MS)
            for t in steady(rng.uniform(60, 200), 900)
        )
        found = sort_out([round(t) for t in stamps])
        assert (found.missing, found.doubled) == (0, 0), f"seed {seed}"


def test_what_comes_at_once_after_a_pause_is_a_bunch() -> None:
    stamps = even(40)
    stamps[20:25] = [stamps[24] + n * 1000 for n in range(5)]
    found = sort_out(stamps)
    assert (found.missing, found.bunched) == (0, 4)
    assert len(found.points) == 40


def test_each_pulse_twice_is_one_clock_heard_by_two_ways() -> None:
    found = sort_out(sorted(even(40) + [ns + 3 * MS for ns in even(40)]))
    assert found.every_twice
    assert found.doubled == 40
    assert [ns for _, ns in found.points] == even(40)


def test_blocks_are_measured_and_nothing_is_missing_in_them() -> None:
    """1024 frames at 48 kHz are 21.33 ms: of 20 ms clocks now and then two come at once."""
    block = 21_333_333
    found = sort_out([-(-ns // block) * block for ns in even(200)])
    assert found.block_ns == pytest.approx(block, rel=0.001)
    assert (found.missing, found.doubled, found.bunched) == (0, 0, 0)


def test_two_clocks_are_given_with_their_tempos() -> None:
    """20 ms is 125 bpm, 29 ms is 86.2."""
    other = [(7 + n * 29) * MS for n in range(60)]
    found = sort_out(sorted(even(87) + other))
    assert found.two == pytest.approx((86.2, 125), abs=0.2)
