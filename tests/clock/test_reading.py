"""The displayed tempo."""

from __future__ import annotations

import random

import pytest

from bridge.clock.reading import SETTLED, ClockReading, bpm_of

CLOCK = 20_833_333.333  # 120 bpm


def test_bpm_of_a_period() -> None:
    """tests/reference/timing_clock.csv: 20833.333 us at 120, 8333.333 us at 300."""
    assert bpm_of(20_833_333.333) == pytest.approx(120)
    assert bpm_of(8_333_333.333) == pytest.approx(300)
    assert bpm_of(0) == 0


def test_a_young_line_is_not_read_but_the_last_beat_is() -> None:
    """A single interval with 2 ms of jitter reads 113 to 131 at a steady 120."""
    rng = random.Random(4)
    reading = ClockReading()
    shown = []
    for i in range(100):
        wild = CLOCK * rng.uniform(0.9, 1.1)
        reading.take(i, round(i * CLOCK + rng.uniform(0, 2e6)), wild, settled=2)
        shown.append(reading.bpm)
    assert max(abs(bpm - 120) for bpm in shown[30:]) < 0.5


def test_a_settled_line_is_read_slowly() -> None:
    reading = ClockReading()
    for i in range(10):
        reading.take(i, round(i * CLOCK), CLOCK, settled=2)
    reading.take(10, round(10 * CLOCK), CLOCK * 120 / 126, SETTLED)
    assert 120 < reading.bpm < 120.5
    for i in range(120):
        reading.take(11 + i, 0, CLOCK * 120 / 126, SETTLED)
    assert reading.bpm == pytest.approx(126, abs=0.1)


def test_a_far_tempo_is_a_new_reading() -> None:
    reading = ClockReading()
    reading.take(0, 0, CLOCK, SETTLED)
    reading.take(1, 0, CLOCK / 2, SETTLED)
    assert reading.bpm == pytest.approx(240)


def test_restart_keeps_what_is_shown_until_there_is_more() -> None:
    reading = ClockReading()
    for i in range(10):
        reading.take(i, round(i * CLOCK), CLOCK, settled=2)
    reading.restart()
    reading.take(500, 10**12, CLOCK, settled=1)
    assert reading.bpm == pytest.approx(120)
