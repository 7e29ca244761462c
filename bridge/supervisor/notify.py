"""Tells a service manager how we are: readiness, a line of status, a sign of life.

sd_notify(3): datagrams of ``NAME=VALUE`` lines to the socket that ``NOTIFY_SOCKET`` names; a name
that begins with ``@`` is an abstract one. ``WATCHDOG_USEC`` is how long the manager waits for the
next sign of life; half of it is a good pace.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import MutableMapping


class Notifier:
    """Takes what the manager says out of the environment, so that no child answers for us. Without
    a manager it does nothing."""

    def __init__(self, environment: MutableMapping[str, str] = os.environ) -> None:
        place = environment.pop("NOTIFY_SOCKET", "")
        limit = environment.pop("WATCHDOG_USEC", "")
        environment.pop("WATCHDOG_PID", None)
        self._sock: socket.socket | None = None
        self._alive_at = 0.0
        self.every_s = int(limit) / 2e6 if limit.isdecimal() else 0.0
        if not place:
            return
        with contextlib.suppress(OSError):
            self._sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            self._sock.setblocking(False)
            self._sock.connect("\0" + place[1:] if place.startswith("@") else place)

    def tell(self, **words: str) -> None:
        """Whole words only; a manager that does not listen is no trouble of ours."""
        if self._sock is None:
            return
        text = "\n".join(f"{name}={value}" for name, value in words.items())
        with contextlib.suppress(OSError):
            self._sock.send(text.encode())

    def alive(self, now: float) -> None:
        """The loop has come round (monotonic seconds)."""
        if self.every_s and now >= self._alive_at:
            self._alive_at = now + self.every_s
            self.tell(WATCHDOG="1")

    def close(self) -> None:
        if self._sock is not None:
            self._sock.close()
            self._sock = None
