"""The figures of a sound, against sounds whose figures follow from how they were made."""

from __future__ import annotations

import math

import numpy as np
import pytest
from support.drums import KINDS, RATE, drum, room

from bridge.listen.audio import Samples
from bridge.listen.figures import describe
from bridge.listen.sound import FAINT_DB, OCTAVES, distance, mean_sound

STILL = np.zeros(9600, np.float32)


def decaying(hertz: float, decay_ms: float, level: float = 0.5) -> Samples:
    """A sine that falls by 60 dB in `decay_ms`."""
    t = np.arange(round(0.5 * RATE)) / RATE
    body = level * np.sin(2 * np.pi * hertz * t) * 10.0 ** (-3.0 * t / (decay_ms / 1e3))
    return np.asarray(body, dtype=np.float32)


def test_bands_are_the_nominal_octaves() -> None:
    """IEC 61260-1:2014, 5.4, base ten: the exact mid-band frequencies of octaves are
    1000 * 10 ** (3 n / 10) Hz; the nominal ones stand within 1.6 % of them."""
    for place, nominal in enumerate(OCTAVES):
        exact = 1000.0 * 10.0 ** (0.3 * (place - 5))
        assert nominal == pytest.approx(exact, rel=0.016)


@pytest.mark.parametrize("band", range(1, 10))
def test_a_tone_lies_in_its_octave(band: int) -> None:
    heard = describe(decaying(OCTAVES[band], 400.0), RATE, STILL)
    assert heard.bands[band] > -1.0
    assert all(share < -10.0 for i, share in enumerate(heard.bands) if i != band)
    assert heard.centroid_hz == pytest.approx(OCTAVES[band], rel=0.12)


@pytest.mark.parametrize("decay_ms", [60.0, 150.0, 450.0, 900.0])
def test_a_fall_by_20_db_takes_a_third_of_one_by_60(decay_ms: float) -> None:
    heard = describe(decaying(1000.0, decay_ms), RATE, STILL)
    assert heard.decay_ms == pytest.approx(decay_ms / 3.0, abs=8.0)
    assert heard.level_db == pytest.approx(20 * math.log10(0.5), abs=0.5)


def test_what_the_input_hums_is_taken_off() -> None:
    clean = describe(decaying(2000.0, 60.0, 0.1), RATE, STILL)
    chance = np.random.default_rng(1)
    noisy_input = room(round(0.8 * RATE), RATE, chance)
    noise = noisy_input[: round(0.25 * RATE)].copy()
    voice = decaying(2000.0, 60.0, 0.1)
    noisy_input[12000 : 12000 + len(voice)] += voice
    heard = describe(noisy_input[12000:], RATE, noise)
    assert distance(clean, heard) < 0.3
    assert heard.centroid_hz == pytest.approx(2000.0, rel=0.25)


def test_a_fader_is_not_a_cable() -> None:
    soft, loud = (describe(decaying(300.0, 200.0, level), RATE, STILL) for level in (0.03, 0.9))
    assert distance(soft, loud) < 0.01
    assert loud.level_db - soft.level_db == pytest.approx(20 * math.log10(30.0), abs=0.1)


def test_every_kind_of_voice_is_far_from_every_other() -> None:
    sounds = {
        kind: mean_sound([describe(drum(kind, 2).hit(n)[500:], RATE, STILL) for n in range(2)])
        for kind in KINDS
    }
    for one in KINDS:
        for other in KINDS:
            assert (distance(sounds[one], sounds[other]) > 0.5) == (one != other), (one, other)


def test_one_odd_hit_does_not_count() -> None:
    kick = describe(decaying(60.0, 400.0), RATE, STILL)
    odd = describe(decaying(5000.0, 40.0), RATE, STILL)
    assert mean_sound([kick, odd, kick]) == kick
    with pytest.raises(ValueError, match="no hit"):
        mean_sound([])


def test_a_very_short_piece_is_described_all_the_same() -> None:
    heard = describe(decaying(1000.0, 100.0)[:40], RATE, np.zeros(10, np.float32))
    assert min(heard.bands) >= FAINT_DB
    assert heard.decay_ms > 0.0
