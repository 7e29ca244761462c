"""How long work takes, from what it took of late."""

from __future__ import annotations

import pytest

from bridge.player.pace import FIRST_TICKS, Longest, Pace


@pytest.mark.parametrize("memory", [2, 4, 8])
def test_a_slow_piece_counts_at_once_and_quick_ones_by_their_share(memory: int) -> None:
    pace = Pace(memory)
    assert pace.ticks(1000, 10_000) == FIRST_TICKS
    pace.took(10, 1000)  # 100 ns a tick
    assert pace.ticks(1000, 10_000) == 10
    pace.took(100, 2000)  # 20 ns a tick: what is expected comes nearer by its share
    assert pace.ns(100) == pytest.approx(100 * (100 - 80 / memory), abs=1)
    pace.took(1, 400)
    assert pace.ns(1) == 400


def test_a_long_time_is_forgotten_little_by_little_and_a_longer_one_counts_at_once() -> None:
    longest = Longest(800)
    assert longest.ns == 800
    longest.took(80)
    assert longest.ns == 700
    longest.took(900)
    assert longest.ns == 900
    for _ in range(100):
        longest.took(80)
    assert longest.ns == 80
