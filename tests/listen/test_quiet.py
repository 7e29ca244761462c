"""Why nothing is heard: digital silence, the mains, or hiss."""

from __future__ import annotations

import numpy as np
import pytest
from support.rack import Hiss, Hum

from bridge.listen.quiet import why_silent

RATE = 48000.0
HALF = 24000


def test_digital_silence_is_a_muted_input() -> None:
    assert why_silent("ears", np.zeros(HALF, np.float32), RATE).kind == "muted"


@pytest.mark.parametrize("mains", [50.0, 60.0])
@pytest.mark.parametrize("off_hz", [-0.2, 0.0, 0.3])
def test_the_mains_are_told_by_their_frequency(mains: float, off_hz: float) -> None:
    line = Hum(RATE, mains + off_hz, 0.02).render(HALF) + Hiss(0.0005).render(HALF)
    error = why_silent("ears", line, RATE)
    assert error.kind == "hum"
    assert f"({mains:.0f} Hz)" in str(error)


def test_hiss_is_silence_and_says_how_quiet_it_is() -> None:
    error = why_silent("ears", Hiss(0.001).render(HALF), RATE)
    assert error.kind == "silence"
    assert "-60 dB" in str(error)


def test_the_hum_that_any_good_input_has_is_none() -> None:
    line = Hum(RATE, 50.0, 0.00005).render(HALF)
    assert why_silent("ears", line, RATE).kind == "silence"
