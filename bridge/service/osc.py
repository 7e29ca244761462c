"""OSC in and out over one UDP port.

Addresses (numbers may be int, float or a boolean tag; a value beyond its range is clamped; what
stands in brackets may be left out)::

    /lane/NAME/mute i [w [i]]   1 out, 0 in; w when: "now" (default), "beat", "bar", or a number of
                                bars; then after how many bars it returns
    /lane/NAME/hold i [i]       1 begins a momentary mute, to be repeated at least every 500 ms, 0
                                lets go; the second number 0: sounding instead of muted
    /lane/NAME/cancel [i]       takes back what the lane waits for
    /lane/NAME/solo i   /lane/NAME/still i   /lane/NAME/reset [i]
    /lane/NAME/SETTING f        any numeric setting the lane has (chance, density, ...); nil (tag N)
                                or /lane/NAME/SETTING/written [i] give it back to the set
    /lane/NAME/copy s [w]       pattern and settings for the lane s; w: "step", "beat", "bar"
    /lane/NAME/clear [i]        rests instead of the pattern; /lane/NAME/clear/settings [i]
    /lane/NAME/randomise f [i]  moves the pattern by 0..1; i the seed; /lane/NAME/randomise/settings
    /group/NAME/mute i [w [i]]  as a lane
    /macro/NAME f               0..1
    /section/NAME [i [w [i [f]]]]  w when ("bar" unless told), then bars in which values glide, then
                                where on that way (0..1) mutes switch
    /section/NAME/cancel [i]    takes back a section that waits
    /order i [i]                1 runs it, 0 stops it; from which leg, counted from 0
    /release [i]                ends everything that this host holds
    /transport/start|stop|continue [i]      /transport/position i (ticks, 960 to the quarter)
    /tempo f   /tap [i]   /nudge f (ms)   /offset f (ms)   /take-clock [i]
    /follow s                   "internal", or a part of a MIDI input's name
    /all-out [i]   /undo [i]   /redo [i]
    /output/NAME/gate|pitch|level f [f]     soundcheck of one output (level 0..1, note number,
                                volts); then for how many ms. Turn the monitors down first
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
import time
from collections import Counter
from collections.abc import Callable, Coroutine, Iterable
from typing import Any, cast

from pythonosc.osc_message import OscMessage
from pythonosc.osc_packet import OscPacket

from bridge.errors import CommandError, InputError, PlayerError
from bridge.service import commands as c
from bridge.service.access import Access
from bridge.service.control import Control
from bridge.service.osc_feedback import Feedback
from bridge.service.osc_guard import MalformedError, messages
from bridge.service.osc_match import AddressBook
from bridge.service.osc_words import (
    FIXED,
    ArgumentError,
    addresses,
    arity,
    command,
    number,
    pressed,
)

log = logging.getLogger(__name__)

TASKS_MOST = 64  # undo, redo and changes of the text that are under way


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
            arity(args, 1, 1)
            port = number(args[0])
            if not self.feedback.subscribe(host, int(port) if port == int(port) else -1):
                raise ArgumentError("this port cannot be subscribed")
        elif address in ("/undo", "/redo"):
            if pressed(args):
                travel = self._control.undo if address == "/undo" else self._control.redo
                self._start(travel(client))
        elif address != "/token":  # a pattern may name it too
            wanted = command(address, args)
            if isinstance(wanted, c.Varied):
                self._start(self._vary(wanted, client))
            elif wanted is not None:
                self._control.submit(wanted, client)

    def _start(self, work: Coroutine[Any, Any, Any]) -> None:
        if len(self._tasks) >= TASKS_MOST:
            work.close()
            raise CommandError("too much at once", "busy")
        task = asyncio.get_running_loop().create_task(self._carry_out(work))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _carry_out(self, work: Coroutine[Any, Any, Any]) -> None:
        try:
            await work
        except (CommandError, InputError, PlayerError):
            self.counts["refused"] += 1

    async def _vary(self, wanted: c.Varied, client: str) -> None:
        await self._control.vary(wanted, client)

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
            self._book = AddressBook(addresses(state, self._control.outputs))
        self.feedback.changed()

    def _send(self, data: bytes, to: tuple[str, int]) -> None:
        if self.transport is not None and not self.transport.is_closing():
            self.transport.sendto(data, to)
