"""Exactly one clock leads; every other one is counted, and a loop is cut.

A host often sends its clock on two ports, and a patched-through port sends our own output back.
So `Sources` lets real-time and Song Position messages of one chosen input pass and counts the
clocks of all others, never follows a port that is our own, and cuts an input that repeats one and
the same message more than 200 times in a second: the fastest clock there is (400 bpm) has 160.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Literal

from bridge.errors import CommandError

INTERNAL = "internal"
ECHO_MOST = 200
"""Identical messages in one second (common practice, no source)."""

_SECOND_NS = 1_000_000_000
_CLOCK = 0xF8
_LEADS = (0xF2, 0xF8, 0xFA, 0xFB, 0xFC)
_KINDS_MOST = 64  # different messages watched at once per input: a cap, not a need

Heard = Literal["ours", "other", "not-clock", "cut", "now-cut"]


class EchoGuard:
    """Tells when one input repeats one message more often than music does."""

    def __init__(self, most: int = ECHO_MOST) -> None:
        self._most = most
        self._seen: dict[bytes, deque[int]] = {}

    def repeats(self, ns: int, data: bytes) -> bool:
        """Takes a message at `ns`; True if it came more than `most` times within a second."""
        times = self._seen.get(data)
        if times is None:
            if len(self._seen) >= _KINDS_MOST:
                # The one that was heard longest ago makes room.
                del self._seen[min(self._seen, key=lambda kind: self._seen[kind][-1])]
            times = self._seen[data] = deque(maxlen=self._most + 1)
        times.append(ns)
        return len(times) > self._most and ns - times[0] < _SECOND_NS


class Sources:
    """Which input's clock counts.

    `choice` is ``internal`` or the name of an input. `own` are the names of ports that carry our
    own output; they are refused as a source.
    """

    def __init__(self, choice: str = INTERNAL, own: Iterable[str] = ()) -> None:
        self._own = frozenset(own)
        self._guards: dict[str, EchoGuard] = {}
        self._others: dict[str, int] = {}
        self._cut: set[str] = set()
        self.choice = INTERNAL
        self.choose(choice)

    @property
    def others(self) -> Mapping[str, int]:
        """Clocks heard from inputs that are not followed, by name."""
        return MappingProxyType(self._others)

    @property
    def cut(self) -> frozenset[str]:
        """Inputs that were cut off because they looped."""
        return frozenset(self._cut)

    def choose(self, name: str) -> None:
        """Follows `name` from now on, and only it. A cut input is heard again when it is chosen.

        Raises CommandError for a port that carries our own output; nothing has changed then.
        """
        if name in self._own:
            raise CommandError(f"{name} carries our own output: it would follow itself")
        self.choice = name
        self._cut.discard(name)
        self._guards.pop(name, None)
        self._others.pop(name, None)

    def hear(self, port: str, ns: int, data: bytes) -> Heard:
        """What a message from input `port` is: ``ours`` (from the followed clock: hand it on),
        ``other`` (a clock that is not followed: counted), ``not-clock`` (something else),
        ``now-cut`` (this one made it a loop: say so once) or ``cut`` (ignored since then)."""
        if port in self._cut:
            return "cut"
        guard = self._guards.get(port)
        if guard is None:
            guard = self._guards[port] = EchoGuard()
        if guard.repeats(ns, data):
            self._cut.add(port)
            return "now-cut"
        if not data or data[0] not in _LEADS:
            return "not-clock"
        if port == self.choice:
            return "ours"
        if data[0] == _CLOCK:
            self._others[port] = self._others.get(port, 0) + 1
        return "other"
