"""Lanes of hits: what becomes of a step."""

from __future__ import annotations

from fractions import Fraction
from itertools import accumulate, pairwise
from math import lcm
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from support.said import carry_out
from support.sets import BAR, STEP, grids, hits_of, in_windows, pattern, renderer, score_of, steps

from bridge.music.euclid import euclid
from bridge.music.model import Direction, Euclid, Every, Fill, Lane, Logic, Passes, Steps
from bridge.music.pattern import steps_text
from bridge.music.render import events_between
from bridge.music.ticks import parse_rate


def lane_with(text: str = "x", rate: str = "1/16", **values: float) -> Lane:
    return steps("a", text, rate, settings=values)


def first_hits(lane: Lane, ticks: int = BAR, **spec: Any) -> list[tuple[int, int, float]]:
    return [(e.tick, e.length, e.value) for e in hits_of(score_of(lane, **spec), ticks, lane.name)]


# --- sources ---


@pytest.mark.parametrize(
    ("hits", "count", "turn"), [(4, 16, 0), (5, 16, 2), (7, 12, 0), (3, 8, -1)]
)
def test_a_euclid_lane_plays_its_pattern(hits: int, count: int, turn: int) -> None:
    lane = Lane("a", Euclid(), settings={"hits": hits, "steps": count, "rotate": turn})
    text = steps_text(euclid(hits, count, turn))
    assert pattern(score_of(lane), 3 * count, "a") == text * 3


def test_every_divides_the_clock() -> None:
    score = score_of(Lane("a", Every(3), advance=parse_rate("1/8T")))
    assert grids(score, BAR, "a") == [0, 960, 1920, 2880]


def test_fills_end_every_so_many_passes() -> None:
    lane = Lane("a", Euclid(Fill(4, 4, every=3)), settings={"hits": 2, "steps": 8})
    assert pattern(score_of(lane), 48, "a") == ("x...x..." * 2 + "x...xxxx") * 2


@pytest.mark.parametrize(
    ("direction", "played"),
    [("forward", "xx.." * 2), ("backward", "..xx" * 2), ("back-and-forth", "xx...xxx")],
)
def test_directions(direction: str, played: str) -> None:
    lane = Lane("a", Steps((1, 1, 0, 0)), direction=direction)  # type: ignore[arg-type]
    assert pattern(score_of(lane), 8, "a") == played


def test_length_cuts_and_repeats() -> None:
    assert pattern(score_of(lane_with("x.xx", length=3)), 6, "a") == "x.xx.x"
    assert pattern(score_of(lane_with("x..", length=5)), 10, "a") == "x..x.x..x."


# --- rates and polymeter ---


@settings(deadline=None, max_examples=25, derandomize=True)
@given(st.integers(2, 9), st.integers(2, 9), st.sampled_from(["1/16", "1/8T", "1/16."]))
def test_polymeter_repeats_after_its_least_common_multiple_and_not_before(
    a: int, b: int, rate: str
) -> None:
    """One hit in a steps against one hit in b: together they repeat after lcm(a, b) steps."""
    one, other = steps("a", "x" + "." * (a - 1), rate), steps("b", "x" + "." * (b - 1), rate)
    score = score_of(one, other)
    step = int(parse_rate(rate))
    period = lcm(a, b) * step
    events = [(e.lane, e.tick) for e in events_between(score, 0, 3 * period)]

    def repeats_after(shift: int) -> bool:
        span = {event for event in events if event[1] < 2 * period}
        until = 2 * period + shift
        return span == {(lane, tick - shift) for lane, tick in events if shift <= tick < until}

    assert repeats_after(period)
    assert not any(repeats_after(k * step) for k in range(1, lcm(a, b)))


def test_three_against_four() -> None:
    score = score_of(lane_with(rate="3:4"), steps("b", "x", "1/4"))
    assert grids(score, BAR, "a") == [0, 1280, 2560]
    assert grids(score, BAR, "b") == [0, 960, 1920, 2880]


