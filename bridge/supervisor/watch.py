"""The supervisor's end of the player's socket: the newest state, and the score that plays."""

from __future__ import annotations

import contextlib
import json
import pickle
import socket
from typing import TYPE_CHECKING, cast

from bridge.player.frames import KEPT, NOTES, SCORE, TAKE, Unpacker, pack_json

if TYPE_CHECKING:
    from bridge.protocol.state import PlayerReport

PACE_MS = 200
"""How often the player tells what it has sent. What is known of open gates may be so old when it
dies: every gate that there is is closed then, open or not."""


class Watch:
    """A reader that keeps what is needed to start another player where this one was.

    `state` is the newest state; `score` is the last swap, a pickle, or None, `revision` its
    number; `text` and `file` are what its score was made of. `memory` is the last remembered
    place, the revision it belongs to and a pickle, or None. `notes` collects the note-ons and
    note-offs that the player says it has sent, `batches` what its tape gives (see
    `bridge.player.tape`); whoever uses them clears them.
    """

    def __init__(self) -> None:
        self.forget_state()
        self.score: bytes | None = None
        self.revision: int | None = None
        self.text = self.file = ""
        self.memory: tuple[int, bytes] | None = None
        self.notes: list[list[object]] = []
        self.batches: list[dict[str, object]] = []
        self.heard_ns = 0
        self._sock: socket.socket | None = None
        self._unpacker = Unpacker()

    def forget_state(self) -> None:
        """As if nothing had been heard of the player yet."""
        self.state = cast("PlayerReport", {})

    @property
    def sock(self) -> socket.socket | None:
        return self._sock

    def connect(self, path: str, now: int) -> None:
        """OSError when nobody listens there."""
        sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            sock.connect(path)
            sock.sendall(
                pack_json({"do": "keep", "what": [*KEPT, TAKE]})
                + pack_json({"do": "frames", "ms": PACE_MS, "what": [NOTES]})
            )
        except OSError:
            sock.close()
            raise
        sock.setblocking(False)
        self._sock, self._unpacker, self.heard_ns = sock, Unpacker(), now

    def close(self) -> None:
        if self._sock is not None:
            self._sock.close()
            self._sock = None

    def read(self, now: int) -> None:
        """Takes in what has come; a player that went away is only let go of here."""
        while self._sock is not None:
            try:
                data = self._sock.recv(1 << 18)
            except BlockingIOError:
                return
            except OSError:
                data = b""
            if not data:
                self.close()
                return
            self.heard_ns = now
            with contextlib.suppress(ValueError):
                for kind, payload in self._unpacker.feed(data):
                    self._take(kind, payload)

    def _take(self, kind: str, payload: bytes) -> None:
        if kind == "P":
            with contextlib.suppress(Exception):  # what cannot be read is not played either
                kept = pickle.loads(payload)
                if kept["do"] == SCORE:
                    self.score, self.revision, self.memory = kept["made"], kept["revision"], None
                    self.text, self.file = kept["text"], kept["file"]
                elif kept["do"] == TAKE:
                    self.batches.append(kept)
                else:
                    self.memory = kept["revision"], kept["made"]
            return
        frame = json.loads(payload)
        what = frame.pop("type", None)
        if what == "played":
            self.notes += frame.get(NOTES, [])
        elif what == "hello":
            frame.pop("origin", None)
            self.state = cast("PlayerReport", frame)
        elif what == "state":
            for key in ("acks", "refused"):
                frame.pop(key, None)
            self.state = cast("PlayerReport", {**self.state, **frame})
