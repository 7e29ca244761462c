"""What a struck sound is like, in a few figures that a person can check by ear.

- where its energy lies: the share of each octave, in the nominal octave bands of IEC 61260-1;
- its centroid: the mean frequency, weighed by power (the usual measure of brightness);
- its decay: how long its level takes to fall by 20 dB from its loudest.

What the input hums and hisses by itself is taken off. Two sounds are as far apart as these figures
are, each in units of what is plainly another sound. That is a hint and no proof: two voices may
sound alike, and a voice whose knobs were turned sounds like another one.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

OCTAVES = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Nominal mid-band frequencies, IEC 61260-1 (and ISO 266)."""
FAINT_DB = -30.0
"""Shares below this count as none: noise decides them."""
SHORT_MS = 12.0
"""Decays that are much shorter than this sound alike: clicks."""
FALL_DB = 20.0
BAND_UNIT_DB = 9.0
DECAY_UNIT_OCTAVES = 1.0
CENTROID_UNIT_OCTAVES = 0.7
"""What counts as one unit of distance. Chosen on seeded racks; see the tests."""


@dataclass(frozen=True, slots=True)
class Sound:
    """`level_db` is its peak re full scale; `bands` are shares of its power in dB, one for each of
    `OCTAVES`; `centroid_hz` its brightness; `decay_ms` its fall by 20 dB."""

    level_db: float
    bands: tuple[float, ...]
    centroid_hz: float
    decay_ms: float


def mean_sound(hits: Sequence[Sound]) -> Sound:
    """One voice from several of its hits: medians, so that one odd hit does not count.

    Raises:
        ValueError: no hit.
    """
    if not hits:
        raise ValueError("no hit to describe")
    return Sound(
        statistics.median(hit.level_db for hit in hits),
        tuple(
            statistics.median(shares) for shares in zip(*(hit.bands for hit in hits), strict=True)
        ),
        statistics.median(hit.centroid_hz for hit in hits),
        statistics.median(hit.decay_ms for hit in hits),
    )


def distance(one: Sound, other: Sound) -> float:
    """How unlike two sounds are: 0 alike, about 1 plainly another sound. Levels do not count: a
    fader is not a cable.

    Args:
        one: a sound; its centroid lies above 0 Hz.
        other: another such; which is which makes no difference.
    """
    bands = sum(
        ((a - b) / BAND_UNIT_DB) ** 2 * 10.0 ** (max(a, b) / 20.0)
        for a, b in zip(one.bands, other.bands, strict=True)
    )
    decays = (one.decay_ms + SHORT_MS) / (other.decay_ms + SHORT_MS)
    decay = math.log2(decays) / DECAY_UNIT_OCTAVES
    centroid = math.log2(one.centroid_hz / other.centroid_hz) / CENTROID_UNIT_OCTAVES
    return math.sqrt((bands + decay * decay + centroid * centroid) / 3.0)
