"""MIDI that comes in: stamped and queued by the library's threads, read by the loop."""

from __future__ import annotations

import contextlib
import os
from collections import deque

from bridge.errors import PortError
from bridge.ports import InPort, open_input

MOST = 8192
"""Messages that may wait. At DIN speed this is several seconds; a flood beyond it is counted."""


class Inbox:
    """Inputs by the text they are found by. `fd` becomes readable when something has come in."""

    def __init__(self) -> None:
        self.fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self.ports: dict[str, InPort] = {}
        self.dropped = 0
        self._queue: deque[tuple[str, int, bytes]] = deque()

    def open(self, text: str) -> None:
        """Listens to the input that `text` names. Raises PortError."""
        if text in self.ports:
            return
        queue, fd = self._queue, self.fd

        def arrived(stamp: int, data: bytes) -> None:
            # Runs in the library's thread: nothing but this.
            queue.append((text, stamp, data))
            os.eventfd_write(fd, 1)

        self.ports[text] = open_input(text, arrived, "clock")

    def close(self, text: str) -> None:
        port = self.ports.pop(text, None)
        if port is not None:
            port.close()

    def take(self) -> list[tuple[str, int, bytes]]:
        """What has come in, in order. A flood is cut to its newest part, clock bytes kept."""
        with contextlib.suppress(BlockingIOError):
            os.eventfd_read(self.fd)
        queue = self._queue
        count = len(queue)
        rows = [queue.popleft() for _ in range(count)]
        if count > MOST:
            kept = [row for row in rows[:-MOST] if row[2][:1] >= b"\xf8"]
            self.dropped += count - MOST - len(kept)
            rows = kept + rows[-MOST:]
        return rows

    def mend(self) -> list[str]:
        """Opens again what has come back; names what is away now."""
        away = []
        for text, port in self.ports.items():
            if not port.alive() and not port.reopen():
                away.append(text)
        return away

    def stop(self) -> None:
        for text in list(self.ports):
            with contextlib.suppress(PortError):
                self.close(text)
