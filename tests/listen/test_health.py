"""Sounds that cannot be measured are told apart."""

from __future__ import annotations

import numpy as np
import pytest
from support.rack import Hiss, Hum, Mix, Samples, Tone, Voice

from bridge.listen.health import hum, insist, level, second
from bridge.listen.wrong import ListenError

RATE = 48000.0
TAKE = round(0.6 * RATE)


def sound(*voices: Voice, gain: float = 1.0) -> Samples:
    return Mix(voices, gain).render(TAKE)


def kind(samples: Samples) -> str:
    with pytest.raises(ListenError) as told:
        insist(samples, "bay")
    assert "bay" in str(told.value)
    return told.value.kind


def test_muted_silent_and_clipping_inputs_are_told() -> None:
    assert kind(np.zeros(TAKE, np.float32)) == "muted"
    assert kind(np.full(TAKE, 0.01, np.float32)) == "muted"
    assert kind(sound(Hiss(0.0001))) == "silence"
    assert kind(sound(Tone(RATE, "saw", 0.5), gain=3.0)) == "clipping"
    assert kind(sound(Tone(RATE, "square", 1.0), gain=1.3)) == "clipping"
    assert insist(sound(Tone(RATE, "sine", 0.5)), "bay").peak == pytest.approx(0.5, abs=1e-3)


def test_a_single_sample_at_full_scale_is_no_clipping() -> None:
    samples = sound(Hiss(0.01))
    samples[100] = 1.0
    assert not level(samples).clipped
    samples[100:103] = -1.0
    assert level(samples).clipped


def test_a_steady_voltage_is_no_sound() -> None:
    samples = sound(Tone(RATE, "sine", 0.1)) + np.float32(0.5)
    assert level(samples).rms_dbfs == pytest.approx(-23.01, abs=0.05)  # 0.1 / sqrt 2


@pytest.mark.parametrize("mains", [50.0, 59.97, 60.0])
def test_hum_is_known_by_its_lines(mains: float) -> None:
    assert hum(sound(Hum(RATE, mains), Hiss(0.0003)), RATE) == round(mains)
    assert hum(sound(Hum(RATE, mains), Tone(RATE, "saw", zero_hz=131.0)), RATE) is None
    assert hum(sound(Hiss(0.01)), RATE) is None


@pytest.mark.parametrize("pitch", [32.7, 130.8, 1046.5])
@pytest.mark.parametrize("wave", ["sine", "saw"])
def test_a_second_voice_is_heard_and_one_that_only_bleeds_is_let_be(
    wave: str, pitch: float
) -> None:
    voice, other = Tone(RATE, wave, zero_hz=pitch), 441.3

    def with_other(db: float) -> tuple[float, float] | None:
        bleed = Tone(RATE, "sine", 0.3 * 10 ** (db / 20), zero_hz=other)
        return second(sound(voice, bleed, Hum(RATE), Hiss(0.001)), RATE, pitch)

    loud = with_other(-8.0)
    assert loud is not None
    assert loud[0] == pytest.approx(other, abs=2.0)
    assert with_other(-30.0) is None


@pytest.mark.parametrize("pitch", [27.5, 110.0, 4186.0])
@pytest.mark.parametrize("wave", ["sine", "saw", "square"])
def test_a_single_voice_is_one(wave: str, pitch: float) -> None:
    assert second(sound(Tone(RATE, wave, zero_hz=pitch), Hiss(0.001)), RATE, pitch) is None
