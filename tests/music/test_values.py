"""Lanes of values that go in steps: what each step plays, when, and how far the cut of windows
is from being heard."""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.wired import BAR, BEAT, changes, score_of

from bridge.music import chance
from bridge.music.model import (
    Drive,
    Every,
    Lane,
    Levels,
    Note,
    Notes,
    Quantise,
    Sample,
    Shape,
    Steps,
    Walk,
)
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.scale import SCALES
from bridge.music.value_node import Placed
from bridge.music.values import build_node

EIGHTH = Fraction(480)


def notes(*numbers: float | None) -> Notes:
    return Notes(tuple(Note(number) for number in numbers))


def levels(*values: float | None) -> Levels:
    return Levels(values)


def seen(found: list[Any]) -> list[tuple[int, float]]:
    return [(change.grid, change.value) for change in found]


# --- notes and levels ----------------------------------------------------------------------------


def test_notes_go_round_at_their_rate() -> None:
    score = score_of(Lane("tune", notes(45, 48, 52), advance=EIGHTH))
    assert seen(changes(score, "tune", 2400)) == [
        (0, 45),
        (480, 48),
        (960, 52),
        (1440, 45),
        (1920, 48),
    ]


def test_rests_and_ties_keep_the_pitch_and_take_their_time() -> None:
    source = Notes((Note(45), Note(None), Note(None, tie=True), Note(52)))
    score = score_of(Lane("tune", source, advance=EIGHTH))
    assert seen(changes(score, "tune", 2 * BAR - 1920)) == [
        (0, 45),
        (1440, 52),
        (1920, 45),
        (3360, 52),
        (3840, 45),
        (5280, 52),
    ]


def test_a_glide_takes_one_step_or_the_slew_where_that_is_longer() -> None:
    source = Notes((Note(45), Note(57, glide=True)))
    plain = changes(score_of(Lane("tune", source, advance=EIGHTH)), "tune", 960)
    assert [change.glide for change in plain] == [0, 480]
    slewed = Lane("tune", source, advance=EIGHTH, settings={"slew_ms": 100.0})
    # 100 ms at 120 to the minute: 192 ticks. The note marked `glide` slides over its whole step.
    assert [change.glide for change in changes(score_of(slewed), "tune", 960)] == [192, 480]
    longer = Lane("tune", source, advance=EIGHTH, settings={"slew_ms": 100.0, "slew": 0.5})
    assert [change.glide for change in changes(score_of(longer), "tune", 960)] == [240, 480]
    longest = Lane("tune", source, advance=EIGHTH, settings={"slew": 1.5})
    assert [change.glide for change in changes(score_of(longest), "tune", 960)] == [720, 720]


def test_the_hits_of_a_lane_move_a_melody_whether_or_not_they_sound() -> None:
    bass = Lane("bass", Steps((1, 0, 1, 1)), out="main.gate-1", muted=True)
    score = score_of(bass, Lane("tune", notes(45, 48, 52), advance="bass"))
    assert seen(changes(score, "tune", 1920)) == [
        (0, 45),
        (480, 48),
        (720, 52),
        (960, 45),
        (1440, 48),
        (1680, 52),
    ]


def test_repeats_within_a_step_move_a_melody_once() -> None:
    bass = Lane("bass", Every(), advance=EIGHTH, settings={"repeats": 3.0})
    score = score_of(bass, Lane("tune", notes(45, 48), advance="bass"))
    assert seen(changes(score, "tune", 960)) == [(0, 45), (480, 48)]


def test_a_melody_sounds_with_the_hit_that_moves_it() -> None:
    bass = Lane("bass", Every(), advance=EIGHTH, settings={"shift_ms": 10.0})
    score = score_of(bass, Lane("tune", notes(45, 48), advance="bass"))
    # 10 ms are 19.2 ticks.
    assert [(c.grid, c.tick) for c in changes(score, "tune", 960)] == [(0, 19), (480, 499)]


