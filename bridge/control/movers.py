"""Who moved what last, for a moment: each player sees what the other, a controller or OSC does."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from bridge.protocol.command import Command
from bridge.protocol.state import MovedBy

SHOWN_S = 3.0
"""How long a client is told after its last move; long enough to be read."""
# How the names of clients begin, and what people call them.
_KINDS = {"page": "another page", "osc": "OSC from", "http": "HTTP from", "midi": "controller"}
_NAMED = ("lane", "macro", "section", "group")
_WHOLE = {
    "transport": "transport",
    "position": "transport",
    "clock": "clock",
    "offset": "clock",
    "tempo": "tempo",
    "tap": "tempo",
    "nudge": "tempo",
    "order": "order",
    "order-next": "order",
    "mute-all": "all lanes",
}


class Movers:
    """Remembers for `SHOWN_S` which client moved each thing last.

    Args:
        changed: called when another client has moved something, and when one is forgotten.
        clock: monotonic, in seconds.
    """

    def __init__(
        self, changed: Callable[[], None], *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._changed = changed
        self._clock = clock
        self._moved: dict[str, tuple[str, float]] = {}
        self._looking: asyncio.TimerHandle | None = None

    def note(self, command: Command, client: str) -> None:
        """`client` has moved what `command` is about. The program's own commands have no client,
        and are not told."""
        thing = thing_of(command)
        if not client or thing is None:
            return
        before = self._moved.get(thing)
        self._moved[thing] = client, self._clock() + SHOWN_S
        if before is None or before[0] != client:
            self._changed()
        if self._looking is None:
            self._look_after(SHOWN_S)

    def state(self) -> dict[str, MovedBy]:
        """Who moved what, by the thing, such as ``macro/brightness``."""
        now = self._clock()
        return {
            thing: {"client": client, "says": says(client)}
            for thing, (client, until) in self._moved.items()
            if until > now
        }

    def look(self) -> None:
        """Forgets the clients whose time is over."""
        now, before = self._clock(), len(self._moved)
        self._moved = {thing: one for thing, one in self._moved.items() if one[1] > now}
        self._looking = None
        if self._moved:
            self._look_after(min(until for _, until in self._moved.values()) - now)
        if len(self._moved) != before:
            self._changed()

    def _look_after(self, wait_s: float) -> None:
        self._looking = asyncio.get_running_loop().call_later(max(wait_s, 0.01), self.look)


def thing_of(command: Command) -> str | None:
    """What a command is about, in one word or as ``kind/name``; None: nothing that is shown."""
    for kind in _NAMED:
        name = getattr(command, kind, None)
        if isinstance(name, str):
            return f"{kind}/{name}"
    return _WHOLE.get(command.ROW.about or command.ROW.do)


def says(client: str) -> str:
    """A client in words: ``OSC from 192.0.2.7``, ``controller desk``, ``another page``."""
    kind, _, name = client.partition(" ")
    if kind == "page" or kind not in _KINDS:
        return _KINDS.get(kind, client)
    return f"{_KINDS[kind]} {name}"
