"""How often closing is said, by whoever closes outputs when the player cannot.

A client that dies may stall a MIDI system for some tenths of a second, and what is sent meanwhile
is lost (measured with a JACK server: 70 to 430 ms). So it is said again and again: the gates, which
are what sounds, so often that they close as soon as the system lives again; everything less often,
for on a DIN link it takes tens of milliseconds; and later slowly, until somebody answers for the
outputs again. Nothing heavy may be imported here.
"""

from __future__ import annotations

import time
from enum import Enum

from bridge.ports.jack_watch import clients_left
from bridge.ports.port import CLIENT

GATES_EVERY_NS, GATES_FOR_NS = 25_000_000, 400_000_000
ALL_EVERY_NS, OFTEN_NS, LATER_NS = 100_000_000, 1_000_000_000, 1_000_000_000

LEFT_S, LOOK_S = 1.0, 0.01
"""While a JACK server still holds clients of the dead, an opening may take seconds (25 were seen):
they are waited for so long, and looked for so often."""


class Said(Enum):
    """What of closing is said: gates alone, or everything."""

    NOTHING = 0
    GATES = 1
    ALL = 2


class Closing:
    """Everything was closed at `now` (monotonic ns); says when that is to be said again.

    `next_ns` is when `due` has something to say.
    """

    def __init__(self, now: int) -> None:
        self._begun = now
        self._all_ns = now + ALL_EVERY_NS
        self.next_ns = now + GATES_EVERY_NS

    def due(self, now: int) -> Said:
        """What is to be said at `now`, which counts as said then."""
        if now < self.next_ns:
            return Said.NOTHING
        said = Said.GATES
        since = now - self._begun
        if now >= self._all_ns:
            said = Said.ALL
            self._all_ns = now + (ALL_EVERY_NS if since < OFTEN_NS else LATER_NS)
        self.next_ns = self._all_ns
        if since < GATES_FOR_NS:
            self.next_ns = min(self._all_ns, now + GATES_EVERY_NS)
        return said


def wait_for_dead_clients() -> None:
    """For a new process, before it opens a port after others of the program have died."""
    until = time.monotonic() + LEFT_S
    while clients_left(CLIENT) and time.monotonic() < until:
        time.sleep(LOOK_S)
