"""One MIDI message on its way to one port, and what may stand before what.

The order is common practice for converters, and the MIDI 1.0 rule that a sounding note is ended
before it starts again: clock first, then closing gates, then voltages, then opening gates, so that
a voltage has settled before the gate that needs it.
"""

from __future__ import annotations

from typing import NamedTuple

CLOCK, OFF, VALUE, ON = range(4)
RELEASE = 0x40  # release velocity for senders that have none (MIDI 1.0, p. 10)


def is_note(status: int) -> bool:
    """Whether a message with that status byte starts or ends a note (MIDI 1.0, table 1)."""
    return 0x80 <= status < 0xA0


class Message(NamedTuple):
    """`data` is one whole MIDI message with its status byte; `order` is CLOCK, OFF, VALUE or ON."""

    port: str
    order: int
    data: bytes
