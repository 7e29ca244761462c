"""The follower's face: what it says before, while and after it hears a clock.

Cases with jitter are in test_follower_scenarios.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.clocks import MS, Heard, period, stamps, steady, tails

from bridge.clock.follower import Follower
from bridge.clock.tempo import TICKS_PER_CLOCK


def fed(bpm: float, count: int) -> Follower:
    follower = Follower()
    for ns in steady(bpm, count):
        follower.pulse(round(ns))
    return follower


def test_before_the_second_pulse_nothing_is_known() -> None:
    follower = Follower()
    assert follower.state(0) == "waiting"
    assert follower.pulse(10**9) == 1
    assert follower.bpm == follower.display_bpm == follower.jitter_ms == 0
    with pytest.raises(ValueError, match="no clock"):
        follower.anchor()
    with pytest.raises(ValueError, match="no clock"):
        follower.time_of_clock(1)


@pytest.mark.parametrize("bpm", [20, 60, 133.33, 240, 400])
def test_an_exact_clock_is_followed_exactly(bpm: float) -> None:
    follower = fed(bpm, 120)
    assert follower.bpm == pytest.approx(bpm, rel=1e-6)
    assert follower.display_bpm == pytest.approx(bpm, rel=1e-4)
    assert (follower.pulses, follower.index) == (120, 120)
    assert follower.time_of_clock(121) == pytest.approx(1e9 + 120 * period(bpm), abs=10)
    assert follower.time_of_clock(121.5) == pytest.approx(1e9 + 120.5 * period(bpm), abs=10)


def test_the_anchor_counts_ticks_from_its_origin() -> None:
    follower = fed(120, 60)
    anchor = follower.anchor(origin=follower.index - 24)
    assert anchor.tick == 24 * TICKS_PER_CLOCK == 960
    assert anchor.time_of(960) == pytest.approx(1e9 + 59 * period(120), abs=10)
    assert anchor.time_of(0) == pytest.approx(1e9 + 35 * period(120), abs=10)


def test_reset_forgets_everything() -> None:
    follower = fed(120, 60)
    follower.reset()
    assert follower.pulses == follower.index == 0
    assert follower.state(10**12) == "waiting"
    assert follower.bpm == 0


def test_jitter_is_what_95_of_100_stay_below() -> None:
    """`tails`: half of a normal 0.2 ms, whose 95th percentile is 1.96 x 0.2 = 0.39 ms; two in a
    hundred are later, which moves it to the 97th of the rest: 0.43."""
    heard = Heard().feed(stamps(steady(128, 600), tails, 1))
    assert heard.follower.jitter_ms == pytest.approx(0.42, abs=0.12)


def test_each_stamp_is_the_next_clock_and_two_at_once_are_no_tempo() -> None:
    follower = Follower()
    assert [follower.pulse(ns) for ns in (0, MS, 20 * MS, 40 * MS)] == [1, 1, 1, 1]
    assert 14 < follower.bpm < 430
    assert follower.state(40 * MS) == "waiting"


def test_a_pause_after_the_first_pulse_begins_anew() -> None:
    follower = Follower()
    assert [follower.pulse(ns) for ns in (0, 900 * MS, 920 * MS, 940 * MS)] == [1, 1, 1, 1]
    assert follower.bpm == pytest.approx(125)


def test_after_a_long_silence_the_count_goes_on_and_the_lock_is_made_anew() -> None:
    follower = fed(120, 60)
    again = round(steady(120, 60)[-1]) + 60_000 * MS
    assert follower.state(again) == "lost"
    for i in range(6):
        assert follower.state(again) == ("lost" if i == 0 else "waiting")
        assert follower.pulse(again + i * 20 * MS) == 1
    assert follower.state(again + 100 * MS) == "locked"
    for i in range(6, 60):
        follower.pulse(again + i * 20 * MS)
    assert follower.index == 120
    assert follower.bpm == pytest.approx(125, abs=0.01)


def test_anew_makes_the_next_pulse_a_clock_wherever_it_falls() -> None:
    plain, told = fed(120, 60), fed(120, 60)
    near = round(steady(120, 60)[-1]) + 5 * MS
    assert plain.pulse(near) == 1
    told.anew()
    assert told.pulse(near) == 1
    assert told.time_of_clock(62) == pytest.approx(near + period(120), abs=MS)


@given(
    st.lists(
        st.one_of(
            st.integers(0, 100 * MS),
            st.sampled_from([0, 1, 20 * MS, 20 * MS, 20 * MS, 10 * MS, 40 * MS, 40_000 * MS]),
        ),
        max_size=120,
    ),
    st.lists(st.integers(0, 119), max_size=3),
)
def test_no_stamps_break_it(gaps: list[int], starts: list[int]) -> None:
    """Whatever arrives: numbers stay finite, the count adds up, the line leads forward in time."""
    follower = Follower()
    now = 0
    count = 0
    for i, gap in enumerate(gaps):
        now += gap
        if i in starts:
            follower.anew()
        count += follower.pulse(now)
        assert follower.index == count
        assert follower.pulses == i + 1
        assert 0 <= follower.bpm < 1e6
        assert 0 <= follower.display_bpm < 1e6
        if follower.period_ns:
            here = follower.time_of_clock(follower.index)
            assert here <= follower.time_of_clock(follower.index + 1)
            assert follower.anchor().bpm > 0
