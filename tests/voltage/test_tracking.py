"""Which law a voice tracks by, from volts and the Hz that they made.

V/oct: f = f0 * 2^(V / s); Hz/V: f = k * V (both: common practice, no source). The numbers are made
from these formulas here.
"""

from __future__ import annotations

from typing import Any

import pytest

from bridge.voltage.profile import Address, Output
from bridge.voltage.tracking import other_standard, still


def output(**told: Any) -> Output:
    return Output("pitch", "pitch", Address("cc14", 1, 16), **{"high": 8.0, **told})


VOLTS = [0.5 * i for i in range(1, 17)]


def by_octave(
    scale: float = 1.0, f0: float = 32.703, bow: float = 0.0
) -> list[tuple[float, float]]:
    return [(v, f0 * 2 ** ((v + bow * v * (8 - v) / 16) / scale)) for v in VOLTS]


def by_hertz(k: float = 55.0, offset: float = 0.0) -> list[tuple[float, float]]:
    return [(v, k * v + offset) for v in VOLTS]


PER_OCTAVE = output()
WIDE = output(volts_per_octave=1.2)
HERTZ = output(law="hz/v", reference_note=33.0, reference_volts=1.0)


@pytest.mark.parametrize(
    ("out", "heard", "says"),
    [
        (PER_OCTAVE, by_octave(), ""),
        (PER_OCTAVE, by_octave(1.03, 71.0), ""),  # badly trimmed, and still the same standard
        (PER_OCTAVE, by_octave(bow=0.02), ""),
        (PER_OCTAVE, by_octave(1.2), "about 1.2 V/oct"),
        (PER_OCTAVE, by_hertz(), "about 55 Hz/V"),
        (PER_OCTAVE, by_hertz(110.0, 0.6), "about 110 Hz/V"),
        (WIDE, by_octave(1.2), ""),
        (WIDE, by_octave(1.0), "about 1 V/oct"),
        (HERTZ, by_hertz(), ""),
        (HERTZ, by_hertz(51.0, 0.3), ""),
        (HERTZ, by_octave(), "about 1 V/oct"),
        (PER_OCTAVE, by_hertz()[:3], ""),  # too little to say
    ],
)
def test_the_standard_is_told(out: Output, heard: list[tuple[float, float]], says: str) -> None:
    assert other_standard(out, heard) == says


def test_a_voice_that_falls_with_its_volts_is_of_no_standard_and_is_left_to_the_fit() -> None:
    assert other_standard(PER_OCTAVE, [(v, 4000.0 / 2**v) for v in VOLTS]) == ""


def test_where_the_pitch_stands_still_the_range_has_ended() -> None:
    def clipped(low: float, high: float) -> list[tuple[float, float]]:
        return [(v, 32.703 * 2 ** min(max(v, low), high)) for v in VOLTS]

    assert still(PER_OCTAVE, clipped(0.0, 9.0)) == (set(), set())
    # 0.5 to 2 V sound as 2 V: the last of them is right, those below it are not.
    assert still(PER_OCTAVE, clipped(2.0, 9.0)) == ({0, 1, 2}, set())
    assert still(PER_OCTAVE, clipped(0.0, 7.0)) == (set(), {14, 15})
    assert still(PER_OCTAVE, [(v, 220.0) for v in VOLTS]) == (set(), set())