def test_free_ratios_never_drift() -> None:
    score = score_of(lane_with(rate="7:4"))
    assert grids(score, 1000 * BAR, "a")[::7] == list(range(0, 1000 * BAR, BAR))


# --- swing, shift, humanise ---


@pytest.mark.parametrize("percent", [50, 54, 60, 75])
def test_swing_of_the_set_gives_the_first_sixteenth_its_share(percent: float) -> None:
    ticks = [tick for tick, _, _ in first_hits(lane_with(), swing=percent)]
    for pair in range(0, len(ticks) - 2, 2):
        long, both = ticks[pair + 1] - ticks[pair], ticks[pair + 2] - ticks[pair]
        assert both == 480
        assert long == round(480 * percent / 100)


def test_swing_leaves_eighths_and_triplets_and_bends_halves_of_sixteenths() -> None:
    for rate in ("1/8", "1/8T", "1/4"):
        score = score_of(lane_with(rate=rate), swing=66)
        assert all(e.tick == e.grid for e in hits_of(score, BAR, "a"))
    halves = [tick for tick, _, _ in first_hits(lane_with(rate="1/32"), 480, swing=60)]
    assert halves == [0, 144, 288, 384]


def test_a_lane_with_its_own_swing_bends_its_own_steps() -> None:
    ticks = [tick for tick, _, _ in first_hits(lane_with(rate="1/8", swing=60), swing=50)]
    assert ticks == [0, 576, 960, 1536, 1920, 2496, 2880, 3456]


def test_shift_in_steps_and_in_milliseconds() -> None:
    assert first_hits(lane_with(".x", shift=0.25))[0][0] == 300
    assert first_hits(lane_with(".x", shift=-0.25))[0][0] == 180
    # At 125 beats per minute a quarter lasts 480 ms: one millisecond is two ticks.
    assert first_hits(lane_with(".x", shift_ms=-30), tempo=125)[0][0] == 180
    assert first_hits(lane_with(".x", shift_ms=12.5), tempo=125)[0][0] == 265


def test_the_beginning_is_as_early_as_it_gets() -> None:
    assert first_hits(lane_with("x...", shift=-0.5))[0][0] == 0


def test_humanise_is_bounded_and_spread_evenly() -> None:
    score = score_of(lane_with(humanise_ms=10, humanise_level=0.1), tempo=125, seed=3)
    events = hits_of(score, 200 * BAR, "a")[1:]
    late = [e.tick - e.grid for e in events]
    assert min(late) >= -20
    assert max(late) <= 20
    assert stats.kstest([x / 20 for x in late], stats.uniform(-1, 2).cdf).pvalue > 0.001
    levels = [e.value for e in events]
    assert stats.kstest(levels, stats.uniform(0.7, 0.2).cdf).pvalue > 0.001


# --- level, accents, gates ---


def test_accents_rise_towards_one() -> None:
    values = [v for _, _, v in first_hits(lane_with("xX", level=0.6, accent=0.5), 480)]
    assert values == pytest.approx([0.6, 0.8])


def test_an_accent_pattern_has_its_own_length() -> None:
    lane = Lane("a", Steps((1, 1)), accents=(2, 0, 1), settings={"level": 0.5})
    values = [v for _, _, v in first_hits(lane, 6 * STEP)]
    assert values == pytest.approx([1, 0.5, 0.75, 1, 0.5, 0.75])


def test_gate_lengths() -> None:
    assert first_hits(lane_with(gate=0.25))[0][1] == 60
    assert first_hits(lane_with(rate="1/8T", gate=2))[0][1] == 640
    assert first_hits(lane_with(gate=0.5, gate_ms=15), tempo=125)[0][1] == 30
    assert first_hits(lane_with(gate=0.01, rate="1/128"))[0][1] == 1


