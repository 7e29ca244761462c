"""When a sample was taken: sample numbers against the monotonic clock.

An audio system hands over blocks late, never early, by as much as the machine is busy. So a line is
laid by least squares through the earlier half of what the last blocks said of themselves, and a
block's time is read off that line, not off the clock at its arrival.
"""

from __future__ import annotations

import statistics
from collections import deque

import numpy as np

FEWEST = 8
SPAN_S = 2.0
"""Blocks that reach over less than this say nothing of the rate, so the nominal one is used."""
EVERY = 8
"""Blocks between two fits."""
SPAN_NS, SPANS = 100_000_000, 30


class SampleClock:
    """The line through (sample, ns); `rate` is the nominal rate in samples a second."""

    def __init__(self, rate: float, keep: int = 1024) -> None:
        self.rate = rate
        self._points: deque[tuple[int, int]] = deque(maxlen=keep)
        self._count = 0
        self._origin = (0.0, 0.0)
        self._slope = 1e9 / rate
        self._excess: deque[float] = deque(maxlen=FEWEST)

    def add(self, first: int, ns: int) -> None:
        """A block whose first sample has number `first` was, by the audio system's own account,
        taken at `ns`, or somewhat earlier."""
        self._points.append((first, ns))
        self._count += 1
        if self._count <= FEWEST or self._count % EVERY == 0:
            self._fit()
        self._excess.append(ns - self.ns_of(first))

    def ns_of(self, sample: float) -> int:
        """Monotonic ns at which a sample was taken."""
        return round(self._origin[1] + (sample - self._origin[0]) * self._slope)

    def sample_of(self, ns: float) -> float:
        """The sample (fractional) that was taken at monotonic `ns`."""
        return self._origin[0] + (ns - self._origin[1]) / self._slope

    @property
    def empty(self) -> bool:
        return not self._points

    @property
    def late_ns(self) -> float:
        """By how much even the earliest of the last few blocks is behind the line; what is more
        than a few ms means lost samples. 0 while too few blocks are known."""
        return min(self._excess) if len(self._excess) == FEWEST else 0.0

    def _span(self) -> float:
        return (self._points[-1][0] - self._points[0][0]) / self.rate

    def _fit(self) -> None:
        points = np.array(self._points, dtype=np.float64)
        x, y = points[:, 0] - points[0, 0], points[:, 1] - points[0, 1]
        slope = 1e9 / self.rate
        if self._span() >= SPAN_S:
            slope = float(np.polyfit(x, y, 1)[0])
        away = y - slope * x
        early = away <= np.median(away)
        if self._span() >= SPAN_S:
            slope = float(np.polyfit(x[early], y[early], 1)[0])
            away = y - slope * x
        self._slope = slope
        self._origin = (points[0, 0], points[0, 1] + float(np.mean(away[early])))


class Pace:
    """How many samples a second really come, by tenths of a second. Samples that are lost now and
    then make some of these slow, but never all."""

    def __init__(self) -> None:
        self._begun: tuple[int, int] | None = None
        self._rates: deque[float] = deque(maxlen=SPANS)

    def add(self, brought: int, ns: int) -> None:
        """`brought` samples in all had come at `ns`."""
        if self._begun is None:
            self._begun = (brought, ns)
            return
        samples, span = brought - self._begun[0], ns - self._begun[1]
        if span >= SPAN_NS:
            self._rates.append(samples * 1e9 / span)
            self._begun = (brought, ns)

    def off(self, rate: float, by: float) -> float | None:
        """The true rate, if nearly all tenths are off from `rate` to the same side by more than the
        part `by`; None when they are not, and for the first seconds."""
        if len(self._rates) < SPANS:
            return None
        ordered = sorted(self._rates)
        slow, fast = ordered[SPANS // 10], ordered[-1 - SPANS // 10]
        if fast < rate * (1.0 - by) or slow > rate * (1.0 + by):
            return statistics.median(ordered)
        return None
