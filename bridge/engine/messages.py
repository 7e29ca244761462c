"""What passes between the player and everybody else: frames, commands, state.

A frame is a big-endian length of four bytes (of what follows), one byte for the kind, and the
payload: ``J`` a JSON object in UTF-8, ``P`` a pickle (a compiled score; only ever on the private
socket in the runtime folder, whose other end runs as the same user).

Commands are JSON objects with a ``do``; `COMMANDS` says which fields each has. An optional whole
number ``seq`` comes back in the next state, in ``acks`` or in ``refused`` as
``[seq, kind, message]``. The player sends ``hello`` with the whole state on connection, then
``state`` with the top-level keys that changed, and ``played`` with what has sounded. It never waits
for a slow reader: what cannot be delivered is merged, so that the newest state wins.
"""

from __future__ import annotations

import itertools
import json
import math
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

from bridge.errors import CommandError

Kind = Literal["J", "P"]
MOST = 32 * 1024 * 1024
"""Bytes of the largest frame: far above any score, far below what memory locking would notice."""

TRY_MOST_MS = 30_000
"""A gate that is tried by hand closes by itself after this, whatever it was asked for."""
TABLE_MOST = 256
FARTHEST_TICK = 960 * 4 * 100_000
"""The last position that may be asked for: about two days at 120 beats per minute."""

_HEAD = struct.Struct(">Ic")


def pack(kind: Kind, payload: bytes) -> bytes:
    """One frame."""
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
            if not 1 <= length <= MOST or kind not in (b"J", b"P"):
                raise ValueError("not a stream of frames")
            end = at + 4 + length
            if len(self._buffer) < end:
                break
            frames.append(("J" if kind == b"J" else "P", bytes(self._buffer[at + 5 : end])))
            at = end
        del self._buffer[:at]
        return frames


# --- commands -----------------------------------------------------------------------------------


def _flag(value: object) -> bool:
    return isinstance(value, bool)


def _name(value: object) -> bool:
    return isinstance(value, str) and 0 < len(value) <= 200


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not _flag(value) and math.isfinite(value)


def _number_or_none(value: object) -> bool:
    return value is None or _number(value)


def _share(value: object) -> bool:
    return _number(value) and 0 <= value <= 1  # type: ignore[operator]


def _whole(value: object) -> bool:
    return isinstance(value, int) and not _flag(value)


def _bars(value: object) -> bool:
    return _whole(value) and 0 <= value <= 256  # type: ignore[operator]


def _when(value: object) -> bool:
    return value in ("now", "beat", "bar") or (_bars(value) and value != 0)


def _place(value: object) -> bool:
    return _whole(value) and 0 <= value <= FARTHEST_TICK  # type: ignore[operator]


def _one_of(*words: str) -> Callable[[object], bool]:
    return lambda value: value in words


def _object(value: object) -> bool:
    return isinstance(value, dict)


def _ms(value: object) -> bool:
    return _number(value) and 1 <= value <= TRY_MOST_MS  # type: ignore[operator]


def _channel_message(value: object) -> bool:
    """Hex of one whole channel message (MIDI 1.0, table T-1: two data bytes, one for Cn and Dn)."""
    try:
        data = bytes.fromhex(value) if isinstance(value, str) and len(value) <= 6 else b""
    except ValueError:
        return False
    if not data or not 0x80 <= data[0] < 0xF0 or max(data[1:], default=0x80) > 0x7F:
        return False
    return len(data) == (2 if data[0] & 0xE0 == 0xC0 else 3)


def _correction(value: object) -> bool:
    """Members of a `bridge.voltage.calibration.Correction`; all may be left out."""
    if not isinstance(value, dict) or not value.keys() <= _CORRECTION.keys():
        return False
    return all(_CORRECTION[name](part) for name, part in value.items())


def _table(value: object) -> bool:
    if not isinstance(value, list) or len(value) > TABLE_MOST:
        return False
    rows = [row for row in value if isinstance(row, list) and len(row) == 2]
    if len(rows) < len(value) or not all(_number(part) for row in rows for part in row):
        return False
    return all(a[0] < b[0] for a, b in itertools.pairwise(rows))


_CORRECTION: Mapping[str, Callable[[object], bool]] = {
    "offset_volts": _number,
    "gain": lambda value: _number(value) and 0.5 <= value <= 2,  # type: ignore[operator]
    "table": _table,
    "made": lambda value: isinstance(value, str) and len(value) <= 40,
}


@dataclass(frozen=True, slots=True)
class Form:
    """Fields of one command: `needs` must be there, `may` can; each with what it accepts."""

    needs: Mapping[str, Callable[[object], bool]] = field(default_factory=dict)
    may: Mapping[str, Callable[[object], bool]] = field(default_factory=dict)


