"""When a sound begins: its level against the noise that was there before it.

Three steps. The short-time level (RMS of half milliseconds) says that something sounds, and where
to look. There the hum of the mains is taken off, as it was before. The exact moment is then the
most likely change from the noise, whose power is known, to something louder: the generalised
likelihood ratio for a change of variance (M. Basseville, I. V. Nikiforov, "Detection of Abrupt
Changes", 1993, chapter 2). Where what comes before that moment is itself unlikely to be noise, a
fainter beginning lies there, and the search is repeated before it.

A moment that noise or a slow attack may have moved by more than a few milliseconds is marked as not
sure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bridge.listen.audio import Samples, Wide
from bridge.listen.mains import without_hum

FRAME_MS = 0.5
"""The level is the RMS of so much sound."""
ABOVE = 2.0
"""A level so many times the loudest frame of the noise is a sound (6 dB)."""
QUIET_PIECE_MS = 100.0
QUIETEST = 3e-4
"""Nothing below this is a sound, whatever the noise: -70 dB re full scale."""
FAINTEST = 1e-7
"""The least noise that is reckoned with: an input without any makes no ratio infinite."""
BEFORE_MS = 40.0
"""The exact moment is looked for from so long before the level has risen."""
FITTED_MS = 150.0
"""Hum is measured in so much quiet."""
LIKELY, TIMES = 12.0, 1.5
"""Log-likelihood ratio of a change that is believed; or so many times the largest of the noise."""
RISE_MS = 30.0
"""A sound has risen within this, as far as its beginning goes."""
SURE_DB, SURE_MS, DOUBT = 20.0, 0.67, 0.8
"""A moment is sure where the sound rises so far above the noise; where at the rate at which it
rises it has passed the noise within so many ms; and where no change before it comes so near to
being believed. Chosen by `tests/bench/bench_ears.py`: what is sure is then within 2.5 ms for
attacks up to 20 ms, but for one of 1,700 hits (a clap whose first burst was below the noise)."""


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
    """A sound begins at sample `at`; `peak` is the largest magnitude in the samples that were
    looked at from there on. `sure`: noise or a slow attack cannot have moved it by much."""

    at: float
    peak: float
    sure: bool = True


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


def first_onset(samples: Samples, rate: float, start: int) -> Onset | None:
    """The first sound from sample `start` on, or None.

    Args:
        samples: quiet until `start`, by some tens of milliseconds or more.
        rate: samples a second.
        start: where a sound may begin.

    Raises:
        ValueError: less than a frame of quiet.
    """
    risen = _risen(samples, rate, floor_of(samples[:start], rate), start)
    if risen is None:
        return None
    size, window = frame_size(rate), round(BEFORE_MS * rate / 1e3)
    low = max(start, risen - window)
    end = min(len(samples), risen + round(RISE_MS * rate / 1e3))
    first = max(0, low - round(FITTED_MS * rate / 1e3))
    # Hum is measured a while before, so that the noise includes what is foretold of it wrongly.
    apart = window if low - first > 2 * window else 0
    clean = without_hum(samples[first:end], rate, low - first - apart)
    quiet = clean[: low - first]
    noise = max(_rms(quiet), _rms(quiet[-window:]), FAINTEST)
    ratios = (clean / noise) ** 2
    chance = max(
        (
            float(_change(ratios[at - window : at]).max())
            for at in range(window, len(quiet) + 1, window // 2)
        ),
        default=0.0,
    )
    at, doubt = _earliest(ratios[len(quiet) : risen + size - first], max(LIKELY, TIMES * chance))
    sure = doubt <= DOUBT and _stands_out(clean[len(quiet) + at :], rate, noise)
    return Onset(float(low + at), float(np.abs(samples[risen:]).max()), sure)


def onsets(samples: Samples, rate: float, floor: Floor, apart_ms: float) -> list[Onset]:
    """All sounds, each after the level has been down for a while again.

    Args:
        samples: what was recorded.
        rate: samples a second.
        floor: what was heard while nothing played.
        apart_ms: a sound begins at least so long after the one before.

    Returns:
        Where each begins, and its largest magnitude until the next may begin.
    """
    size = frame_size(rate)
    apart = max(1, round(apart_ms * rate / 1e3))
    found: list[Onset] = []
    start = 0
    levels = frames(samples, rate)
    while (risen := _risen(samples, rate, floor, start)) is not None:
        low = max(start, risen - round(BEFORE_MS * rate / 1e3))
        # Nothing here is known to be quiet, so there is no hum to measure: the loudest frame of the
        # noise stands for all of it.
        piece = np.asarray(samples[low : risen + size], dtype=np.float64)
        at = low + _earliest((piece / max(floor.loudest, FAINTEST)) ** 2, LIKELY)[0]
        end = min(len(samples), at + apart)
        found.append(Onset(float(at), float(np.abs(samples[at:end]).max(initial=0.0))))
        # A sound that rings on is no new one: wait until a frame is quiet.
        quiet = np.flatnonzero(levels[-(-end // size) :] <= floor.threshold)
        if not len(quiet):
            break
        start = (-(-end // size) + int(quiet[0])) * size
    return found


def _rms(samples: Wide) -> float:
    return float(np.sqrt(np.mean(samples * samples)))


def _risen(samples: Samples, rate: float, floor: Floor, start: int) -> int | None:
    """The beginning of the first frame from `start` on that is a sound."""
    loud = np.flatnonzero(frames(samples[start:], rate) > floor.threshold)
    return start + int(loud[0]) * frame_size(rate) if len(loud) else None


def _change(ratios: Wide) -> Wide:
    """For each sample, how much likelier (logarithm) all from there on is louder noise than the
    noise as it was; `ratios` are powers against that."""
    count = np.arange(len(ratios), 0, -1)
    mean = np.maximum(np.cumsum(ratios[::-1])[::-1] / count, 1.0)
    return np.asarray(0.5 * count * (mean - 1.0 - np.log(mean)))


def _earliest(ratios: Wide, believed: float) -> tuple[int, float]:
    """Where a sound begins that goes on to the end; also how near a change before that came to
    being believed."""
    at = int(np.argmax(_change(ratios)))
    while at > 0:
        likely = _change(ratios[:at])
        before = int(np.argmax(likely))
        if likely[before] < believed:
            return at, float(likely[before] / believed)
        at = before
    return at, 0.0


def _stands_out(sound: Wide, rate: float, noise: float) -> bool:
    """Whether a sound passes the noise quickly enough for its beginning to be sure."""
    levels = frames(sound.astype(np.float32), rate)
    top = float(levels.max(initial=0.0))
    if top < noise * 10.0 ** (SURE_DB / 20.0):
        return False
    half_ms = (int(np.argmax(levels >= 0.5 * top)) + 1) * FRAME_MS
    return half_ms * 2.0 * noise / top <= SURE_MS
