"""The WebSocket of the page: the state first, then only what changes.

Messages to a client: ``state`` (all of it, first), ``change`` (a JSON Merge Patch, RFC 7396;
members that become null disappear; each has the `number` after the last), ``resumed`` (in place of
``state`` after a gap, for who comes back with ``?resume=NAME&number=N``; `newest` is the number of
the change that follows, or N where nothing has changed: see `bridge.web.resuming`), ``played``,
``chart``, ``tick`` (position now, about 4/s), ``scope`` (volts, for those who ask), ``done`` and
``refused`` (answers to its `seq`), ``dropped`` (how many refusals more there were than are answered
one by one). From a client: command objects, ``copy``, ``clear`` and ``randomise`` (of a lane),
``undo``, ``redo``, ``chart``, ``scope``, ``learn``, ``learn-cancel``, ``alive`` (answered ``done``:
the page's probe).

Each client has one latest-wins buffer: what it has not been sent yet is not queued but computed, as
the difference between what it was sent last and the state now. A client that does not read is
first sent less, then dropped; nobody else notices. While a client's finger is on a macro its own
moves are not echoed to it; when the finger has left, it gets the value that stands.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import logging
import socket
import time
from collections import deque
from collections.abc import Callable, Coroutine

from aiohttp import WSMsgType, web

from bridge.bench.live_scope import Scope, ScopeView
from bridge.control.door import Control
from bridge.control.position import tick_at
from bridge.control.roles import demand
from bridge.control.stream import (
    BenchChanged,
    ChartsChanged,
    ControllersChanged,
    DocumentChanged,
    HistoryChanged,
    MoversChanged,
    OwnershipEnded,
    Played,
    PresenceChanged,
    StateChanged,
    VoltsChanged,
)
from bridge.control.view import View
from bridge.desk.controllers import Controllers
from bridge.errors import CommandError, InputError, PlayerError
from bridge.protocol.asking import AskAlive, AskChart, AskScope, CancelLearning, Learn
from bridge.protocol.command import Command
from bridge.protocol.state import State
from bridge.protocol.table import decode
from bridge.session.chart import Charts
from bridge.web.entrance import Connection
from bridge.web.gate import DEVICE
from bridge.web.problems import ProblemError, describe, problem
from bridge.web.resuming import Trail, Trails
from bridge.web.telling import Telling
from bridge.web.wrong import NotJSONError, parsed

log = logging.getLogger(__name__)

UPDATE_S = 1 / 30  # a client gets at most this many rounds of messages a second
HEARTBEAT_S = 4.0  # ping after this long; dropped when no pong comes in half of it
BUFFER_BYTES = 64 << 10  # waiting to be taken by one client; above a quarter nothing is added
STALL_S = 5.0  # a client whose buffer does not empty for this long is dropped
MESSAGE_BYTES = 8 << 10  # largest message from a client: a command is a few words
HITS_MOST = 256
ANSWERS_MOST = 256  # answers that wait for one client; of more refusals only the number is told
CLIENTS_MOST = 128  # each takes about a quarter of a megabyte (`tests/bench/bench_crowd.py`)
TASKS_MAX = 1024  # commands of one client that wait for the player
TURN_MESSAGES = 16  # messages of one client before the loop looks after others
TICK_S = 0.25
SHOWN = (
    StateChanged,
    PresenceChanged,
    OwnershipEnded,
    MoversChanged,
    HistoryChanged,
    DocumentChanged,
    ChartsChanged,
    ControllersChanged,
    BenchChanged,
    VoltsChanged,
)


class Client:
    """One connected page."""

    def __init__(
        self,
        name: str,
        ws: web.WebSocketResponse,
        transport: asyncio.Transport,
        device: str | None = None,
    ) -> None:
        self.name = name
        self.device = device
        self.trail = Trail()
        self.resumed: int | None = None  # the number from which it goes on, until it is told
        self.ws = ws
        self.transport = transport
        self.dirty = asyncio.Event()
        self.sent: State | None = None
        self.hits: deque[list[object]] = deque(maxlen=HITS_MOST)
        self.answers: deque[dict[str, object]] = deque()
        self.tick: dict[str, object] | None = None
        self.bars = 2
        self.chart_sent: object = None
        self.scope: ScopeView | None = None
        self.tasks: set[asyncio.Task[object]] = set()
        self.unanswered = 0

    def answer(self, message: dict[str, object]) -> None:
        """Queues an answer. Of too many refusals only the number is told. What is done has been
        paid for from the budget, so it is no more than a burst and `STALL_S` of it before a client
        that takes nothing is dropped."""
        if len(self.answers) < ANSWERS_MOST or message["type"] != "refused":
            self.answers.append(message)
        else:
            self.unanswered += 1
        self.dirty.set()

    def start(self, work: Coroutine[object, object, object]) -> None:
        """Runs `work` beside, until the client leaves."""
        task = asyncio.create_task(work)
        self.tasks.add(task)
        task.add_done_callback(self.tasks.discard)


class Live:
    """All connected pages."""

    def __init__(
        self,
        control: Control,
        view: View,
        charts: Charts,
        controllers: Controllers,
        scope: Scope,
        *,
        clock: Callable[[], float] = time.monotonic,
        update_s: float = UPDATE_S,
        stall_s: float = STALL_S,
    ) -> None:
        self._control = control
        self._charts = charts
        self._controllers = controllers
        self._scope = scope
        self._clock = clock
        self._update_s = update_s
        self._stall_s = stall_s
        self._numbers = itertools.count(1)
        self.clients: set[Client] = set()
        self._telling = Telling(view, clock, update_s)
        self._trails = Trails()
        self.dropped = 0
        stream = control.session.stream
        stream.on(Played, self._played)
        for kind in SHOWN:
            stream.on(kind, lambda _: self.wake())
        charts.wanted = lambda: {client.bars for client in self.clients}

    def wake(self) -> None:
        """Something changed: every client looks at its next round."""
        self._telling.forget()
        for client in self.clients:
            client.dirty.set()

    async def run(self) -> None:
        """Sends the position to everybody, four times a second; never returns."""
        while True:
            await asyncio.sleep(TICK_S)
            if not self.clients:
                continue
            message = self.position()
            if message is not None:
                for client in self.clients:
                    client.tick = message
                    client.dirty.set()

    def position(self) -> dict[str, object] | None:
        """The ``tick`` message: where the song is now."""
        state = self._control.session.state
        if "transport" not in state or not self._control.session.present:
            return None
        at_ms = self._clock() * 1000
        return {
            "type": "tick",
            "tick": round(tick_at(state, at_ms), 2),
            "at_ms": round(at_ms, 2),
            "tempo": state["transport"]["tempo"],
            "running": state["transport"]["state"] == "running",
        }

    def _played(self, event: Played) -> None:
        hits = [
            [lane, tick, value]
            for tick, lane, kind, value, *_ in event.frame.get("events", ())
            if kind == "hit"
        ]
        if hits:
            for client in self.clients:
                client.hits.extend(hits)
                client.dirty.set()

    # --- one client -------------------------------------------------------------------------

    async def handle(self, request: web.Request) -> web.StreamResponse:
        """GET /api/live."""
        if request.headers.get("Upgrade", "").lower() != "websocket":
            raise ProblemError(
                426,
                "this is a WebSocket",
                {"Upgrade": "websocket", "Connection": "Upgrade"},  # RFC 9110, section 15.5.22
            )
        if len(self.clients) >= CLIENTS_MOST:
            raise ProblemError(503, f"{CLIENTS_MOST} pages are open already; close one")
        ws = web.WebSocketResponse(
            heartbeat=HEARTBEAT_S, max_msg_size=MESSAGE_BYTES, compress=False, timeout=1.0
        )
        connection = request.protocol
        masked = not isinstance(connection, Connection) or connection.check_frames()
        await ws.prepare(request)
        if not masked:
            await ws.close(code=1002, message=b"frames must be masked")
            return ws
        transport = request.transport
        assert isinstance(transport, asyncio.Transport)
        transport.set_write_buffer_limits(high=BUFFER_BYTES)
        sock = transport.get_extra_info("socket")
        if sock is not None:  # or the kernel would keep seconds of old states for a sleeper
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, BUFFER_BYTES)
        client = Client(f"page {next(self._numbers)}", ws, transport, request.get(DEVICE))
        self._resume(client, request)
        self.clients.add(client)
        self._control.session.look(client, True, hits=True)
        self._charts.look()
        client.dirty.set()
        writer = asyncio.create_task(self._write(client))
        try:
            count = 0
            async for message in ws:
                if message.type is not WSMsgType.TEXT:
                    await ws.close(code=1003, message=b"text only")
                    break
                self._receive(client, message.data)
                count += 1
                if count % TURN_MESSAGES == 0:  # what has arrived is read without a pause otherwise
                    await asyncio.sleep(0)
        except Exception:
            log.exception("%s", client.name)
            await ws.close(code=1011, message=b"a fault of ours")
        finally:
            self.clients.discard(client)
            self._control.session.look(client, False)
            self._trails.park(client.trail, self._clock())
            self._look_away(client)
            self._controllers.cancel(client.name)
            for task in (writer, *client.tasks):
                task.cancel()
            await asyncio.gather(writer, *client.tasks, return_exceptions=True)
            self._control.gone(client.name)
        return ws

    def _resume(self, client: Client, request: web.Request) -> None:
        """Lets a page that has been here go on from what it has got."""
        name, number = request.query.get("resume", ""), request.query.get("number", "")
        if not (number.isascii() and number.isdigit() and len(number) < 12):
            return
        trail = self._trails.take(name, self._clock())
        for other in self.clients:  # a connection that broke without a word may still be here
            if other.trail.name == name:
                trail, other.trail = other.trail, Trail()
                other.transport.abort()
        sent = None if trail is None else trail.back_to(int(number))
        if trail is not None and sent is not None:
            client.trail, client.sent = trail, sent
            client.resumed = int(number)

    def end(self, device: str) -> None:
        """The device is shut out, or its role has changed: its pages are closed (1008, policy), and
        come back as what they are now."""
        for client in self.clients:
            if client.device == device:
                client.start(client.ws.close(code=1008, message=b"let in differently"))

    async def close(self) -> None:
        """The service stops: says goodbye to every page (1001, going away)."""
        await asyncio.gather(
            *(c.ws.close(code=1001, message=b"the service stops") for c in self.clients),
            return_exceptions=True,
        )

    async def _write(self, client: Client) -> None:
        clear_since = self._clock()
        while True:
            await client.dirty.wait()
            client.dirty.clear()
            if client.transport.get_write_buffer_size() > BUFFER_BYTES // 4:
                if self._clock() - clear_since > self._stall_s:
                    self._drop(client)
                    return
                client.dirty.set()
            else:
                clear_since = self._clock()
                try:
                    async with asyncio.timeout(self._stall_s):
                        for message in self._round(client):
                            await client.ws.send_str(
                                message
                                if isinstance(message, str)
                                else json.dumps(message, separators=(",", ":"))
                            )
                except TimeoutError:
                    self._drop(client)
                    return
                except ConnectionError:
                    return
                except Exception:  # a page that is told nothing more must not look alive
                    log.exception("%s cannot be told the state", client.name)
                    client.start(client.ws.close(code=1011, message=b"a fault of ours"))
                    return
            await asyncio.sleep(self._update_s)

    def _drop(self, client: Client) -> None:
        # No close code can reach a client that does not read.
        log.warning("%s does not read; dropped", client.name)
        self.dropped += 1
        client.transport.abort()

    def _round(self, client: Client) -> list[dict[str, object] | str]:
        """What a client is sent now: the newest of everything, nothing twice."""
        messages: list[dict[str, object] | str] = []
        resumed: dict[str, object] = {}
        if client.resumed is not None:
            resumed = {"type": "resumed", "number": client.resumed, "newest": client.resumed}
            messages.append(resumed)
            client.resumed = None
        if client.answers:
            self._telling.forget()  # what was done is seen before its answer
        try:
            state = self._for(client, self._telling.state())
        except PlayerError:
            state = None  # the player has never been there: nothing to show yet
        if state is not None:
            if client.sent is None:
                number = client.trail.add(state)
                resume = client.trail.name
                messages.append(
                    {"type": "state", "state": state, "number": number, "resume": resume}
                )
            else:
                patch = self._telling.patch(client.sent, state)
                if patch:
                    number = client.trail.add(state)
                    messages.append(f'{{"type":"change","patch":{patch},"number":{number}}}')
                    resumed["newest"] = number
            client.sent = state
            chart = self._charts.get(client.bars)
            if chart is not None and chart is not client.chart_sent:
                client.chart_sent = chart
                messages.append(chart)
        if client.hits:
            messages.append({"type": "played", "hits": list(client.hits)})
            client.hits.clear()
        volts = None if client.scope is None else client.scope.take(round(self._clock() * 1000, 2))
        if volts is not None:
            messages.append(volts)
        if client.tick is not None:
            messages.append(client.tick)
            client.tick = None
        # Answers come last: who waits for one has then seen what it did.
        messages += client.answers
        client.answers.clear()
        if client.unanswered:
            messages.append({"type": "dropped", "commands": client.unanswered})
            client.unanswered = 0
        return messages

    def _for(self, client: Client, state: State) -> State:
        """The state without what the client itself has moved, nor the echo of its own finger."""
        moved = state["moved_by"].items()
        others = {what: one for what, one in moved if one["client"] != client.name}
        state = {**state, "moved_by": others}
        if client.sent is None:
            return state
        macros = state["macros"]
        mine = {name for name in macros if self._control.owner(name) == client.name}
        if not mine:
            return state
        before = client.sent["macros"]
        return {
            **state,
            "macros": {
                name: before.get(name, macro) if name in mine else macro
                for name, macro in macros.items()
            },
        }

    # --- from a client ----------------------------------------------------------------------

    def _receive(self, client: Client, text: str) -> None:
        seq: int | None = None
        try:
            given = _object(text)
            seq = _seq(given)
            if "client" in given:
                raise CommandError("'client' is not for pages to say")
            command = decode(given)
            if command.ROW.by == "process":
                raise CommandError(f"there is no command {command.ROW.do!r}", "unknown")
            demand(command.ROW.role, command.ROW.do)
        except (CommandError, NotJSONError) as error:
            client.answer({"type": "refused", "seq": seq, "problem": describe(error)})
            self._control.budget.spend(client.name, 1, self._clock())
            return
        if command.ROW.by in ("player", "service"):
            self._begin(client, command, seq)  # these are paid for where they are done
            return
        try:
            self._control.charge(client.name, command.ROW.do)
        except CommandError as error:
            client.answer({"type": "refused", "seq": seq, "problem": describe(error)})
            return
        match command:
            case AskAlive():
                # At once and not with the next round: pages measure the way by it.
                client.start(self._say(client, {"type": "done", "seq": seq}))
                return
            case Learn():
                self._begin(client, command, seq)
                return
            case AskChart():
                client.bars = command.bars
                client.chart_sent = None
                self._charts.look()
            case AskScope():
                self._look_away(client)
                client.scope = self._scope.watch() if command.on else None
            case CancelLearning():
                self._controllers.cancel()
        client.answer({"type": "done", "seq": seq})

    def _begin(self, client: Client, command: Command, seq: int | None) -> None:
        if len(client.tasks) < TASKS_MAX:
            client.start(self._carry_out(client, command, seq))
            return
        # So many wait already that this one, too, would only wait: nobody needs a task for it.
        self._control.budget.refused += 1
        error = CommandError(f"too many commands at once: '{command.ROW.do}' was not done", "busy")
        client.answer({"type": "refused", "seq": seq, "problem": describe(error)})

    def _look_away(self, client: Client) -> None:
        if client.scope is not None:
            self._scope.leave(client.scope)
            client.scope = None

    @staticmethod
    async def _say(client: Client, message: dict[str, object]) -> None:
        if client.transport.get_write_buffer_size() <= BUFFER_BYTES // 4:
            with contextlib.suppress(ConnectionError):
                await client.ws.send_str(json.dumps(message))

    async def _carry_out(self, client: Client, command: Command, seq: int | None) -> None:
        try:
            if isinstance(command, Learn):
                row = await self._controllers.learn(command, client.name)
                more: dict[str, object] = {"learned": row}
            else:
                more = await self._control.carry_out(command, client.name)
        except (CommandError, InputError, PlayerError) as error:
            client.answer({"type": "refused", "seq": seq, "problem": describe(error)})
        except Exception:
            log.exception("command %r", command)
            fault = problem(500, "this is a fault of ours")
            client.answer({"type": "refused", "seq": seq, "problem": fault})
        else:
            client.answer({"type": "done", "seq": seq, **more})


def _object(text: str) -> dict[str, object]:
    """The JSON object of a message."""
    given = parsed(text)
    if not isinstance(given, dict):
        raise CommandError("a command is an object with a 'do'")
    return given


def _seq(given: dict[str, object]) -> int | None:
    """The number that the answer gets, if there is a usable one."""
    seq = given.get("seq")
    return seq if isinstance(seq, int) and not isinstance(seq, bool) else None
