"""Why nothing is heard on an input, as far as what it does bring can tell."""

from __future__ import annotations

from bridge.listen import wrong
from bridge.listen.audio import Samples
from bridge.listen.health import hum, level

FAINT_DBFS = -80.0  # hum below this is that of any good input


def why_silent(name: str, samples: Samples, rate: float) -> wrong.ListenError:
    """What to say of an input on which nothing was heard.

    Args:
        name: the input.
        samples: what it brings, half a second or more.
        rate: samples a second.

    Returns:
        ``muted`` for digital silence, ``hum`` when nearly all of it is the mains, else ``silence``.
    """
    found = level(samples)
    if found.dead:
        return wrong.muted(name)
    mains = hum(samples, rate) if found.rms_dbfs > FAINT_DBFS else None
    return wrong.silence(name, found.rms_dbfs) if mains is None else wrong.only_hum(name, mains)
