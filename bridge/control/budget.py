"""How much each client may ask for, so that no flood of commands delays anybody else.

Every door spends from the same budget: a command costs 1, an address pattern costs 1 for each
address that it names. A client that has spent its share waits; of what waits, only the newest
command to an address is kept, so the last value always wins. What does not fit is refused and
counted.

No clock and no loop in here: every call is told `now`, in seconds of one monotonic clock.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable, Iterator
from typing import Generic, TypeVar

# Ten fingers on faders send about 600 moves a second, of which the pacing keeps two for each
# address at once. A command takes a small computer about one millisecond.
CLIENT_RATE = 600.0  # commands a second of one client
CLIENT_BURST = 512.0  # commands that a client may send at once after a pause
TOTAL_RATE = 1000.0
TOTAL_BURST = 1024.0
QUEUE_MAX = 1024  # addresses of one client that may wait
CLIENTS_MAX = 256  # clients whose spending is remembered

Item = TypeVar("Item")


class Bucket:
    """Tokens that come back at `rate` a second, at most `burst` of them."""

    __slots__ = ("_at", "_burst", "_rate", "_tokens")

    def __init__(self, rate: float, burst: float, now: float) -> None:
        self._rate = rate
        self._burst = burst
        self._tokens = burst
        self._at = now

    def available(self, now: float) -> float:
        """Tokens that can be spent at `now`."""
        self._tokens = min(self._burst, self._tokens + max(now - self._at, 0.0) * self._rate)
        self._at = now
        return self._tokens

    def spend(self, cost: float) -> None:
        """Takes tokens that `available` has shown."""
        self._tokens -= cost

    def wait(self, cost: float, now: float) -> float:
        """Seconds until `cost` tokens are there; infinite when they never will be."""
        if cost > self._burst:
            return float("inf")
        return max(0.0, (cost - self.available(now)) / self._rate)


class Budget:
    """The spending of all clients together and of each one."""

    def __init__(self, now: float) -> None:
        self._total = Bucket(TOTAL_RATE, TOTAL_BURST, now)
        self._clients: OrderedDict[str, Bucket] = OrderedDict()
        self.refused = 0  # commands that were refused because too many came

    def wait(self, client: str, cost: float, now: float) -> float:
        """Seconds until `client` may spend `cost`: 0 for now, infinite for never."""
        return max(self._bucket(client, now).wait(cost, now), self._total.wait(cost, now))

    def spend(self, client: str, cost: float, now: float) -> bool:
        """Spends `cost` for `client`; False, and nothing is spent, when it cannot afford it."""
        bucket = self._bucket(client, now)
        if min(bucket.available(now), self._total.available(now)) < cost:
            return False
        bucket.spend(cost)
        self._total.spend(cost)
        return True

    def _bucket(self, client: str, now: float) -> Bucket:
        bucket = self._clients.get(client)
        if bucket is None:
            bucket = self._clients[client] = Bucket(CLIENT_RATE, CLIENT_BURST, now)
            if len(self._clients) > CLIENTS_MAX:
                self._clients.popitem(last=False)
        else:
            self._clients.move_to_end(client)
        return bucket


class FairQueue(Generic[Item]):
    """What waits for its client's budget: by client, one item for each key, oldest first.

    Clients take turns, so that a client with one item waits for no other client's thousand.
    """

    def __init__(self, most: int = QUEUE_MAX) -> None:
        self._most = most
        self._waiting: OrderedDict[str, OrderedDict[Hashable, Item]] = OrderedDict()

    def __bool__(self) -> bool:
        return bool(self._waiting)

    def __contains__(self, client: object) -> bool:
        return client in self._waiting

    def clients(self) -> list[str]:
        """The clients with something waiting; the one whose turn it is comes first."""
        return list(self._waiting)

    def put(self, client: str, key: Hashable, item: Item) -> tuple[bool, Item | None]:
        """Adds an item behind all others of its client.

        Returns:
            (False, None) when the client's queue is full and nothing was added; else True and the
            item with the same key that it replaces, if any.
        """
        queue = self._waiting.setdefault(client, OrderedDict())
        replaced = queue.pop(key, None)
        if replaced is None and len(queue) >= self._most:
            return False, None
        queue[key] = item
        return True, replaced

    def first(self, client: str) -> Item:
        """The oldest item of a client that has some."""
        return next(iter(self._waiting[client].values()))

    def take(self, client: str) -> Item:
        """Removes the oldest item of a client that has some; its next turn comes after all
        others'."""
        queue = self._waiting.pop(client)
        _, item = queue.popitem(last=False)
        if queue:
            self._waiting[client] = queue
        return item

    def drop(self, client: str) -> Iterator[Item]:
        """Removes everything of a client."""
        yield from self._waiting.pop(client, OrderedDict()).values()
