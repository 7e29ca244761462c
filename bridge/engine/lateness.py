"""How late messages leave, counted without keeping each one.

Buckets grow by a quarter of an octave (19 %), from 1 us to about 4 s, so a percentile read from
them is at most 19 % too high and never too low; the worst is exact.
"""

from __future__ import annotations

from typing import Any

_PER_OCTAVE = 4
_OCTAVES = 22
UPPER_NS: tuple[int, ...] = tuple(
    round(1000 * 2 ** (i / _PER_OCTAVE)) for i in range(_OCTAVES * _PER_OCTAVE + 1)
)
"""Upper edge of each bucket, inclusive, in ns. What is later than the last counts as the last."""


class Lateness:
    """A histogram of (time sent - time due). Early counts as 0."""

    def __init__(self, since_ns: int = 0) -> None:
        self.since_ns = since_ns
        self.count = 0
        self.worst_ns = 0
        self._counts = [0] * len(UPPER_NS)

    def add(self, late_ns: int) -> None:
        """One message that left `late_ns` after its time."""
        self.count += 1
        if late_ns > self.worst_ns:
            self.worst_ns = late_ns
        self._counts[_bucket(late_ns)] += 1

    def percentile(self, share: float) -> int:
        """The upper edge (ns) of the bucket below which `share` (0..1) of all messages lie; 0
        when none was sent."""
        wanted = share * self.count
        seen = 0
        for upper, count in zip(UPPER_NS, self._counts, strict=True):
            seen += count
            if count and seen >= wanted:
                return min(upper, self.worst_ns)
        return 0

    def reset(self, since_ns: int) -> None:
        self.__init__(since_ns)  # type: ignore[misc]

    def state(self) -> dict[str, Any]:
        """For the state: microseconds; ``since`` in monotonic ms; only buckets that hold any."""
        return {
            "count": self.count,
            "p50_us": round(self.percentile(0.5) / 1000, 1),
            "p99_us": round(self.percentile(0.99) / 1000, 1),
            "worst_us": round(self.worst_ns / 1000, 1),
            "since": self.since_ns // 1_000_000,
            "histogram": [
                [round(upper / 1000, 1), count]
                for upper, count in zip(UPPER_NS, self._counts, strict=True)
                if count
            ],
        }


def _bucket(late_ns: int) -> int:
    if late_ns <= 1000:
        return 0
    # The octave by bit length, then at most four comparisons: no logarithm in the loop.
    octave = (late_ns // 1000).bit_length() - 1
    at = octave * _PER_OCTAVE
    last = len(UPPER_NS) - 1
    while at < last and UPPER_NS[at] < late_ns:
        at += 1
    return min(at, last)
