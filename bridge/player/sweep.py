"""Collecting garbage where there is time for it.

The player runs without the collector, which would stop it at any moment. Nothing but a swap leaves
garbage that does not go by itself (the renderer of the last score refers to itself): some hundred
kB each. It is collected when the next message is far away, so that a night of edits does not fill
the memory (locked into RAM, as the player's is).
"""

from __future__ import annotations

import gc
from collections.abc import Callable

from bridge.player.pace import Longest

FIRST_NS = 3_000_000
"""How long a collection may take, before one was measured."""
WHOLE = 2
"""The room that is wanted is this many times the longest of late."""
WAITING_MOST = 64
"""After so many swaps without enough room, what there is must do (about 15 MB)."""


class Sweeper:
    """Counts swaps and collects what they leave. `clock` reads the monotonic time in ns."""

    def __init__(
        self, clock: Callable[[], int], collect: Callable[[], object] = gc.collect
    ) -> None:
        self._clock = clock
        self._collect = collect
        self._waiting = 0
        self._longest = Longest(FIRST_NS)

    def swapped(self) -> None:
        """A score has taken the place of another."""
        self._waiting += 1

    def wants(self, slack_ns: int) -> bool:
        """Whether there is something to collect, and room for it until the next message."""
        if not self._waiting:
            return False
        return slack_ns > WHOLE * self._longest.ns or self._waiting > WAITING_MOST

    def sweep(self) -> None:
        """Collects; remembers the longest of late, little by little forgotten."""
        begun = self._clock()
        self._collect()
        self._longest.took(self._clock() - begun)
        self._waiting = 0