def test_sixteenths_swing_with_the_set_and_any_step_with_its_own() -> None:
    straight = Lane("tune", notes(45, 48), advance=Fraction(240))
    found = changes(score_of(straight, swing=60.0), "tune", 960)
    # The second of each pair of 240 moves by 480 * (60 - 50) / 100 = 48 ticks.
    assert [change.tick for change in found] == [0, 288, 480, 768]
    own = Lane("tune", notes(45, 48), advance=Fraction(320), settings={"swing": 60.0})
    assert [c.tick for c in changes(score_of(own), "tune", 1280)] == [0, 384, 640, 1024]


def test_direction_rotate_and_length() -> None:
    back = Lane("tune", notes(1, 2, 3), advance=EIGHTH, direction="backward")
    assert [c.value for c in changes(score_of(back), "tune", 1920)] == [3, 2, 1, 3]
    turned = Lane("tune", notes(1, 2, 3), advance=EIGHTH, settings={"rotate": 1.0})
    assert [c.value for c in changes(score_of(turned), "tune", 1920)] == [2, 3, 1, 2]
    cut = Lane("tune", notes(1, 2, 3), advance=EIGHTH, settings={"length": 2.0})
    assert [c.value for c in changes(score_of(cut), "tune", 1920)] == [1, 2, 1, 2]
    swung = Lane("tune", notes(1, 2, 3), advance=EIGHTH, direction="back-and-forth")
    assert [c.value for c in changes(score_of(swung), "tune", 2880)] == [1, 2, 3, 2, 1, 2]


def test_resets_by_bars_and_by_a_lane() -> None:
    by_bars = Lane("tune", notes(1, 2, 3, 4, 5), advance=Fraction(960), reset=1)
    assert [c.value for c in changes(score_of(by_bars), "tune", 2 * BAR)] == [1, 2, 3, 4] * 2
    by_lane = Lane("tune", notes(1, 2, 3, 4, 5), advance=Fraction(960), reset="pulse")
    score = score_of(Lane("pulse", Every(), advance=Fraction(2880)), by_lane)
    assert [c.value for c in changes(score, "tune", 6 * 960)] == [1, 2, 3] * 2


@pytest.mark.parametrize("direction", ["shuffle", "random-walk"])
def test_random_orders_are_the_same_every_night(direction: Any) -> None:
    lane = Lane("tune", notes(1, 2, 3, 4), advance=EIGHTH, direction=direction)
    first = [c.value for c in changes(score_of(lane, seed=7), "tune", 4 * BAR)]
    assert first == [c.value for c in changes(score_of(lane, seed=7), "tune", 4 * BAR)]
    assert first != [c.value for c in changes(score_of(lane, seed=8), "tune", 4 * BAR)]
    if direction == "shuffle":
        assert all(set(first[at : at + 4]) == {1, 2, 3, 4} for at in range(0, len(first), 4))


def test_drift_stays_within_its_bound_and_what_is_still_does_not_drift() -> None:
    written = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0)
    drifting = {"drift": 0.5, "drift_bound": 2.0}
    lane = Lane("tune", notes(*written), advance=EIGHTH, settings=drifting)
    found = [c.value for c in changes(score_of(lane, seed=3), "tune", 40 * BAR)]
    passes = [tuple(found[at : at + 8]) for at in range(0, len(found), 8)]
    differing = [sum(a != b for a, b in zip(p, written, strict=True)) for p in passes]
    assert max(differing) == 2
    assert len(set(passes)) > 10
    still = Lane("tune", notes(*written), advance=EIGHTH, settings=drifting, freeze=True)
    assert {c.value for c in changes(score_of(still), "tune", 40 * BAR)[:8]} == set(written)
    repeated = [c.value for c in changes(score_of(still), "tune", 4 * BAR)]
    assert repeated == list(written) * 4


@pytest.mark.parametrize("source", [notes(40, 41, 42, 43), levels(0.25, 0.5, 0.75, 1.0)])
def test_values_drift_from_the_second_pass_on_and_a_reset_by_hand_returns(source: Any) -> None:
    written = changes(score_of(Lane("tune", source, settings={})), "tune", BEAT)
    drifting = Lane("tune", source, settings={"drift": 1.0})
    found = changes(score_of(drifting), "tune", 2 * BEAT)
    assert found[:4] == written
    assert [c.value for c in found[4:8]] != [c.value for c in written]
    out = "main.pitch-1" if isinstance(source, Notes) else "main.level-1"
    score = score_of(replace(drifting, out=out))
    player = Renderer(score, Performance(score))
    first = [e.value for e in player.advance(BEAT)]
    player.advance(2 * BEAT)
    player.reset("tune")
    again = player.advance(3 * BEAT)
    assert [e.value for e in again] == first


