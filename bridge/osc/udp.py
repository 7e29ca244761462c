"""The UDP socket of OSC: many datagrams a turn, a large receive buffer, and what the kernel lost.

An event loop's own datagram transport reads one datagram a turn; while the loop is busy with pages
the kernel's buffer overflows and nobody is told. Here up to `TURN_DATAGRAMS` are read at once, and
the kernel counts what it had to drop (Linux, ``SO_RXQ_OVFL``, socket(7)).
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import sys
from collections.abc import Callable

BUFFER_BYTES = 4 << 20  # asked for; the kernel may grant less (net.core.rmem_max)
TURN_DATAGRAMS = 512  # a turn may take 0.1 s while a hundred pages are told the same change
DATAGRAM_BYTES = 64 << 10  # the longest that UDP can carry
_SO_RCVBUFFORCE = 33  # Linux: beyond the limit, for a process that may
_SO_RXQ_OVFL = 40  # Linux: the count of dropped datagrams comes with each one

Receive = Callable[[bytes, tuple[str, int]], None]


class UdpSocket:
    """A bound socket that calls `receive` for each datagram. `lost` counts what the kernel dropped
    because it was not read in time, as far as it has said so."""

    def __init__(self, host: str, port: int, receive: Receive) -> None:
        """Binds. Raises OSError when the port is in use."""
        self._receive = receive
        self.lost = 0
        self.unsent = 0  # datagrams that could not be sent
        self.sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self.sock.setblocking(False)
            self._ask_for_buffer()
            self.sock.bind((host, port))
        except OSError as error:
            self.sock.close()
            what = (error.strerror or str(error)).lower()
            raise OSError(error.errno, f"port {port} (OSC): {what}") from None
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self.sock.fileno(), self._readable)

    def _ask_for_buffer(self) -> None:
        if sys.platform == "linux":
            with contextlib.suppress(OSError):
                self.sock.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)
            with contextlib.suppress(OSError):
                self.sock.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, BUFFER_BYTES)
        if self.buffer_bytes < BUFFER_BYTES:
            with contextlib.suppress(OSError):
                self.sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)

    @property
    def buffer_bytes(self) -> int:
        """The receive buffer that the kernel has granted (it counts its own overhead too)."""
        return self.sock.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)

    @property
    def port(self) -> int:
        return int(self.sock.getsockname()[1])

    def _readable(self) -> None:
        for _ in range(TURN_DATAGRAMS):
            try:
                data, notes, _, sender = self.sock.recvmsg(DATAGRAM_BYTES, 64)
            except (BlockingIOError, InterruptedError):
                return
            except OSError:  # an error of an earlier send (no such port) is reported here
                continue
            for level, kind, value in notes:
                if (level, kind) == (socket.SOL_SOCKET, _SO_RXQ_OVFL) and len(value) >= 4:
                    (self.lost,) = struct.unpack("=I", value[:4])
            self._receive(data, (sender[0], sender[1]))

    def send(self, data: bytes, to: tuple[str, int]) -> None:
        """Sends one datagram, or counts that it could not be sent."""
        try:
            self.sock.sendto(data, to)
        except OSError:  # a full buffer, no way there, a port that was refused before
            self.unsent += 1

    def close(self) -> None:
        if self.sock.fileno() >= 0:
            self._loop.remove_reader(self.sock.fileno())
            self.sock.close()
