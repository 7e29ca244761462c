"""The service's end of the wire to the player: one local stream socket, commands one way, state the
other.

The link reconnects for as long as the service lives. What it holds is only the newest state; a
state frame replaces whole top-level keys, so members of `state` that did not change stay the same
objects (observers use that to compare cheaply). Treat everything in `state` as read-only.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import logging
import pickle
from dataclasses import replace
from pathlib import Path
from typing import cast

from bridge.control.stream import Played, PlayedFrame, PresenceChanged, StateChanged, Stream
from bridge.errors import CommandError, PlayerError, UnansweredError
from bridge.player.frames import EVENTS, INPUT, MEMORY, SENT, Kind, Unpacker, pack, pack_json
from bridge.player.messages import Swap
from bridge.protocol.command import Command, encode
from bridge.protocol.state import NOT_YET, PlayerReport

log = logging.getLogger(__name__)

READ_BYTES = 64 << 10
WAITING_MOST = 256 << 10  # bytes not yet taken by the player; above that it is not answering
RETRY_FIRST_S = 0.05
RETRY_MOST_S = 0.5
LOOKED_AT_MS, ALONE_MS = 33, 200
"""How often the player tells what it plays: where somebody looks, and where nobody does."""


class PlayerLink:
    """Client of the player's socket.

    `present` tells whether the player is connected and has said hello; `state` is its newest state
    (kept, and out of date, while it is away). The stream is told of the frames in their order:
    `StateChanged`, `Played`, `PresenceChanged`.
    """

    def __init__(self, socket_path: Path) -> None:
        self.socket_path = socket_path
        self.state = NOT_YET
        self.origin: dict[str, object] = {}
        """What the player said at its hello of the set that it plays: `revision`, `text`, `file`
        (empty when it does not know)."""
        self.memory: tuple[int, object] | None = None
        """The revision and the newest place that the player's renderer has remembered in it."""
        self.present = False
        self.met = asyncio.Event()  # set when the player has said hello for the first time
        self.stream = Stream()
        self._numbers = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[None]] = {}
        self._writer: asyncio.StreamWriter | None = None
        self._outgoing: list[bytes] = []
        self._lookers: dict[object, bool] = {}
        """Who looks, and whether it wants to see hits."""

    async def run(self) -> None:
        """Connects, reads until the player goes, and starts again; ends only by cancellation."""
        delay = RETRY_FIRST_S
        while True:
            try:
                reader, writer = await asyncio.open_unix_connection(self.socket_path)
            except OSError:
                await asyncio.sleep(delay)
                delay = min(delay * 2, RETRY_MOST_S)
                continue
            self._writer = writer
            writer.write(pack_json({"do": "keep", "what": [MEMORY]}) + self._pace())
            try:
                unpacker = Unpacker()
                while data := await reader.read(READ_BYTES):
                    for kind, payload in unpacker.feed(data):
                        self._frame(kind, payload)
                    delay = RETRY_FIRST_S
                log.warning("the player has gone; waiting for it")
            except OSError as error:
                log.warning("the player has gone (%s); waiting for it", error)
            except ValueError as error:  # also bad JSON: whatever this is, it is not in step
                log.error("what the player sends cannot be read: %s", error)
            finally:
                self._lost()
                writer.close()
            await asyncio.sleep(delay)

    def look(self, who: object, looks: bool, *, hits: bool = False) -> None:
        """`who` wants to see what changes as it changes, or does so no longer. While nobody does,
        the player tells it five times a second: it wakes less often. Answers come at once.

        Args:
            who: whoever looks; one is counted once.
            looks: whether it wants to look from now on.
            hits: whether it wants to hear of what lanes play (`Played`), too.
        """
        before = self._pace()
        if looks:
            self._lookers[who] = hits
        else:
            self._lookers.pop(who, None)
        if self._writer is not None and (pace := self._pace()) != before:
            self._write(pace)

    def _pace(self) -> bytes:
        every = LOOKED_AT_MS if self._lookers else ALONE_MS
        what = [SENT, INPUT, *([EVENTS] if any(self._lookers.values()) else [])]
        return pack_json({"do": "frames", "ms": every, "what": what})

    def send(self, command: Command, client: str = "") -> asyncio.Future[None]:
        """Sends a command of `client`'s; the future ends when the player has applied it.

        The future raises `CommandError` when the player refuses and `PlayerError` when it goes
        away first. Raises `PlayerError` at once when there is no player.
        """
        log.debug("%s: %s", client or "ourselves", command)
        number, future = self._expect()
        envelope: dict[str, object] = (
            {"seq": number, "client": client} if client else {"seq": number}
        )
        self._write(pack_json({**encode(command), **envelope}))
        return future

    async def reach(self, revision: int, within_s: float) -> None:
        """Waits until the player plays a revision of the set or a later one, at most `within_s`."""
        reached = asyncio.Event()

        def look(changed: StateChanged | None = None) -> None:
            if self.state.get("revision", 0) >= revision:
                reached.set()

        self.stream.on(StateChanged, look)
        self.look(reached, True)
        try:
            look()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(reached.wait(), within_s)
        finally:
            self.stream.off(StateChanged, look)
            self.look(reached, False)

    async def swap(self, swap: Swap) -> asyncio.Future[None]:
        """As `send`, for a compiled score; pickled in a thread."""
        number, future = self._expect()
        numbered = replace(swap, seq=number)
        payload = await asyncio.to_thread(pickle.dumps, numbered, pickle.HIGHEST_PROTOCOL)
        if future.done():  # the player went away meanwhile
            return future
        self._write(pack("P", payload))
        return future

    def _expect(self) -> tuple[int, asyncio.Future[None]]:
        writer = self._writer
        if writer is None or not self.present:
            raise PlayerError("the player is away; it is being started again")
        waiting = sum(map(len, self._outgoing)) + writer.transport.get_write_buffer_size()
        if waiting > WAITING_MOST:
            raise PlayerError("the player does not answer")
        number = next(self._numbers)
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        # Nobody may be waiting (OSC); an exception that nobody asks for is not a fault.
        future.add_done_callback(lambda f: f.cancelled() or f.exception())
        # Nor may an answer that never comes be kept for ever by those that gave up.
        future.add_done_callback(lambda f: self._waiting.pop(number, None))
        self._waiting[number] = future
        return number, future

    def _write(self, frame: bytes) -> None:
        # What is sent in one turn of the loop goes out as one piece: the player then wakes once
        # for it, and answers with one state.
        if not self._outgoing:
            asyncio.get_running_loop().call_soon(self._flush)
        self._outgoing.append(frame)

    def _flush(self) -> None:
        frames, self._outgoing = self._outgoing, []
        if self._writer is not None and not self._writer.is_closing():
            self._writer.write(b"".join(frames))

    def _frame(self, kind: Kind, payload: bytes) -> None:
        if kind == "P":
            self._remember(payload)
            return
        frame = json.loads(payload)
        what = frame.pop("type", None)
        if what == "played":
            self.stream.tell(Played(cast(PlayedFrame, frame)))
            return
        if what not in ("hello", "state"):
            return
        acks = frame.pop("acks", ())
        refused = frame.pop("refused", ())
        if what == "hello":
            origin = frame.pop("origin", None)
            self.origin = origin if isinstance(origin, dict) else {}
            changed = frozenset(frame) | frozenset(self.state)
            self.state = cast(PlayerReport, frame)
        else:
            changed = frozenset(frame)
            self.state = cast(PlayerReport, {**self.state, **frame})
        if what == "hello" and not self.present:
            self.present = True
            self.met.set()
            self.stream.tell(PresenceChanged(True))
        # The answers come after the state that they confirm, so that who waits sees it.
        if changed:
            self.stream.tell(StateChanged(changed))
        for number in acks:
            self._answer(number, None)
        for number, error_kind, message in refused:
            self._answer(number, CommandError(message, error_kind))

    def _remember(self, payload: bytes) -> None:
        try:
            kept = pickle.loads(payload)
            self.memory = int(kept["revision"]), pickle.loads(kept["made"])
        except Exception as error:  # a pickle may fail in any way
            raise ValueError(f"a memory that cannot be read ({error!r})") from None

    def _answer(self, number: int, error: Exception | None) -> None:
        future = self._waiting.pop(number, None)
        if future is None or future.done():
            return
        if error is None:
            future.set_result(None)
        else:
            future.set_exception(error)

    def _lost(self) -> None:
        self._writer = None
        self._outgoing.clear()
        self.memory = None
        waiting, self._waiting = self._waiting, {}
        for future in waiting.values():
            if not future.done():
                future.set_exception(UnansweredError("the player went away before it could answer"))
        if self.present:
            self.present = False
            self.stream.tell(PresenceChanged(False))
