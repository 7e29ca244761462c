"""How far the renderer gets in a given time, and how long other work takes."""

from __future__ import annotations

FIRST_TICKS = 60
"""Before anything was measured: short enough for the densest set."""


class Pace:
    """Measures how long a tick takes, so that work can be cut into pieces of about equal time."""

    def __init__(self, memory: int = 4) -> None:
        """`memory`: after about so many quick pieces a slow one is forgotten."""
        self._memory = memory
        self._ns_per_tick: float | None = None

    def ticks(self, ns: int, most: int) -> int:
        """How many ticks take about `ns`; at least 1, at most `most`."""
        per_tick = self._ns_per_tick
        if per_tick is None:
            return min(FIRST_TICKS, most)
        if per_tick * most <= ns:
            return max(1, most)
        return max(1, int(ns / per_tick))

    def took(self, ticks: int, ns: int) -> None:
        """`ticks` took `ns`. A slow piece counts at once, quick ones little by little."""
        if ticks <= 0:
            return
        per_tick, before = ns / ticks, self._ns_per_tick
        if before is None or per_tick > before:
            self._ns_per_tick = per_tick
        else:
            self._ns_per_tick = before + (per_tick - before) / self._memory

    @property
    def known(self) -> bool:
        """Whether anything was measured."""
        return self._ns_per_tick is not None

    def ns(self, ticks: int) -> int:
        """About how long so many ticks take; 0 as long as nothing was measured."""
        return int(ticks * (self._ns_per_tick or 0.0))


class Longest:
    """The longest time that something took of late, little by little forgotten."""

    def __init__(self, first_ns: int, memory: int = 8) -> None:
        """
        Args:
            first_ns: what is taken for it before anything was measured.
            memory: after about so many shorter times a long one is forgotten.
        """
        self._memory = memory
        self.ns = first_ns

    def took(self, ns: int) -> None:
        """It took so long."""
        self.ns = max(ns, self.ns - self.ns // self._memory)
