"""Ticks and nanoseconds, held against exact fractions and the published clock table."""

from __future__ import annotations

import csv
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.clock.tempo import (
    HIGHEST_BPM,
    LOWEST_BPM,
    TICKS_PER_CLOCK,
    Anchor,
    Tap,
    TempoMap,
    check_bpm,
)
from bridge.errors import CommandError

DAY_NS = 24 * 3600 * 10**9
TICK_NS = Fraction(60 * 10**9, 960)  # times 1/bpm

bpms = st.floats(LOWEST_BPM, HIGHEST_BPM)
ticks = st.integers(-(10**7), 10**9)


def exact(anchor: Anchor, tick: int) -> Fraction:
    return anchor.ns + (Fraction(tick) - Fraction(anchor.tick)) * TICK_NS / Fraction(anchor.bpm)


def test_clock_period_and_step_agree_with_the_published_table(reference: Path) -> None:
    """tests/reference/timing_clock.csv: MIDI 1.0 Detailed Specification 4.2.1, p. 30; RP-001."""
    with (reference / "timing_clock.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 20
    for row in rows:
        bpm = float(row["bpm"])
        anchor = Anchor(0, 0, bpm)
        clock_us = anchor.time_of(TICKS_PER_CLOCK) / 1000
        assert clock_us == pytest.approx(float(row["value"]), abs=0.001)
        assert anchor.time_of(240) / 1e6 == pytest.approx(float(row["ms_per_sixteenth"]), abs=1e-5)
        assert anchor.time_of(3840) / 1e6 == pytest.approx(float(row["ms_per_bar_4_4"]), abs=1e-5)


@given(ticks, st.integers(0, DAY_NS), bpms, ticks)
def test_a_whole_tick_falls_within_half_a_nanosecond(
    tick: int, ns: int, bpm: float, asked: int
) -> None:
    anchor = Anchor(tick, ns, bpm)
    assert abs(anchor.time_of(asked) - exact(anchor, asked)) <= Fraction(1, 2)


@given(st.floats(0, 1e6), bpms, st.floats(0, 1e6))
def test_a_fraction_of_a_tick_falls_within_a_nanosecond(
    tick: float, bpm: float, asked: float
) -> None:
    anchor = Anchor(tick, 0, bpm)
    true = (Fraction(asked) - Fraction(tick)) * TICK_NS / Fraction(bpm)
    assert abs(anchor.time_of(asked) - true) <= 1


@given(st.integers(0, 10**8), bpms, st.integers(0, DAY_NS))
def test_the_tick_at_a_time_is_exact_to_a_millionth(tick: int, bpm: float, ns: int) -> None:
    anchor = Anchor(tick, 0, bpm)
    assert abs(Fraction(anchor.tick_at(ns)) - (tick + ns * Fraction(bpm) / TICK_NS)) < Fraction(
        1, 10**6
    )


@given(st.integers(0, 10**8), bpms)
def test_there_and_back(tick: int, bpm: float) -> None:
    anchor = Anchor(0, 12_345, bpm)
    assert anchor.tick_at(anchor.time_of(tick)) == pytest.approx(tick, abs=1e-5)


def test_a_day_at_an_awkward_tempo_does_not_drift() -> None:
    """133.33 bpm as written, not as a float holds it: not one nanosecond in 24 hours."""
    written = Fraction("133.33")
    anchor = Anchor(0, 0, 133.33)
    ticks = 24 * 60 * written * 960
    for tick in range(0, int(ticks), 1_000_003):
        assert abs(anchor.time_of(tick) - tick * TICK_NS / written) <= Fraction(3, 5)
    assert anchor.tick_at(DAY_NS) == pytest.approx(float(ticks), abs=1e-4)


@pytest.mark.slow
def test_a_day_of_tempo_changes_does_not_drift() -> None:
    """A change every bar for a day: 39000 of them may cost half a nanosecond each, and a tick is
    hundreds of thousands of them."""
    tempos = (133.33, 120.1, 97.77, 140.0, 66.6, 133.34)
    tempo = TempoMap(Anchor(0, 0, tempos[0]))
    true = Fraction(0)
    tick = 0
    changes = 0
    while true < DAY_NS:
        bpm = tempos[changes % len(tempos)]
        true += 3840 * TICK_NS / Fraction(bpm)
        tick += 3840
        changes += 1
        tempo.change(tick, tempos[changes % len(tempos)])
        tempo.forget(tick)
    assert changes > 38_000
    assert abs(tempo.time_of(tick) - true) <= changes * Fraction(1, 2)
    assert abs(tempo.time_of(tick) - true) < TICK_NS / 400 / 4  # a quarter of the shortest tick
    assert tempo.tick_at(round(true)) == pytest.approx(tick, abs=0.2)


def test_a_tempo_change_is_no_jump() -> None:
    tempo = TempoMap(Anchor(0, 0, 120))
    after = tempo.change(960, 133.33)
    assert after.ns == tempo.time_of(960) == 500_000_000
    assert tempo.tick_at(after.ns) == 960


def test_moved_shifts_time_and_not_tempo() -> None:
    moved = Anchor(0, 1000, 120).moved(-250)
    assert (moved.tick, moved.ns, moved.bpm) == (0, 750, 120)


@pytest.mark.parametrize("bpm", [0, -1, float("nan"), float("inf")])
def test_an_anchor_without_a_tempo_is_refused(bpm: float) -> None:
    with pytest.raises(ValueError, match="no anchor"):
        Anchor(0, 0, bpm)


@pytest.mark.parametrize("bpm", [19.9, 400.1, float("nan"), float("inf"), True, "120", None])
def test_a_tempo_outside_the_range_is_refused(bpm: object) -> None:
    with pytest.raises(CommandError):
        check_bpm(bpm)  # type: ignore[arg-type]


class TestTempoMap:
    def test_knows_the_past(self) -> None:
        tempo = TempoMap(Anchor(0, 0, 120))
        tempo.change(960, 60)
        tempo.change(1920, 240)
        assert [tempo.time_of(t) for t in (0, 480, 960, 1440, 1920, 2880)] == [
            0,
            250_000_000,
            500_000_000,
            1_000_000_000,
            1_500_000_000,
            1_750_000_000,
        ]
        assert [tempo.tick_at(ns) for ns in (250_000_000, 1_000_000_000, 1_750_000_000)] == [
            480,
            1440,
            2880,
        ]

    def test_a_change_forgets_what_was_planned_after_it(self) -> None:
        tempo = TempoMap(Anchor(0, 0, 120))
        tempo.change(1920, 240)
        tempo.change(960, 60)
        assert [(p.tick, p.bpm) for p in tempo.pieces] == [(0, 120), (960, 60)]

    def test_refuses_a_tick_that_is_forgotten_and_keeps_what_it_has(self) -> None:
        tempo = TempoMap(Anchor(0, 0, 120))
        tempo.change(960, 60)
        tempo.forget(1000)
        with pytest.raises(CommandError, match="gone by"):
            tempo.change(100, 90)
        assert [(p.tick, p.bpm) for p in tempo.pieces] == [(960, 60)]

    def test_stays_bounded(self) -> None:
        tempo = TempoMap(Anchor(0, 0, 120), most=16)
        for i in range(1, 100):
            tempo.change(i * 960, 100 + i)
        assert len(tempo.pieces) == 16

    @pytest.mark.parametrize("ms", [-40.0, -0.1, 0.1, 25.0])
    def test_a_nudge_moves_what_follows_by_so_much(self, ms: float) -> None:
        tempo = TempoMap(Anchor(0, 0, 120))
        tempo.nudge(960, ms)
        assert tempo.time_of(960) == 500_000_000
        assert tempo.time_of(1920) == 1_000_000_000 + round(ms * 1e6)
        assert tempo.time_of(4800) == 2_500_000_000 + round(ms * 1e6)
        assert tempo.last.bpm == 120

    def test_a_nudge_skips_and_repeats_nothing(self) -> None:
        tempo = TempoMap(Anchor(0, 0, 120))
        tempo.nudge(960, -100)
        tempo.nudge(1200, 60)
        times = [tempo.time_of(tick) for tick in range(900, 4000)]
        steps = {b - a for a, b in pairwise(times)}
        usual = 520_833
        assert min(steps) > 0.45 * usual
        assert max(steps) < 1.6 * usual

    def test_nudges_add_up_even_before_the_first_is_over(self) -> None:
        tempo = TempoMap(Anchor(0, 0, 120))
        tempo.nudge(960, 10)
        tempo.nudge(1000, 10)
        tempo.nudge(1040, -5)
        assert tempo.time_of(9600) == pytest.approx(5_015_000_000, abs=5)
        assert tempo.last.bpm == 120

    def test_a_nudge_too_large_is_clamped_to_half_its_passage(self) -> None:
        tempo = TempoMap(Anchor(0, 0, 120))
        tempo.nudge(0, -400)
        assert tempo.time_of(960) == 250_000_000

    @pytest.mark.parametrize("ms", [float("nan"), float("inf"), True, "5"])
    def test_a_nudge_that_is_no_number_is_refused(self, ms: object) -> None:
        tempo = TempoMap(Anchor(0, 0, 120))
        with pytest.raises(CommandError):
            tempo.nudge(0, ms)  # type: ignore[arg-type]
        assert tempo.pieces == (Anchor(0, 0, 120),)


class TestTap:
    @pytest.mark.parametrize("bpm", [20.0, 61.5, 120.0, 133.33, 399.0])
    def test_even_taps_give_their_tempo(self, bpm: float) -> None:
        tap = Tap()
        gap = 60e9 / bpm
        assert tap.tap(0) is None
        for i in range(1, 12):
            assert tap.tap(round(i * gap)) == pytest.approx(bpm, rel=1e-6)

    def test_uneven_taps_are_levelled(self) -> None:
        tap = Tap()
        shown = [tap.tap(i * 500_000_000 + (-1) ** i * 15_000_000) for i in range(8)]
        assert shown[-1] == pytest.approx(120, abs=1.5)
        assert shown[1] == pytest.approx(120 / 0.94, abs=0.1)  # one gap alone takes it all

    def test_a_pause_begins_anew(self) -> None:
        tap = Tap()
        tap.tap(0)
        tap.tap(500_000_000)
        assert tap.tap(5_000_000_000) is None
        assert tap.tap(5_400_000_000) == pytest.approx(150)

    def test_another_tempo_takes_over_at_once(self) -> None:
        tap = Tap()
        for i in range(6):
            tap.tap(i * 500_000_000)
        assert tap.tap(2_500_000_000 + 300_000_000) == pytest.approx(200)

    def test_a_tap_out_of_range_is_brought_into_it(self) -> None:
        tap = Tap()
        tap.tap(0)
        assert tap.tap(50_000_000) == HIGHEST_BPM
