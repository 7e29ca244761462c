"""Why nothing is heard on an input, as far as what it does bring can tell."""

from __future__ import annotations

import math

import numpy as np

from bridge.listen import wrong
from bridge.listen.audio import Samples

MAINS_HZ = (50.0, 60.0)
MULTIPLES = 10
NEAR_HZ = 3.0
MOSTLY = 0.7  # of the power: then it is hum, and no hiss
FAINT_DBFS = -80.0  # hum below this is that of any good input


def why_silent(name: str, samples: Samples, rate: float) -> wrong.ListenError:
    """What to say of an input on which nothing was heard.

    Args:
        name: the input.
        samples: what it brings, half a second or more.
        rate: samples a second.

    Returns:
        ``muted`` for digital silence, ``hum`` when most of it is the mains (50 or 60 Hz and
        multiples), else ``silence``.
    """
    still = np.asarray(samples, dtype=np.float64)
    power = float(np.mean(still * still)) if len(still) else 0.0
    if power == 0.0:
        return wrong.muted(name)
    dbfs = 10.0 * math.log10(power)
    spectrum = np.abs(np.fft.rfft((still - still.mean()) * np.hanning(len(still)))) ** 2
    hertz = np.fft.rfftfreq(len(still), 1.0 / rate)
    total = float(spectrum.sum()) or 1.0
    shares = {}
    for mains in MAINS_HZ:
        away = np.abs(hertz - mains * np.round(hertz / mains))
        near = (away <= NEAR_HZ) & (hertz > mains / 2) & (hertz < mains * (MULTIPLES + 0.5))
        shares[mains] = float(spectrum[near].sum()) / total
    mains = max(shares, key=lambda key: shares[key])
    if dbfs > FAINT_DBFS and shares[mains] >= MOSTLY:
        return wrong.only_hum(name, mains)
    return wrong.silence(name, dbfs)