@settings(deadline=None, max_examples=25, derandomize=True)
@given(st.lists(st.integers(0, 2), min_size=1, max_size=9).map(tuple), st.floats(0.2, 1))
def test_a_tie_lasts_until_the_next_hit(marks: tuple[int, ...], likely: float) -> None:
    lane = Lane("a", Steps(marks), tie=True, settings={"chance": likely, "swing": 57})
    events = hits_of(score_of(lane), 4 * BAR, "a")
    for event, following in pairwise(events):
        assert event.length == min(following.tick - event.tick, 4 * BAR)


def test_ties_look_through_windows_of_any_size() -> None:
    score = score_of(Lane("a", Steps((1, 0, 0, 0, 0, 1, 0)), tie=True))
    events = in_windows(renderer(score), list(range(5, 2 * BAR, 5)))
    assert [e.length for e in events[:4]] == [1200, 480, 1200, 480]


# --- repeats ---


def repeats(**values: Any) -> list[tuple[int, int, float]]:
    return first_hits(lane_with("x...", repeats=4, **values), 240)


def test_even_repeats() -> None:
    assert [t for t, _, _ in repeats()] == [0, 60, 120, 180]
    assert [n for _, n, _ in repeats()] == [30, 30, 30, 30]


@pytest.mark.parametrize("curve", [-1, -0.4, 0.4, 1])
def test_repeats_gather_and_scatter(curve: float) -> None:
    ticks = [t for t, _, _ in repeats(repeat_curve=curve)] + [240]
    gaps = [b - a for a, b in pairwise(ticks)]
    assert gaps == sorted(gaps, reverse=curve > 0)
    assert gaps[0] != gaps[-1]
    # The definition: hit j of n begins at (j / n) ** (2 ** -curve) of the step.
    assert ticks[:4] == [round(240 * (j / 4) ** (2**-curve)) for j in range(4)]


def test_repeats_ramp() -> None:
    assert [v for *_, v in repeats(level=0.8, repeat_ramp=-0.75)] == pytest.approx(
        [0.8, 0.6, 0.4, 0.2]
    )
    assert [v for *_, v in repeats(level=0.8, repeat_ramp=1)] == pytest.approx(
        [0, 0.8 / 3, 1.6 / 3, 0.8]
    )


@pytest.mark.parametrize("gate", [0.1, 0.9, 1, 4])
def test_the_gate_falls_between_repeats(gate: float) -> None:
    played = repeats(gate=gate)
    for (tick, length, _), (following, _, _) in pairwise(played):
        assert tick + length < following


def test_repeats_fit_into_the_swung_step() -> None:
    lane = lane_with(".x..", repeats=2)
    assert [t for t, _, _ in first_hits(lane, 480, swing=75)] == [360, 420]


# --- chance, density, passes ---


