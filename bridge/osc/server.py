"""OSC in and out over one port, UDP and TCP.

What the addresses are and what arguments they take follows from the table of commands (see
`bridge.osc.words`); beside them stand those about the connection: ``/subscribe i`` (feedback to
that UDP port of the sender's host, or over TCP to the connection itself; 0 ends all of the host's;
our own port is refused), ``/addresses`` (answered with all addresses), ``/token s`` (shows the
token of ``--lan``) and ``/confirm s`` (sends back the word by which a host shows that its address
is its own, see `bridge.osc.proof`).

Time tags are not waited for: what is dated in the future is done on arrival, because the clocks of
tablets and of computers without a battery differ by days.

A host may touch 600 addresses a second, and 512 at once after a pause. Of what comes faster, the
last value of each address is done as soon as it can be; triggers and patterns beyond it are dropped
and counted.

Feedback comes on the same addresses: mutes, macros, the section (``/section/NAME`` 1 or 0),
transport (``/transport/start`` 1 while it runs, ``/transport/stop`` 1 while it stands), tempo, and
settings when they change. All but the settings is repeated each second, since UDP loses datagrams.
A host that sends its feedback back to us is found out: what it repeats is then not carried out.
A host whose own finger is on a macro does not get its echo until the finger has left.
"""

from __future__ import annotations

import asyncio
import itertools
import logging
import time
from collections import Counter, OrderedDict
from collections.abc import Callable, Coroutine
from typing import Any, NamedTuple

from pythonosc.osc_message import OscMessage
from pythonosc.osc_packet import OscPacket

from bridge.control.access import Access
from bridge.control.addresses import is_own
from bridge.control.budget import FairQueue
from bridge.control.door import Control
from bridge.control.roles import acting
from bridge.control.stream import StateChanged
from bridge.errors import CommandError, InputError, PlayerError
from bridge.osc.echo import Echo
from bridge.osc.feedback import Feedback, To
from bridge.osc.guard import MalformedError, address_of, messages
from bridge.osc.match import AddressBook
from bridge.osc.proof import Proofs
from bridge.osc.query import Answers
from bridge.osc.streams import Streams
from bridge.osc.udp import UdpSocket
from bridge.osc.words import (
    ArgumentError,
    addresses,
    command_of,
    entry_of,
    last_wins,
    port_of,
    question_of,
)
from bridge.protocol.state import NOT_YET

log = logging.getLogger(__name__)

TASKS_MAX = 64  # undo, redo and changes of the text that are under way
TURN_S = 0.005  # after this long the loop looks after others, for as long again
STALE_S = (
    0.5  # a button or a pattern that has waited longer is dropped: it would come as a surprise
)
FREE_PORTS_TRIED = 20  # one that is free for UDP may be in use for TCP
TOKEN_BYTES_MAX = 256  # the longest datagram that is looked into for a token
ECHO_HOSTS_MAX = 64
_TOKEN_MESSAGE = b"/token\x00\x00,s\x00\x00"


class _Waiting(NamedTuple):
    """A message that has arrived: its address or pattern, its bytes, when, and from whom."""

    address: str
    data: bytes
    at: float
    sender: To


def parse(data: bytes) -> OscMessage:
    """A message that has passed the structural check. Raises whatever the parser raises."""
    return OscPacket(data).messages[0].message


