"""OSC in and out over one UDP port.

Addresses (numbers may be int, float or a boolean tag; a value beyond its range is clamped)::

    /lane/NAME/mute i [s|i]     1 out, 0 in; when: "now" (default), "beat", "bar", or bars
    /lane/NAME/hold i           momentary mute, to be repeated at least every 500 ms; 0 lets go
    /lane/NAME/solo i   /lane/NAME/still i   /lane/NAME/reset   /lane/NAME/cancel
    /lane/NAME/SETTING f        any numeric setting the lane has (chance, density, ...)
    /group/NAME/mute i [s|i]    /macro/NAME f (0..1)
    /section/NAME [i]           /transport/start|stop|continue [i]      /order i
    /tempo f   /tap   /nudge f (ms)   /offset f (ms)   /take-clock   /all-out   /undo   /redo
    /subscribe i                feedback to that UDP port of the sender's host; 0 ends all of them
    /token s                    shows the token of ``--lan``

A trigger (``[i]``) also takes the number that a button sends: 0, its release, does nothing.
Time tags are not waited for: what is dated in the future is done on arrival, because the clocks of
tablets and of computers without a battery differ by days.

Feedback comes on the same addresses: mutes, macros, the section (``/section/NAME`` 1 or 0),
transport (``/transport/start`` 1 while it runs, ``/transport/stop`` 1 while it stands), tempo, and
settings when they change. All but the settings is repeated each second, since UDP loses datagrams.
A host whose own finger is on a macro does not get its echo until the finger has left.
"""

from __future__ import annotations

import asyncio
import logging
import math
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, cast

from pythonosc.osc_message import OscMessage
from pythonosc.osc_packet import OscPacket

from bridge.errors import CommandError, PlayerError
from bridge.music.model import SETTINGS
from bridge.service import commands as c
from bridge.service.access import Access
from bridge.service.control import Control
from bridge.service.osc_feedback import Feedback
from bridge.service.osc_guard import MalformedError, messages
from bridge.service.osc_match import AddressBook

log = logging.getLogger(__name__)

FIXED = (
    "/transport/start", "/transport/stop", "/transport/continue", "/order", "/tempo", "/tap",
    "/nudge", "/offset", "/take-clock", "/all-out", "/undo", "/redo", "/subscribe", "/token",
)  # fmt: skip
LANE_WORDS = ("mute", "hold", "solo", "still", "reset", "cancel")
TRIGGERS: Mapping[str, Callable[[], c.Command]] = {
    "/transport/start": c.Start,
    "/transport/stop": c.Stop,
    "/transport/continue": c.Continue,
    "/take-clock": c.TakeClock,
    "/all-out": c.AllOut,
    "/tap": c.Tap,
}


class ArgumentError(ValueError):
    """The arguments do not fit the address."""


def addresses(state: Mapping[str, Any]) -> list[str]:
    """Every address that the state has something for."""
    found = list(FIXED)
    groups: set[str] = set()
    for name, lane in state.get("lanes", {}).items():
        found += [f"/lane/{name}/{word}" for word in LANE_WORDS]
        found += [f"/lane/{name}/{s.name}" for s in SETTINGS.values() if lane["kind"] in s.kinds]
        groups.update(lane.get("groups", ()))
    found += [f"/group/{group}/mute" for group in groups]
    found += [f"/macro/{name}" for name in state.get("macros", {})]
    found += [f"/section/{name}" for name in state.get("sections", ())]
    return found


def number(value: Any) -> float:
    """A finite number out of an OSC argument (int, float, true, false)."""
    if isinstance(value, bool | int | float) and math.isfinite(value):
        return float(value)
    raise ArgumentError(f"{value!r} is not a finite number")


def _arity(args: Sequence[Any], low: int, high: int) -> None:
    if not low <= len(args) <= high:
        raise ArgumentError(f"{len(args)} arguments where {low} to {high} are expected")


def _flag(args: Sequence[Any]) -> bool:
    _arity(args, 1, 1)
    return number(args[0]) != 0


def _clamped(args: Sequence[Any], low: float, high: float) -> float:
    _arity(args, 1, 1)
    return min(max(number(args[0]), low), high)


def _when(args: Sequence[Any]) -> Any:
    _arity(args, 1, 2)
    if len(args) == 1:
        return "now"
    when = args[1]
    if when in ("now", "beat", "bar"):
        return when
    bars = number(when)
    if bars != int(bars) or not 1 <= bars <= c.BARS_MOST:
        raise ArgumentError(f"{when!r} is no moment")
    return int(bars)


def _pressed(args: Sequence[Any]) -> bool:
    _arity(args, 0, 1)
    return not args or number(args[0]) != 0


