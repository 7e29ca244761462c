"""The figures of a struck sound, out of its samples; `bridge.listen.sound` says what they mean."""

from __future__ import annotations

import math

import numpy as np

from bridge.listen.audio import Samples, Wide
from bridge.listen.sound import FAINT_DB, FALL_DB, OCTAVES, Sound

SECONDS = 0.35
"""So much of a sound is looked at, from its beginning on."""
FRAME_S = 0.004


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
