"""The player's side of the socket: readers that never block it, commands that come in."""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import socket
import struct
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence

from bridge.errors import CommandError
from bridge.player.frames import KEPT, LISTS, SCORE, TAKE, Unpacker, pack, pack_json, rows_of
from bridge.player.messages import Outbox, Swap
from bridge.player.tape import Tape
from bridge.protocol.command import Command
from bridge.protocol.table import decode
from bridge.voltage.rig_parts import NS_PER_MS

FRAME_NS = 33_000_000
KEEP_NS = 20_000_000
"""After a hand has done something, whoever keeps everything is told once its last frame is this old
and there is room, however seldom it wants to be told. A crash takes back no more than came since.
"""
SLOWEST_NS = 1_000_000_000
"""Between two frames, whatever a reader asks for: whoever watches must hear that we live."""
SWAPS_MOST = 4
TAKE_BYTES = 2 << 20
"""So much waits for a reader that does not read; what comes then is counted as lost."""
READ_BYTES = 16 << 10
"""At a time. A larger buffer would be mapped and given back for each command, page by page
(measured: 6400 page faults a second under load); a score just takes a few turns."""


class Reader:
    """One connection. While it has not read its last frames, what is new waits merged: the newest
    state, the latest events, and the newest of each thing that a keeper keeps."""

    def __init__(self, sock: socket.socket) -> None:
        self.sock = sock
        self.box = Outbox()
        self.unpacker = Unpacker()
        self.next_ns = self.told_ns = 0
        self.every_ns = FRAME_NS
        self.closed = False
        self.untold = False
        """Whether a hand has done something that this reader, who keeps it, does not know yet."""
        self.keeps: frozenset[str] = frozenset()
        self._kept: dict[str, bytes] = {}
        self._batches: deque[bytes] = deque()
        self._batch_bytes = 0
        self._left = b""

    @property
    def waiting(self) -> bool:
        return bool(self._left)

    @property
    def urgent(self) -> bool:
        """Whether something is to be sent that does not wait for the next frame."""
        return bool(self._kept) or self.box.answers

    def push(self) -> None:
        """Writes what the socket takes now."""
        while self._left:
            try:
                count = self.sock.send(self._left)
            except BlockingIOError:
                return
            except OSError:
                self.closed = True
                return
            self._left = self._left[count:]

    def deliver(self) -> None:
        """Sends what is in the outbox, unless the reader has not taken the last frame yet."""
        if self._left:
            self.push()
        if not self._left:
            self._left = b"".join([*self._kept.values(), *self._batches, *self.box.take()])
            self._kept.clear()
            self._batches.clear()
            self._batch_bytes = 0
            self.push()

    def begin(self, hello: Mapping[str, object]) -> None:
        self._left += pack_json({"type": "hello", **hello})
        self.push()

    def keep(self, what: str, payload: bytes) -> None:
        self._kept[what] = pack("P", payload)

    def batch(self, payload: bytes) -> bool:
        """Part of a take; False when too much waits already."""
        if self._batch_bytes + len(payload) > TAKE_BYTES:
            return False
        self._batches.append(pack("P", payload))
        self._batch_bytes += len(payload)
        return True

    def close(self) -> None:
        self.closed = True
        self.sock.close()


