"""Commands give way to hits: a crowd at the doors must not make what is played late."""

from __future__ import annotations

NEAR_NS = 400_000
"""Commands wait for what is sent sooner than this: to carry some out takes up to about as long."""
MOST_NS = 10_000_000
"""But never longer than this, however close together messages leave."""


class Yielding:
    """Says whether commands that may have come in wait for the messages that leave next."""

    def __init__(self) -> None:
        self._waiting_since: int | None = None

    def waits(self, slack_ns: int, now: int) -> bool:
        """Whether commands wait. `slack_ns` is the time until something must be sent."""
        if slack_ns >= NEAR_NS:
            self._waiting_since = None
            return False
        if self._waiting_since is None:
            self._waiting_since = now
        return now - self._waiting_since < MOST_NS

    def handled(self) -> None:
        """Commands were carried out."""
        self._waiting_since = None
