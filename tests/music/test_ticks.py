"""Musical time. Swing is held against its definition; ratios against tests/reference/timing."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.music.model import SetSpec
from bridge.music.ticks import (
    Bend,
    Position,
    Swing,
    first_step_from,
    parse_rate,
    position,
    rate_text,
    step_tick,
)

FOUR = SetSpec("four quarters")


@pytest.mark.parametrize(
    ("text", "ticks"),
    [
        ("1/1", 3840),
        ("1/2", 1920),
        ("1/4", 960),
        ("1/8", 480),
        ("1/16", 240),
        ("1/32", 120),
        ("1/64", 60),
        ("1/4T", 640),
        ("1/8T", 320),
        ("1/16T", 160),
        ("1/4.", 1440),
        ("1/8.", 720),
        ("1/16.", 360),
        ("3/32", 360),
        ("5/16", 1200),
        ("3:4", 1280),
        ("4:3", 720),
        ("7:4", Fraction(3840, 7)),
        (" 1/8 ", 480),
    ],
)
def test_rates(text: str, ticks: int) -> None:
    assert parse_rate(text) == ticks


@pytest.mark.parametrize(
    "text",
    [
        "",
        "16",
        "1/",
        "/4",
        "1/0",
        "0:4",
        "1/8t",
        "1/8TT",
        "1/8.T",
        "x",
        "1/512",
        "65/1",
        "-1/4",
        "1.5/4",
        "0/4",
        "1 / 4",
    ],
)
def test_what_is_not_a_rate_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"rate|zero|steps|range"):
        parse_rate(text)


@given(st.integers(1, 200), st.integers(1, 200))
def test_any_fraction_reads_back(upper: int, lower: int) -> None:
    step = Fraction(3840 * upper, lower)
    if Fraction(15) <= step <= 3840 * 64:
        assert parse_rate(rate_text(step)) == step


@pytest.mark.parametrize("text", ["1/16", "1/8T", "1/8.", "1/1", "5/16", "1/4T"])
def test_usual_rates_keep_their_usual_form(text: str) -> None:
    assert rate_text(parse_rate(text)) == text


@given(st.integers(0, 10**6), st.fractions(Fraction(15), Fraction(4000), max_denominator=64))
def test_steps_never_drift(index: int, step: Fraction) -> None:
    assert abs(step_tick(index, step) - index * step) <= Fraction(1, 2)
    assert step_tick(index + step.denominator, step) - step_tick(index, step) == step.numerator


@given(
    st.integers(0, 10**6),
    st.fractions(Fraction(15), Fraction(4000), max_denominator=64),
    st.integers(0, 5000),
)
def test_first_step_from(tick: int, step: Fraction, origin: int) -> None:
    index = first_step_from(tick, step, origin)
    assert step_tick(index, step, origin) >= tick
    assert index == 0 or step_tick(index - 1, step, origin) < tick


def test_three_against_four_meet_once_a_bar() -> None:
    three, four = parse_rate("3:4"), parse_rate("1/4")
    threes = {step_tick(i, three) for i in range(9)}
    fours = {step_tick(i, four) for i in range(12)}
    assert threes & fours == {0, 3840, 7680}


@pytest.mark.parametrize(
    ("tick", "meter", "place"),
    [
        (0, (4, 4), Position(1, 1, 0)),
        (3839, (4, 4), Position(1, 4, 959)),
        (3840, (4, 4), Position(2, 1, 0)),
        (2880, (3, 4), Position(2, 1, 0)),
        (3360, (7, 8), Position(2, 1, 0)),
        (500, (7, 8), Position(1, 2, 20)),
    ],
)
def test_bar_and_beat(tick: int, meter: tuple[int, int], place: Position) -> None:
    assert position(tick, meter) == place


def of_set(percent: float, bar: int = 3840) -> Bend:
    """The swing of a set, as it bends a lane of sixteenths."""
    return Bend(percent, 240, bar, binary=True)


@pytest.mark.parametrize("percent", [50, 54, 60, 200 / 3, 75])
def test_swing_gives_the_first_of_each_pair_its_percentage(percent: float) -> None:
    """The definition: percent of each pair of sixteenths given to the first."""
    bend = of_set(percent)
    for pair in range(0, 3840, 480):
        assert bend.at(pair) == 0
        assert (240 + bend.at(pair + 240)) / 480 == pytest.approx(percent / 100)


@pytest.mark.parametrize(
    ("ratio", "percent"),
    [(1, 50), (1.5, 60), (2, 66.6667), (3, 75), (4, 80), (0.25, 20), (2 / 3, 40)],
)
def test_swing_percent_and_ratio(ratio: float, percent: float) -> None:
    """tests/reference timing table, swing_ratio_to_percent: 100 r / (1 + r)."""
    long = 240 + of_set(percent).at(240)
    assert long / (480 - long) == pytest.approx(ratio, rel=1e-5)


@given(
    st.floats(20, 80),
    st.lists(st.integers(0, 128), min_size=2, unique=True),
    st.sampled_from([3840, 1680, 840, 720, 1200, 240, 60]),
)
def test_swing_keeps_the_order_of_straight_hits(
    percent: float, places: list[int], bar: int
) -> None:
    """In bars of any meter: 4/4, 7/16, 7/32, 3/16, 5/16, 1/16, 1/64."""
    grid = sorted(place * 30 for place in places)
    sounding = [tick + of_set(percent, bar).at(tick) for tick in grid]
    assert sounding == sorted(sounding)
    assert len(set(sounding)) == len(sounding)


@pytest.mark.parametrize(("meter", "late"), [((7, 16), {1, 3, 5}), ((3, 16), {1}), ((5, 8), None)])
def test_a_downbeat_is_never_late(meter: tuple[int, int], late: set[int] | None) -> None:
    """Pairs of sixteenths begin at the bar line; the last of an odd number has no partner."""
    bar = 3840 * meter[0] // meter[1]
    count = bar // 240
    found = {step for step in range(3 * count) if of_set(60, bar).at(step * 240)}
    expected = late if late is not None else set(range(1, count, 2))
    assert found == {step + bars * count for bars in range(3) for step in expected}


def test_below_the_middle_the_second_of_a_pair_comes_early() -> None:
    """The definition again: 40 percent of a pair of sixteenths (480 ticks) are 192."""
    assert [tick + of_set(40).at(tick) for tick in range(0, 960, 240)] == [0, 192, 480, 672]


def test_triplets_do_not_swing() -> None:
    assert all(of_set(66).at(step_tick(i, Fraction(320))) == 0 for i in range(24) if i % 3)
    for rate in (320, 160, 80, Fraction(3840, 7), 1280):
        assert Swing(Fraction(rate), FOUR).bends(66) == ()


def test_a_swing_of_its_own_bends_the_lanes_own_steps() -> None:
    (bend,) = Swing(Fraction(480), FOUR, own=True).bends(60)
    # 60 % of two eighths (960) is 576.
    assert [bend.at(tick) for tick in (0, 480, 960, 1440)] == pytest.approx([0, 96, 0, 96])


@given(st.integers(0, 300), st.sampled_from([Fraction(3840, 7), Fraction(1000, 3), Fraction(137)]))
def test_steps_that_are_no_whole_ticks_swing_by_their_exact_length(n: int, step: Fraction) -> None:
    """Rates that do not fit the bar count their pairs from the start; those that fit it count from
    the bar line."""
    (bend,) = Swing(step, FOUR, own=True).bends(60)
    number = n % 7 if step == Fraction(3840, 7) else n
    expected = 0.2 * float(step) if number & 1 else 0
    assert bend.at(step_tick(n, step)) == pytest.approx(expected)


def test_what_lies_between_two_steps_moves_in_proportion() -> None:
    (bend,) = Swing(Fraction(240), FOUR, led=True).bends(75)
    assert [bend.at(tick) for tick in (0, 80, 160, 240, 320, 400, 480)] == pytest.approx(
        [0, 40, 80, 120, 80, 40, 0]
    )
