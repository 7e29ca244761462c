"""Reports of MIDI clocks that are made up with a seed, so that the truth is known.

24 pulses to the quarter: MIDI 1.0 Detailed Specification 4.2.1, p. 30.
"""

from __future__ import annotations

import random

import numpy as np
import pytest

from bridge.paper.clock_report import analyse, good, lines, plot, verdict


def clock(bpm: float, pulses: int, jitter_ms: float = 0.0, seed: int = 1) -> list[int]:
    """Stamps in ns of an even clock with normal jitter."""
    draw = random.Random(seed)
    period = 60e9 / bpm / 24
    return [round(1e9 + n * period + draw.gauss(0, jitter_ms * 1e6)) for n in range(pulses)]


@pytest.mark.parametrize("bpm", [20, 128, 133.33, 300])
def test_tempo_of_an_even_clock(bpm: float) -> None:
    report = analyse(clock(bpm, 400))
    assert report is not None
    assert report.bpm == pytest.approx(bpm, abs=1e-3)
    assert report.within(1) < 0.001
    assert (report.missing, report.doubled, report.pauses) == (0, 0, 0)
    assert good(report)


@pytest.mark.parametrize("jitter", [0.5, 2.0])
def test_jitter_percentiles_agree_with_the_reference_library(jitter: float) -> None:
    stamps = clock(128, 960, jitter, seed=4)
    report = analyse(stamps)
    assert report is not None
    truth = np.abs((np.array(stamps) - np.array(clock(128, 960))) / 1e6)
    for share in (0.5, 0.95, 0.99):
        # lines through windows of four beats follow a little of the jitter itself
        assert report.within(share) == pytest.approx(np.quantile(truth, share), rel=0.12)
    assert report.bpm == pytest.approx(128, abs=0.02)


def test_missing_and_doubled_pulses_are_counted() -> None:
    stamps = clock(120, 480, 0.3, seed=2)
    lost = {100, 200, 201, 300}
    twice = [stamps[50] + 1_000_000, stamps[250] + 2_000_000]
    report = analyse(sorted([ns for n, ns in enumerate(stamps) if n not in lost] + twice))
    assert report is not None
    assert (report.missing, report.doubled) == (4, 2)
    assert report.bpm == pytest.approx(120, abs=0.05)
    assert not good(report)
    said = " ".join(verdict(report))
    assert "missing" in said
    assert "doubled" in said


def test_a_pause_is_not_so_many_lost_pulses() -> None:
    first = clock(120, 240)
    later = [ns + 5_000_000_000 for ns in clock(120, 240)]
    report = analyse(first + [first[-1] + ns for ns in later])
    assert report is not None
    assert (report.missing, report.pauses) == (0, 1)
    assert report.within(1) < 0.001


def test_a_moving_tempo_is_told_and_is_not_jitter() -> None:
    now, stamps = 0.0, []
    for n in range(960):
        stamps.append(round(now))
        now += 60e9 / 24 / (120 + 10 * n / 960)
    report = analyse(stamps)
    assert report is not None
    assert report.first_bpm == pytest.approx(121.25, abs=0.2)  # the middle of its quarter
    assert report.last_bpm == pytest.approx(128.75, abs=0.2)
    assert report.within(0.95) < 1.5
    assert "from 121.2 to 128.7" in "\n".join(lines(report, "desk", 20))


@pytest.mark.parametrize("count", [0, 1, 47])
def test_too_little_to_say_anything(count: int) -> None:
    assert analyse(clock(120, count)) is None
    assert not good(None)
    assert "no clock to speak of came from desk in 10 s" in lines(None, "desk", 10)[0]


@pytest.mark.parametrize(
    ("jitter", "word", "fine"),
    [(0.2, "steady", True), (2.0, "usable", True), (6.0, "rough", False)],
)
def test_the_verdict(jitter: float, word: str, fine: bool) -> None:
    report = analyse(clock(60, 480, jitter, seed=3))
    assert report is not None
    assert verdict(report)[0].startswith(word)
    assert good(report) is fine


def test_the_plot_has_the_most_where_the_most_is() -> None:
    drawn = plot([-1.0, *[0.0] * 10, 1.0], rows=3, width=10)
    assert drawn == ["   -0.67 ms |#", "   +0.00 ms |##########", "   +0.67 ms |#"]
    assert plot([0.0] * 5, rows=3)[1].count("#") == 40


def test_the_words_of_a_report() -> None:
    said = lines(analyse(clock(128, 480)), "desk", 10)
    assert said[:5] == [
        "desk: 480 pulses, 20 beats",
        "tempo    128.00 BPM",
        "jitter   half within 0.00 ms, 95% within 0.00, 99% within 0.00, worst 0.00",
        "missing  0",
        "doubled  0",
    ]
    assert said[-1] == "steady: good to follow."
