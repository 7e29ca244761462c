"""Values while the song stands: what a hand moves then still reaches its outputs."""

from __future__ import annotations

from collections.abc import Mapping

from bridge.player.outputs import Outputs

HOLD_NS = 10_000_000
"""Moved values go out at most this often."""


class Standing:
    """Remembers what every output should hold, so that only what was moved is sent: after a stop
    levels are at rest, and they stay there until somebody moves them."""

    def __init__(self, outputs: Outputs) -> None:
        self.at: int | None = None
        """When `send` is due, or None when nothing was moved."""
        self._outputs = outputs
        self._held: Mapping[str, float] = {}
        self._sent_at = 0

    def take(self, values: Mapping[str, float]) -> None:
        """From now on these stand, without being sent."""
        self._held = values

    def touch(self, now: int) -> None:
        """A hand has moved something."""
        if self.at is None:
            self.at = max(now, self._sent_at + HOLD_NS)

    def send(self, values: Mapping[str, float], now: int) -> None:
        """Sends what differs from what stood before."""
        self.at, self._sent_at = None, now
        for output, value in values.items():
            if self._held.get(output) != value:
                self._outputs.offer(output, value, now)
        self._held = values
