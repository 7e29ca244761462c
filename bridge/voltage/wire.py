"""The wire: what goes first, what it costs, and how values are kept from delaying hits.

One DIN byte is ten bits at 31250 baud, 320 us (MIDI 1.0 Detailed Specification 4.2.1, p. 1); a
full-speed USB frame is 1 ms and one bulk packet of 64 bytes carries 16 messages of 4 bytes (USB
2.0 and its MIDI class 1.0, from memory). At most 100 changes a second per output and 30 percent of
a link for values is our choice (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeVar, cast

from bridge.voltage.message import CLOCK, OFF, ON, VALUE, Message
from bridge.voltage.profile import Profile, WiredOutput

__all__ = [
    "CLOCK",
    "OFF",
    "ON",
    "VALUE",
    "Burst",
    "Link",
    "Message",
    "Thinner",
    "burst",
    "gate_end",
    "order",
    "pack",
    "worst_burst",
]

DIN_BAUD = 31250
BITS_PER_BYTE = 10
USB_FRAME_NS = 1_000_000
USB_MESSAGES_PER_FRAME = 16
SECOND_NS = 1_000_000_000
NEVER_NS = 1 << 62
VALUE_PERIOD_NS = 10_000_000
"""How often one output may get another value while it moves."""
VALUE_EARLY_NS = VALUE_PERIOD_NS * 3 // 10
VALUE_SHARE = 0.3
"""How much of a link's time all values of a port may take."""

Row = TypeVar("Row")


def _itself(row: object) -> Message:
    return cast(Message, row)


def order(rows: Iterable[Row], message_of: Callable[[Row], Message] = _itself) -> list[Row]:
    """Messages that fall together, in the order to send: clock, offs, values, ons. Stable: within a
    kind the order they came in (that of the lanes) stays.

    Args:
        rows: messages, or rows that say more about them.
        message_of: gives the message of a row; unless told, it is the row.
    """
    return sorted(rows, key=lambda row: message_of(row).order)


def pack(messages: Iterable[bytes], status: int = 0) -> tuple[bytes, int]:
    """Whole messages as one run of bytes with running status (MIDI 1.0, p. 5 and A-2).

    `status` is the running status that the receiver holds (0: none); the second value is what it
    holds afterwards. Only for a port that takes raw bytes: message ports want each one whole.
    """
    packed = bytearray()
    for data in messages:
        first = data[0]
        if first < 0xF0 and first == status:
            packed += data[1:]
            continue
        packed += data
        if first < 0xF0:
            status = first
        elif first < 0xF8:
            status = 0
    return bytes(packed), status


