"""The tempo that is shown, apart from the one that is played.

A single interval is useless as a reading (2 ms of jitter on a 20 ms clock is 10 in a hundred), a
long average lags. While the time line is settled its own tempo is read, since it comes from the
whole window; while it is young, the straight line of least squares through the last beat. What is
shown moves towards that, quickly after a change and slowly at rest.
"""

from __future__ import annotations

from collections import deque

from bridge.clock.envelope import Point
from bridge.clock.tempo import CLOCKS_PER_QUARTER

SETTLED = 48
"""Stamps in a window whose own tempo can be shown."""

_MINUTE_NS = 60_000_000_000
_FEWEST = 4
_QUICK = 1 / 8
_SLOW = 1 / 24
_FAR = 0.25  # of the tempo: beyond this there is no way to go, only a new reading


def bpm_of(period_ns: float) -> float:
    """Beats per minute of a clock period in ns; 0 for no period."""
    return _MINUTE_NS / (period_ns * CLOCKS_PER_QUARTER) if period_ns else 0.0


class ClockReading:
    """A steady reading in `bpm`; 0 until a few clocks have come."""

    def __init__(self) -> None:
        self.bpm = 0.0
        self._beat: deque[Point] = deque(maxlen=CLOCKS_PER_QUARTER + 1)

    def restart(self) -> None:
        """The stamps before are of another time line; what is shown stays until there are new."""
        self._beat.clear()

    def take(self, index: int, ns: int, period: float, settled: int) -> None:
        """The newest stamp, the line's period in ns, and how many stamps that rests on."""
        self._beat.append((index, ns))
        if settled >= SETTLED:
            self._move(bpm_of(period), _SLOW)
        elif len(self._beat) >= _FEWEST:
            self._move(bpm_of(self._slope()), _QUICK)

    def _move(self, bpm: float, pace: float) -> None:
        if abs(bpm - self.bpm) > _FAR * bpm:
            self.bpm = bpm
        else:
            self.bpm += (bpm - self.bpm) * pace

    def _slope(self) -> float:
        beat = self._beat
        count = len(beat)
        zero = beat[0][1]
        mean_x = sum(index for index, _ in beat) / count
        mean_y = sum(ns - zero for _, ns in beat) / count
        over = sum((index - mean_x) * (ns - zero - mean_y) for index, ns in beat)
        return over / sum((index - mean_x) ** 2 for index, _ in beat)
