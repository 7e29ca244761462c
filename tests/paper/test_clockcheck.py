"""The verdict on a clock, over clocks whose faults are known because they were put in."""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from support.clocks import (
    MS,
    Late,
    both_ways,
    clock,
    exact,
    frames,
    gauss,
    ramp,
    stamps,
    steady,
    tails,
)
from support.hosts import block_ns, host

from bridge.paper.clockcheck import HEARD_MS, check
from bridge.paper.clocktext import histogram, strip, text


def test_the_limit_of_what_is_heard_is_the_published_one(reference: Path) -> None:
    """tests/reference/timing.yaml: Friberg and Sundberg 1995."""
    entries = yaml.safe_load((reference / "timing.yaml").read_text(encoding="utf-8"))["entries"]
    assert {entry["id"]: entry["value"] for entry in entries}["jnd_absolute"] == HEARD_MS


@pytest.mark.parametrize("bpm", [40, 128, 133.33, 240])
def test_an_exact_clock_is_good(bpm: float) -> None:
    report = check(stamps(steady(bpm, 400), exact, 0))
    assert report.grade == "good"
    assert report.bpm == pytest.approx(bpm, abs=0.001)
    assert report.seconds == pytest.approx(399 * 60 / bpm / 24)
    assert (report.missing, report.doubled, report.bunched) == (0, 0, 0)
    assert report.worst_ms < 0.01
    assert report.advice == ()
    assert f"{bpm:.2f} bpm" in report.verdict


@pytest.mark.slow
def test_percentiles_are_those_of_the_lateness_put_in() -> None:
    """Half of a normal 1 ms: half within 0.674 ms, 95 of 100 within 1.960, 99 within 2.576 (any
    table of the normal distribution)."""
    report = check(stamps(steady(128, 5000), gauss, 7))
    assert report.p50_ms == pytest.approx(0.674, abs=0.06)
    assert report.p95_ms == pytest.approx(1.960, abs=0.1)
    assert report.p99_ms == pytest.approx(2.576, abs=0.2)
    assert len(report.late_ms) == 5000
    assert report.worst_ms == max(report.late_ms)
    assert min(report.late_ms) >= -1e-6


@pytest.mark.parametrize(
    ("late", "grade"),
    [(exact, "good"), (frames, "good"), (tails, "good"), (gauss, "usable"), (both_ways, "usable")],
)
def test_grades_of_known_links(late: Late, grade: str) -> None:
    assert check(stamps(steady(128, 800), late, 1)).grade == grade


def test_very_uneven_is_rough() -> None:
    rng = random.Random(3)
    times = [round(t + rng.uniform(0, 9) * MS) for t in steady(128, 800)]
    report = check(sorted(times))
    assert report.grade == "rough"
    assert any("jitter is large" in sentence for sentence in report.advice)


@pytest.mark.parametrize("gone", [[300], [200, 300, 400], [250, 251, 252]])
def test_lost_pulses_are_counted(gone: list[int]) -> None:
    arrivals = [ns for i, ns in enumerate(stamps(steady(128, 600), gauss, 2)) if i not in gone]
    report = check(arrivals)
    assert (report.missing, report.doubled, report.bunched) == (len(gone), 0, 0)
    assert report.bpm == pytest.approx(128, abs=0.02)
    assert any("never came" in sentence for sentence in report.advice)
    assert "none lost" not in report.verdict


def test_single_doubled_pulses_are_counted() -> None:
    arrivals = stamps(steady(128, 600), gauss, 2)
    report = check(sorted([*arrivals, arrivals[100] + MS, arrivals[400] + MS]))
    assert (report.missing, report.doubled) == (0, 2)
    assert report.advice[0].startswith("2 pulses came twice")


def test_a_clock_that_comes_by_two_ways() -> None:
    arrivals = stamps(steady(128, 400), exact, 0)
    report = check(sorted(arrivals + [ns + 3 * MS for ns in arrivals]))
    assert report.grade == "rough"
    assert report.doubled == 400
    assert report.bpm == pytest.approx(128, abs=0.05)
    assert report.advice[0].startswith("Every pulse comes twice")


