"""Percussion as a small rack sounds it, from physics and from no code of the product: swept sines,
bursts of filtered noise, clicks, metal. For tests of what listens.

The kinds and their ranges are common practice in drum synthesis, no source. Everything follows from
seeds: a voice is the same voice on every night, and no two of its hits are equal to the sample.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

Sound = NDArray[np.float32]
Wide = NDArray[np.float64]
RATE = 48000.0
KINDS = ("kick", "tom", "snare", "rim", "clap", "hat", "wash", "bell", "click", "blip", "shaker")


@dataclass(frozen=True, slots=True)
class Drum:
    """One percussive voice. `latency_ms` is from its gate to its sound, `attack_ms` how long that
    rises, `decay_ms` how long it takes to fall by 60 dB; `level` is its peak."""

    kind: str
    hertz: float
    decay_ms: float
    level: float = 0.3
    latency_ms: float = 0.0
    attack_ms: float = 0.0
    seed: int = 0

    def hit(self, number: int, rate: float = RATE, seconds: float = 0.6) -> Sound:
        """The sound of one hit, from its gate on; `number` makes hits differ as real ones do."""
        chance = np.random.default_rng([self.seed, number])
        late = round(self.latency_ms * rate / 1e3)
        t = np.arange(max(1, round(seconds * rate) - late)) / rate
        body = _SOUNDS[self.kind](self, t, rate, chance)
        body *= 10.0 ** (-3.0 * t / (self.decay_ms / 1e3))
        if self.attack_ms > 0:
            body *= np.minimum(1.0, t / (self.attack_ms / 1e3))
        body *= self.level * 10.0 ** (chance.normal(0.0, 0.5) / 20) / max(1e-9, np.abs(body).max())
        return np.concatenate([np.zeros(late), body]).astype(np.float32)


def _kick(drum: Drum, t: Wide, rate: float, chance: np.random.Generator) -> Wide:
    # Phase is the integral of a pitch that falls to its end within about 30 ms.
    phase = 2 * np.pi * drum.hertz * (t + 3.0 * 0.03 * (1 - np.exp(-t / 0.03)))
    return np.asarray(np.sin(phase + 0.3))


def _tom(drum: Drum, t: Wide, rate: float, chance: np.random.Generator) -> Wide:
    phase = 2 * np.pi * drum.hertz * (t + 0.3 * 0.06 * (1 - np.exp(-t / 0.06)))
    return np.asarray(np.sin(phase + 0.3))


def _noise(
    t: Wide, rate: float, chance: np.random.Generator, low: float, high: float | None
) -> Wide:
    noise = chance.standard_normal(len(t))
    if high is None:
        sos = butter(2, low, "highpass", fs=rate, output="sos")
    else:
        sos = butter(2, (low, high), "bandpass", fs=rate, output="sos")
    return np.asarray(sosfilt(sos, noise))


def _snare(drum: Drum, t: Wide, rate: float, chance: np.random.Generator) -> Wide:
    skin = np.sin(2 * np.pi * drum.hertz * t + 0.3) * np.exp(-t / 0.05)
    return np.asarray(skin + 0.5 * _noise(t, rate, chance, 900.0, None))


def _rim(drum: Drum, t: Wide, rate: float, chance: np.random.Generator) -> Wide:
    both = np.sin(2 * np.pi * drum.hertz * t + 0.5) + np.sin(2 * np.pi * 1.83 * drum.hertz * t + 1)
    return np.asarray(both)


def _clap(drum: Drum, t: Wide, rate: float, chance: np.random.Generator) -> Wide:
    hands = sum(np.where(t >= at, np.exp(-(t - at) / 0.004), 0.0) for at in (0, 0.011, 0.022))
    tail = np.where(t >= 0.03, 0.7, 0.0)
    return np.asarray(_noise(t, rate, chance, 0.7 * drum.hertz, 1.5 * drum.hertz) * (hands + tail))


def _hat(drum: Drum, t: Wide, rate: float, chance: np.random.Generator) -> Wide:
    return _noise(t, rate, chance, drum.hertz, None)


def _bell(drum: Drum, t: Wide, rate: float, chance: np.random.Generator) -> Wide:
    one = np.sign(np.sin(2 * np.pi * drum.hertz * t + 0.4))
    other = np.sign(np.sin(2 * np.pi * 1.48 * drum.hertz * t + 0.9))
    return np.asarray(one + other, dtype=float)


def _click(drum: Drum, t: Wide, rate: float, chance: np.random.Generator) -> Wide:
    return np.asarray(np.sin(2 * np.pi * drum.hertz * t + 1.2))


def _blip(drum: Drum, t: Wide, rate: float, chance: np.random.Generator) -> Wide:
    phase = 2 * np.pi * drum.hertz * (t - 0.2 * t**2 / 0.2)
    return np.asarray(np.sin(phase + 0.8))


def _shaker(drum: Drum, t: Wide, rate: float, chance: np.random.Generator) -> Wide:
    return _noise(t, rate, chance, drum.hertz, min(1.6 * drum.hertz, 0.45 * rate))


_SOUNDS = {
    "kick": _kick,
    "tom": _tom,
    "snare": _snare,
    "rim": _rim,
    "clap": _clap,
    "hat": _hat,
    "wash": _hat,
    "bell": _bell,
    "click": _click,
    "blip": _blip,
    "shaker": _shaker,
}
_RANGES: dict[str, tuple[tuple[float, float], tuple[float, float]]] = {
    "kick": ((42, 60), (250, 600)),
    "tom": ((90, 170), (250, 500)),
    "snare": ((170, 230), (150, 280)),
    "rim": ((420, 520), (40, 70)),
    "clap": ((1000, 1500), (150, 300)),
    "hat": ((6500, 8000), (40, 90)),
    "wash": ((6500, 8000), (600, 1500)),
    "bell": ((520, 600), (150, 350)),
    "click": ((2000, 3000), (8, 14)),
    "blip": ((900, 1400), (90, 160)),
    "shaker": ((3500, 4500), (70, 130)),
}
"""Of each kind: the pitch or lower edge in Hz, and the decay in ms."""


def drum(kind: str, seed: int) -> Drum:
    """A voice of this kind, with its own pitch, decay, level and latency."""
    chance = np.random.default_rng([seed, KINDS.index(kind)])
    (low, high), (short, long) = _RANGES[kind]
    return Drum(
        kind,
        float(chance.uniform(low, high)),
        float(chance.uniform(short, long)),
        float(10 ** (chance.uniform(-20, -6) / 20)),
        float(chance.uniform(0, 8)),
        0.0 if kind in ("click", "rim") else float(chance.uniform(0, 2)),
        seed,
    )


def rack(seed: int, count: int) -> list[Drum]:
    """So many voices, each of another kind, as a small rack has them."""
    kinds = np.random.default_rng(seed).permutation(KINDS)[:count]
    return [drum(str(kind), seed) for kind in kinds]


def another_night(one: Drum, chance: np.random.Generator) -> Drum:
    """The same voice as a knob that was touched or a warmer room leaves it."""
    return replace(
        one,
        hertz=one.hertz * float(1 + chance.normal(0, 0.015)),
        decay_ms=one.decay_ms * float(1 + chance.normal(0, 0.05)),
        level=one.level * float(10 ** (chance.normal(0, 1.5) / 20)),
        seed=int(chance.integers(1 << 30)),
    )


def room(
    count: int,
    rate: float,
    chance: np.random.Generator,
    noise_db: float = -50.0,
    hum_db: float = -50.0,
) -> Sound:
    """Noise and mains hum (50 Hz and its third harmonic), each at its level as RMS re full scale."""
    t = np.arange(count) / rate
    phase = chance.uniform(0, 2 * np.pi)
    hum = np.sin(2 * np.pi * 50 * t + phase) + 0.3 * np.sin(2 * np.pi * 150 * t + 2 * phase)
    hum *= 10 ** (hum_db / 20) / np.sqrt((1 + 0.09) / 2)
    noise = chance.standard_normal(count) * 10 ** (noise_db / 20)
    return np.asarray(hum + noise, dtype=np.float32)
