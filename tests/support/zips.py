"""Zip archives byte by byte, as PKWARE's APPNOTE.TXT 6.3.10 lays them out, so that tests can write
what a library would not: wrong sizes, wrong names, entries that lie over each other.

The numbers are those of sections 4.3.7 (local head), 4.3.12 (central directory) and 4.3.16 (its
end).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Entry:
    """One file. What is None is as it should be."""

    name: str
    data: bytes = b""
    method: int = 0
    flags: int = 0
    mode: int = 0o100644
    dos: int = 0
    size: int | None = None
    packed: int | None = None
    crc: int | None = None
    local_name: str | None = None
    offset: int | None = None

    @property
    def stored(self) -> bytes:
        if self.method != 8:
            return self.data
        made = zlib.compressobj(9, zlib.DEFLATED, -15)
        return made.compress(self.data) + made.flush()


def archive(
    entries: Iterable[Entry], *, before: bytes = b"", behind: bytes = b"", count: int | None = None
) -> bytes:
    """The file; `before` and `behind` stand around it, `count` is what its end says it holds."""
    out, directory, entries = bytearray(before), bytearray(), list(entries)
    for entry in entries:
        at = len(out) if entry.offset is None else entry.offset
        stored = entry.stored
        crc = zlib.crc32(entry.data) if entry.crc is None else entry.crc
        packed = len(stored) if entry.packed is None else entry.packed
        size = len(entry.data) if entry.size is None else entry.size
        name = (entry.name if entry.local_name is None else entry.local_name).encode()
        common = (entry.flags, entry.method, 0, 0x21, crc, packed, size)
        if entry.offset is None:
            out += struct.pack("<4s5H3L2H", b"PK\x03\x04", 20, *common, len(name), 0)
            out += name + stored
        name = entry.name.encode()
        directory += struct.pack(
            "<4s6H3L5H2L",
            b"PK\x01\x02",
            0x0314,
            20,
            *common,
            len(name),
            0,
            0,
            0,
            0,
            (entry.mode << 16) | entry.dos,
            at,
        )
        directory += name
    start, number = len(out), len(entries) if count is None else count
    out += directory
    out += struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, number, number, len(directory), start, 0)
    return bytes(out + behind)
