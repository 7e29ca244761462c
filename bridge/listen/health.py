"""Whether what is heard can be measured at all: level, clipping, hum, a second sound.

The limits are common practice, no source, where they name none.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.listen import wrong
from bridge.listen.audio import Mask, Samples, Wide
from bridge.listen.pitch import taper

SILENT_DBFS = -66.0
FULL_SCALE = 0.985
CLIPPED_RUN = 3
"""So many samples on end at full scale are a cut-off peak and no chance."""
MAINS_HZ = (50.0, 60.0)  # IEC 60038: 50 and 60 Hz systems
HUM_SHARE = 0.9
SECOND_DB = -20.0
"""A second tone is in the way when it is at most this much weaker than the voice."""
LOBE = 4.5
"""Bins either side of a tone that its main lobe covers (Blackman-Harris: 4)."""


@dataclass(frozen=True, slots=True)
class Level:
    """How loud: `rms_dbfs` without any steady voltage, `peak` as a part of full scale."""

    rms_dbfs: float
    peak: float
    clipped: bool
    dead: bool


def level(samples: Samples) -> Level:
    """The level of a piece of sound; `dead` is true when no two samples differ."""
    x = np.asarray(samples, dtype=np.float64)
    if len(x) == 0 or float(np.ptp(x)) == 0.0:
        return Level(-math.inf, float(np.abs(x).max(initial=0.0)), False, True)
    rms = float(np.std(x))
    high = np.abs(x) >= FULL_SCALE
    runs = np.convolve(high, np.ones(CLIPPED_RUN), "valid") >= CLIPPED_RUN
    return Level(20.0 * math.log10(rms), float(np.abs(x).max()), bool(runs.any()), False)


def insist(samples: Samples, name: str) -> Level:
    """The level, if it can be worked with.

    Args:
        samples: full scale is -1 to 1.
        name: what the input is called, for the error.

    Raises:
        ListenError: the input is muted, clips, or is silent.
    """
    found = level(samples)
    if found.dead:
        raise wrong.muted(name)
    if found.clipped:
        raise wrong.clipping(name)
    if found.rms_dbfs < SILENT_DBFS:
        raise wrong.silence(name, found.rms_dbfs)
    return found


def hum(samples: Samples, rate: float) -> float | None:
    """The mains frequency when nearly all of the sound is that and its multiples, else None. A
    voice that plays just this note looks the same: only a note that does not move tells.

    Args:
        samples: half a second or more.
        rate: samples a second.
    """
    power, step = _spectrum(samples, rate)
    total = float(power.sum())
    if total <= 0.0:
        return None
    for mains in MAINS_HZ:
        multiples = _multiples(mains)
        if float(power[_around(multiples, power, step, 2.0)].sum()) > HUM_SHARE * total:
            return mains
    return None


def strongest(samples: Samples, rate: float) -> float:
    """Hz of the strongest line of a sound.

    Args:
        samples: one or more; the line is as exact as the sound is long, to `rate` / length.
        rate: samples a second.
    """
    power, step = _spectrum(samples, rate)
    return float(np.argmax(power)) * step


def second(samples: Samples, rate: float, hertz: float) -> tuple[float, float] | None:
    """The strongest tone that is no harmonic of `hertz`, nor hum, if it is in the way.

    Args:
        samples: half a second or more.
        rate: samples a second.
        hertz: the pitch of the voice.

    Returns:
        Its frequency, and its level against the strongest harmonic in dB; or None.
    """
    power, step = _spectrum(samples, rate)
    own = [k * hertz for k in range(1, int(rate / 2 / hertz) + 1)]
    mine = _around(own, power, step, LOBE)
    lines = [line for mains in MAINS_HZ for line in _multiples(mains)]
    # A voice of a few hertz has harmonics everywhere, and its own hum does not disturb anyone.
    theirs = power.copy()
    theirs[mine | _around(lines, power, step, LOBE)] = 0.0
    theirs[: math.ceil(15.0 / step)] = 0.0
    top = int(np.argmax(theirs))
    if theirs[top] <= 0.0 or not 0 < top < len(power) - 1:
        return None
    peak = power[top] >= max(power[top - 1], power[top + 1])
    db = 10.0 * math.log10(theirs[top] / max(power[mine].max(initial=0.0), 1e-30))
    return (top * step, db) if peak and db >= SECOND_DB else None


def _multiples(mains: float) -> list[float]:
    return [k * mains for k in range(1, 13)]


def _spectrum(samples: Samples, rate: float) -> tuple[Wide, float]:
    """Power by bin, and the Hz of a bin."""
    x = np.asarray(samples, dtype=np.float64)
    power: Wide = np.abs(np.fft.rfft((x - x.mean()) * taper(len(x)))) ** 2
    return power, rate / len(x)


def _around(hertz: Sequence[float], power: Wide, step: float, bins: float) -> Mask:
    """Which bins lie within `bins` of any of these frequencies."""
    mask = np.zeros(len(power), dtype=bool)
    for one in (line / step for line in hertz):
        mask[max(0, math.ceil(one - bins)) : math.floor(one + bins) + 1] = True
    return mask
