"""Feedback that comes back: hosts that send us what we have just sent to them.

A host that echoes would carry out our own feedback as commands: a section that plays would be
recalled again each second. One equal message says nothing, since a hand may press what is lit; many
in a row, each just after it was sent, are an echo. The host's messages that repeat our feedback are
then left alone until it has stopped for a while.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence

RETURN_S = 0.25  # an echo comes back this soon
RETURNS_MAX = 4  # messages in a row that repeat our feedback; more is an echo
QUIET_S = 5.0  # an echo that has not been heard for this long is over
ADDRESSES_MAX = 4096


class Echo:
    """What was sent to one host, and what of it came back. `now` is in monotonic seconds."""

    def __init__(self) -> None:
        self._sent: OrderedDict[str, tuple[object, float]] = OrderedDict()
        self._in_a_row = 0
        self._last = float("-inf")

    def sent(self, address: str, value: object, now: float) -> None:
        """Notes a message of feedback."""
        self._sent.pop(address, None)
        self._sent[address] = (value, now)
        while len(self._sent) > ADDRESSES_MAX:
            self._sent.popitem(last=False)

    def heard(self, address: str, args: Sequence[object], now: float) -> bool:
        """Notes a message of the host; True when it is an echo and must not be carried out."""
        if now - self._last > QUIET_S:
            self._in_a_row = 0
        value, at = self._sent.get(address, (None, float("-inf")))
        returned = now - at <= RETURN_S and len(args) == 1 and _same(args[0], value)
        if returned:
            self._in_a_row += 1
            self._last = now
        elif self._in_a_row <= RETURNS_MAX:
            self._in_a_row = 0
        return returned and self._in_a_row > RETURNS_MAX

    @property
    def echoing(self) -> bool:
        """Whether the host sends back what it is sent."""
        return self._in_a_row > RETURNS_MAX


def _same(arg: object, value: object) -> bool:
    """Equal as OSC carries it: 32 bits of a float."""
    if not isinstance(arg, int | float) or not isinstance(value, int | float):
        return False
    return abs(float(arg) - float(value)) <= 1e-6 * max(1.0, abs(float(value)))