def test_a_bunch_is_late_and_not_lost() -> None:
    arrivals = stamps(steady(128, 600), gauss, 2)
    arrivals[300:306] = [arrivals[305] + i * 1000 for i in range(6)]
    report = check(arrivals)
    assert (report.missing, report.doubled, report.bunched) == (0, 0, 5)
    assert any("in a bunch" in sentence for sentence in report.advice)


@pytest.mark.parametrize(("low", "high"), [(128, 64), (64, 128), (120, 126), (140, 120)])
def test_a_tempo_that_jumps_is_neither_jitter_nor_fault(low: float, high: float) -> None:
    report = check(stamps(clock([low] * 200 + [high] * 200), gauss, 4))
    assert (report.missing, report.doubled) == (0, 0)
    assert report.bpm_low == pytest.approx(min(low, high), rel=0.005)
    assert report.bpm_high == pytest.approx(max(low, high), rel=0.005)
    assert report.p99_ms < 3.5
    assert any("tempo moved" in sentence for sentence in report.advice)
    assert " to " in report.verdict


def test_a_ramp_is_not_jitter() -> None:
    report = check(stamps(clock([120] * 100 + ramp(120, 140, 700)), exact, 4))
    assert report.p95_ms < 1.5
    assert report.bpm_low == pytest.approx(120, abs=0.5)
    assert report.bpm_high == pytest.approx(138.6, abs=0.5)  # the mean of the last bar


def test_usb_frames_are_named_and_a_steady_clock_is_not_taken_for_them() -> None:
    assert any("USB" in s for s in check(stamps(steady(128, 400), frames, 1)).advice)
    assert check(stamps(steady(125, 400), exact, 1)).advice == ()  # 20 ms exactly
    assert not any("USB" in s for s in check(stamps(steady(128, 400), gauss, 1)).advice)


def test_a_few_very_late_ones_are_named() -> None:
    report = check(stamps(steady(128, 800), tails, 1))
    assert report.worst_ms > 6
    assert any("a few are late" in sentence for sentence in report.advice)


@pytest.mark.parametrize("count", [0, 1, 2, 23])
def test_too_few_pulses_are_no_clock(count: int) -> None:
    report = check(stamps(steady(128, count), exact, 0))
    assert report.grade == "none"
    assert report.verdict.startswith("No clock")
    assert text(report).startswith("No clock")


@given(st.lists(st.integers(0, 200 * MS), max_size=150), st.integers(40, 120))
def test_any_stamps_give_a_report_that_fits(gaps: list[int], width: int) -> None:
    now = 0
    arrivals = [now := now + gap for gap in gaps]
    report = check(arrivals)
    assert report.pulses == len(gaps)
    assert report.missing >= 0
    assert report.doubled >= 0
    assert report.bunched >= 0
    assert 0 <= report.p50_ms <= report.p95_ms <= report.p99_ms <= report.worst_ms
    assert all(len(line) <= width for line in text(report, width).splitlines())


def test_the_text_says_what_the_report_does() -> None:
    report = check(stamps(steady(128, 800), tails, 1))
    said = text(report)
    for part in (
        report.verdict.split(":")[0],
        f"{report.bpm:.2f} bpm",
        f"{report.p99_ms:.2f} ms 99 of 100",
        f"{report.worst_ms:.2f} ms at worst",
        "missing  0, doubled 0, bunched 0",
    ):
        assert part in said


def test_the_histogram_counts_every_pulse_once() -> None:
    late = check(stamps(steady(128, 500), gauss, 3)).late_ms
    rows = histogram(late, 72)
    assert sum(int(row.split()[-1]) for row in rows) == 500
    assert 3 <= len(rows) <= 9
    lefts = [float(row.split()[0]) for row in rows]
    steps = {round(b - a, 6) for a, b in pairwise(lefts)}
    assert len(steps) == 1
    fullest = max(rows, key=lambda row: int(row.split()[-1]))
    assert fullest.count("█") == max(row.count("█") for row in rows)


