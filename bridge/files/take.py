"""The file of a take: written a piece at a time, readable up to the last whole piece.

A take begins with a line of text, then come records. A record is four letters, the length of its
payload and the CRC-32 of it (both big-endian, four bytes), and the payload, compressed by zlib
(RFC 1950). ``HEAD``: what is played on what, as JSON. ``PART``: some seconds of the tape (see
`bridge.player.tape`). ``FOOT``: written at the end, what lists show. A power cut leaves a file
that ends inside a record; everything before that counts.

In a ``PART`` a JSON object is followed by columns of little-endian numbers, which are quick to
read and small when compressed; ticks of messages are in thousandths, ticks and times of all
columns are differences from row to row.
"""

from __future__ import annotations

import json
import struct
import sys
import zlib
from array import array
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import accumulate
from pathlib import Path
from typing import Any, BinaryIO

from bridge.errors import BridgeError, printable
from bridge.files.read import open_file

MAGIC = b"lanebridge take 1\n"
FORMAT = 1
RECORD_BYTES = 64 << 20
"""Payload of the largest record, unpacked; ours are a thousand times smaller."""
WAITED = -(2**31)
"""In the column of lateness: a value that had waited for its turn."""
THOUSANDTHS = 1000
SENT, EVENTS = "qqiI", "qqIdq"
"""Types of the columns of a part, as `array` names them."""

_RECORD = struct.Struct(">4sII")
_LENGTH = struct.Struct("<I")
_LATE_MOST = 2**31 - 1


class TakeError(BridgeError):
    """A file that is no take, or cannot be read."""


@dataclass(slots=True)
class Take:
    """A take as it was read.

    head
        what is played on what: rig, set, texts of their files, when it began.
    marks
        begin, end, moves, lines of the tempo..., in order (see `bridge.player.tape`).
    whats
        the different messages that were sent: port, owner and bytes.
    ticks, due, late, what
        one entry a message: thousandths of a tick, ns, ns (`WAITED`: a value that had waited for
        its turn), and position in `whats`.
    events
        rows of tick, due ns, owner, kind, value, length, output.
    lost
        rows that could not be written.
    whole
        whether the take was ended in good order.
    """

    head: dict[str, Any]
    marks: list[dict[str, Any]] = field(default_factory=list)
    whats: list[tuple[str, str, bytes]] = field(default_factory=list)
    ticks: array[int] = field(default_factory=lambda: array("q"))
    due: array[int] = field(default_factory=lambda: array("q"))
    late: array[int] = field(default_factory=lambda: array("i"))
    what: array[int] = field(default_factory=lambda: array("I"))
    events: list[tuple[int, int, str, str, float, int, str | None]] = field(default_factory=list)
    lost: int = 0
    foot: dict[str, Any] | None = None

    @property
    def whole(self) -> bool:
        return self.foot is not None

    def sent(self) -> Iterator[tuple[int, int, str, str, bytes]]:
        """Every message: thousandths of a tick, due ns, port, owner, bytes."""
        whats = self.whats
        for tick, due, what in zip(self.ticks, self.due, self.what, strict=True):
            yield (tick, due, *whats[what])


# --- writing ------------------------------------------------------------------------------------


def record(kind: str, payload: bytes) -> bytes:
    """One record, ready to be appended.

    Args:
        kind: its four letters: ``HEAD``, ``PART`` or ``FOOT``.
        payload: as it is read back, at most `RECORD_BYTES`; it is compressed here.
    """
    packed = zlib.compress(payload, 6)
    return _RECORD.pack(kind.encode(), len(packed), zlib.crc32(packed)) + packed


def json_record(kind: str, value: Mapping[str, object]) -> bytes:
    """A record of plain data, ready to be appended.

    Args:
        kind: its four letters: ``HEAD`` or ``FOOT``.
        value: what JSON can carry.

    Raises:
        ValueError: a number in it is not finite.
    """
    return record(kind, _json(value))


class PartWriter:
    """Gathers batches of the tape into one ``PART``: columns, so that it stays small."""

    def __init__(self) -> None:
        self.rows = 0
        self.lost = 0
        self._marks: list[Mapping[str, object]] = []
        self._whats: dict[tuple[str, str, bytes], int] = {}
        self._whos: dict[tuple[str, str, str | None], int] = {}
        self._sent: tuple[array[Any], ...] = (array("q"), array("q"), array("i"), array("I"))
        self._events: tuple[array[Any], ...] = (
            array("q"),
            array("q"),
            array("I"),
            array("d"),
            array("q"),
        )

    def mark(self, mark: Mapping[str, object]) -> None:
        self._marks.append(mark)
        self.rows += 1

    def sent(self, rows: Iterable[tuple[float, int, int | None, str, bytes, str]]) -> None:
        ticks, dues, lates, numbers = self._sent
        whats = self._whats
        for tick, due, late, port, data, owner in rows:
            ticks.append(round(tick * THOUSANDTHS))
            dues.append(due)
            lates.append(WAITED if late is None else _within(late))
            numbers.append(whats.setdefault((port, owner, data), len(whats)))
            self.rows += 1

    def events(self, rows: Iterable[tuple[int, int, str, str, float, int, str | None]]) -> None:
        ticks, dues, numbers, values, lengths = self._events
        whos = self._whos
        for tick, due, owner, kind, value, length, output in rows:
            ticks.append(tick)
            dues.append(due)
            numbers.append(whos.setdefault((owner, kind, output), len(whos)))
            values.append(value)
            lengths.append(length)
            self.rows += 1

    def payload(self) -> bytes:
        head = _json(
            {
                "marks": self._marks,
                "lost": self.lost,
                "sent": len(self._sent[0]),
                "events": len(self._events[0]),
                "whats": [[port, owner, data.hex()] for port, owner, data in self._whats],
                "whos": [list(who) for who in self._whos],
            }
        )
        (ticks, dues, *rest), (more_ticks, more_dues, *more) = self._sent, self._events
        columns: list[array[Any]] = [_steps(ticks), _steps(dues), *rest]
        columns += [_steps(more_ticks), _steps(more_dues), *more]
        return b"".join([_LENGTH.pack(len(head)), head, *map(_little, columns)])


