"""How far ahead the player renders, and how much time it waits for before it does."""

from __future__ import annotations

from bridge.player.pace import Longest
from bridge.player.sending import STAGE_NS
from bridge.voltage.wire import VALUE_PERIOD_NS

SLACK_NS = 2_500_000
"""Rendering waits for at most so much time before the next deadline."""
GUARD_NS = 2_000_000
"""How much earlier than needed the player wakes to render, when nothing else has woken it."""
AHEAD_NS = GUARD_NS + VALUE_PERIOD_NS
"""How much earlier than needed it renders where it is awake and has time: while levels glide, their
steps wake it often enough."""
LONG_NS = AHEAD_NS
"""How much further than that it renders. Each second step of a glide then finds nothing to render:
renders half as long and twice as many took a sixth more CPU time (measured with the demo). This
and `AHEAD_NS` together are the longest that a hand waits."""
SHORT_NS = 6_000_000
"""The same on a computer, or for a set, where rendering so far would take longer than `SLACK_NS`,
so that what is due next would be late."""


class Stride:
    """Measures how long a render takes, and says how long the next may be."""

    def __init__(self) -> None:
        self._longest = Longest(SLACK_NS, memory=16)

    def took(self, ns: int) -> None:
        """A render took so long."""
        self._longest.took(ns)

    @property
    def ahead_ns(self) -> int:
        """How much further than needed the next render goes."""
        return AHEAD_NS + (LONG_NS if self._longest.ns < SLACK_NS else SHORT_NS)

    @property
    def room_ns(self) -> int:
        """How far away the next deadline must be for a render that can wait."""
        return min(SLACK_NS, STAGE_NS // 2 + 2 * self._longest.ns)
