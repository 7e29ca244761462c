"""What goes back to MIDI controllers: lamps, rings, motors.

Nothing here may delay a hit: messages wait until the player has room, one at a time, the newest for
each address (port, status, number) only. A port that comes back gets everything again, for a
controller that was unplugged has forgotten its lamps.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from bridge.errors import CommandError, PortError
from bridge.ports import OutPort, has_system, open_output

GAP_NS = 2_000_000
"""Between two messages: below what DIN carries (0.96 ms each), half the wire stays free."""
PORTS_MOST = 16
ADDRESSES_MOST = 512
PAUSE_LOOKS = 30

_Key = tuple[str, bytes]


class Feedback:
    """Output ports of controllers, opened when something is first sent to them.

    The owner calls `look` about once a second and `send` where there is room; `waiting` tells
    whether there is anything to send.
    """

    def __init__(self, open_port: Callable[[str, str], OutPort] = open_output) -> None:
        self._open_port = open_port
        self._ports: dict[str, OutPort | None] = {}
        self._away: set[str] = set()
        self._latest: dict[_Key, bytes] = {}
        self._due: dict[_Key, bytes] = {}
        self._free_at = 0
        self._looks = 0

    @property
    def waiting(self) -> bool:
        return bool(self._due)

    def state(self) -> dict[str, bool]:
        """The ports that are wanted, and whether each is there."""
        return {text: text not in self._away for text in sorted(self._ports)}

    def offer(self, text: str, data: bytes) -> bool:
        """A channel message for the port that `text` names; a newer one to the same address takes
        its place. True when the port is new, so that it should be looked for now.

        Raises CommandError when there are too many ports or addresses.
        """
        key = (text, data[:2])
        if text not in self._ports and len(self._ports) >= PORTS_MOST:
            raise CommandError(f"feedback goes to at most {PORTS_MOST} ports", "state")
        if key not in self._latest and len(self._latest) >= ADDRESSES_MOST:
            raise CommandError(f"feedback goes to at most {ADDRESSES_MOST} addresses", "state")
        new = text not in self._ports
        if new:
            self._ports[text] = None
            self._away.add(text)
        # Taken out first: a pair of controllers must stay in order, coarse before fine.
        self._latest.pop(key, None)
        self._latest[key] = data
        self._due.pop(key, None)
        if text not in self._away:
            self._due[key] = data
        return new

    def next_ns(self) -> int:
        """When `send` may send the next message, if one waits."""
        return self._free_at

    def send(self, now: int) -> None:
        """Sends the message that has waited longest, if one does and it is not too soon."""
        if not self._due or now < self._free_at:
            return
        key = next(iter(self._due))
        data = self._due.pop(key)
        port = self._ports.get(key[0])
        if port is not None:
            port.send(data)
            self._free_at = now + GAP_NS

    def look(self) -> None:
        """Opens ports that have come, or have come back."""
        self._looks += 1
        for text, port in self._ports.items():
            away = text in self._away
            there = self._there(text, port, away)
            if there and away:
                self._away.discard(text)
                self._due |= {key: data for key, data in self._latest.items() if key[0] == text}
            elif not there and not away:
                self._away.add(text)
                self._due = {key: data for key, data in self._due.items() if key[0] != text}

    def stop(self) -> None:
        for port in self._ports.values():
            if port is not None:
                with contextlib.suppress(OSError):
                    port.close()
        self._ports.clear()
        self._due.clear()

    def _there(self, text: str, port: OutPort | None, away: bool) -> bool:
        if port is None:
            return self._find(text)
        return port.reopen() if away else port.alive()

    def _find(self, text: str) -> bool:
        if text != "simulated" and not has_system() and self._looks % PAUSE_LOOKS != 1:
            return False
        try:
            self._ports[text] = self._open_port(text, "feedback")
        except PortError:
            return False
        return True