class Osc:
    """The UDP end. `counts` says what became of what arrived: ``done``, ``malformed``, ``unknown``,
    ``arguments``, ``refused``, ``away``, ``forbidden``, ``guesses`` (tokens that were not looked at
    after too many wrong ones), ``asked`` (who has to answer first, see `bridge.osc.proof`),
    ``echo`` (our own feedback come back),
    ``overtaken`` (a newer value of the address came before it was done) and ``dropped`` (more than
    the sender's budget)."""

    def __init__(
        self, control: Control, access: Access, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._control = control
        self._access = access
        self._clock = clock
        self._book = AddressBook(addresses(NOT_YET))
        self._book_of: tuple[object, ...] = ()
        self._tasks: set[asyncio.Task[object]] = set()
        self._queue: FairQueue[_Waiting] = FairQueue()
        self._arrivals = itertools.count()
        self._resting = False  # a turn was cut short: the loop looks after others now
        self._next: asyncio.Handle | None = None
        self._echoes: OrderedDict[str, Echo] = OrderedDict()
        self._socket: UdpSocket | None = None
        self.counts: Counter[str] = Counter()
        self.feedback = Feedback(control, self._send, clock=clock, told=self._told)
        self.answers = Answers(self._send, clock=clock)
        self.proofs = Proofs(self._send, clock=clock)
        self.streams = Streams(
            self.datagram_received, access.osc_allowed, self._broken, self.feedback.end
        )
        control.session.stream.on(StateChanged, self._state)

    def listen(self, host: str, port: int) -> int:
        """Opens the port (0: any free one) and returns its number. Where it is in use for TCP,
        OSC is spoken by UDP only. Raises OSError when UDP cannot be had."""
        for attempts_left in reversed(range(FREE_PORTS_TRIED if port == 0 else 1)):
            self._socket = UdpSocket(host, port, self.datagram_received)
            try:
                self.streams.listen(host, self._socket.port)
                break
            except OSError as error:
                if attempts_left:
                    self._socket.close()
                else:
                    log.warning("OSC is spoken by UDP only: %s", error.strerror)
        assert self._socket is not None
        for to in self._access.subscribers:  # of a service that was killed
            self.feedback.subscribe(*to)
        return self._socket.port

    def close(self) -> None:
        """Closes the port."""
        if self._next is not None:
            self._next.cancel()
        self.answers.close()
        self.streams.close()
        if self._socket is not None:
            self._socket.close()

    @property
    def lost(self) -> int:
        """Datagrams that the kernel dropped before we could read them."""
        return 0 if self._socket is None else self._socket.lost

    @property
    def addresses(self) -> list[str]:
        """Every address that there is now, in alphabetical order; older ones are not told."""
        return sorted(filter(entry_of, self._book.addresses))

    @property
    def echoing(self) -> list[str]:
        """Hosts that send our feedback back to us."""
        return [host for host, echo in self._echoes.items() if echo.echoing]

    # --- what arrives -------------------------------------------------------------------------

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        """Every packet that arrives, over TCP too (the port is then the negative number of the
        connection). No exception leaves here, whatever the bytes.

        Who has sent it is looked at first: a stranger's bytes are not parsed.
        """
        host = str(addr[0])
        if not self._access.osc_allowed(host):
            self._stranger(data, host, addr[1])
            return
        if self._socket is not None and addr[1] == self._socket.port and is_own(host):
            self.counts["echo"] += 1  # we have sent this ourselves
            return
        try:
            found = messages(data)
        except MalformedError:
            self.counts["malformed"] += 1
            return
        now = self._clock()
        for one in found:
            address = address_of(one)
            key = address if last_wins(address) else next(self._arrivals)
            fits, replaced = self._queue.put(
                host, key, _Waiting(address, one, now, (host, addr[1]))
            )
            if not fits:
                self._drop(1)
            elif replaced is not None:
                self.counts["overtaken"] += 1
        if not self._resting:
            self._work()

    def _stranger(self, data: bytes, host: str, port: int) -> None:
        """All that a host may send before it is admitted is the token."""
        if len(data) <= TOKEN_BYTES_MAX and data.startswith(_TOKEN_MESSAGE):
            shown = data[len(_TOKEN_MESSAGE) :].rstrip(b"\x00").decode("latin-1")
            self._token([shown], (host, port))
        else:
            self.counts["forbidden"] += 1

    def _drop(self, count: int) -> None:
        if not self.counts["dropped"]:
            log.warning("more OSC messages arrive than can be done; some are dropped")
        self.counts["dropped"] += count
        self._control.budget.refused += count

    def _work(self) -> None:
        """Does what waits, hosts in turn, as far as their budgets and the time of this turn go.

        On a slow machine a command may take longer than its share of the budget; so what arrives
        here takes half of the loop's time at most.
        """
        begun, budget = self._clock(), self._control.budget
        now, wait = begun, float("inf")
        busy, done = True, 0
        while busy and (now - begun < TURN_S or not done):
            busy = False
            for host in self._queue.clients():
                now = self._clock()
                if now - begun >= TURN_S and done:
                    busy = True
                    break
                client, first = f"osc {host}", self._queue.first(host)
                found = self._book.find(first.address)
                cost = max(len(found), 1)
                delay = budget.wait(client, cost, now)
                patient = last_wins(first.address) and delay != float("inf")
                if delay > 0 and patient:
                    wait = min(wait, delay)
                    continue
                busy, done = True, done + 1
                self._queue.take(host)
                if delay > 0 or (now - first.at > STALE_S and not patient):
                    self._drop(cost)
                else:
                    self._message(first, found)
        self._resting = busy and bool(self._queue)
        if self._queue:
            took = self._clock() - begun
            self._later(took if busy else max(wait, took))

    def _later(self, wait: float) -> None:
        if self._next is not None and self._resting:
            self._next.cancel()  # it was for a budget that has to wait longer than this turn
            self._next = None
        if self._next is None:
            # A turn of the loop lies between at least: sockets are read, timers run.
            self._next = asyncio.get_running_loop().call_later(wait, self._turn)

    def _turn(self) -> None:
        self._next = None
        self._resting = False
        if self._queue:
            self._work()

    def _message(self, arrived: _Waiting, found: tuple[str, ...]) -> None:
        host = arrived.sender[0]
        client, now = f"osc {host}", self._clock()
        try:
            args = list(parse(arrived.data).params)
        except Exception:  # the parser is not ours and the bytes are anybody's
            log.debug("a message that the parser cannot take", exc_info=True)
            self.counts["malformed"] += 1
            self._control.budget.spend(client, 1, now)
            return
        echo = self._echoes.get(host)
        if echo is not None and echo.heard(arrived.address, args, now):
            if not self.counts["echo"]:
                log.warning("%s sends our feedback back; that is not carried out", host)
            self.counts["echo"] += 1
            self._control.budget.spend(client, 1, now)
            return
        if not found:
            self.counts["unknown"] += 1
            self._control.budget.spend(client, 1, now)
        for address in found:
            try:
                with acting(self._access.osc_role(host)):
                    done = self._one(address, args, arrived.sender)
            except ArgumentError:
                self.counts["arguments"] += 1
                self._control.budget.spend(client, 1, now)
            except CommandError:
                self.counts["refused"] += 1
            except PlayerError:
                self.counts["away"] += 1
            else:
                if done:
                    self.counts["done"] += 1

    def _one(self, address: str, args: list[object], sender: To) -> bool:
        """One address. False when it is not done yet, but will be counted when it is."""
        host = sender[0]
        client = f"osc {host}"
        if address == "/subscribe":
            self._control.charge(client, address)
            return self._subscribe(sender, port_of(args))
        elif address == "/addresses":
            self._control.charge(client, address)
            return self._answer(sender, *question_of(args))
        elif address == "/token":
            self._control.charge(client, address)
            self._token(args, sender)
            return False
        elif address == "/confirm":
            self._control.charge(client, address)
            self._confirm(host, args)
        else:
            command = command_of(address, args)
            if command is None:
                return True  # the release of a button
            if command.ROW.by != "player":
                self._start(self._control.carry_out(command, client))
                return False
            self._control.submit(command, client)
        return True

    def _subscribe(self, sender: To, port: int) -> bool:
        to = self._reply_to(sender, port)

        def begin() -> None:
            if not self.feedback.subscribe(*to):
                raise ArgumentError("this port cannot be subscribed")
            self._access.keep_subscribers(self.feedback.listed())

        return self._once_known(to, begin)

    def _once_known(self, to: To, then: Callable[[], None]) -> bool:
        """Does what has something sent to `to`, at once or when the host has answered from there;
        False when it has to answer first."""
        host, port = to
        if port < 0:
            self._access.answers_from(host)
        if port == 0 or self._access.may_be_sent(host):
            then()
            return True
        if not self.proofs.ask(to, then):
            raise CommandError("this host has to answer first", "busy")
        self.counts["asked"] += 1
        return False

    def _confirm(self, host: str, args: list[object]) -> None:
        then = self.proofs.heard(host, args[0]) if len(args) == 1 else None
        if then is None:
            raise CommandError("this is not the word that was sent", "state")
        self._access.answers_from(host)
        then()

    def _reply_to(self, sender: To, port: int) -> To:
        """Where the sender is sent what it asks for: to `port` of its own host, or over its
        connection. Raises ArgumentError for what cannot be a port."""
        host, own = sender
        if port < 0:
            raise ArgumentError("this is not a port")
        if own < 0:
            return host, own if port else 0
        if self._socket is not None and port == self._socket.port and is_own(host):
            raise ArgumentError("our own port cannot be answered: answers would be commands")
        return host, port

    def _answer(self, sender: To, pattern: str | None, port: int | None) -> bool:
        to = sender if port is None else self._reply_to(sender, port)

        def give() -> None:
            asked = self._book.addresses if pattern is None else self._book.find(pattern)
            found = sorted(filter(entry_of, asked))
            if not self.answers.give(to, found):
                raise CommandError("the addresses cannot be told there now", "busy")

        return self._once_known(to, give)

    def _broken(self) -> None:
        self.counts["malformed"] += 1

    def _start(self, work: Coroutine[object, object, object]) -> None:
        if len(self._tasks) >= TASKS_MAX:
            work.close()
            raise CommandError("too much at once", "busy")
        task = asyncio.get_running_loop().create_task(self._carry_out(work))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _carry_out(self, work: Coroutine[object, object, object]) -> None:
        try:
            await work
        except (CommandError, InputError):
            self.counts["refused"] += 1
        except PlayerError:
            self.counts["away"] += 1
        else:
            self.counts["done"] += 1

    def _token(self, args: list[object], sender: To) -> None:
        """Lets a host in. Over a connection the address is its own; a datagram may be forged."""
        host, connected = sender[0], sender[1] < 0
        tries = self._access.tries if connected else self._access.datagram_tries
        if tries.wait(host) > 0:
            self.counts["guesses"] += 1  # OSC has no answer that would say so
        elif len(args) == 1 and isinstance(args[0], str) and self._access.matches(args[0]):
            tries.right(host)
            self._access.admit(host, answered=connected)
            self.counts["done"] += 1
        else:
            tries.wrong(host)
            self.counts["forbidden"] += 1

    # --- what is sent -------------------------------------------------------------------------

    def _state(self, event: StateChanged) -> None:
        state = self._control.session.state
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
            self._book = AddressBook(addresses(state, self._control.session.outputs))
        self.feedback.changed()

    def _told(self, host: str, address: str, value: object) -> None:
        echo = self._echoes.get(host)
        if echo is None:
            echo = self._echoes[host] = Echo()
            if len(self._echoes) > ECHO_HOSTS_MAX:
                self._echoes.popitem(last=False)
        echo.sent(address, value, self._clock())

    def _send(self, data: bytes, to: To) -> None:
        if to[1] < 0:
            self.streams.send(data, -to[1])
        elif self._socket is not None:
            self._socket.send(data, to)