def _within(late: int) -> int:
    return max(-_LATE_MOST, min(late, _LATE_MOST))


def _json(value: object) -> bytes:
    return json.dumps(value, separators=(",", ":"), allow_nan=False).encode()


def _steps(column: array[int]) -> array[int]:
    before = 0
    steps = array("q")
    for value in column:
        steps.append(value - before)
        before = value
    return steps


def _little(column: array[Any]) -> bytes:
    if sys.byteorder == "big":
        column = column[:]
        column.byteswap()
    return column.tobytes()


# --- reading ------------------------------------------------------------------------------------


def records(file: BinaryIO, skip: bool = False) -> Iterator[tuple[str, bytes]]:
    """The records of a file, up to the first that is not whole.

    Args:
        file: open for reading bytes, at its beginning.
        skip: whether the payloads of parts are passed over (and are empty); the file can seek then.

    Yields:
        The four letters of each record, and its payload, unpacked.

    Raises:
        TakeError: it does not begin like a take, or a record cannot be unpacked.
    """
    if file.read(len(MAGIC)) != MAGIC:
        raise TakeError("is no take of this version")
    while len(head := file.read(_RECORD.size)) == _RECORD.size:
        name, length, checksum = _RECORD.unpack(head)
        kind = name.decode("latin-1")
        if length > RECORD_BYTES:
            return
        if skip and kind == "PART":
            file.seek(length, 1)
            yield kind, b""
            continue
        packed = file.read(length)
        if len(packed) != length or zlib.crc32(packed) != checksum:
            return
        yield kind, _unpacked(packed)


def _unpacked(packed: bytes) -> bytes:
    """Raises TakeError when it would be too large, or is not compressed."""
    unpacker = zlib.decompressobj()
    try:
        payload = unpacker.decompress(packed, RECORD_BYTES)
    except zlib.error as error:
        raise TakeError(f"cannot be unpacked: {error}") from None
    if not unpacker.eof:
        raise TakeError("holds a record that is too large")
    return payload


def read(path: Path) -> Take:
    """A whole take, as far as it was written.

    Raises:
        TakeError: it is no take, or nothing of it can be read.
        OSError: the file cannot be read.
    """
    take: Take | None = None
    whats: dict[tuple[str, str, bytes], int] = {}
    with open_file(path) as file:
        try:
            for kind, payload in records(file):
                if take is None:
                    take = Take(_object(payload)) if kind == "HEAD" else None
                    if take is None or take.head.get("format") != FORMAT:
                        raise TakeError("is no take of this version")
                elif kind == "PART":
                    _part(take, payload, whats)
                elif kind == "FOOT":
                    take.foot = _object(payload)
        except TakeError as error:
            raise TakeError(f"{printable(path.name)}  {error}") from None
        except (ValueError, KeyError, TypeError, IndexError, OverflowError) as error:
            raise TakeError(f"{printable(path.name)}  is damaged: {error}") from None
    if take is None:
        raise TakeError(f"{printable(path.name)}  holds nothing yet")
    take.whats = list(whats)
    return take


def _object(payload: bytes) -> dict[str, Any]:
    value = json.loads(payload)
    if not isinstance(value, dict):
        raise ValueError("an object was expected")
    return value


def _part(take: Take, payload: bytes, whats: dict[tuple[str, str, bytes], int]) -> None:
    (length,) = _LENGTH.unpack_from(payload)
    at = _LENGTH.size + length
    head = _object(payload[_LENGTH.size : at])
    sent, events = int(head["sent"]), int(head["events"])
    columns: list[array[Any]] = []
    for code, count in [(code, sent) for code in SENT] + [(code, events) for code in EVENTS]:
        column: array[Any] = array(code)
        size = column.itemsize * count
        if at + size > len(payload) or count < 0:
            raise ValueError("a part is too short")
        column.frombytes(payload[at : at + size])
        if sys.byteorder == "big":
            column.byteswap()
        columns.append(column)
        at += size
    ticks, due, late, what, event_ticks, event_due, who, values, lengths = columns
    known = [
        whats.setdefault((str(port), str(owner), bytes.fromhex(data)), len(whats))
        for port, owner, data in head["whats"]
    ]
    take.ticks.extend(accumulate(ticks))
    take.due.extend(accumulate(due))
    take.late.extend(late)
    take.what.extend([known[number] for number in what])
    whos = [tuple(row) for row in head["whos"]]
    for tick, ns, number, value, span in zip(
        accumulate(event_ticks), accumulate(event_due), who, values, lengths, strict=True
    ):
        owner, kind, output = whos[number]
        take.events.append((tick, ns, owner, kind, value, span, output))
    take.marks += head["marks"]
    take.lost += int(head["lost"])