@dataclass(frozen=True, slots=True)
class Link:
    """How long messages take. `kind` ``din`` counts bytes at `baud`, ``usb`` counts frames;
    `messages_per_s` is a slower interface's own limit (0: none). Times are in ns."""

    kind: Literal["din", "usb"] = "din"
    baud: int = DIN_BAUD
    messages_per_s: float = 0.0
    running_status: bool = False

    @classmethod
    def of(cls, profile: Profile, kind: Literal["din", "usb"] | None = None) -> Link:
        """The link of an interface; `kind` when it is not connected the way its profile says."""
        return cls(kind=kind or profile.link, messages_per_s=profile.max_messages_per_s)

    @property
    def byte_ns(self) -> int:
        return BITS_PER_BYTE * SECOND_NS // self.baud

    def bytes_of(self, messages: Sequence[bytes]) -> int:
        """Bytes on the wire; a USB message always takes a packet of 4."""
        if self.kind == "usb":
            return 4 * len(messages)
        if self.running_status:
            return len(pack(messages)[0])
        return sum(len(data) for data in messages)

    def ends_ns(self, messages: Sequence[bytes]) -> list[int]:
        """When the last bit of each message has arrived, counted from the start of the first."""
        ends: list[int] = []
        now, status = 0, 0
        least = int(SECOND_NS / self.messages_per_s) if self.messages_per_s > 0 else 0
        for position, data in enumerate(messages):
            if self.kind == "usb":
                wire = (position // USB_MESSAGES_PER_FRAME + 1) * USB_FRAME_NS
                now = max(wire, now + least) if position else wire
            else:
                size = len(data)
                if self.running_status:
                    packed, status = pack((data,), status)
                    size = len(packed)
                now += max(size * self.byte_ns, least)
            ends.append(now)
        return ends

    def cost_ns(self, messages: Sequence[bytes]) -> int:
        """How long the link is busy with these messages. On USB they share a frame, so each takes
        its part of one."""
        if not messages:
            return 0
        if self.kind == "usb":
            wire = len(messages) * USB_FRAME_NS // USB_MESSAGES_PER_FRAME
            rate = self.messages_per_s
            return max(wire, int(len(messages) * SECOND_NS / rate) if rate > 0 else 0)
        return self.ends_ns(messages)[-1]


@dataclass(frozen=True, slots=True)
class Burst:
    """Messages that fall together on one port: bytes on the wire, ms from the first to the last
    hit, and the outputs hit, in the order sent."""

    port: str
    at: int
    bytes: int
    spread_ms: float
    hits: tuple[str, ...]


def burst(port: str, at: int, sent: Sequence[tuple[str, Message]], link: Link) -> Burst:
    """What it costs when `sent`, (output, message) pairs, falls together at tick `at`."""
    mine = sorted((pair for pair in sent if pair[1].port == port), key=lambda pair: pair[1].order)
    data = [message.data for _, message in mine]
    ends = link.ends_ns(data)
    # A legato change sends the old note's off with the order of an on: it is no hit.
    hits = [
        (output, end)
        for (output, message), end in zip(mine, ends, strict=True)
        if message.order == ON and message.data[0] & 0xF0 != 0x80
    ]
    # Several messages of one hit (a controller pair) count once, when the last has arrived.
    last = dict(hits)
    times = list(last.values())
    spread = (max(times) - min(times)) / 1e6 if times else 0.0
    return Burst(port, at, link.bytes_of(data), spread, tuple(last))


def worst_burst(
    steps: Iterable[tuple[int, Sequence[tuple[str, Message]]]], links: Mapping[str, Link]
) -> dict[str, Burst]:
    """The worst moment of every port: the one with the longest way from first to last hit, then
    with the most bytes.

    Args:
        steps: pairs of a tick and what falls together then, as pairs of output and message.
        links: the link of every port that a message goes to.

    Returns:
        By port; one that nothing goes to is not there.
    """
    worst: dict[str, Burst] = {}
    for at, sent in steps:
        for port in {message.port for _, message in sent}:
            found = burst(port, at, sent, links[port])
            old = worst.get(port)
            if old is None or (found.spread_ms, found.bytes) > (old.spread_ms, old.bytes):
                worst[port] = found
    return worst


def gate_end(on_ns: int, length_ns: int, next_on_ns: int | None, gap_ns: int) -> int:
    """When a gate closes: after its length, but at least `gap_ns` before the next one opens, so
    that the next is a new edge; where hits come closer than twice the gap, halfway."""
    end = on_ns + max(length_ns, 1)
    if next_on_ns is None or next_on_ns <= on_ns:
        return end
    latest = max(next_on_ns - gap_ns, on_ns + (next_on_ns - on_ns) // 2)
    return min(end, latest)


def _no_grace(output: str) -> int:
    return 0


@dataclass(slots=True)
class _Waiting:
    """A value that may not go yet, and since when it is there (monotonic ns)."""

    volts: float
    since_ns: int


class Thinner:
    """Keeps moving voltages from crowding a link.

    `offer` remembers only the newest value of each output; `due` gives those that may go now: at
    most one in `VALUE_PERIOD_NS` for one output, at most `VALUE_SHARE` of the link's time for all
    of a port, one at a time, and none that would still be on the wire when the next known hit is
    due. A hit that was not known waits for one value at most; on USB, where a frame carries many
    messages in the same time, for those of one frame. The caller encodes and sends what it gets.

    A value may come up to three tenths of its period too soon, on account of those after it: what
    is offered as often as it may go, now a little later and now a little sooner (a step of a glide
    leaves with what is sent next), is not made to wait each time.
    """

    def __init__(self, outputs: Mapping[str, WiredOutput], links: Mapping[str, Link]) -> None:
        self._port = {name: wired.port for name, wired in outputs.items()}
        self._burst_ns = {
            wired.port: USB_FRAME_NS if links[wired.port].kind == "usb" else 0
            for wired in outputs.values()
        }
        self._cost_ns = {
            name: links[wired.port].cost_ns([b"\0\0\0"] * _messages(wired))
            for name, wired in outputs.items()
        }
        self._waiting: dict[str, _Waiting] = {}
        self._again_ns: dict[str, int] = {}  # when an output may move again
        self._free_ns: dict[str, int] = {}  # when a port may carry a value again
        self._none_before = 0  # no value that waits may go sooner

    def offer(self, output: str, volts: float, now_ns: int) -> None:
        """A new value of `output`; replaces the one that waits, in its place in the queue."""
        waiting = self._waiting.get(output)
        if waiting is None:
            self._waiting[output] = _Waiting(volts, now_ns)
            self._none_before = 0
        else:
            waiting.volts = volts

    def memory(self) -> dict[str, object]:
        """What waits and what may move again when, as plain data for `recall`."""
        waiting = [[name, one.volts, one.since_ns] for name, one in self._waiting.items()]
        return {"waiting": waiting, "again": dict(self._again_ns), "free": dict(self._free_ns)}

    def recall(self, memory: Mapping[str, Any]) -> None:
        """Goes on where another thinner of the same outputs was. Raises KeyError, TypeError or
        ValueError when `memory` is none."""
        self._waiting = {name: _Waiting(float(v), int(ns)) for name, v, ns in memory["waiting"]}
        self._again_ns = {name: int(ns) for name, ns in memory["again"].items()}
        self._free_ns = {port: int(ns) for port, ns in memory["free"].items()}
        self._none_before = 0

    def drop(self, output: str) -> None:
        """Forget what waits for `output` (it has been sent another way, or its port is gone)."""
        self._waiting.pop(output, None)

    def due(
        self, now_ns: int, next_hits: Callable[[], Mapping[str, int]] = dict
    ) -> list[tuple[str, float]]:
        """(output, volts) to send now, the longest waiting first; `next_hits` tells when the next
        hit of a port is due, where that is known. It is asked only where a value may go."""
        found: list[tuple[str, float]] = []
        if now_ns < self._none_before:
            return found
        hits: Mapping[str, int] | None = None
        soonest = NEVER_NS
        # min() would scan as often: few outputs move at once.
        for name in sorted(self._waiting, key=lambda n: self._waiting[n].since_ns):
            port, cost = self._port[name], self._cost_ns[name]
            again = self._again_ns.get(name, 0)
            free = self._free_ns.get(port, 0)
            may = max(again - VALUE_EARLY_NS, free - self._burst_ns[port])
            if may > now_ns:
                soonest = min(soonest, may)
                continue
            if hits is None:
                hits = next_hits()
            if port in hits and now_ns < hits[port] < now_ns + cost:
                soonest = now_ns
                continue
            found.append((name, self._waiting.pop(name).volts))
            self._again_ns[name] = max(again, now_ns) + VALUE_PERIOD_NS
            self._free_ns[port] = max(free, now_ns) + int(cost / VALUE_SHARE)
        self._none_before = soonest
        return found

    @property
    def waiting(self) -> bool:
        """Whether any value waits for its turn."""
        return bool(self._waiting)

    def next_ns(self, grace_ns: Callable[[str], int] = _no_grace) -> int | None:
        """The time at which `due` has something at the latest; None when nothing waits. `grace_ns`
        says how much longer an output that has moved just now may wait: its next value comes soon
        and takes the place of this one."""
        return min(
            (self._at_the_latest(name, one, grace_ns) for name, one in self._waiting.items()),
            default=None,
        )

    def _at_the_latest(self, name: str, one: _Waiting, grace_ns: Callable[[str], int]) -> int:
        again = self._again_ns.get(name)
        moves = 0 if again is None else again + grace_ns(name)
        return max(moves, self._free_ns.get(self._port[name], 0), one.since_ns)


def _messages(wired: WiredOutput) -> int:
    return {"cc14": 2, "nrpn": 4}.get(wired.output.address.by, 1)
