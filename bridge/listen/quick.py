"""A quick listen: simulated voices, written into a sound file block by block.

The voices are written from the physics of simple instruments: a struck head is a sine that falls in
pitch while it decays, with a burst of noise; a string is a saw wave whose partials decay. They say
what is played when, not how the rack sounds.

It begins quietly, rises over `FADE_S`, and no sample is above `PEAK`: tanh bends what is louder.
"""

from __future__ import annotations

import math
import wave
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray

RATE = 44_100
PEAK = 10 ** (-12 / 20)
"""Of full scale: -12 dBFS."""
FADE_S, TAIL_S = 2.0, 1.0
BLOCK = 1 << 14
ATTACK_S, RELEASE_S, DECAY_S = 0.002, 0.03, 0.4
SHORTEST_S, LONGEST_S = 0.08, 1.0
DRUM_S = 0.25
EACH = 0.4
"""Level of one voice before all are bent below the peak together."""
FULL = 32767


class Note(NamedTuple):
    """One hit: when, by which of the drums (0, 1, ...) or at which pitch, how loud (0 to 1), and
    for how long it is held (pitched ones only)."""

    at_s: float
    drum: int
    hertz: float | None
    level: float
    held_s: float = 0.0


def write(
    file: BinaryIO,
    notes: Sequence[Note],
    seconds: float,
    told: Callable[[int], None] = lambda seconds: None,
) -> None:
    """Writes a WAV file: mono, 16 bit.

    Args:
        file: an empty file.
        notes: in order of time.
        seconds: how long they last; `TAIL_S` follow.
        told: hears how many seconds are done.
    """
    count = round((seconds + TAIL_S) * RATE)
    ahead = np.zeros(BLOCK + round((LONGEST_S + 0.1) * RATE))
    next_note = 0
    with wave.open(file, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE)
        out.setnframes(count)
        for begin in range(0, count, BLOCK):
            while next_note < len(notes):
                note = notes[next_note]
                at = round(note.at_s * RATE) - begin
                if at >= BLOCK:
                    break
                sound = _sound(note)
                at = max(at, 0)
                ahead[at : at + len(sound)] += EACH * note.level * sound
                next_note += 1
            length = min(BLOCK, count - begin)
            out.writeframes(_samples(ahead[:length], begin))
            ahead[:-BLOCK] = ahead[BLOCK:]
            ahead[-BLOCK:] = 0.0
            told((begin + length) // RATE)


def _samples(block: NDArray[np.float64], begin: int) -> bytes:
    times = (begin + np.arange(len(block))) / RATE
    rise = np.minimum(times / FADE_S, 1.0) ** 2
    samples = np.trunc(PEAK * np.tanh(block * rise) * FULL)
    return bytes(samples.astype("<i2").tobytes())


def _sound(note: Note) -> NDArray[np.float64]:
    if note.hertz is None:
        return _drum(note.drum)
    held = min(max(note.held_s, SHORTEST_S), LONGEST_S)
    return _string(round(note.hertz, 2), math.ceil(held * 50) / 50)


@lru_cache(maxsize=64)
def _drum(number: int) -> NDArray[np.float64]:
    """The first drum is the deepest; each later one is higher, shorter and noisier."""
    times = np.arange(round(DRUM_S * RATE)) / RATE
    hertz = 55.0 * 2 ** (0.6 * (number % 12))
    share = min(0.9, 0.1 + 0.12 * (number % 12))
    short = 0.07 / (1 + 0.25 * (number % 12))
    # The pitch of a struck head falls by an octave in its first hundredth of a second.
    head = np.sin(2 * np.pi * hertz * (times + 0.01 * (1 - np.exp(-times / 0.01))))
    noise = np.random.default_rng(number).uniform(-1.0, 1.0, len(times))
    sound: NDArray[np.float64] = _ends(
        ((1 - share) * head + share * noise) * np.exp(-times / short), times
    )
    return sound


@lru_cache(maxsize=256)
def _string(hertz: float, held_s: float) -> NDArray[np.float64]:
    times = np.arange(round(held_s * RATE)) / RATE
    sound = np.zeros(len(times))
    for partial in range(1, 13):
        if partial * hertz >= 0.45 * RATE:
            break
        fall = np.exp(-times * partial**0.5 / DECAY_S)
        sound += fall * np.sin(2 * np.pi * partial * hertz * times) / partial**1.5
    return _ends(sound * 0.6, times)


def _ends(sound: NDArray[np.float64], times: NDArray[np.float64]) -> NDArray[np.float64]:
    """Begins and ends without a click."""
    left = times[-1] - times
    ended: NDArray[np.float64] = (
        sound * np.minimum(times / ATTACK_S, 1.0) * np.minimum(left / RELEASE_S, 1.0)
    )
    return ended