@pytest.mark.parametrize("source", [levels(None, 0.5), notes(None, 48)])
def test_before_its_first_value_a_lane_drives_the_same_in_windows_of_any_size(source: Any) -> None:
    score = score_of(
        Lane(
            "line",
            source,
            advance=Fraction(160),
            out="main.pitch-1",
            drives=(Drive(lane="beat", setting="shift"),),
        ),
        Lane("beat", Every(1), advance=Fraction(40), out="main.gate-1"),
    )
    whole = Renderer(score, Performance(score)).advance(960)
    cut = Renderer(score, Performance(score))
    assert [e for tick in range(1, 961) for e in cut.advance(tick)] == whole


# --- pitch ---------------------------------------------------------------------------------------


def test_transposing_by_number_then_into_the_key() -> None:
    key = Quantise(9, SCALES["minor"])
    lane = Lane(
        "tune", notes(45, 47, 48), advance=EIGHTH, quantise=key, settings={"transpose": 1.0}
    )
    # A# goes to A, C stays, C# to C.
    assert [c.value for c in changes(score_of(lane), "tune", 1440)] == [45, 48, 48]


def test_transposing_by_another_lane_counts_from_its_first_note() -> None:
    roots = Lane("roots", notes(33, 29, 31), advance=Fraction(BAR))
    tune = Lane("tune", notes(57, 60), advance=Fraction(1920), transpose_by="roots")
    found = changes(score_of(tune, roots), "tune", 3 * BAR)
    assert [c.value for c in found] == [57, 60, 53, 56, 55, 58]


def test_a_lane_of_levels_transposes_by_octaves() -> None:
    swell = Lane("swell", levels(0, 1), advance=Fraction(BAR))
    tune = Lane("tune", notes(57), advance=Fraction(BAR), transpose_by="swell")
    assert [c.value for c in changes(score_of(tune, swell), "tune", 2 * BAR)] == [57, 69]


def test_levels_on_a_pitch_output_become_notes() -> None:
    lane = Lane(
        "tune",
        levels(0, 0.5, 1),
        advance=EIGHTH,
        out="main.pitch-1",
        octaves=(1, 3),
        quantise=Quantise(0, SCALES["major"]),
    )
    # C1 to C4: 24, 42 (between F#2's neighbours: F2 is 41, G2 is 43, the lower wins), 60.
    assert [c.value for c in changes(score_of(lane), "tune", 1440)] == [24, 41, 60]


# --- walk and hold -------------------------------------------------------------------------------


def test_a_walk_never_leaves_its_bounds_nor_takes_too_long_a_step() -> None:
    lane = Lane(
        "drift",
        Walk(),
        advance=Fraction(240),
        settings={"walk_step": 0.3, "low": -0.5, "high": 0.5},
    )
    found = [c.value for c in changes(score_of(lane, seed=5), "drift", 64 * BAR)]
    assert found[0] == 0.0  # the middle
    assert all(-0.5 <= value <= 0.5 for value in found)
    steps = [abs(b - a) for a, b in itertools.pairwise(found)]
    assert max(steps) <= 0.3 + 1e-12
    assert max(steps) > 0.25
    assert max(found) > 0.4
    assert min(found) < -0.4


@pytest.mark.parametrize(("low", "high"), [(-1.0, 1.0), (0.4, 0.6), (1.0, -1.0), (0.3, 0.3)])
@pytest.mark.parametrize("size", [0.05, 0.4, 1.0])
def test_a_walk_step_is_the_largest_move_whatever_the_bounds(
    low: float, high: float, size: float
) -> None:
    lane = Lane("drift", Walk(), settings={"walk_step": size, "low": low, "high": high})
    found = [c.value for c in changes(score_of(lane, seed=5), "drift", 64 * BAR)]
    moves = [abs(b - a) for a, b in itertools.pairwise(found)]
    most = min(size, abs(high - low))
    assert max(moves, default=0.0) <= most + 1e-12
    assert low == high or max(moves) > 0.9 * most
    assert all(min(low, high) - 1e-12 <= value <= max(low, high) + 1e-12 for value in found)


