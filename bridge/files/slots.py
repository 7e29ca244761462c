"""Bytes that outlive the process that wrote them, in memory only: for a process that is killed and
started again.

Whoever starts the process makes the handle and keeps it open. There are two places, written in
turn, each with a number and a checksum, so that a writer that is killed halfway leaves the bytes
from before.
"""

from __future__ import annotations

import hashlib
import os
import struct
import tempfile

MOST_BYTES = 8 << 20
_HEAD = struct.Struct("<QQ32s")
_PLACE = _HEAD.size + MOST_BYTES


def make_handle() -> int:
    """A handle on memory where the system has that, else on a file without a name."""
    if hasattr(os, "memfd_create"):
        return os.memfd_create("lanebridge", os.MFD_CLOEXEC)
    with tempfile.TemporaryFile() as file:
        return os.dup(file.fileno())


class Slots:
    """The two places behind a handle."""

    def __init__(self, handle: int) -> None:
        self._handle = handle
        self._number = max((number for number, _ in self._found()), default=0)

    def read(self) -> bytes | None:
        """What was written whole last; None when nothing was. Raises OSError."""
        return max(self._found(), default=(0, None), key=lambda row: row[0])[1]

    def write(self, data: bytes) -> None:
        """Raises OSError, and ValueError when it is too much."""
        if len(data) > MOST_BYTES:
            raise ValueError(f"more than {MOST_BYTES} bytes")
        number = self._number + 1
        at = number % 2 * _PLACE
        # The checksum covers the number, and is written last: until then the place is void.
        os.pwrite(self._handle, bytes(_HEAD.size), at)
        written = 0
        while written < len(data):
            written += os.pwrite(self._handle, data[written:], at + _HEAD.size + written)
        os.pwrite(self._handle, _HEAD.pack(number, len(data), _digest(number, data)), at)
        self._number = number

    def _found(self) -> list[tuple[int, bytes]]:
        found = []
        for place in range(2):
            head = os.pread(self._handle, _HEAD.size, place * _PLACE)
            if len(head) == _HEAD.size:
                number, length, digest = _HEAD.unpack(head)
                if number > 0 and length <= MOST_BYTES:
                    data = os.pread(self._handle, length, place * _PLACE + _HEAD.size)
                    if digest == _digest(number, data):
                        found.append((number, data))
        return found


def _digest(number: int, data: bytes) -> bytes:
    return hashlib.sha256(number.to_bytes(8, "little") + data).digest()
