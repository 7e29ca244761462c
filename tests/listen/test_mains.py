"""Hum that is foretold from the quiet before a sound.

Levels follow from the sines that are put in; limits of the mains: EN 50160, 50 Hz +- 1 percent.
"""

from __future__ import annotations

import numpy as np
import pytest

from bridge.listen.mains import without_hum

RATE = 48000.0
QUIET, AFTER = round(0.15 * RATE), round(0.06 * RATE)


@pytest.mark.parametrize("hertz", [50.0, 49.6, 50.4, 60.0, 60.5])
@pytest.mark.parametrize("rate", [RATE, 44100.0])
def test_hum_is_taken_off_where_it_goes_on(hertz: float, rate: float) -> None:
    """Hum at -27 dB and a steady voltage, noise at -60 dB: nearly the noise alone is left."""
    t = np.arange(QUIET + AFTER) / rate
    hum = sum(0.06 / k * np.sin(2 * np.pi * k * hertz * t + k) for k in (1, 2, 3))
    noise = np.random.default_rng(1).normal(0.0, 1e-3, len(t))
    left = without_hum((hum + noise + 0.1).astype(np.float32), rate, QUIET)
    assert np.std(left[:QUIET]) == pytest.approx(1e-3, rel=0.05)
    assert np.std(left[QUIET:]) == pytest.approx(1e-3, rel=0.25)


def test_noise_without_hum_stays_as_it_is() -> None:
    noise = np.random.default_rng(2).normal(0.0, 1e-3, QUIET + AFTER).astype(np.float32)
    left = without_hum(noise, RATE, QUIET)
    assert np.std(left - noise) < 1e-4


def test_a_sound_after_the_quiet_is_left_alone() -> None:
    t = np.arange(QUIET + AFTER) / RATE
    hum = (0.05 * np.sin(2 * np.pi * 50.0 * t)).astype(np.float32)
    voice = np.zeros_like(hum)
    voice[QUIET:] = 0.3 * np.sin(2 * np.pi * 440.0 * t[:AFTER])
    assert np.max(np.abs(without_hum(hum + voice, RATE, QUIET) - voice)) < 1e-3
