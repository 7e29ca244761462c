"""Looks through a standard MIDI file before a library reads it: whole, of bounded size, or why not.

The library reads numbers of any length and events without end, and says little of what is wrong.
By the Standard MIDI Files 1.0 specification (RP-001): numbers of variable length have at most four
bytes, chunks of unknown kinds are ignored, and running status goes over channel messages only.
"""

from __future__ import annotations

from collections.abc import Iterator

MOST_EVENTS = 100_000  # some seconds of reading; a song of an hour has a few ten thousand
NUMBER_BYTES = 4
_HEADER = 14
_DATA_BYTES = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2}  # by the status' high half


class Reader:
    """Walks over a track; `at` is the place in the file, `left` the events that may still come."""

    def __init__(self, raw: bytes, at: int, end: int, track: int, left: int) -> None:
        self.raw = raw
        self.at = at
        self.end = end
        self.track = track
        self.left = left

    def _wrong(self, said: str) -> ValueError:
        return ValueError(f"track {self.track}, byte {self.at + 1} of the file: {said}")

    def _byte(self) -> int:
        if self.at >= self.end:
            raise self._wrong("the track ends in the middle of an event")
        byte = self.raw[self.at]
        self.at += 1
        return byte

    def _skip(self, count: int) -> None:
        if self.at + count > self.end:
            raise self._wrong("an event is longer than its track")
        self.at += count

    def _number(self) -> int:
        value = 0
        for _ in range(NUMBER_BYTES):
            byte = self._byte()
            value = (value << 7) | (byte & 0x7F)
            if byte < 0x80:
                return value
        raise self._wrong("a number of more than four bytes")

    def walk(self) -> None:
        """To the end of the track. ValueError when an event is not one."""
        running = 0
        while self.at < self.end:
            if not self.left:
                raise ValueError(f"it holds more than {MOST_EVENTS} events")
            self.left -= 1
            self._number()
            status = self._byte()
            if status < 0x80:
                if not running:
                    raise self._wrong("data without the kind of its event")
                status = running
                self.at -= 1
            if status == 0xFF:  # ends running status, but programs are about that rely on it
                self._byte()
                self._skip(self._number())
            elif status in (0xF0, 0xF7):
                running = 0
                self._skip(self._number())
            elif status < 0xF0:
                running = status
                self._skip(_DATA_BYTES[status >> 4])
            else:
                raise self._wrong(f"0x{status:02X} is no event of a file")


def checked(raw: bytes) -> bytes:
    """The header and the tracks of a file, without chunks of other kinds.

    Raises:
        ValueError: why it is no good file, in words.
    """
    if raw[:4] != b"MThd":
        raise ValueError("it does not begin with MThd")
    if len(raw) < _HEADER or int.from_bytes(raw[4:8], "big") < _HEADER - 8:
        raise ValueError("its header is not whole")
    left, parts = MOST_EVENTS, []
    for track, (start, end) in enumerate(_tracks(raw), 1):
        reader = Reader(raw, start, end, track, left)
        reader.walk()
        left = reader.left
        parts.append(raw[start - 8 : end])
    if not parts:
        raise ValueError("it has no track")
    head = b"MThd" + (6).to_bytes(4, "big") + raw[8:10] + len(parts).to_bytes(2, "big")
    return head + raw[12:_HEADER] + b"".join(parts)


def _tracks(raw: bytes) -> Iterator[tuple[int, int]]:
    """Start and end of what is inside each track."""
    at = 8 + int.from_bytes(raw[4:8], "big")
    while at < len(raw):
        size = int.from_bytes(raw[at + 4 : at + 8], "big")
        kind, start, end = raw[at : at + 4], at + 8, at + 8 + size
        if kind == b"MTrk":
            if end > len(raw):
                raise ValueError("it is cut off: its last track is not whole")
            yield start, end
        at = end
