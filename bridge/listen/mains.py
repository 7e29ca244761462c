"""Hum of the mains, measured where nothing else sounds and taken off what comes after."""

from __future__ import annotations

import numpy as np

from bridge.listen.audio import Samples, Wide
from bridge.listen.health import MAINS_HZ

MULTIPLES = 6
STEP = 16
"""Hum is slow, so the mean of so many samples shows it as well, at less work."""
AWAY, STEPS = 0.01, (0.005, 0.002)
"""The mains may be off by this part: 1 percent for 99.5 percent of a year (EN 50160). It is looked
for in so large steps, then in smaller ones."""


def without_hum(samples: Samples, rate: float, quiet: int) -> Wide:
    """Samples less the hum that their first `quiet` have: that of the mains frequency, and of the
    part that it may be off, which leave least there (least squares).

    Args:
        samples: some tens of milliseconds of quiet or more, and what comes after it. The hum is
            foretold for as long as that; much longer it is no more known.
        rate: samples a second.
        quiet: how many of them hold nothing but noise and hum.
    """
    x = np.asarray(samples, dtype=np.float64)
    count = quiet // STEP
    heard = np.asarray(x[: count * STEP].reshape(count, STEP).mean(axis=1), dtype=np.float64)
    at = np.asarray((np.arange(count) * STEP + (STEP - 1) / 2.0) / rate, dtype=np.float64)

    def left(hertz: float) -> float:
        return _fitted(heard, at, hertz)[1]

    grid = np.arange(-AWAY, AWAY + STEPS[0] / 2, STEPS[0])
    hertz = min((mains * (1.0 + away) for mains in MAINS_HZ for away in grid), key=left)
    near = hertz * (1.0 + np.arange(-STEPS[0], STEPS[0] + STEPS[1] / 2, STEPS[1]))
    hertz = _lowest(near, [left(one) for one in near])
    gains, _ = _fitted(heard, at, hertz)
    whole = np.asarray(np.arange(len(x)) / rate, dtype=np.float64)
    return np.asarray(x - gains @ _waves(whole, hertz))


def _fitted(heard: Wide, at: Wide, hertz: float) -> tuple[Wide, float]:
    """The gains of hum of this frequency, and the power that is left."""
    waves = _waves(at, hertz)
    gains = np.asarray(np.linalg.lstsq(waves @ waves.T, waves @ heard, rcond=None)[0], np.float64)
    left = heard - gains @ waves
    return gains, float(left @ left)


def _lowest(hertz: Wide, powers: list[float]) -> float:
    """The frequency where least is left, between the steps by a parabola."""
    i = min(max(int(np.argmin(powers)), 1), len(powers) - 2)
    before, least, after = powers[i - 1 : i + 2]
    bend = before - 2.0 * least + after
    shift = 0.5 * (before - after) / bend if bend > 0.0 else 0.0
    return float(hertz[i] + max(-1.0, min(1.0, shift)) * (hertz[1] - hertz[0]))


def _waves(at: Wide, hertz: float) -> Wide:
    """A steady voltage, and cosine and sine of each multiple, at times in seconds."""
    turn = np.exp(2j * np.pi * hertz * at)
    multiples = np.cumprod(np.tile(turn, (MULTIPLES, 1)), axis=0)
    return np.vstack([np.ones_like(at), multiples.real, multiples.imag])
