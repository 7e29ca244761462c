"""How a player is begun when players before it have died: with less each time."""

from __future__ import annotations

import signal
from collections import deque
from typing import NamedTuple

WITHIN_S = 60.0
SAFE, FRESH = 3, 5
"""So many deaths within `WITHIN_S`: derived lanes stay muted; then nothing of the performance is
taken over either, and the set stands at rest until somebody starts it."""


def cause(code: int) -> str:
    """An exit code in words; below 0 it is the signal that ended the process."""
    if code >= 0:
        return f"code {code}"
    try:
        return signal.Signals(-code).name
    except ValueError:
        return f"signal {-code}"


class Care(NamedTuple):
    """What the next player is spared. `says` is a line on why, or ""."""

    safe: bool = False
    fresh: bool = False
    says: str = ""


class Crashes:
    """Counts deaths, by monotonic seconds."""

    def __init__(self) -> None:
        self._at: deque[float] = deque(maxlen=FRESH)

    def recent(self, now: float) -> int:
        """Deaths within the last minute, at most `FRESH`."""
        return sum(now - at < WITHIN_S for at in self._at)

    def died(self, now: float) -> Care:
        """Another death, and how careful the next start has to be."""
        self._at.append(now)
        count = self.recent(now)
        if count >= FRESH:
            return Care(
                True,
                True,
                f"the player ended {count} times within {WITHIN_S:g} s: the set is stopped, "
                "as written, with derived lanes muted; start it by hand",
            )
        if count >= SAFE:
            return Care(
                True,
                False,
                f"the player ended {count} times within {WITHIN_S:g} s: derived lanes stay muted",
            )
        return Care()
