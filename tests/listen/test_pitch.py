"""The pitch of held notes, against the frequency that was synthesised.

Note frequencies: tests/reference/tuning.csv (ISO 16:1975 and equal temperament, as in the MIDI
Tuning specification). The tones come from `support.rack`, made of Fourier series.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from support.rack import Hiss, Hum, Mix, Tone, Voice

from bridge.listen.pitch import Candidate, Pitch, candidates, cents, chosen, difference, measure

RATE = 48000.0
TAKE = round(0.6 * RATE)
REFERENCE = Path(__file__).parent.parent / "reference" / "tuning.csv"


def table() -> dict[int, float]:
    with REFERENCE.open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["id"].startswith("note_")]
    return {int(row["note"]): float(row["value"]) for row in rows}


NOTES = table()


def heard(*voices: Voice, samples: int = TAKE, expected: float | None = None) -> Pitch:
    found = measure(Mix(voices).render(samples), RATE, expected)
    assert found is not None
    return found


def test_the_table_is_there() -> None:
    assert NOTES[69] == 440.0  # ISO 16
    assert NOTES[21] == 27.5
    assert NOTES[108] == pytest.approx(4186.009, abs=1e-3)


@pytest.mark.parametrize("wave", ["sine", "saw", "square"])
def test_clean_steady_tones_are_right_to_a_tenth_of_a_cent(wave: str) -> None:
    for note in (21, 24, 33, 48, 61, 69, 81, 96, 105, 108):
        hertz = NOTES[note]
        found = heard(Tone(RATE, wave, zero_hz=hertz))
        assert cents(found.hertz, hertz) == pytest.approx(0.0, abs=0.1), hertz
        assert found.clarity > 0.96


@pytest.mark.parametrize("rate", [44100.0, 96000.0])
def test_the_rate_of_the_interface_is_no_matter(rate: float) -> None:
    for hertz in (27.5, 441.7, 4186.0):
        found = measure(Tone(rate, "saw", zero_hz=hertz).render(round(0.6 * rate)), rate)
        assert found is not None
        assert cents(found.hertz, hertz) == pytest.approx(0.0, abs=0.1), hertz


@pytest.mark.parametrize("wave", ["sine", "saw"])
def test_noise_hum_and_a_second_voice_that_bleeds_move_it_by_less_than_half_a_cent(
    wave: str,
) -> None:
    for hertz in (32.7, 38.9, 49.0, 392.0):
        found = heard(
            Tone(RATE, wave, zero_hz=hertz),
            Hiss(0.3 * 10 ** (-50 / 20)),
            Tone(RATE, "saw", 0.3 * 10 ** (-30 / 20), zero_hz=441.32),
            Hum(RATE, level=0.003),
        )
        assert cents(found.hertz, hertz) == pytest.approx(0.0, abs=0.5), hertz


def test_a_fundamental_that_is_filtered_away_is_still_the_pitch() -> None:
    t = np.arange(TAKE) / RATE
    sound = sum((np.sin(2 * np.pi * 110.0 * k * t + k) / k for k in (2, 3, 4, 5)), np.zeros(TAKE))
    found = measure((0.2 * sound).astype(np.float32), RATE)
    assert found is not None
    assert cents(found.hertz, 110.0) == pytest.approx(0.0, abs=0.1)


def test_an_octave_error_is_caught_by_what_was_asked() -> None:
    """The even harmonics are 26 dB stronger than the odd ones: by itself this is the octave."""
    t = np.arange(TAKE) / RATE
    sound = 0.3 * np.sin(2 * np.pi * 220.0 * t) + 0.015 * np.sin(2 * np.pi * 110.0 * t)
    samples = sound.astype(np.float32)
    alone, asked = measure(samples, RATE), measure(samples, RATE, 111.0)
    assert alone is not None
    assert asked is not None
    assert cents(alone.hertz, 220.0) == pytest.approx(0.0, abs=0.1)
    assert cents(asked.hertz, 110.0) == pytest.approx(0.0, abs=0.1)


def test_a_voice_that_stays_an_octave_above_what_was_asked_is_heard_as_it_is() -> None:
    """Its sound repeats in two of its periods too; that alone is no reason to believe it."""
    found = heard(Tone(RATE, "saw", zero_hz=65.5), Hiss(0.001), expected=32.7)
    assert cents(found.hertz, 65.5) == pytest.approx(0.0, abs=0.1)
    found = heard(Tone(RATE, "saw", zero_hz=65.5), Hiss(0.001), expected=131.0)
    assert cents(found.hertz, 65.5) == pytest.approx(0.0, abs=0.1)


def test_what_was_asked_does_not_bend_what_is_heard() -> None:
    found = heard(Tone(RATE, "saw", zero_hz=440.0), expected=392.0)
    assert cents(found.hertz, 440.0) == pytest.approx(0.0, abs=0.1)


def test_noise_has_no_clear_pitch_and_silence_none() -> None:
    found = measure(Hiss(0.1).render(TAKE), RATE)
    assert found is None or found.clarity < 0.5
    assert measure(np.zeros(TAKE, np.float32), RATE) is None


def test_a_move_is_told_in_cents_a_second() -> None:
    found = heard(Tone(RATE, "saw", zero_hz=220.0, drift=60.0 * 7.0))
    assert found.slope == pytest.approx(7.0, rel=0.02)
    assert found.wobble < 0.5
    assert cents(found.hertz, 220.0) == pytest.approx(7.0 * 0.3, abs=0.1)  # in the middle


def test_a_vibrato_is_told_as_wobble() -> None:
    steady = heard(Tone(RATE, "saw", zero_hz=220.0))
    found = heard(Tone(RATE, "saw", zero_hz=220.0, vibrato=20.0, vibrato_hz=5.0))
    assert steady.wobble < 0.001
    assert found.wobble > 0.1  # windows of a quarter of a second see little of it


def test_the_difference_function_is_the_sum_that_the_paper_writes() -> None:
    """Equations 1, 2 and 9 of McLeod and Wyvill 2005, term by term."""
    x = np.random.default_rng(3).standard_normal(200)
    fast = difference(x, 120)
    for lag in (0, 1, 7, 60, 119):
        a, b = x[: len(x) - lag], x[lag:]
        assert fast[lag] == pytest.approx(2.0 * np.dot(a, b) / np.sum(a**2 + b**2), abs=1e-12)


def test_the_first_step_alone_is_within_a_few_cents() -> None:
    """The paper's kind of signal: a window with a few periods of a steady, harmonic tone."""
    for hertz in (27.5, 82.4, 196.0, 659.3, 1318.5):
        sound = Tone(RATE, "saw", zero_hz=hertz).render(8192).astype(np.float64)
        first = chosen(candidates(sound - sound.mean(), RATE))
        assert cents(first.hertz, hertz) == pytest.approx(0.0, abs=5.0)


def test_the_first_key_maximum_that_is_nearly_the_highest_is_chosen() -> None:
    found = [Candidate(440.0, 0.5), Candidate(220.0, 0.93), Candidate(110.0, 0.97)]
    assert chosen(found).hertz == 220.0
