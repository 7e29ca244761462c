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
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.listen.audio import Samples, Wide

OCTAVES = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Nominal mid-band frequencies, IEC 61260-1 (and ISO 266)."""
SECONDS = 0.35
"""So much of a sound is looked at, from its beginning on."""
FAINT_DB = -30.0
"""Shares below this count as none: noise decides them."""
FRAME_S = 0.004
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


def describe(samples: Samples, rate: float, noise: Samples) -> Sound:
    """Measures one hit.

    Args:
        samples: the sound from its onset on, at least some tens of milliseconds.
        rate: samples a second.
        noise: the same input with nothing played; at least as long as a frame.

    Returns:
        Its figures. They are of the sound and of nothing that could give it back.
    """
    hit = np.asarray(samples[: round(SECONDS * rate)], dtype=np.float64)
    peak = float(np.abs(hit).max(initial=0.0))
    size = max(8, round(FRAME_S * rate))
    levels = _levels(hit, size)
    hiss = float(np.mean(np.asarray(noise, dtype=np.float64) ** 2))
    decay = _decay_ms(levels, hiss, size, rate)
    # Beyond three times this fall (60 dB) there is only noise, which would blur the spectrum.
    hit = hit[: max(size * 4, round(3.0 * decay * rate / 1e3))]
    length = 1 << (round(SECONDS * rate) - 1).bit_length()
    power = np.abs(np.fft.rfft(hit, length)) ** 2
    hertz = np.fft.rfftfreq(length, 1.0 / rate)
    power = np.maximum(power - _noise_power(noise, len(hit), length), 0.0)
    total = float(power.sum()) or 1e-30
    bands = []
    for middle in OCTAVES:
        inside = (hertz >= middle / math.sqrt(2)) & (hertz < middle * math.sqrt(2))
        share = float(power[inside].sum()) / total
        bands.append(max(FAINT_DB, 10.0 * math.log10(max(share, 1e-9))))
    centroid = float((hertz * power).sum()) / total
    return Sound(20.0 * math.log10(max(peak, 1e-6)), tuple(bands), max(centroid, 1.0), decay)


def mean_sound(hits: Sequence[Sound]) -> Sound:
    """One voice from several of its hits: medians, so that one odd hit does not count.

    Raises:
        ValueError: no hit.
    """
    if not hits:
        raise ValueError("no hit to describe")
    return Sound(
        float(np.median([hit.level_db for hit in hits])),
        tuple(float(x) for x in np.median([hit.bands for hit in hits], axis=0)),
        float(np.median([hit.centroid_hz for hit in hits])),
        float(np.median([hit.decay_ms for hit in hits])),
    )


def distance(one: Sound, other: Sound) -> float:
    """How unlike two sounds are: 0 alike, about 1 plainly another sound. Levels do not count: a
    fader is not a cable."""
    bands = sum(
        ((a - b) / BAND_UNIT_DB) ** 2 * 10.0 ** (max(a, b) / 20.0)
        for a, b in zip(one.bands, other.bands, strict=True)
    )
    decays = (one.decay_ms + SHORT_MS) / (other.decay_ms + SHORT_MS)
    decay = math.log2(decays) / DECAY_UNIT_OCTAVES
    centroid = math.log2(one.centroid_hz / other.centroid_hz) / CENTROID_UNIT_OCTAVES
    return math.sqrt((bands + decay * decay + centroid * centroid) / 3.0)


def _levels(hit: Wide, size: int) -> Wide:
    count = max(1, len(hit) // size)
    cut = np.resize(hit, count * size) if len(hit) < size else hit[: count * size]
    return np.asarray(np.mean(cut.reshape(count, size) ** 2, axis=1))


def _decay_ms(levels: Wide, hiss: float, size: int, rate: float) -> float:
    """From the loudest frame until the level stays 20 dB below it; where noise hides that, as far
    as the sound can be heard."""
    clean = np.maximum(levels - hiss, 0.0)
    top = int(np.argmax(clean))
    limit = max(float(clean[top]) * 10.0 ** (-FALL_DB / 10.0), hiss)
    above = np.flatnonzero(clean[top:] > limit)
    last = top + (int(above[-1]) if len(above) else 0)
    return 1e3 * (last + 1) * size / rate


def _noise_power(noise: Samples, count: int, length: int) -> Wide:
    """The power spectrum that `count` samples of the noise would have, smoothed over pieces."""
    still = np.asarray(noise, dtype=np.float64)
    pieces = max(1, len(still) // max(count, 1))
    if len(still) < count:
        scale = count / max(1, len(still))
        return np.asarray(np.abs(np.fft.rfft(still, length)) ** 2 * scale)
    spectra = [
        np.abs(np.fft.rfft(still[i * count : (i + 1) * count], length)) ** 2 for i in range(pieces)
    ]
    return np.asarray(np.mean(spectra[:8], axis=0))
