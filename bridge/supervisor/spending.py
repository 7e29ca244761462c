"""What is written to the disk in an hour, counted in one place.

An SD card wears out, so all that is written by itself pays out of `BYTES_PER_HOUR`, a file
system's own share included: the moment for a power cut and the takes, each with a share of its own.
"""

from __future__ import annotations

from collections import deque

BYTES_PER_HOUR = 50_000_000
TAKE_BYTES_PER_HOUR = 20_000_000
MOMENT_BYTES_PER_HOUR = BYTES_PER_HOUR - TAKE_BYTES_PER_HOUR
BLOCK = 4096
OVERHEAD = 2 * BLOCK
"""A folder and a journal are written with each file: about so much (common practice, no source)."""
HOUR_S = 3600.0


def cost_of(size: int) -> int:
    """What writing so many bytes costs, the file system's own share as we reckon it."""
    return -(-size // BLOCK) * BLOCK + OVERHEAD


def pause_s(cost: int, bytes_per_hour: int) -> float:
    """How long after a write of that cost the next may come, so that an hour keeps its bound."""
    return cost * HOUR_S / bytes_per_hour


class Spending:
    """Counts what was written in the last hour. Times are monotonic seconds."""

    def __init__(self) -> None:
        self._spent: deque[tuple[float, int]] = deque()

    def spend(self, now: float, cost: int) -> None:
        self._spent.append((now, cost))

    def of_hour(self, now: float) -> int:
        while self._spent and now - self._spent[0][0] > HOUR_S:
            self._spent.popleft()
        return sum(cost for _, cost in self._spent)