def command(address: str, args: Sequence[Any]) -> c.Command | None:
    """The command of one message to one of our addresses (not a pattern); None for the release of
    a button. Raises `ArgumentError`."""
    if address in TRIGGERS:
        return TRIGGERS[address]() if _pressed(args) else None
    match address.split("/")[1:]:
        case ["lane", lane, "mute"]:
            return c.Mute(lane=lane, muted=_flag(args[:1]), when=_when(args))
        case ["lane", lane, "hold"]:
            return c.Hold(lane=lane, muted=True, active=_flag(args))
        case ["lane", lane, "solo"]:
            return c.Solo(lane=lane, on=_flag(args))
        case ["lane", lane, "still"]:
            return c.Still(lane=lane, on=_flag(args))
        case ["lane", lane, "reset"]:
            return c.Reset(lane=lane) if _pressed(args) else None
        case ["lane", lane, "cancel"]:
            return c.Cancel(lane=lane) if _pressed(args) else None
        case ["lane", lane, name]:
            setting = SETTINGS[name]
            value = _clamped(args, setting.low, setting.high)
            if setting.whole:
                value = float(round(value))
            return c.SettingMove(lane=lane, setting=name, value=value)
        case ["group", group, "mute"]:
            return c.Group(group=group, muted=_flag(args[:1]), when=_when(args))
        case ["macro", macro]:
            return c.MacroMove(macro=macro, value=_clamped(args, 0, 1))
        case ["section", section]:
            return c.Recall(section=section) if _pressed(args) else None
        case ["order"]:
            return c.Order(run=_flag(args))
        case ["tempo"]:
            return c.TempoMove(bpm=_clamped(args, 20, 400))
        case ["nudge"]:
            return c.NudgeBy(ms=_clamped(args, -100, 100))
        case ["offset"]:
            return c.OffsetMove(ms=_clamped(args, -100, 100))
    raise ArgumentError(f"nothing is done at {address}")


def parse(datagram: bytes) -> list[OscMessage]:
    """The messages of a datagram that has passed the structural check, each parsed by itself."""
    parsed: list[OscMessage] = []
    for data in messages(datagram):
        parsed += [timed.message for timed in OscPacket(data).messages]
    return parsed


class Osc(asyncio.DatagramProtocol):
    """The UDP end. `counts` says what became of what arrived: ``done``, ``malformed``, ``unknown``,
    ``arguments``, ``refused``, ``away``, ``forbidden``."""

    def __init__(
        self, control: Control, access: Access, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._control = control
        self._access = access
        self._book = AddressBook(FIXED)
        self._book_of: tuple[Any, ...] = ()
        self._tasks: set[asyncio.Task[Any]] = set()
        self.counts: Counter[str] = Counter()
        self.feedback = Feedback(control, self._send, clock=clock)
        self.transport: asyncio.DatagramTransport | None = None
        control.link.on_state.append(self._state)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.DatagramTransport, transport)

    def error_received(self, exc: Exception) -> None:
        # A subscriber that has closed its port: it will stop renewing.
        self.counts["unreachable"] += 1

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        """Everything that arrives. No exception leaves here, whatever the bytes."""
        host = str(addr[0])
        try:
            parsed = parse(data)
        except MalformedError:
            self.counts["malformed"] += 1
            return
        except Exception:  # the parser is not ours and the bytes are anybody's
            log.debug("a datagram that the parser cannot take", exc_info=True)
            self.counts["malformed"] += 1
            return
        for message in parsed:
            self._message(message.address, list(message.params), host)

    def _message(self, pattern: str, args: list[Any], host: str) -> None:
        if pattern == "/token":
            self._token(args, host)
            return
        if not self._access.osc_allowed(host):
            self.counts["forbidden"] += 1
            return
        found = self._book.find(pattern)
        if not found:
            self.counts["unknown"] += 1
        for address in found:
            try:
                self._one(address, args, host)
            except ArgumentError:
                self.counts["arguments"] += 1
            except CommandError:
                self.counts["refused"] += 1
            except PlayerError:
                self.counts["away"] += 1
            else:
                self.counts["done"] += 1

    def _one(self, address: str, args: list[Any], host: str) -> None:
        client = f"osc {host}"
        if address == "/subscribe":
            _arity(args, 1, 1)
            port = number(args[0])
            if not self.feedback.subscribe(host, int(port) if port == int(port) else -1):
                raise ArgumentError("this port cannot be subscribed")
        elif address in ("/undo", "/redo"):
            if _pressed(args):
                travel = self._control.undo if address == "/undo" else self._control.redo
                task = asyncio.get_running_loop().create_task(self._travel(travel(client)))
                self._tasks.add(task)
                task.add_done_callback(self._tasks.discard)
        elif address != "/token":  # a pattern may name it too
            wanted = command(address, args)
            if wanted is not None:
                self._control.submit(wanted, client)

    async def _travel(self, travel: Any) -> None:
        try:
            await travel
        except (CommandError, PlayerError):
            self.counts["refused"] += 1

    def _token(self, args: list[Any], host: str) -> None:
        if len(args) == 1 and isinstance(args[0], str) and self._access.matches(args[0]):
            self._access.admit(host)
            self.counts["done"] += 1
        else:
            self.counts["forbidden"] += 1

    def _state(self, changed: Iterable[str]) -> None:
        state = self._control.link.state
        about = (
            tuple(
                (name, lane["kind"], tuple(lane.get("groups", ())))
                for name, lane in state.get("lanes", {}).items()
            ),
            tuple(state.get("macros", {})),
            tuple(state.get("sections", ())),
        )
        if about != self._book_of:
            self._book_of = about
            self._book = AddressBook(addresses(state))
        self.feedback.changed()

    def _send(self, data: bytes, to: tuple[str, int]) -> None:
        if self.transport is not None and not self.transport.is_closing():
            self.transport.sendto(data, to)
