"""Shapes and envelopes against their formulas, worked out aside with numpy."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.said import carry_out
from support.wired import BAR, changes, score_of

from bridge.music import chance
from bridge.music.model import Decay, Drive, Every, Lane, Macro, Sample, Shape, Steps
from bridge.music.node import Change
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score

FORMULAS: dict[str, Callable[[Any], Any]] = {
    "sine": lambda p: (1 - np.cos(2 * np.pi * p)) / 2,
    "triangle": lambda p: np.where(p < 0.5, 2 * p, 2 - 2 * p),
    "ramp": lambda p: p,
    "saw": lambda p: 1 - p,
    "square": lambda p: np.where(p < 0.5, 1.0, 0.0),
}


def sampled(found: list[Change], end: int) -> np.ndarray:
    """The value at each multiple of 20 ticks."""
    line = np.full(end // 20, np.nan)
    for change in found:
        line[-(-change.grid // 20) :] = change.value
    return line


def lane(form: Any, advance: Fraction = Fraction(BAR), **more: Any) -> Lane:
    retrigger = more.pop("retrigger", None)
    return Lane("wave", Shape(form, retrigger), advance=advance, **more)


@pytest.mark.parametrize("form", FORMULAS)
@pytest.mark.parametrize("step", [Fraction(BAR), Fraction(320), Fraction(3840, 7)])
def test_synced_forms(form: str, step: Fraction) -> None:
    found = changes(score_of(lane(form, step)), "wave", 3 * BAR)
    ticks = np.arange(0, 3 * BAR, 20)
    # Exact phase: the rest of an integer division.
    phase = np.array([int(t) * step.denominator % step.numerator for t in ticks]) / step.numerator
    np.testing.assert_allclose(sampled(found, 3 * BAR), FORMULAS[form](phase), atol=1e-12)


@pytest.mark.parametrize("form", ["sine", "ramp"])
def test_free_forms_count_seconds(form: str) -> None:
    found = changes(score_of(lane(form, settings={"hz": 1.3}), tempo=90.0), "wave", 2 * BAR)
    seconds = np.arange(0, 2 * BAR, 20) / (90.0 / 60 * 960)
    phase = 1.3 * seconds % 1.0
    np.testing.assert_allclose(sampled(found, 2 * BAR), FORMULAS[form](phase), atol=1e-9)


def test_free_forms_follow_a_macro_without_a_jump() -> None:
    """A speed that changes in the middle bends the phase and does not break it."""
    macro = Macro("speed", start=0.0, drives=(_drive("hz", 0.04),))
    score = score_of(lane("triangle", settings={"hz": 0.5}), macros=[macro])
    performance = Performance(score)
    first = changes(score, "wave", BAR, performance=performance)
    assert len(first) > 100
    performance = Performance(score)
    carry_out(performance, {"do": "macro", "macro": "speed", "value": 1.0}, 0)
    fast = sampled(changes(score, "wave", BAR, performance=performance), BAR)
    slow = sampled(first, BAR)
    # 0.5 Hz, and 0.5 + 0.04 * 50 = 2.5 Hz: five times as steep at the start.
    assert fast[1] == pytest.approx(5 * slow[1])
    # 2.5 Hz, 20 ticks are 1/96 s: never more than 2 * 2.5 / 96 from sample to sample.
    assert np.abs(np.diff(fast)).max() <= 2 * 2.5 / 96 + 1e-9


def _drive(setting: str, depth: float) -> Drive:
    return Drive(lane="wave", setting=setting, depth=depth)


def test_phase_and_bounds() -> None:
    found = changes(
        score_of(lane("ramp", settings={"phase": 0.25, "low": -0.5, "high": 0.5})), "wave", BAR
    )
    phase = (np.arange(0, BAR, 20) / BAR + 0.25) % 1.0
    np.testing.assert_allclose(sampled(found, BAR), phase - 0.5, atol=1e-12)


def test_a_hit_starts_the_form_again() -> None:
    taps = Lane("taps", Steps((1, 0, 0, 1, 0, 0, 0, 0)))
    found = changes(score_of(taps, lane("ramp", retrigger="taps")), "wave", 2 * BAR)
    starts = np.array([t for t in range(0, 2 * BAR, 240) if (t // 240) % 8 in (0, 3)])
    ticks = np.arange(0, 2 * BAR, 20)
    last = starts[np.searchsorted(starts, ticks, side="right") - 1]
    np.testing.assert_allclose(sampled(found, 2 * BAR), (ticks - last) / BAR, atol=1e-12)


def test_a_reset_by_bars_starts_it_too() -> None:
    found = changes(score_of(lane("ramp", Fraction(5 * 960), reset=1)), "wave", 3 * BAR)
    ticks = np.arange(0, 3 * BAR, 20)
    np.testing.assert_allclose(sampled(found, 3 * BAR), ticks % BAR / 4800, atol=1e-12)


def test_random_steps_are_seeded_draws_one_to_a_cycle() -> None:
    found = changes(score_of(lane("random-steps", Fraction(480)), seed=9), "wave", 2 * BAR)
    stream = chance.key(9, "wave", "shape")
    assert [(c.grid, c.value) for c in found] == [
        (cycle * 480, chance.draw(stream, 0, cycle)) for cycle in range(16)
    ]


def test_random_smooth_meets_the_draws_and_stays_between_them() -> None:
    found = changes(score_of(lane("random-smooth", Fraction(480)), seed=9), "wave", 2 * BAR)
    stream = chance.key(9, "wave", "shape")
    draws = np.array([chance.draw(stream, 0, cycle) for cycle in range(17)])
    line = sampled(found, 2 * BAR)
    np.testing.assert_allclose(line[::24], draws[:16], atol=1e-12)
    part = np.tile(np.arange(24) / 24, 16)
    weight = (1 - np.cos(np.pi * part)) / 2
    before, after = np.repeat(draws[:16], 24), np.repeat(draws[1:], 24)
    np.testing.assert_allclose(line, before + (after - before) * weight, atol=1e-12)


def test_chance_does_not_repeat_itself_after_a_start() -> None:
    taps = Lane("taps", Every(), advance=Fraction(960))
    wave = lane("random-steps", Fraction(480), retrigger="taps")
    found = [c.value for c in changes(score_of(taps, wave), "wave", 4 * BAR)]
    assert len(found) == len(set(found)) == 32


def test_a_slew_rounds_a_square() -> None:
    found = changes(score_of(lane("square", Fraction(960), settings={"slew": 0.25})), "wave", 1920)
    assert [(c.grid, c.value, c.glide) for c in found] == [
        (0, 1.0, 240),
        (480, 0.0, 240),
        (960, 1.0, 240),
        (1440, 0.0, 240),
    ]


# --- decay ---------------------------------------------------------------------------------------


def envelope(**more: Any) -> Score:
    source = more.pop(
        "hits", Lane("kick", Every(), advance=Fraction(1920), settings={"level": 0.8})
    )
    return score_of(source, Lane("duck", Decay("kick"), **more))


def test_the_decay_falls_to_a_thousandth_in_its_time() -> None:
    """Exponential: level * 10 ** (-3 t / decay). 1/1000 is 60 dB, as reverberation time T60 counts
    (ISO 3382)."""
    found = changes(envelope(settings={"decay_ms": 500.0}), "duck", 1920)
    ticks = np.arange(0, 1920, 20)
    fall = 500.0 * 1.92
    expected = 0.8 * 10.0 ** (-3 * ticks / fall)
    expected[ticks > fall] = 0.0
    np.testing.assert_allclose(sampled(found, 1920), expected, atol=1e-12)


def test_the_bounds_of_an_envelope_can_turn_it_over() -> None:
    found = changes(envelope(settings={"low": 1.0, "high": 0.0, "decay_ms": 100.0}), "duck", 1920)
    assert found[0].value == pytest.approx(0.2)  # 1 + (0 - 1) * 0.8
    assert found[-1].value == 1.0


def test_repeats_within_a_step_start_it_too() -> None:
    kick = Lane("kick", Every(), advance=Fraction(1920), settings={"repeats": 2.0})
    found = changes(envelope(hits=kick, settings={"decay_ms": 200.0}), "duck", 1920)
    assert [c.grid for c in found if c.value == pytest.approx(0.8)] == [0, 960]


def test_an_envelope_is_silent_with_its_source_unless_it_taps_before_the_mute() -> None:
    kick = Lane("kick", Every(), advance=Fraction(1920), muted=True)
    assert [c.value for c in changes(envelope(hits=kick), "duck", BAR)] == [0.0]
    assert len(changes(envelope(hits=kick, reads="before-mute"), "duck", BAR)) > 10


# --- windows -------------------------------------------------------------------------------------

RICH = score_of(
    Lane(
        "kick",
        Steps((1, 0, 0, 1, 1)),
        advance=Fraction(240),
        settings={"humanise_ms": 9.0, "repeats": 3.0, "chance": 0.7},
    ),
    Lane("duck", Decay("kick"), settings={"decay_ms": 90.0, "shift_ms": -4.0}),
    Lane(
        "wave",
        Shape("random-smooth", "kick"),
        advance=Fraction(1000, 3),
        settings={"hz": 0.7, "slew_ms": 11.0},
        drives=(),
    ),
    Lane("synced", Shape("triangle"), advance=Fraction(700), reset=1),
    seed=4,
)


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(1, 3 * BAR), max_size=60), st.sampled_from(["duck", "wave", "synced"]))
@example(list(range(7, 3 * BAR, 7)), "duck")
@example(list(range(7, 3 * BAR, 7)), "wave")
@example(list(range(7, 3 * BAR, 7)), "synced")
def test_windows_of_any_size_agree(cuts: list[int], name: str) -> None:
    assert changes(RICH, name, 3 * BAR, cuts) == changes(RICH, name, 3 * BAR)


def test_a_remembered_place_of_a_wave_that_nobody_reads_is_small() -> None:
    """Dozens of places are remembered, and each would have the 200 moves of the last bar."""

    def place(*more: Lane) -> bytes:
        wave = Lane("wave", Shape("sine"), advance=Fraction(2 * BAR), out="main.level-1")
        score = score_of(wave, *more)
        renderer = Renderer(score, Performance(score))
        for tick in range(0, 9 * BAR, 100):
            renderer.advance(tick)
        return pickle.dumps(renderer.memory)

    every = Lane("beat", Every(4), out="main.gate-1")
    reader = Lane("held", Sample("wave", "beat"), out="main.level-2")
    assert len(place()) < 2000
    assert len(place(every, reader)) > 3000  # one that is read keeps what may still be asked for
