"""Where HTTP connections come in: how many, for how long, and errors below the application.

A connection that sends no whole request head in time, or does not take its answer, is closed. The
number of connections leaves file descriptors for everything else. When all are taken, an idle
connection gives way, first one that has not shown that it may be here; a newcomer is refused only
when none can.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import resource
import socket
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from aiohttp import web
from aiohttp.web_protocol import RequestHandler

from bridge.web.frames import FrameCheck
from bridge.web.gate import set_headers
from bridge.web.problems import MEDIA_TYPE, problem

log = logging.getLogger(__name__)

CONNECTIONS_MAX = 256
HOST_CONNECTIONS_MAX = 64  # of one host that is not let in yet
DESCRIPTORS_KEPT = 96  # for files, processes, the player's socket
HEAD_S = 10.0  # from the first byte of a request to the end of its head
ANSWER_S = 30.0  # an answer of which nothing has been taken for this long
IDLE_S = 75.0  # between two requests
LOOK_S = 1.0
BACKLOG = 128  # connections that the kernel keeps for us
TURN_ACCEPTS = 8  # of them are taken in one turn of the loop: each needs a descriptor at once

CONNECTION_PROTOCOL_ERROR = 1002  # RFC 6455, section 7.4.1


class Connection(RequestHandler):
    """One connection. Times are monotonic seconds."""

    __slots__ = ("_entrance", "frames", "head_since", "host", "known", "unsent", "unsent_since")

    def __init__(self, entrance: Entrance, server: web.Server, **more: Any) -> None:
        super().__init__(server, loop=asyncio.get_running_loop(), **more)
        self._entrance = entrance
        self.host = ""
        self.known = False
        self.head_since: float | None = None
        self.unsent = 0
        self.unsent_since = 0.0
        self.frames: FrameCheck | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        super().connection_made(transport)
        peer = transport.get_extra_info("peername")
        self.host = str(peer[0]) if peer else ""
        self._entrance.opened(self)

    def connection_lost(self, exc: BaseException | None) -> None:
        self._entrance.closed(self)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        if self.frames is not None and not self.frames.feed(data):
            self.frames = None
            if self.transport is not None:
                code = CONNECTION_PROTOCOL_ERROR.to_bytes(2, "big")
                self.transport.write(b"\x88\x02" + code)  # a close frame, section 5.5.1
                self.transport.close()
            return
        before = self._request_count
        if self.head_since is None and not self.busy:
            self.head_since = self._entrance.clock()
        super().data_received(data)
        if self._request_count != before or self.frames is not None:
            self.head_since = None

    @property
    def busy(self) -> bool:
        """Whether a request is being answered (a WebSocket is one for as long as it lasts)."""
        return self._current_request is not None or bool(self._messages)

    def check_frames(self) -> bool:
        """What comes from now on are the frames of a WebSocket. False when one that came right
        behind the handshake is wrong already."""
        self.frames = FrameCheck()
        return self.frames.feed(self._message_tail)

    def handle_error(
        self,
        request: web.BaseRequest,
        status: int = 500,
        exc: BaseException | None = None,
        message: str | None = None,
    ) -> web.StreamResponse:
        """The answer to what is not HTTP, or to a fault below the application."""
        gone = isinstance(exc, ConnectionError)  # the client has left: nobody gets the answer
        if not gone:
            self._entrance.counts["malformed" if status < 500 else "failed"] += 1
        if status >= 500 and not gone:
            log.error("a request failed", exc_info=exc)
        detail = "this is a fault of ours; the log says more"
        if status < 500:
            detail = "this is not a good HTTP request"
        answer = web.Response(
            status=status,
            body=json.dumps(problem(status, detail)).encode(),
            content_type=MEDIA_TYPE,
        )
        answer.force_close()
        set_headers(answer)
        return answer

    def abort(self) -> None:
        if self.transport is not None:
            self.transport.abort()


class Entrance:
    """The listening socket. `counts` says what was turned away: ``full``, ``slow``, ``stalled``,
    ``malformed``, ``failed``. `is_known` tells whether a host may be here."""

    def __init__(
        self,
        is_known: Callable[[str], bool],
        *,
        clock: Callable[[], float] = time.monotonic,
        most: int | None = None,
        head_s: float = HEAD_S,
        answer_s: float = ANSWER_S,
    ) -> None:
        self.clock = clock
        self.counts: Counter[str] = Counter()
        self.most = connections_max() if most is None else most
        self._is_known = is_known
        self._head_s = head_s
        self._answer_s = answer_s
        self._connections: dict[Connection, None] = {}  # the oldest first
        self._server: asyncio.Server | None = None

    async def listen(self, runner: web.AppRunner, host: str, port: int) -> int:
        """Listens and returns the port's number. Raises OSError when it is in use."""
        server = runner.server
        assert server is not None

        def make() -> Connection:
            return Connection(
                self, server, access_log=None, keepalive_timeout=IDLE_S, lingering_time=2.0
            )

        loop = asyncio.get_running_loop()
        sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            sock.bind((host, port))
            self._server = await loop.create_server(make, sock=sock, backlog=TURN_ACCEPTS)
        except OSError as error:
            sock.close()
            raise port_error(error, port) from None
        sock.listen(BACKLOG)  # the loop's number says both how many wait and how many it takes
        return int(sock.getsockname()[1])

    async def run(self) -> None:
        """Closes what takes too long; never returns."""
        while True:
            await asyncio.sleep(LOOK_S)
            self.look()

    def look(self) -> None:
        """One look at all connections."""
        now = self.clock()
        for connection in list(self._connections):
            if connection.head_since is not None and now - connection.head_since > self._head_s:
                self.counts["slow"] += 1
                connection.abort()
            elif self._stalled(connection, now):
                self.counts["stalled"] += 1
                connection.abort()

    def _stalled(self, connection: Connection, now: float) -> bool:
        transport = connection.transport
        if not isinstance(transport, asyncio.WriteTransport) or connection.frames is not None:
            return False  # the WebSocket has rules of its own
        unsent = transport.get_write_buffer_size()
        if unsent == 0 or unsent != connection.unsent:
            connection.unsent, connection.unsent_since = unsent, now
            return False
        return now - connection.unsent_since > self._answer_s

    def opened(self, connection: Connection) -> None:
        """A connection was made: another may have to give way to it."""
        connection.known = self._is_known(connection.host)
        self._connections[connection] = None
        of_host = [c for c in self._connections if c.host == connection.host]
        if not connection.known and len(of_host) > HOST_CONNECTIONS_MAX:
            self._make_room(of_host, connection)
        elif len(self._connections) > self.most:
            self._make_room(list(self._connections), connection)

    def _make_room(self, among: list[Connection], newcomer: Connection) -> None:
        """Closes an idle connection, a stranger's first and the oldest first; else the newcomer."""
        self.counts["full"] += 1
        others = [c for c in among if c is not newcomer and not c.busy]
        strangers = [c for c in others if not self._is_known(c.host)]
        leaves = newcomer
        if strangers:
            leaves = strangers[0]
        elif others and newcomer.known:
            leaves = others[0]
        del self._connections[
            leaves
        ]  # its end is told later: until then it must not be chosen again
        leaves.abort()

    def closed(self, connection: Connection) -> None:
        self._connections.pop(connection, None)

    def close(self) -> None:
        """Listens no more; connections that are there are the runner's."""
        if self._server is not None:
            self._server.close()


def port_error(error: OSError, port: int) -> OSError:
    """The same error, saying which port it is about."""
    return OSError(error.errno, f"port {port}: {(error.strerror or str(error)).lower()}")


def connections_max() -> int:
    """How many connections this process can hold and still open files."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = CONNECTIONS_MAX + DESCRIPTORS_KEPT + _open_descriptors()
    if soft != resource.RLIM_INFINITY and soft < wanted:
        top = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (top, hard))
            soft = top
    if soft == resource.RLIM_INFINITY:
        return CONNECTIONS_MAX
    return max(8, min(CONNECTIONS_MAX, soft - DESCRIPTORS_KEPT - _open_descriptors()))


def _open_descriptors() -> int:
    try:
        return sum(1 for _ in Path("/proc/self/fd").iterdir())
    except OSError:
        return 32