_LANE_MUTED = {"lane": _name, "muted": _flag}
COMMANDS: Mapping[str, Form] = MappingProxyType(
    {
        "mute": Form(_LANE_MUTED, {"when": _when, "return_bars": _bars}),
        "cancel": Form({}, {"lane": _name, "section": _name}),
        "hold": Form({**_LANE_MUTED, "client": _name, "active": _flag}),
        "release": Form({"client": _name}),
        "solo": Form({"lane": _name, "on": _flag}),
        "group": Form({"group": _name, "muted": _flag}, {"when": _when, "return_bars": _bars}),
        "macro": Form({"macro": _name, "value": _share}),
        "setting": Form({"lane": _name, "setting": _name, "value": _number_or_none}),
        "section": Form(
            {"section": _name}, {"when": _when, "morph_bars": _bars, "mutes_at": _share}
        ),
        "order": Form({"run": _flag}, {"leg": _whole}),
        "start": Form(),
        "stop": Form(),
        "continue": Form(),
        "position": Form({"tick": _place}),
        "tempo": Form({"bpm": _number}),
        "nudge": Form({"ms": _number}),
        "tap": Form(),
        "offset": Form({"ms": _number}),
        "take-clock": Form(),
        "follow": Form({"source": _name}),
        "all-out": Form(),
        "reset": Form({"lane": _name}),
        "still": Form({"lane": _name, "on": _flag}),
        "try": Form(
            {"output": _name, "action": _one_of("gate", "pitch", "level"), "value": _number},
            {"ms": _ms},
        ),
        "put-back": Form({"parts": _object}),
        "correct": Form({"output": _name}, {"correction": _correction}),
        "listen": Form({"port": _name}),
        "feedback": Form({"port": _name, "data": _channel_message}),
        "input": Form({"port": _name, "data": _channel_message}),
        "quit": Form(),
    }
)


def check_command(command: object) -> dict[str, Any]:
    """`command` itself, when its ``do`` is known and every field has the right form.

    Whether the lane, macro, section or output exists is not known here. Fields that a command does
    not have are left alone: the doors that people knock at refuse them. Raises CommandError
    (kind ``unknown`` for an unknown ``do``, else ``value``).
    """
    if not isinstance(command, dict):
        raise CommandError("a command is an object with a 'do'")
    do = command.get("do")
    form = COMMANDS.get(do) if isinstance(do, str) else None
    if form is None:
        raise CommandError(f"there is no command {do!r}", "unknown")
    for name, accepts in form.needs.items():
        if name not in command:
            raise CommandError(f"{do} needs {name!r}")
        if not accepts(command[name]):
            raise CommandError(f"{do}: {name!r} cannot be {command[name]!r}")
    for name, value in command.items():
        accepts_it = form.may.get(name)
        if value is not None and accepts_it is not None and not accepts_it(value):
            raise CommandError(f"{do}: {name!r} cannot be {value!r}")
    if not _whole(command.get("seq", 0)):
        raise CommandError(f"{do}: 'seq' is a whole number")
    return command


def check_swap(value: Mapping[str, Any]) -> tuple[str, dict[str, dict[str, str]], dict[str, Any]]:
    """What else a swap says: ``when``, ``renamed`` (old names to new ones, under ``lanes``,
    ``macros`` and ``sections``) and ``parts`` of a performance to put back. CommandError when they
    have not that form."""
    renamed, parts = value.get("renamed") or {}, value.get("parts") or {}
    fits = (
        isinstance(parts, dict)
        and isinstance(renamed, dict)
        and all(isinstance(names, dict) for names in renamed.values())
        and all(_name(a) and _name(b) for names in renamed.values() for a, b in names.items())
    )
    if not fits:
        raise CommandError("swap: 'renamed' and 'parts' are objects")
    return str(value.get("when", "bar")), renamed, parts


# --- state, on its way to one reader ------------------------------------------------------------


class Outbox:
    """What one reader has still to get: at most one state (newer keys replace older ones), the
    answers to its commands, and the latest events. All of it is bounded."""

    MOST_EVENTS = 512
    MOST_ANSWERS = 1024

    def __init__(self) -> None:
        self._state: dict[str, Any] = {}
        self._events: dict[str, list[Any]] = {}
        self._now: dict[str, Any] = {}
        self._acks: list[int] = []
        self._refused: list[list[Any]] = []

    def state(self, changed: Mapping[str, Any]) -> None:
        """Top-level keys of the state that changed."""
        self._state.update(changed)

    def played(self, now: Mapping[str, Any], **events: list[Any]) -> None:
        """Lists of events (``events``, ``sent``, ``input``) and where the song is now."""
        self._now = dict(now)
        for name, rows in events.items():
            kept = self._events.setdefault(name, [])
            kept += rows
            del kept[: -self.MOST_EVENTS]

    def ack(self, seq: int) -> None:
        self._acks.append(seq)
        del self._acks[: -self.MOST_ANSWERS]

    def refuse(self, seq: int, kind: str, message: str) -> None:
        self._refused.append([seq, kind, message])
        del self._refused[: -self.MOST_ANSWERS]

    @property
    def answers(self) -> bool:
        """Whether somebody waits for an answer."""
        return bool(self._acks or self._refused)

    def take(self) -> list[bytes]:
        """The frames to send now; the outbox is empty afterwards."""
        frames: list[bytes] = []
        if self._state or self._acks or self._refused:
            message: dict[str, Any] = {"type": "state", **self._state}
            if self._acks:
                message["acks"] = self._acks
            if self._refused:
                message["refused"] = self._refused
            frames.append(pack_json(message))
        if self._now:
            frames.append(pack_json({"type": "played", "events": [], **self._events, **self._now}))
        self._state, self._events, self._now, self._acks, self._refused = {}, {}, {}, [], []
        return frames
