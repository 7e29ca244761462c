"""Sample numbers against the monotonic clock: blocks arrive late, never early."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.listen.clock import SPAN_S, Pace, SampleClock

FRAMES = 128


def run(
    clock: SampleClock,
    seconds: float,
    rate: float,
    seed: int,
    late_us: float = 200.0,
    start_ns: int = 10**15,
    first: int = 0,
) -> None:
    """Blocks of a device whose crystal makes `rate` samples a second, each handed over late by
    an exponential delay, and one in forty by another 3 ms."""
    random = np.random.default_rng(seed)
    for number in range(first, first + round(seconds * rate), FRAMES):
        late = random.exponential(late_us * 1000)
        late += 3e6 if random.random() < 1 / 40 else 0.0
        clock.add(number, start_ns + round(number * 1e9 / rate + late))


@pytest.mark.parametrize("rate", [48000.0, 48004.8, 44095.6])
@pytest.mark.parametrize("seed", range(2))
def test_late_blocks_move_the_time_of_a_sample_by_far_less_than_half_a_millisecond(
    rate: float, seed: int
) -> None:
    clock = SampleClock(round(rate, -2))
    run(clock, 4.0, rate, seed)
    for sample in (2.5 * rate, 4.0 * rate):
        assert clock.ns_of(sample) == pytest.approx(10**15 + sample * 1e9 / rate, abs=150_000)
        assert clock.sample_of(clock.ns_of(sample)) == pytest.approx(sample, abs=0.1)


def test_before_the_rate_can_be_told_the_nominal_one_is_used() -> None:
    clock = SampleClock(48000.0)
    run(clock, SPAN_S * 0.9, 44100.0, 1)
    assert clock.ns_of(48000) - clock.ns_of(0) == 10**9


@pytest.mark.parametrize(("rate", "said"), [(44100.0, 48000.0), (48000.0, 44100.0)])
def test_the_rate_that_really_comes_is_told_in_spite_of_a_hiccup(rate: float, said: float) -> None:
    pace, hiccup = Pace(), 0
    random = np.random.default_rng(5)
    for number in range(0, round(4 * rate), FRAMES):
        hiccup = 60_000_000 if number > rate else 0
        pace.add(number, round(number * 1e9 / rate + random.exponential(2e5)) + hiccup)
    assert pace.off(said, 0.03) == pytest.approx(rate, rel=2e-3)
    assert pace.off(rate, 0.03) is None


def test_samples_that_are_lost_now_and_then_are_no_other_rate() -> None:
    """Two blocks in thirty are lost: six percent, in clumps as on a busy machine."""
    pace, brought = Pace(), 0
    random = np.random.default_rng(6)
    for k in range(0, round(4 * 48000 / FRAMES)):
        if (k // 24) % 15:
            brought += FRAMES
        pace.add(brought, round(k * FRAMES * 1e9 / 48000 + random.exponential(5e5)))
    assert pace.off(48000.0, 0.03) is None


def test_the_rate_is_not_judged_in_the_first_seconds() -> None:
    pace = Pace()
    for number in range(0, 96000, FRAMES):
        pace.add(number, round(number * 1e9 / 44100))
    assert pace.off(48000.0, 0.03) is None


def test_lost_samples_show_as_blocks_that_all_come_late() -> None:
    clock = SampleClock(48000.0)
    run(clock, 3.0, 48000.0, 3)
    assert clock.late_ns < 1e6
    run(clock, 0.1, 48000.0, 4, start_ns=10**15 + 20_000_000, first=144128)
    assert clock.late_ns > 10e6