class Link:
    """Listens on `path`; hands commands to `command` and keeps pickled scores until there is time
    to read them (`take_swap`). `hello` gives the state for a new reader."""

    def __init__(
        self,
        path: str,
        command: Callable[[Command, str, Callable[[CommandError | None], None]], None],
        hello: Callable[[], Mapping[str, object]],
    ) -> None:
        self._command = command
        self._hello = hello
        self.readers: list[Reader] = []
        self.gone: Callable[[], None] | None = None
        """Called when a reader that gives commands has gone away."""
        self.wake: int | None = None
        """One more thing to wake for: written to by signals."""
        self._swaps: deque[tuple[Reader, bytes]] = deque()
        self._newest: dict[str, bytes] = {}
        with contextlib.suppress(FileNotFoundError):
            os.unlink(path)
        self._path = path
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._listener.bind(path)
        os.chmod(path, 0o600)
        self._listener.listen(8)
        self._listener.setblocking(False)

    def reading(self) -> list[int | socket.socket]:
        wake = [] if self.wake is None else [self.wake]
        return [*wake, self._listener, *(reader.sock for reader in self.readers)]

    def writing(self) -> list[socket.socket]:
        return [reader.sock for reader in self.readers if reader.waiting]

    def handle(
        self, readable: Collection[int | socket.socket], writable: Collection[socket.socket]
    ) -> None:
        """Reads and writes what `select` says is possible."""
        if self._listener in readable:
            self._accept()
        for reader in self.readers:
            if reader.sock in writable:
                reader.push()
            if reader.sock in readable:
                self._read(reader)
        for reader in [reader for reader in self.readers if reader.closed]:
            reader.close()
            self.readers.remove(reader)
            if SCORE not in reader.keeps and self.gone is not None:
                self.gone()

    def state(self, changed: Mapping[str, object]) -> None:
        for reader in self.readers:
            reader.box.state(changed)

    def played(self, now: Mapping[str, object], lists: Mapping[str, Sequence[object]]) -> None:
        for reader in self.readers:
            reader.box.played(now, lists)

    def deliver(self, now: int, hurry: bool = False) -> None:
        """At most 30 frames a second to each reader, or as often as it asked for; answers and what
        is kept at once, what a hand has done soon to those who keep it, and whatever is in a
        `hurry`."""
        for reader in self.readers:
            if hurry or now >= reader.next_ns or reader.urgent:
                reader.next_ns, reader.told_ns = now + reader.every_ns, now
                reader.untold = False
                reader.deliver()

    @property
    def untold(self) -> bool:
        """Whether one who keeps what a hand has done does not know it yet."""
        return any(reader.untold for reader in self.readers)

    def soon(self) -> None:
        """What is told next goes to every reader at once."""
        for reader in self.readers:
            reader.next_ns = 0

    def next_ns(self, now: int) -> int:
        """When `deliver` may have something to do."""
        return min((reader.next_ns for reader in self.readers), default=now + 1_000_000_000)

    @property
    def swaps(self) -> bool:
        return bool(self._swaps)

    def take_swap(self) -> tuple[Swap | None, Callable[[CommandError | None], None], bytes]:
        """The next set that takes over (None in its place when the frame has none), how to answer
        it, and the pickle itself, to be kept when it was good."""
        reader, payload = self._swaps.popleft()
        try:
            value = pickle.loads(payload)
        except Exception:  # a pickle may fail in any way; none may stop the music
            value = None
        swap = value if isinstance(value, Swap) else None
        return swap, self._answer(reader, None if swap is None else swap.seq), payload

    def keep(self, what: str, payload: bytes) -> None:
        """Gives a pickle, a ``score`` or a ``memory``, to whoever keeps it: what another player
        would need, or a drawing of the bars to come. A newer one takes the place of one of the
        same kind that still waits."""
        self._newest[what] = payload
        for reader in self.readers:
            if what in reader.keeps:
                reader.keep(what, payload)

    def take(self, tape: Tape, now: int, whole: bool = False) -> None:
        """Hands the next batch of the tape to whoever writes takes; `whole`: all of it, at once.
        While nobody does, it stays on the tape as long as there is room."""
        writers = [reader for reader in self.readers if TAKE in reader.keeps]
        batch = tape.batch(now, whole) if writers else None
        if batch is None:
            return
        payload = pickle.dumps(batch, pickle.HIGHEST_PROTOCOL)
        for reader in writers:
            if not reader.batch(payload):
                tape.lost += rows_of(batch)
            if whole:
                reader.deliver()

    def close(self) -> None:
        for reader in self.readers:
            reader.close()
        self._listener.close()
        with contextlib.suppress(OSError):
            os.unlink(self._path)

    def _accept(self) -> None:
        with contextlib.suppress(BlockingIOError):
            sock, _ = self._listener.accept()
            sock.setblocking(False)
            if not _same_user(sock):
                sock.close()
                return
            reader = Reader(sock)
            self.readers.append(reader)
            reader.begin(self._hello())

    def _read(self, reader: Reader) -> None:
        try:
            data = reader.sock.recv(READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            reader.closed = True
            return
        try:
            frames = reader.unpacker.feed(data)
        except ValueError:
            reader.closed = True
            return
        for kind, payload in frames:
            if kind == "P":
                self._swaps.append((reader, payload))
                while len(self._swaps) > SWAPS_MOST:
                    self._swaps.popleft()
                continue
            self._json(reader, payload)

    def _json(self, reader: Reader, payload: bytes) -> None:
        try:
            command = json.loads(payload)
        except ValueError:
            reader.closed = True
            return
        if not isinstance(command, dict):
            reader.closed = True
            return
        if command.get("do") == "frames":
            self._frames(reader, command.get("ms"), command.get("what", list(LISTS)))
            return
        if command.get("do") == "keep":
            asked = command.get("what", KEPT)
            if not isinstance(asked, list | tuple):
                reader.closed = True
                return
            reader.keeps = frozenset(what for what in (*KEPT, TAKE) if what in asked)
            for what in reader.keeps & self._newest.keys() - {SCORE}:
                reader.keep(what, self._newest[what])
            return
        done = self._answer(reader, command.get("seq"))
        try:
            self._command(decode(command), str(command.get("client", "")), done)
        except CommandError as error:
            done(error)

    @staticmethod
    def _frames(reader: Reader, ms: object, what: object) -> None:
        """How often a reader wants to be told of what nobody waits for, and of what."""
        if not isinstance(ms, int) or isinstance(ms, bool) or not isinstance(what, list):
            reader.closed = True
            return
        reader.box.wants = frozenset(name for name in LISTS if name in what)
        reader.every_ns = min(max(ms * NS_PER_MS, FRAME_NS), SLOWEST_NS)
        reader.next_ns = 0

    def _answer(self, reader: Reader, seq: object) -> Callable[[CommandError | None], None]:
        def done(error: CommandError | None) -> None:
            if error is None:
                self._have_kept()
            if not isinstance(seq, int) or isinstance(seq, bool):
                return
            if error is None:
                reader.box.ack(seq)
            else:
                reader.box.refuse(seq, error.kind, str(error))

        return done

    def _have_kept(self) -> None:
        """Something has been done that those who keep everything should know soon."""
        for reader in self.readers:
            if SCORE in reader.keeps:
                reader.untold = True
                reader.next_ns = min(reader.next_ns, reader.told_ns + KEEP_NS)


def _same_user(sock: socket.socket) -> bool:
    """Frames may be pickles, so only this very user may send them (the folder is private too)."""
    option = getattr(socket, "SO_PEERCRED", None)
    if option is None:
        return True
    size = struct.calcsize("3i")
    _, uid, _ = struct.unpack("3i", sock.getsockopt(socket.SOL_SOCKET, option, size))
    return bool(uid == os.getuid())
