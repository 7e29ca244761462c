"""What OSC subscribers are told: every change, paced, and the state again each second.

One latest-wins slot per address and subscriber: a slow network costs a subscriber the values in
between, never the last one.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.control.door import Control
from bridge.control.stream import OwnershipEnded
from bridge.protocol.state import PlayerReport

ROUND_S = 0.02
ROUND_MESSAGES = 50  # per subscriber and round: more is lost on ordinary wireless networks
ADDRESS_S = 1 / 30  # between two messages to one address
REPEAT_S = 1.0
LASTS_S = 600.0  # a subscription ends after this long unless it is renewed
SUBSCRIBERS_MOST = 16
PER_HOST_MOST = 4
PORT_LEAST = 1024  # nobody listens for feedback below; services that must not be disturbed do

Value = int | float
To = tuple[str, int]
"""Where something is sent: a host and its UDP port, or the negative number of its connection (see
`bridge.osc.streams`)."""


@dataclass(slots=True)
class Subscriber:
    to: To
    until: float
    told: dict[str, Value] = field(default_factory=dict)
    queue: dict[str, Value] = field(default_factory=dict)
    sent_at: dict[str, float] = field(default_factory=dict)


def values(state: PlayerReport) -> dict[str, Value]:
    """What is repeated each second: addresses and values, int for switches, else float."""
    found: dict[str, Value] = {}
    for name, lane in state.get("lanes", {}).items():
        found[f"/lane/{name}/mute"] = int(bool(lane["muted"]))
    for name, macro in state.get("macros", {}).items():
        found[f"/macro/{name}"] = float(macro["value"])
    for name in state.get("sections", ()):
        found[f"/section/{name}"] = int(name == state.get("section"))
    transport = state.get("transport", {})
    running = transport.get("state") == "running"
    found["/transport/start"] = int(running)
    found["/transport/stop"] = int(transport.get("state") == "stopped")
    if "tempo" in transport:
        found["/tempo"] = float(transport["tempo"])
    return found


def settings(state: PlayerReport) -> dict[str, Value]:
    """What is told on change only: the settings of every lane."""
    return {
        f"/lane/{lane}/{name}": float(value)
        for lane, entry in state.get("lanes", {}).items()
        for name, value in entry.get("settings", {}).items()
    }


def encode(address: str, value: Value) -> bytes:
    """One message with one argument: ``i`` for an int, ``f`` for a float."""
    builder = OscMessageBuilder(address=address)
    builder.add_arg(value, "i" if isinstance(value, int) else "f")
    return bytes(builder.build().dgram)


class Feedback:
    """The subscriptions. `send` takes a datagram and where it goes; `clock` is in seconds; `told`
    hears the host, the address and the value of every message."""

    def __init__(
        self,
        control: Control,
        send: Callable[[bytes, tuple[str, int]], None],
        *,
        clock: Callable[[], float] = time.monotonic,
        told: Callable[[str, str, Value], None] = lambda host, address, value: None,
    ) -> None:
        self._control = control
        self._send = send
        self._told = told
        self._clock = clock
        self._wake = asyncio.Event()
        self.subscribers: dict[To, Subscriber] = {}
        control.session.stream.on(OwnershipEnded, lambda _: self.changed())

    def subscribe(self, host: str, port: int) -> bool:
        """Begins or renews feedback to `port` of `host`; port 0 ends all of the host's. A negative
        port is the number of a connection. False when the port is not one or too many are
        subscribed already."""
        if port == 0:
            for to in [to for to in self.subscribers if to[0] == host]:
                self.end(to)
            return True
        if 0 < port < PORT_LEAST or port > 65535:
            return False
        now = self._clock()
        self._expire(now)
        subscriber = self.subscribers.get((host, port))
        if subscriber is None:
            of_host = sum(to[0] == host for to in self.subscribers)
            if len(self.subscribers) >= SUBSCRIBERS_MOST or of_host >= PER_HOST_MOST:
                return False
            subscriber = self.subscribers[host, port] = Subscriber((host, port), 0.0)
            self._control.session.look(self, True)
        subscriber.until = now + LASTS_S
        subscriber.told.clear()  # also a renewal gets everything: it may have started anew
        self._fill(subscriber, self._everything())
        self._wake.set()
        return True

    def end(self, to: To) -> None:
        """Ends feedback to one port or connection."""
        self.subscribers.pop(to, None)
        self._control.session.look(self, bool(self.subscribers))

    def listed(self) -> list[To]:
        """The hosts and UDP ports that feedback goes to."""
        return [to for to in self.subscribers if to[1] > 0]

    def changed(self) -> None:
        """The state may have changed: what is new is queued."""
        if not self.subscribers:
            return
        everything = self._everything()
        for subscriber in self.subscribers.values():
            self._fill(subscriber, everything)
        self._wake.set()

    def repeat(self) -> None:
        """Queues the state again, whether it changed or not, and ends old subscriptions."""
        self._expire(self._clock())
        now = values(self._control.session.state)
        for subscriber in self.subscribers.values():
            for address in now:
                subscriber.told.pop(address, None)
            self._fill(subscriber, now)

    def round(self) -> bool:
        """Sends one round; True while there is more."""
        now = self._clock()
        for subscriber in list(self.subscribers.values()):
            sent_at = subscriber.sent_at
            due = [a for a in subscriber.queue if now - sent_at.get(a, -1.0) >= ADDRESS_S]
            for address in due[:ROUND_MESSAGES]:
                sent_at[address] = now
                value = subscriber.queue.pop(address)
                self._send(encode(address, value), subscriber.to)
                self._told(subscriber.to[0], address, value)
        return any(subscriber.queue for subscriber in self.subscribers.values())

    async def run(self) -> None:
        """Paces what is sent; never returns."""
        next_repeat = self._clock() + REPEAT_S
        while True:
            if not self.subscribers:
                self._wake.clear()
                await self._wake.wait()
            await asyncio.sleep(ROUND_S)
            if self._clock() >= next_repeat:
                next_repeat = self._clock() + REPEAT_S
                self.repeat()
            self.round()

    def _everything(self) -> dict[str, Value]:
        state = self._control.session.state
        return {**settings(state), **values(state)}

    def _fill(self, subscriber: Subscriber, now: Mapping[str, Value]) -> None:
        client = f"osc {subscriber.to[0]}"
        for address, value in now.items():
            if subscriber.told.get(address) == value:
                continue
            if address.startswith("/macro/") and self._control.owner(address[7:]) == client:
                continue  # its finger is on it; it is told when the finger has left
            subscriber.told[address] = value
            subscriber.queue[address] = value

    def _expire(self, now: float) -> None:
        for to in [to for to, s in self.subscribers.items() if s.until <= now]:
            self.end(to)
