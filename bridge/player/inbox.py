"""MIDI that comes in: stamped and queued by the library's threads, read by the loop."""

from __future__ import annotations

import contextlib
from collections import deque

from bridge.errors import CommandError, PortError
from bridge.player.wake import Wake
from bridge.ports import InPort, Receive, SimulatedIn, has_system, list_ports, open_input

CLOCK = b"\xf8"

ROWS_MOST = 8192
"""Messages that may wait. At DIN speed this is several seconds; a flood beyond it is counted."""


MOST_OVERHEARD = 16
"""Inputs that nobody named and that are listened to for clocks: enough for any desk."""
PAUSE_LOOKS = 30
"""Without any MIDI system, looking for one takes a while: only each so many looks."""


class Inbox:
    """Inputs by the text they are found by. `fd` becomes readable when something has come in.

    `away` names those that are wanted (`open`, or `want` for those that may come later) and are
    not there now.
    """

    def __init__(self) -> None:
        self._wake = Wake()
        self.fd = self._wake.fd
        self.ports: dict[str, InPort] = {}
        self.dropped = 0
        self.away: set[str] = set()
        self._looks = 0
        self._overheard: list[InPort] = []
        self._queue: deque[tuple[str, int, bytes]] = deque()

    def open(self, text: str) -> None:
        """Listens to the input that `text` names. Raises PortError."""
        if text in self.ports:
            return
        queue, ring = self._queue, self._wake.ring

        def arrived(stamp: int, data: bytes) -> None:
            # Runs in the library's thread: nothing but this.
            queue.append((text, stamp, data))
            ring()

        port = self.ports[text] = open_input(text, arrived, "clock")
        self.away.discard(text)
        for other in [o for o in self._overheard if o.name == port.name]:
            self._overheard.remove(other)  # or its clocks would come twice
            other.close()

    def overhear(self) -> None:
        """Listens to every other input of this computer for clocks, so that a second clock on the
        desk is seen and not only guessed at. Nothing but clock bytes is taken from them, and they
        wake nobody. Our own ports and those that lead back to us are left alone."""
        if not has_system():
            return
        named = {port.name for port in self.ports.values()}
        names = [p.name for p in list_ports() if p.way == "in" and p.usable and p.name not in named]
        for name in names[:MOST_OVERHEARD]:
            with contextlib.suppress(PortError):
                self._overheard.append(open_input(name, self._clock_of(name), "others"))

    def _clock_of(self, name: str) -> Receive:
        queue = self._queue

        def arrived(stamp: int, data: bytes) -> None:
            if data == CLOCK:
                queue.append((name, stamp, data))

        return arrived

    def heard(self) -> None:
        """`fd` was readable: it is quiet until something else comes in. To be called before `take`,
        so that nothing which rings in between is missed."""
        self._wake.quiet()

    def want(self, text: str) -> None:
        """Listens to the input that `text` names as soon as it is there."""
        if text not in self.ports:
            self.away.add(text)

    def play(self, text: str, data: bytes) -> None:
        """`data` as if it came in now; only on a simulated input. Raises CommandError."""
        port = self.ports.get(text)
        if not isinstance(port, SimulatedIn):
            raise CommandError(f"'{text}' is no simulated input", "unknown")
        port.play(data)

    def state(self) -> dict[str, bool]:
        """Every input that is wanted, and whether it is there."""
        return {text: text not in self.away for text in sorted({*self.ports, *self.away})}

    def close(self, text: str) -> None:
        self.away.discard(text)
        port = self.ports.pop(text, None)
        if port is not None:
            port.close()

    def take(self) -> list[tuple[str, int, bytes]]:
        """What has come in, in order. A flood is cut to its newest part, clock bytes kept."""
        queue = self._queue
        if not queue:
            return []
        count = len(queue)
        rows = [queue.popleft() for _ in range(count)]
        if count > ROWS_MOST:
            kept = [row for row in rows[:-ROWS_MOST] if row[2][:1] >= b"\xf8"]
            self.dropped += count - ROWS_MOST - len(kept)
            rows = kept + rows[-ROWS_MOST:]
        return rows

    def mend(self) -> set[str]:
        """Opens what was wanted and has come, or has come back; gives what is away now."""
        self._looks += 1
        for text, port in self.ports.items():
            # One that was away is connected anew: its name alone says that it is back, no more.
            if port.reopen() if text in self.away else port.alive():
                self.away.discard(text)
            else:
                self.away.add(text)
        look = has_system() or self._looks % PAUSE_LOOKS == 1
        for text in self.away - self.ports.keys():
            if look or text == "simulated":
                with contextlib.suppress(PortError):
                    self.open(text)
        return self.away

    def stop(self) -> None:
        for port in self._overheard:
            with contextlib.suppress(PortError):
                port.close()
        self._overheard.clear()
        for text in list(self.ports):
            with contextlib.suppress(PortError):
                self.close(text)
