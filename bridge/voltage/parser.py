"""A stream of MIDI bytes cut into whole messages.

By the MIDI 1.0 Detailed Specification 4.2.1: running status for voice and mode messages (p. 5,
A-2), real-time bytes anywhere, even inside another message (pp. 5, 29, 30), system common
messages and System Exclusive end running status, data bytes without a status and undefined
statuses are ignored (p. 6), any status that is not real-time ends System Exclusive (p. 29).
"""

from __future__ import annotations

# Data bytes of each status: voice messages by their high nibble, then system common.
_VOICE = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
_COMMON = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0}
_REAL_TIME = frozenset((0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF))
LONGEST_EXCLUSIVE = 4096  # bytes; a longer one is dropped, so a broken sender cannot fill memory


class Parser:
    """`feed` takes bytes in any portions and gives every message complete by then, with its
    status byte restored. Any input is accepted."""

    def __init__(self) -> None:
        self._status = 0  # of the message being collected; 0: data bytes are ignored
        self._running = False
        self._data = bytearray()
        self._exclusive: bytearray | None = None

    def feed(self, data: bytes) -> list[bytes]:
        messages: list[bytes] = []
        for byte in data:
            if byte >= 0xF8:
                if byte in _REAL_TIME:
                    messages.append(bytes((byte,)))
            elif byte >= 0x80:
                self._take_status(byte, messages)
            else:
                self._take_data(byte, messages)
        return messages

    def _take_status(self, byte: int, messages: list[bytes]) -> None:
        if self._exclusive is not None:
            if len(self._exclusive) <= LONGEST_EXCLUSIVE:
                messages.append(bytes(self._exclusive) + b"\xf7")
            self._exclusive = None
        self._data.clear()
        self._status, self._running = 0, False
        if byte == 0xF0:
            self._exclusive = bytearray((byte,))
        elif byte < 0xF0:
            self._status, self._running = byte, True
        elif byte in _COMMON:
            if _COMMON[byte] == 0:
                messages.append(bytes((byte,)))
            else:
                self._status = byte

    def _take_data(self, byte: int, messages: list[bytes]) -> None:
        if self._exclusive is not None:
            if len(self._exclusive) <= LONGEST_EXCLUSIVE:
                self._exclusive.append(byte)
            return
        if not self._status:
            return
        self._data.append(byte)
        wanted = _VOICE[self._status & 0xF0] if self._running else _COMMON[self._status]
        if len(self._data) == wanted:
            messages.append(bytes((self._status,)) + bytes(self._data))
            self._data.clear()
            if not self._running:
                self._status = 0
