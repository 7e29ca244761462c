"""Which set the next player is started with, when a player has died of the one it had."""

from __future__ import annotations

from typing import NamedTuple

from bridge.music.score import Score

PROVEN_NS = 30_000_000_000
"""A set that has sounded for this long is good: a later crash is not put down to it."""
DEATHS = 2
"""A set that was not proven and with which this many players died is left."""
LOOK_NS = 1_000_000_000


class Loaded(NamedTuple):
    """A set as the player has it: what it plays, and the text and file it was made of."""

    score: Score
    revision: int
    text: str
    file: str


class Fallback:
    """Follows what the player plays. `present` is what it was last given; `good` the last set that
    has proven itself, or None."""

    def __init__(self, present: Loaded, good: Loaded | None = None) -> None:
        self.present = present
        self.good = good
        self._sounded_ns = 0
        self._heard_ns = 0
        self._deaths = 0

    @property
    def proven(self) -> bool:
        """Whether what is played now has sounded for long enough."""
        return self.good is not None and self.good.revision == self.present.revision

    def takes(self, loaded: Loaded) -> None:
        """The player plays another set, or another text of it."""
        if loaded.revision != self.present.revision:
            self.present = loaded
            self._sounded_ns = self._deaths = 0

    def heard(self, now: int, sounding: bool) -> bool:
        """The player is alive; whether this is the moment in which its set is proven."""
        passed, self._heard_ns = now - self._heard_ns, now
        if sounding and not self.proven:
            self._sounded_ns += min(passed, LOOK_NS)
            if self._sounded_ns >= PROVEN_NS:
                self.good = self.present
                return True
        return False

    def died(self) -> bool:
        """A player has died. Whether `present` is now the last good set, because the one that the
        player had is given up."""
        self._sounded_ns = 0
        if self.proven or self.good is None:
            return False
        self._deaths += 1
        if self._deaths < DEATHS:
            return False
        # A higher revision: whoever knows the text that is given up must not bring it back.
        self.good = self.good._replace(revision=self.present.revision + 1)
        self.present = self.good
        self._deaths = 0
        return True
