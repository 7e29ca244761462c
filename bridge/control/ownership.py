"""Whose finger is where: owners of controls, holds that must be refreshed, pacing of sweeps.

No clock and no loop in here: every call is told `now`, in seconds of one monotonic clock.
"""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Generic, TypeVar

OWN_S = 0.3  # a control stays its mover's this long after the last move or the release
HOLD_S = 0.5  # a hold that is not refreshed for this long is released
PACE_S = 1 / 60  # the player gets at most one command per address in this time

Key = TypeVar("Key", bound=Hashable)
Item = TypeVar("Item")


class Owners(Generic[Key]):
    """The client that moves a control owns it until `OWN_S` after its last move.

    So two tablets on one fader do not fight: the second is refused until the first has let go.
    """

    def __init__(self, own_s: float = OWN_S) -> None:
        self._own_s = own_s
        self._owned: dict[Key, tuple[str, float]] = {}

    def owner(self, key: Key, now: float) -> str | None:
        """Who owns `key` at `now`."""
        client, until = self._owned.get(key, ("", now))
        return client if until > now else None

    def take(self, key: Key, client: str, now: float) -> bool:
        """Takes or keeps `key` for `client`; False when another owns it."""
        if self.owner(key, now) not in (None, client):
            return False
        self._owned[key] = (client, now + self._own_s)
        return True

    def drop(self, client: str) -> None:
        """The client has vanished: whatever it owned is free at once."""
        self._owned = {k: v for k, v in self._owned.items() if v[0] != client}

    def ended(self, now: float) -> list[Key]:
        """The controls whose time is over since the last call; they are forgotten."""
        over = [key for key, (_, until) in self._owned.items() if until <= now]
        for key in over:
            del self._owned[key]
        return over

    def next_end(self) -> float | None:
        """When the next ownership ends, if any."""
        return min((until for _, until in self._owned.values()), default=None)


class Holds(Generic[Key]):
    """Momentary controls: each lives until released, or until `HOLD_S` without a refresh."""

    def __init__(self, hold_s: float = HOLD_S) -> None:
        self._hold_s = hold_s
        self._until: dict[tuple[str, Key], float] = {}

    def press(self, client: str, key: Key, now: float) -> bool:
        """Begins or refreshes a hold; True when it is new (and the player must be told)."""
        new = (client, key) not in self._until
        self._until[client, key] = now + self._hold_s
        return new

    def release(self, client: str, key: Key) -> bool:
        """Ends a hold; False when there was none."""
        return self._until.pop((client, key), None) is not None

    def of(self, client: str) -> list[Key]:
        return [key for holder, key in self._until if holder == client]

    def expired(self, now: float) -> list[tuple[str, Key]]:
        """The holds that were not refreshed in time; they stay until `release`."""
        return [held for held, until in self._until.items() if until <= now]

    def next_end(self) -> float | None:
        return min(self._until.values(), default=None)

    def clear(self) -> None:
        self._until.clear()


class Pacer(Generic[Key, Item]):
    """Latest-wins pacing: the first two items of an address go out at once (a finger that comes
    down says so, and then moves), then one per `pace_s`.

    Waiting ends on a grid of `pace_s` that all addresses share, so that what waits goes together.
    """

    def __init__(self, pace_s: float = PACE_S) -> None:
        self._pace_s = pace_s
        self._free_at: dict[Key, float] = {}  # when all that went has been paid for
        self._parked: dict[Key, Item] = {}

    def offer(
        self, key: Key, item: Item, now: float, credit: bool = True
    ) -> tuple[float, Item | None]:
        """Offers `item`: (0, None) when it may go now; else how many seconds it must wait, and
        the parked item that it replaces (if any). Without `credit` only the first goes at once."""
        free_at = self._free_at.get(key, now) - (self._pace_s if credit else 0.0)
        wait = free_at - now
        if wait > 0:
            # the small share keeps a time that lies on the grid where it is
            wait = math.ceil(free_at / self._pace_s - 1e-3) * self._pace_s - now
        if wait <= 0 and key not in self._parked:
            if len(self._free_at) > 1024:  # forget addresses that have been quiet
                self._free_at = {k: at for k, at in self._free_at.items() if at > now}
            self._spend(key, now)
            return 0.0, None
        replaced = self._parked.get(key)
        self._parked[key] = item
        return max(wait, 1e-4), replaced

    def take(self, key: Key, now: float) -> Item | None:
        """The parked item of an address whose time has come."""
        item = self._parked.pop(key, None)
        if item is not None:
            self._spend(key, now)
        return item

    def drop(self, key: Key) -> None:
        """Forgets what is parked, as if it had never been offered."""
        self._parked.pop(key, None)

    def _spend(self, key: Key, now: float) -> None:
        self._free_at[key] = max(self._free_at.get(key, now), now) + self._pace_s
