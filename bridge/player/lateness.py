"""How late messages leave, counted without keeping each one.

Buckets grow by a quarter of an octave (19 %), from 1 us to about 4 s, so a percentile read from
them is at most 19 % too high and never too low; the worst is exact.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bridge.protocol.state import LatenessState


_PER_OCTAVE = 4
_OCTAVES = 22
UPPER_NS: tuple[int, ...] = tuple(
    round(1000 * 2 ** (i / _PER_OCTAVE)) for i in range(_OCTAVES * _PER_OCTAVE + 1)
)
"""Upper edge of each bucket, inclusive, in ns. What is later than the last counts as the last."""

LATE_NS = 6_000_000
"""Listeners notice about 6 ms in an even pulse (Friberg and Sundberg, J. Acoust. Soc. Am. 98,
1995); a message that leaves later is worth a line, and then only one that is twice as late."""
OFTEN_NS = 3_000_000
WINDOW_NS = 10_000_000_000
QUIET_NS = 300_000_000_000


class Lateness:
    """A histogram of (time sent - time due). Early counts as 0."""

    def __init__(self, since_ns: int = 0) -> None:
        self.reset(since_ns)

    def reset(self, since_ns: int) -> None:
        """Count anew from `since_ns` on."""
        self.since_ns = since_ns
        self.count = 0
        self.worst_ns = 0
        self.late = 0
        """How many left more than `OFTEN_NS` after their time."""
        self.left_out_ns = 0
        """How much of the song was left out because there was too much to play in time."""
        self._counts = [0] * len(UPPER_NS)

    def add(self, late_ns: int) -> None:
        """One message that left `late_ns` after its time."""
        self.count += 1
        if late_ns > self.worst_ns:
            self.worst_ns = late_ns
        if late_ns > OFTEN_NS:
            self.late += 1
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

    def state(self) -> LatenessState:
        """For the state: microseconds; ``since`` in monotonic ms; only buckets that hold any."""
        return {
            "count": self.count,
            "p50_us": round(self.percentile(0.5) / 1000, 1),
            "p99_us": round(self.percentile(0.99) / 1000, 1),
            "worst_us": round(self.worst_ns / 1000, 1),
            "since": self.since_ns // 1_000_000,
            "left_out_ms": self.left_out_ns // 1_000_000,
            "histogram": [
                [round(upper / 1000, 1), count]
                for upper, count in zip(UPPER_NS, self._counts, strict=True)
                if count
            ],
        }


class Alarm:
    """Says when lateness gets bad: one message that can be heard, then only one twice as late; or
    more than 1 % of the messages of ten seconds late, and then not again for five minutes."""

    def __init__(self) -> None:
        self._worst_told = 0
        self._from: tuple[int, int, int] | None = None
        self._silent_until = 0

    def look(self, now: int, lateness: Lateness) -> str | None:
        """A line for the log, or None; to be called about once a second."""
        if lateness.worst_ns > max(LATE_NS, 2 * self._worst_told):
            self._worst_told = lateness.worst_ns
            return f"a message left {lateness.worst_ns / 1e6:.1f} ms late"
        before = self._from
        if before is not None and now - before[0] < WINDOW_NS and lateness.count >= before[1]:
            return None
        self._from = (now, lateness.count, lateness.late)
        if before is None or now < self._silent_until:
            return None
        count, late = lateness.count - before[1], lateness.late - before[2]
        if late < 2 or late * 100 <= count:
            return None
        self._silent_until = now + QUIET_NS
        return f"{late} of {count} messages left more than {OFTEN_NS // 1_000_000} ms late"


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