@pytest.mark.parametrize(
    ("worst", "step"), [(0.3, 0.05), (0.9, 0.2), (2.9, 0.5), (7.9, 1.0), (12, 2.0), (35, 5.0)]
)
def test_the_steps_of_the_histogram_are_round(worst: float, step: float) -> None:
    rows = histogram([0.0, worst], 72)
    assert float(rows[1].split()[0]) == step


def test_the_strip_is_as_high_as_the_latest() -> None:
    drawn = strip([0.0] * 50 + [4.0] + [0.0] * 49 + [2.0] * 4, 104)
    assert len(drawn) == 104
    assert drawn.count("█") == 1
    assert drawn.index("█") == 50
    assert drawn[-1] == "▄"
    assert drawn[0] == "▁"


@pytest.mark.parametrize(
    ("frames", "rate", "said"),
    [
        (
            1024,
            48_000,
            "in blocks of 21.3 ms (1024 frames at 48 kHz): a smaller buffer in the host",
        ),
        (2048, 44_100, "in blocks of 46.4 ms (2048 frames at 44.1 kHz): a smaller buffer"),
        (256, 48_000, "in blocks of 5.3 ms (256 frames at 48 kHz): a smaller buffer"),
    ],
)
@pytest.mark.parametrize("bpm", [61, 97, 121, 174, 290])
def test_audio_blocks_are_named(frames: int, rate: int, said: str, bpm: float) -> None:
    times = steady(bpm, int(10 * bpm * 24 / 60))
    report = check(host(times, block_ns(frames, rate), 5))
    assert said in " ".join(report.advice)
    assert (report.missing, report.doubled) == (0, 0)
    assert report.bpm == pytest.approx(bpm, rel=0.005)
    assert bpm * 0.99 < report.bpm_low <= report.bpm_high < bpm * 1.01


@pytest.mark.parametrize("seed", range(6))
def test_half_of_the_pulses_stalling_is_late_and_nothing_else(seed: int) -> None:
    """12 to 40 ms: no pulse is missing, none came twice, and the tempo did not move."""
    rng = random.Random(seed)
    times = [t + (rng.uniform(12, 40) * MS if rng.random() < 0.5 else 0) for t in steady(120, 480)]
    report = check(sorted(map(round, times)))
    assert (report.missing, report.doubled) == (0, 0)
    assert report.bpm == pytest.approx(120, rel=0.005)
    assert report.grade == "rough"


@pytest.mark.parametrize("seed", range(6))
def test_two_clocks_are_said_with_their_tempos(seed: int) -> None:
    rng = random.Random(seed)
    one, two = rng.uniform(60, 200), rng.uniform(60, 200)
    both = host(steady(one, int(10 * one * 0.4)), 0, 1) + host(
        steady(two, int(10 * two * 0.4)), 0, 2
    )
    report = check(sorted(both))
    low, high = sorted((one, two))
    assert report.verdict.startswith("Two clocks on one input")
    assert report.two == pytest.approx((low, high), abs=0.7)
    assert "Take one of the two away" in " ".join(report.advice)


def test_pulses_by_seconds_agree_with_the_tempo_or_it_is_said_why_not() -> None:
    times = stamps(steady(120, 480), gauss, 1)
    cases = [times, [*times[:200], *times[240:]], stamps(clock([90] * 300 + [150] * 300), gauss, 2)]
    cases += [host(steady(133, 600), block_ns(1024, 44_100), seed) for seed in range(4)]
    for arrivals in cases:
        report = check(arrivals)
        rate = (report.pulses - 1) / report.seconds * 2.5
        agrees = abs(rate / report.bpm - 1) < 0.01
        assert agrees or any(" make " in sentence for sentence in report.advice)
