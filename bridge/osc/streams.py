"""OSC over TCP, on the same port number as UDP.

A stream has no packets, so each is framed, and a connection is answered as it speaks. Its first
byte tells how: the high byte of a size is 0 (Open Sound Control 1.0: an int32 before each packet);
anything else begins a SLIP frame (OSC 1.1, Freed and Schmeder, NIME 2009, "double END" SLIP after
RFC 1055).
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import Callable
from typing import Literal

from bridge.osc.guard import DATAGRAM_MOST, MalformedError

END, ESC, ESC_END, ESC_ESC = b"\xc0", b"\xdb", b"\xdc", b"\xdd"  # RFC 1055
STREAMS_MOST = 32
PER_HOST_MOST = 4
STRANGER_S = 10.0  # to show the token
UNSENT_MOST = 64 << 10  # bytes that a connection has not taken yet; more is left out
TURN_PACKETS = 64  # of one connection, before others have their turn
REST_S = 0.002  # before the rest of what a connection has sent is looked at
BACKLOG = 16

Framing = Literal["size", "slip"]


def slip(packet: bytes) -> bytes:
    """A packet as a SLIP frame, with an END before and after it."""
    return END + packet.replace(ESC, ESC + ESC_ESC).replace(END, ESC + ESC_END) + END


def unslip(frame: bytes) -> bytes:
    """The packet of a frame without its ENDs. Raises MalformedError."""
    first, *rest = frame.split(ESC)
    parts = [first]
    for part in rest:
        if part[:1] not in (ESC_END, ESC_ESC):
            raise MalformedError("an escape that SLIP does not know")
        parts.append((END if part[:1] == ESC_END else ESC) + part[1:])
    return b"".join(parts)


def sized(packet: bytes) -> bytes:
    """A packet behind its size."""
    return struct.pack(">i", len(packet)) + packet


class Packets:
    """Takes the packets out of a stream. `framing` is None until the first byte has come."""

    def __init__(self) -> None:
        self.framing: Framing | None = None
        self._buffer = bytearray()

    def feed(self, data: bytes) -> None:
        """Bytes that have arrived."""
        self._buffer += data
        if self.framing is None and self._buffer:
            self.framing = "slip" if self._buffer[0] else "size"

    def take(self) -> bytes | None:
        """The next whole packet, or None.

        Raises:
            MalformedError: a packet is longer than `DATAGRAM_MOST`, or the frame is none. What
                comes after it cannot be told apart any more.
        """
        return self._sized() if self.framing == "size" else self._slip()

    def _sized(self) -> bytes | None:
        if len(self._buffer) < 4:
            return None
        (size,) = struct.unpack_from(">i", self._buffer)
        if not 0 < size <= DATAGRAM_MOST:
            raise MalformedError(f"a packet of {size} bytes")
        if len(self._buffer) < 4 + size:
            return None
        packet = bytes(self._buffer[4 : 4 + size])
        del self._buffer[: 4 + size]
        return packet

    def _slip(self) -> bytes | None:
        while self._buffer:
            end = self._buffer.find(END)
            if max(end, 0) > 2 * DATAGRAM_MOST or (
                end < 0 and len(self._buffer) > 2 * DATAGRAM_MOST
            ):
                raise MalformedError("a frame without end")
            if end < 0:
                return None
            frame = bytes(self._buffer[:end])
            del self._buffer[: end + 1]
            if frame:  # nothing lies between two ENDs that follow one another
                return unslip(frame)
        return None


class Stream(asyncio.Protocol):
    """One connection."""

    def __init__(self, streams: Streams) -> None:
        self._streams = streams
        self._packets = Packets()
        self._transport: asyncio.Transport | None = None
        self._next: asyncio.TimerHandle | None = None
        self.number = 0
        self.host = ""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self.host = str(transport.get_extra_info("peername", ("",))[0])
        self._streams.opened(self)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._next is not None:
            self._next.cancel()
        self._streams.closed(self)

    def data_received(self, data: bytes) -> None:
        self._packets.feed(data)
        self._work()

    def _work(self) -> None:
        self._next = None
        assert self._transport is not None
        try:
            for _ in range(TURN_PACKETS):
                packet = self._packets.take()
                if packet is None:
                    self._transport.resume_reading()
                    return
                self._streams.receive(packet, (self.host, -self.number))
                if self._transport.is_closing():
                    return
        except MalformedError:
            self._streams.malformed()
            self.abort()
            return
        self._transport.pause_reading()  # the kernel's window holds the sender back
        self._next = asyncio.get_running_loop().call_later(REST_S, self._work)

    def send(self, packet: bytes) -> None:
        """Sends a packet in the framing of the other end; left out while it does not read."""
        if self._transport is None or self._transport.is_closing():
            return
        if self._transport.get_write_buffer_size() + len(packet) <= UNSENT_MOST:
            frame = slip if self._packets.framing == "slip" else sized
            self._transport.write(frame(packet))

    def abort(self) -> None:
        """Closes the connection at once."""
        if self._transport is not None:
            self._transport.abort()


class Streams:
    """All connections. `receive` gets each packet with the host and the negative number of its
    connection; `malformed` is called for each that breaks its framing; `ended` when one ends.
    `listening` tells whether there is TCP at all."""

    def __init__(
        self,
        receive: Callable[[bytes, tuple[str, int]], None],
        allowed: Callable[[str], bool],
        malformed: Callable[[], None],
        ended: Callable[[tuple[str, int]], None],
    ) -> None:
        self.receive = receive
        self.malformed = malformed
        self._allowed = allowed
        self._ended = ended
        self._open: dict[int, Stream] = {}
        self._numbers = 0
        self._socket: socket.socket | None = None
        self.listening = False
        self._opening: asyncio.Task[asyncio.Server] | None = None

    def listen(self, host: str, port: int) -> None:
        """Opens the port. Raises OSError when it is in use."""
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._socket.setblocking(False)
            self._socket.bind((host, port))
            self._socket.listen(BACKLOG)
        except OSError as error:
            self._socket.close()
            what = (error.strerror or str(error)).lower()
            raise OSError(error.errno, f"port {port} (OSC over TCP): {what}") from None
        self.listening = True
        loop = asyncio.get_running_loop()
        self._opening = loop.create_task(
            loop.create_server(lambda: Stream(self), sock=self._socket, backlog=BACKLOG)
        )

    def opened(self, stream: Stream) -> None:
        """A connection has been made; it is closed again when there are too many."""
        of_host = sum(other.host == stream.host for other in self._open.values())
        if len(self._open) >= STREAMS_MOST or of_host >= PER_HOST_MOST:
            stream.abort()
            return
        self._numbers += 1
        stream.number = self._numbers
        self._open[stream.number] = stream
        if not self._allowed(stream.host):
            asyncio.get_running_loop().call_later(STRANGER_S, self._still_stranger, stream)

    def _still_stranger(self, stream: Stream) -> None:
        if not self._allowed(stream.host):
            stream.abort()

    def closed(self, stream: Stream) -> None:
        """A connection has ended."""
        if self._open.pop(stream.number, None) is not None:
            self._ended((stream.host, -stream.number))

    def send(self, packet: bytes, number: int) -> None:
        """Sends a packet over a connection, if it is still there."""
        stream = self._open.get(number)
        if stream is not None:
            stream.send(packet)

    def close(self) -> None:
        """Listens no more and ends all connections."""
        if self._opening is not None:
            if self._opening.done() and not self._opening.cancelled():
                self._opening.result().close()
            self._opening.cancel()
        if self._socket is not None:
            self._socket.close()
        for stream in list(self._open.values()):
            stream.abort()
