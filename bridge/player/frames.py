"""Frames on the player's socket, and what is asked for there by those that look after the player.

The supervisor hands scores and starts on without looking into them: it would load some 15 MB to
unpickle them. So they lie in its messages as bytes. Nothing heavy may be imported here.
"""

from __future__ import annotations

import json
import pickle
import struct
from collections.abc import Mapping
from typing import Any, Literal

Kind = Literal["J", "P"]
EVENTS, SENT, NOTES, INPUT = "events", "sent", "notes", "input"
LISTS = frozenset((EVENTS, SENT, NOTES, INPUT))
"""What is told of all that is played: hits and values of lanes, messages that left, those of them
that may leave a note sounding, and messages that came in."""
MAX_FRAME_BYTES = 32 * 1024 * 1024
"""Bytes of the largest frame: far above any score, far below what memory locking would notice."""

_HEAD = struct.Struct(">Ic")


def pack(kind: Kind, payload: bytes) -> bytes:
    """One frame.

    Args:
        kind: what the payload is: ``J`` JSON, ``P`` a pickle.
        payload: less than `MAX_FRAME_BYTES`, which is not looked at here: readers refuse what is
            longer.
    """
    return _HEAD.pack(len(payload) + 1, kind.encode()) + payload


def pack_json(value: Mapping[str, Any]) -> bytes:
    """One JSON frame. NaN and infinities are refused with a ValueError: JSON has none."""
    return pack("J", json.dumps(value, separators=(",", ":"), allow_nan=False).encode())


class Unpacker:
    """Frames out of a stream that is cut anywhere."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, data: bytes) -> list[tuple[Kind, bytes]]:
        """The frames that `data` completes. ValueError when this is no such stream: close it."""
        self._buffer += data
        frames: list[tuple[Kind, bytes]] = []
        at = 0
        while len(self._buffer) - at >= _HEAD.size:
            length, kind = _HEAD.unpack_from(self._buffer, at)
            if not 1 <= length <= MAX_FRAME_BYTES or kind not in (b"J", b"P"):
                raise ValueError("not a stream of frames")
            end = at + 4 + length
            if len(self._buffer) < end:
                break
            frames.append(("J" if kind == b"J" else "P", bytes(self._buffer[at + 5 : end])))
            at = end
        del self._buffer[:at]
        return frames


# --- what is kept for another player -------------------------------------------------------------

SCORE, MEMORY, TAKE = "score", "memory", "take"
KEPT = (SCORE, MEMORY)
"""What may be kept by readers that ask for it, all of it unless they say ``what``."""


def pack_kept(what: str, revision: int, made: bytes, **more: str) -> bytes:
    """A score or a memory, itself a pickle (`made`), and the revision of the set it belongs to."""
    kept = {"do": what, "revision": revision, "made": made, **more}
    return pickle.dumps(kept, pickle.HIGHEST_PROTOCOL)


def pack_start(
    start: bytes,
    score: bytes | None = None,
    memory: bytes | None = None,
    changes: Mapping[str, Any] | None = None,
) -> bytes:
    """What a player is begun with (`bridge.player.start.read_start`).

    Args:
        start: a pickled `Start`.
        score: a pickled `Score` or `Swap`, to be played in place of that of the start.
        memory: a pickled place that a renderer remembered.
        changes: other fields of the start that have changed.
    """
    return pickle.dumps((start, score, memory, dict(changes or {})), pickle.HIGHEST_PROTOCOL)


def rows_of(batch: Mapping[str, Any]) -> int:
    """How many rows a batch of the tape has, those it has lost included."""
    return len(batch["sent"]) + len(batch["events"]) + len(batch["marks"]) + int(batch["lost"])