def test_chance_against_the_binomial_distribution() -> None:
    """Chi-square against scipy: how many of 16 steps sound in each of 800 bars."""
    score = score_of(lane_with(chance=0.4), seed=9)
    bars = 800
    counts = [0] * bars
    for grid in grids(score, bars * BAR, "a"):
        counts[grid // BAR] += 1
    classes = [range(5), range(5, 6), range(6, 7), range(7, 8), range(8, 17)]
    observed = [sum(count in group for count in counts) for group in classes]
    expected = [bars * sum(stats.binom.pmf(k, 16, 0.4) for k in group) for group in classes]
    assert stats.chisquare(observed, expected).pvalue > 0.001


def test_chance_differs_from_pass_to_pass_also_after_resets() -> None:
    score = score_of(Lane("a", Steps((1,) * 8), reset=1, settings={"chance": 0.5}))
    bars = [
        tuple(g - start for g in grids(score, start + BAR, "a") if g >= start)
        for start in range(0, 8 * BAR, BAR)
    ]
    assert len(set(bars)) == 8


def test_the_same_seed_plays_the_same_night_again() -> None:
    lane = lane_with(chance=0.5, humanise_ms=20)
    assert first_hits(lane, 8 * BAR, seed=1) == first_hits(lane, 8 * BAR, seed=1)
    assert first_hits(lane, 8 * BAR, seed=1) != first_hits(lane, 8 * BAR, seed=2)


def test_density_goes_from_nothing_to_every_step() -> None:
    text = "x..xx.x."
    played = [pattern(score_of(lane_with(text, density=d)), 8, "a") for d in (0, 0.3, 0.5, 0.8, 1)]
    assert played[0] == "........"
    assert played[1] == "x...x..."
    assert played[2] == text
    assert played[4] == "xxxxxxxx"
    assert played[3].count("x") > text.count("x")


def test_density_of_a_short_pattern_thins_by_the_place_in_the_bar() -> None:
    """Strong places go last: the first of the bar, its half, its quarters, its eighths."""
    played = [
        pattern(score_of(Lane("a", Every(1), settings={"density": d})), 16, "a")
        for d in (0, 0.04, 0.1, 0.125, 0.25, 0.4, 0.5)
    ]
    assert played[:5] == [
        "................",
        "x...............",
        "x.......x...x...",
        "x...x...x...x...",
        "x.x.x.x.x.x.x.x.",
    ]
    assert played[5].count("x") == 12
    assert all(played[5][place] == "x" for place in range(0, 16, 2))
    assert played[6] == "x" * 16


@pytest.mark.parametrize("text", ["x", "x.", ".x", "x..x", "xX.x", "..x."])
@pytest.mark.parametrize("density", [0.05, 0.2, 0.35, 0.49, 0.6, 0.8, 0.97])
def test_a_short_pattern_thins_as_the_same_pattern_written_out(text: str, density: float) -> None:
    long = text * (16 // len(text))
    short = score_of(lane_with(text, density=density))
    assert pattern(short, 48, "a") == pattern(score_of(lane_with(long, density=density)), 48, "a")


@pytest.mark.parametrize("text", ["x", "x.x", "x..x.", "xx.xx.x"])
@pytest.mark.parametrize(
    "more",
    [
        {},
        {"direction": "backward"},
        {"direction": "back-and-forth"},
        {"direction": "shuffle"},
        {"direction": "random-walk"},
        {"rate": "3/16"},
        {"rate": "1/8T"},
        {"rate": "3:4"},
    ],
)
def test_density_of_short_patterns_only_ever_adds(text: str, more: dict[str, Any]) -> None:
    densities = (0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1)
    ticks = 12 * BAR
    heard = [
        set(grids(score_of(steps("a", text, settings={"density": d}, **more)), ticks, "a"))
        for d in densities
    ]
    assert heard[0] == set()
    assert all(less <= greater for less, greater in pairwise(heard))
    assert len({len(one) for one in heard}) > 3, "it comes and goes at once"
    assert heard[5] == set(grids(score_of(steps("a", text, **more)), ticks, "a"))


def test_density_of_a_lane_moved_by_another_counts_its_moves() -> None:
    def count(density: float) -> int:
        lane = Lane("a", Every(1), advance="b", settings={"density": density})
        return len(grids(score_of(steps("b", "x..x"), lane), 64 * STEP, "a"))

    assert [count(d) for d in (0, 0.125, 0.25, 0.5)] == [0, 8, 16, 32]


@given(
    st.lists(st.integers(1, 900), max_size=40),
    st.sampled_from(["x", "x.x", "xx.x."]),
    st.sampled_from([0.1, 0.3, 0.45, 0.7]),
    st.sampled_from(["forward", "back-and-forth", "shuffle"]),
)
@settings(max_examples=40)
def test_density_does_not_depend_on_how_the_time_is_cut(
    sizes: list[int], text: str, density: float, direction: Direction
) -> None:
    moves = {"density": density, "drift": 0.1}
    score = score_of(
        steps("a", text, direction=direction, reset=3, settings=moves),
        Lane("b", Steps((1, 0, 1)), advance="a", settings=moves),
    )
    ends = [*(end for end in accumulate(sizes) if end < 8 * BAR), 8 * BAR]
    assert in_windows(renderer(score), ends) == renderer(score).advance(8 * BAR)


def test_only_on_passes_k_of_n() -> None:
    lane = Lane("a", Steps((1, 0)), passes=Passes((1, 4), 4))
    assert pattern(score_of(lane), 16, "a") == "x.....x.x.....x."


# --- drift ---


def test_drift_begins_with_the_second_pass_and_keeps_its_bound() -> None:
    lane = Lane("a", Steps((1, 0) * 4), settings={"drift": 0.4, "drift_bound": 3})
    text = pattern(score_of(lane, seed=4), 8 * 40, "a")
    passes = [text[start : start + 8] for start in range(0, len(text), 8)]
    assert passes[0] == "x.x.x.x."
    differing = [sum(a != b for a, b in zip(p, passes[0], strict=True)) for p in passes]
    assert max(differing) == 3
    assert len(set(passes)) > 5


def test_drift_held_still_stays_and_reset_returns() -> None:
    lane = Lane("a", Steps((1, 0) * 4), settings={"drift": 0.4})
    player = renderer(score_of(lane, seed=4))
    still = {"do": "freeze", "lane": "a", "on": True}
    length = 8 * STEP

    def next_pass() -> list[int]:
        start = player.position
        return [e.grid - start for e in player.advance(start + length)]

    first = next_pass()
    for _ in range(5):
        drifted = next_pass()
    assert drifted != first
    carry_out(player.performance, still, player.position)
    assert [next_pass() for _ in range(4)] == [drifted] * 4
    player.reset("a")
    assert [next_pass() for _ in range(4)] == [first] * 4
    carry_out(player.performance, {**still, "on": False}, player.position)
    assert any(next_pass() != first for _ in range(6))


# --- moved and reset by others ---


def test_advance_by_another_lane() -> None:
    score = score_of(steps("kick", "x..x"), Lane("a", Steps((1, 0, 1)), advance="kick"))
    assert grids(score, 8 * STEP * 2, "a") == [0, 960, 1680, 2640, 2880]
    assert {e.causes for e in hits_of(score, BAR, "a")} == {(0,)}


def test_repeats_of_the_mover_count_once() -> None:
    score = score_of(
        steps("kick", "x...", settings={"repeats": 3}), Lane("a", Steps((1, 0)), advance="kick")
    )
    assert grids(score, BAR, "a") == [0, 1920]


def test_reset_by_bars_puts_the_first_step_on_the_bar() -> None:
    score = score_of(Lane("a", Steps((1, 0, 0)), advance=Fraction(720), reset=1))
    assert grids(score, 2 * BAR, "a") == [0, 2160, 3840, 6000]


def test_reset_by_a_lane_makes_the_next_step_the_first() -> None:
    score = score_of(
        steps("r", "." * 5 + "x" + "." * 10),
        Lane("a", Steps((1, 0, 0, 0, 0, 0, 0)), reset="r"),
        Lane("b", Steps((1, 0, 0, 0)), advance=Fraction(480), reset="r"),
    )
    assert [g // STEP for g in grids(score, BAR, "a")] == [0, 5, 12]
    assert [g // STEP for g in grids(score, BAR, "b")] == [0, 6, 14]


def test_ties_of_moved_and_derived_lanes_last_until_the_next_hit() -> None:
    score = score_of(
        steps("kick", "x..x....x.", settings={"chance": 0.8, "shift": -0.1}),
        Lane("moved", Steps((1, 0, 2)), advance="kick", tie=True),
        Lane("derived", Logic("nth(kick, 2) or delay(kick, 1/8T)"), tie=True),
        seed=2,
    )
    events = in_windows(renderer(score), list(range(11, 6 * BAR, 11)))
    for lane in (1, 2):
        hits = [e for e in events if e.lane == lane]
        assert len(hits) > 10
        for event, following in pairwise(hits):
            assert event.tick + event.length == following.tick
