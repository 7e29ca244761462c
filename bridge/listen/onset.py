"""When a sound begins: its level against the noise that was there before it.

Two steps. The short-time level (RMS of half milliseconds) says that something sounds, and where to
look. The exact moment is then the split of the samples around there into noise and sound that is
the most likely one: the Akaike picker of seismology (Maeda, "A method for reading and checking
phase time in auto-processing system of seismic wave data", Zisin 38, 1985), on a window that ends
just where the level has risen, so that a slow attack does not pull the pick into itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bridge.listen.audio import Samples, Wide

FRAME_MS = 0.5
"""The level is the RMS of so much sound."""
ABOVE = 2.0
"""A level so many times the loudest frame of the noise is a sound (6 dB)."""
QUIET_PIECE_MS = 100.0
QUIETEST = 3e-4
"""Nothing below this is a sound, whatever the noise: -70 dB re full scale."""
BEFORE_MS = 12.0
AFTER_MS = 0.5
"""The exact moment is looked for from so long before the level has risen until so long after."""


@dataclass(frozen=True, slots=True)
class Floor:
    """The noise of an input: RMS of all of it, and of its loudest frame."""

    rms: float
    loudest: float

    @property
    def threshold(self) -> float:
        """The level that a frame must pass to be a sound."""
        return max(ABOVE * self.loudest, QUIETEST)


@dataclass(frozen=True, slots=True)
class Onset:
    """A sound begins at sample `at` (a fraction where it lies between two); `peak` is the largest
    magnitude in the samples that were looked at from there on."""

    at: float
    peak: float


def frames(samples: Samples, rate: float) -> Wide:
    """The RMS of each whole frame of `FRAME_MS`."""
    size = frame_size(rate)
    count = len(samples) // size
    cut = np.asarray(samples[: count * size], dtype=np.float64).reshape(count, size)
    return np.asarray(np.sqrt(np.mean(cut * cut, axis=1)))


def frame_size(rate: float) -> int:
    return max(4, round(FRAME_MS * rate / 1e3))


def floor_of(samples: Samples, rate: float) -> Floor:
    """Measures the noise.

    Args:
        samples: some tenths of a second in which nothing is played.
        rate: samples a second.

    Raises:
        ValueError: shorter than a frame.
    """
    levels = frames(samples, rate)
    if not len(levels):
        raise ValueError("too short to measure a noise floor")
    return Floor(float(np.sqrt(np.mean(levels * levels))), float(levels.max()))


def quiet_floor(samples: Samples, rate: float) -> Floor:
    """The noise between the sounds of a track that is still for a quarter of its time or more.

    Args:
        samples: a second or more.
        rate: samples a second.

    Raises:
        ValueError: shorter than a tenth of a second.
    """
    levels = frames(samples, rate)
    size = round(QUIET_PIECE_MS / FRAME_MS)
    pieces = levels[: len(levels) // size * size].reshape(-1, size)
    if not len(pieces):
        raise ValueError("too short to measure a noise floor")
    loudest = np.sort(pieces.max(axis=1))[: max(1, len(pieces) // 4)]
    return Floor(float(np.median(levels)), float(loudest.max()))


def first_onset(samples: Samples, rate: float, floor: Floor, start: int = 0) -> Onset | None:
    """The first sound.

    Args:
        samples: what was recorded.
        rate: in samples a second.
        floor: what was heard while nothing played.
        start: the sample to begin at; what lies before it is looked at for the exact moment only.

    Returns:
        Where it begins, in samples, and its peak; None when nothing is heard.
    """
    size = frame_size(rate)
    levels = frames(samples[start:], rate)
    loud = np.flatnonzero(levels > floor.threshold)
    if not len(loud):
        return None
    risen = start + int(loud[0]) * size
    begin = max(0, risen - round(BEFORE_MS * rate / 1e3))
    end = min(len(samples), risen + size + round(AFTER_MS * rate / 1e3))
    at = begin + _split(np.asarray(samples[begin:end], dtype=np.float64), floor.rms)
    return Onset(float(max(at, start)), float(np.abs(samples[risen:]).max()))


def onsets(samples: Samples, rate: float, floor: Floor, apart_ms: float) -> list[Onset]:
    """All sounds, each after the level has been down for a while again.

    Args:
        samples: what was recorded.
        rate: in samples a second.
        floor: what was heard while nothing played.
        apart_ms: a sound begins at least so long after the one before.

    Returns:
        Where each begins, in samples, and its largest magnitude until the next may begin.
    """
    size = frame_size(rate)
    apart = max(1, round(apart_ms * rate / 1e3))
    found: list[Onset] = []
    start = 0
    levels = frames(samples, rate)
    while (one := first_onset(samples, rate, floor, start)) is not None:
        end = min(len(samples), int(one.at) + apart)
        found.append(Onset(one.at, float(np.abs(samples[int(one.at) : end]).max(initial=0.0))))
        # A sound that rings on is no new one: wait until a frame is quiet.
        quiet = np.flatnonzero(levels[-(-end // size) :] <= floor.threshold)
        if not len(quiet):
            break
        start = (-(-end // size) + int(quiet[0])) * size
    return found


def _split(samples: Wide, noise: float) -> int:
    """The split into noise and sound with the smallest Akaike criterion."""
    count = len(samples)
    if count < 4:
        return 0
    power = samples * samples
    total = np.cumsum(power)
    k = np.arange(1, count - 1)
    least = max(noise * noise, 1e-12) * 0.05
    before = np.maximum(total[k - 1] / k, least)
    after = np.maximum((total[-1] - total[k - 1]) / (count - k), least)
    return int(k[np.argmin(k * np.log(before) + (count - k) * np.log(after))])
