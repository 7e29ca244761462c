"""Wrong tokens and codes: how many one address may show, so that nobody guesses for a whole night.

An address has a few wrong tries at once; a spent one comes back after a while. Once they are spent,
nothing that the address shows is looked at until one has come back: a right guess must not be told
from a wrong one. Only so many addresses are remembered; the one that was wrong longest ago is
forgotten first.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable

from bridge.control.budget import Bucket

TRIES = 10.0  # that an address has at once
TRY_S = 6.0  # a spent one comes back after this long
HOSTS_MAX = 256


class WrongTries:
    """What is left to each address. `clock` is monotonic, in seconds."""

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._hosts: OrderedDict[str, Bucket] = OrderedDict()

    def wait(self, host: str) -> float:
        """Seconds until something that the host shows is looked at; 0 when it is now."""
        bucket = self._hosts.get(host)
        return 0.0 if bucket is None else bucket.wait(1.0, self._clock())

    def wrong(self, host: str) -> None:
        """The host has shown a wrong one."""
        now = self._clock()
        bucket = self._hosts.pop(host, None) or Bucket(1 / TRY_S, TRIES, now)
        bucket.available(now)  # what has come back meanwhile counts
        bucket.spend(1.0)
        self._hosts[host] = bucket
        while len(self._hosts) > HOSTS_MAX:
            self._hosts.popitem(last=False)

    def right(self, host: str) -> None:
        """The host has shown a right one: what it typed wrong before is forgotten."""
        self._hosts.pop(host, None)

    def __len__(self) -> int:
        return len(self._hosts)
