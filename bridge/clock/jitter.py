"""How late the stamps of one clock usually are: a rolling sample, kept sorted."""

from __future__ import annotations

from bisect import bisect_left, insort
from collections import deque

# What is assumed before anything was seen: the quantiles of half of a normal distribution with
# 1 ms, coarse on purpose. Real samples push these out one by one.
_ASSUMED_NS = tuple(
    round(ns)
    for ns in (
        40e3,
        120e3,
        200e3,
        280e3,
        370e3,
        450e3,
        550e3,
        640e3,
        740e3,
        850e3,
        970e3,
        1.11e6,
        1.27e6,
        1.47e6,
        1.76e6,
        2.15e6,
    )
)


_ENOUGH = 64


class Spread:
    """The last `most` latenesses in ns (never below 0), with their quantiles."""

    def __init__(self, most: int = 128) -> None:
        self._most = most
        self._order: deque[int] = deque(_ASSUMED_NS)
        self._sorted = sorted(_ASSUMED_NS)
        self._assumed = len(_ASSUMED_NS)

    def add(self, late_ns: float) -> None:
        """Takes one more; the oldest makes room, and the assumed ones once there are enough."""
        late = max(0, round(late_ns))
        room = _ENOUGH if self._assumed else self._most
        if len(self._order) >= room:
            self._drop()
        self._order.append(late)
        insort(self._sorted, late)

    def _drop(self) -> None:
        gone = self._order.popleft()
        self._assumed = max(0, self._assumed - 1)
        del self._sorted[bisect_left(self._sorted, gone)]

    def quantile(self, share: float) -> int:
        """The lateness that `share` (0..1) of the stamps stay below, in ns."""
        return self._sorted[min(len(self._sorted) - 1, int(share * len(self._sorted)))]

    @property
    def worst(self) -> int:
        """The largest lateness in the sample, in ns."""
        return self._sorted[-1]

    @property
    def usual_ns(self) -> int:
        """What 95 of 100 stay below, in ns; 0 while the assumed ones are part of the sample."""
        return 0 if self._assumed else self.quantile(0.95)
