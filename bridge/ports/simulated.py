"""A port without hardware: keeps what it got, so that a scope, a page or a test can look.

With the environment variable ``LANEBRIDGE_SIMULATED_LOG`` naming a file, every simulated port of
every process also appends one line per message to it: ``ns pid port hex``. A line is one write, so
that lines of two processes do not mix and nothing is lost when a process is killed.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Callable

from bridge.ports.port import Receive

LOG_VARIABLE = "LANEBRIDGE_SIMULATED_LOG"
KEPT = 256


class SimulatedOut:
    """An output that leads nowhere.

    `sent` holds the last `keep` messages as (ns, bytes), oldest first; all of them for None.
    `plugged` is for whoever plays the cable: False makes the port look lost.
    """

    def __init__(
        self,
        name: str = "simulated",
        now: Callable[[], int] = time.monotonic_ns,
        keep: int | None = KEPT,
    ) -> None:
        self.name = name
        self.sent: deque[tuple[int, bytes]] = deque(maxlen=keep)
        self.plugged = True
        self.closed = False
        self._now = now
        path = os.environ.get(LOG_VARIABLE)
        self._log = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600) if path else None

    def send(self, data: bytes) -> None:
        if self.closed or not self.plugged:
            return
        now = self._now()
        self.sent.append((now, data))
        if self._log is not None:
            os.write(self._log, f"{now} {os.getpid()} {self.name} {data.hex()}\n".encode())

    def close(self) -> None:
        self.closed = True
        if self._log is not None:
            os.close(self._log)
            self._log = None

    def alive(self) -> bool:
        return self.plugged and not self.closed

    def reopen(self) -> bool:
        return self.plugged and not self.closed


class SimulatedIn:
    """An input that whoever holds it can play: `play(data)` arrives as a message would."""

    def __init__(
        self, receive: Receive, name: str = "simulated", now: Callable[[], int] = time.monotonic_ns
    ) -> None:
        self.name = name
        self.closed = False
        self._receive = receive
        self._now = now

    def play(self, data: bytes) -> None:
        if not self.closed:
            self._receive(self._now(), data)

    def close(self) -> None:
        self.closed = True

    def alive(self) -> bool:
        return not self.closed

    def reopen(self) -> bool:
        return not self.closed
