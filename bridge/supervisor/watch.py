"""The supervisor's end of the player's socket: the newest state, and the score that plays."""

from __future__ import annotations

import contextlib
import json
import pickle
import socket
from typing import Any, cast

from bridge.player.link import KEPT, TAKE
from bridge.player.messages import Swap, Unpacker, pack_json
from bridge.protocol.state import NOT_YET, PlayerReport


class Watch:
    """A reader that keeps what is needed to start another player where this one was.

    `state` is the newest state; `score` and `revision` are those of the last swap, or None;
    `text` and `file` are what that score was made of. `memory` is the last remembered place
    (``memory``) and the ``revision`` it belongs to. `sent` collects what the player says it has
    sent, `batches` what its tape gives (see `bridge.player.tape`); whoever uses them clears them.
    """

    def __init__(self) -> None:
        self.state: PlayerReport = NOT_YET
        self.score: Any = None
        self.revision: int | None = None
        self.text = self.file = ""
        self.memory: dict[str, object] | None = None
        self.sent: list[list[object]] = []
        self.batches: list[dict[str, object]] = []
        self.heard_ns = 0
        self._sock: socket.socket | None = None
        self._unpacker = Unpacker()

    @property
    def sock(self) -> socket.socket | None:
        return self._sock

    def connect(self, path: str, now: int) -> None:
        """OSError when nobody listens there."""
        sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            sock.connect(path)
            sock.sendall(pack_json({"do": "keep", "what": [*KEPT, TAKE]}))
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
                if isinstance(kept, Swap):
                    self.score, self.revision, self.memory = kept.score, kept.revision, None
                    self.text, self.file = kept.text, kept.file
                elif kept["do"] == TAKE:
                    self.batches.append(kept)
                else:
                    self.memory = kept
            return
        frame = json.loads(payload)
        what = frame.pop("type", None)
        if what == "played":
            self.sent += frame.get("sent", [])
        elif what == "hello":
            frame.pop("origin", None)
            self.state = cast(PlayerReport, frame)
        elif what == "state":
            for key in ("acks", "refused"):
                frame.pop(key, None)
            self.state = cast(PlayerReport, {**self.state, **frame})