@pytest.mark.parametrize("size", [0.01, 0.9])
def test_the_steps_of_a_walk_are_the_seeded_draws_thrown_back_at_the_ends(size: float) -> None:
    lane = Lane("drift", Walk(), advance=Fraction(240), settings={"walk_step": size})
    found = [c.value for c in changes(score_of(lane, seed=5), "drift", 9600)]
    stream = chance.key(5, "drift", "walk")
    expected, at = [0.5], 0.5
    for count in range(2, 41):
        at += size * chance.signed(stream, 0, count)
        at = abs(at) if at < 1 else 2 - at
        expected.append(at)
    assert found == pytest.approx(expected, abs=1e-12)


def test_sample_and_hold_takes_the_value_at_each_hit() -> None:
    ramp = Lane("ramp", Shape("ramp"), advance=Fraction(BAR))
    taps = Lane("taps", Steps((1, 0, 0, 1, 0, 1, 0, 0)), muted=True)
    hold = Lane("hold", Sample("ramp", "taps"))
    found = changes(score_of(hold, ramp, taps), "hold", 2 * BAR)
    hits = [step * 240 for step in range(32) if step % 8 in (0, 3, 5)]
    assert [c.grid for c in found] == hits
    assert [c.value for c in found] == pytest.approx([hit % BAR / BAR for hit in hits])


def test_holding_a_melody_holds_notes() -> None:
    tune = Lane("tune", notes(45, 48, 52, 55), advance=Fraction(240))
    taps = Lane("taps", Every(), advance=Fraction(720))
    hold = Lane("hold", Sample("tune", "taps"), settings={"transpose": 12.0})
    assert [c.value for c in changes(score_of(hold, tune, taps), "hold", 2160)] == [57, 67, 64]


def test_hits_have_no_value_node() -> None:
    kick = Lane("kick", Every())
    with pytest.raises(TypeError, match="no values"):
        build_node(Placed(0, score_of(kick).spec, kick, {"kick": 0}, frozenset()))


# --- windows -------------------------------------------------------------------------------------

RICH = score_of(
    Lane(
        "bass",
        Steps((1, 0, 1, 1, 0)),
        advance=Fraction(240),
        settings={"humanise_ms": 8.0, "repeats": 2.0},
    ),
    Lane("roots", notes(33, 29, None, 31), advance=Fraction(BAR, 2)),
    Lane(
        "tune",
        Notes((Note(45), Note(48, glide=True), Note(None), Note(52))),
        advance="bass",
        transpose_by="roots",
        direction="shuffle",
        reset=3,
        settings={"drift": 0.3, "slew": 0.25},
    ),
    Lane("walk", Walk(), advance=Fraction(320), reset="bass", settings={"slew_ms": 30.0}),
    Lane("wave", Shape("random-smooth"), advance=Fraction(1000, 3), settings={"hz": 1.7}),
    Lane("kept", Sample("wave", "bass"), settings={"slew_ms": 12.0, "shift_ms": -6.0}),
    seed=11,
)


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(1, 4 * BAR), max_size=40), st.sampled_from(["tune", "walk", "kept"]))
@example(list(range(7, 4 * BAR, 7)), "tune")
@example(list(range(7, 4 * BAR, 7)), "walk")
@example(list(range(7, 4 * BAR, 7)), "kept")
def test_windows_of_any_size_agree(cuts: list[int], lane: str) -> None:
    assert changes(RICH, lane, 4 * BAR, cuts) == changes(RICH, lane, 4 * BAR)


def test_the_rich_set_is_worth_cutting() -> None:
    counts = Counter({lane: len(changes(RICH, lane, 4 * BAR)) for lane in ("tune", "walk", "kept")})
    assert all(count > 20 for count in counts.values())
