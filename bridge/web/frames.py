"""The frames of a WebSocket as they arrive: does the client mask each of them, as it must?

RFC 6455, section 5.1: a server closes the connection upon a frame that is not masked, with code
1002. The library reads such frames like any other, so the headers are looked at here, beside it.
"""

from __future__ import annotations

_EXTENDED = {126: 2, 127: 8}  # bytes of length after the first two (section 5.2)
_MASK_BYTES = 4


class FrameCheck:
    """Follows the frame boundaries of one connection; keeps no payload."""

    def __init__(self) -> None:
        self._head = b""
        self._skip = 0

    def feed(self, data: bytes) -> bool:
        """False as soon as a frame is not masked; what comes after that is not looked at."""
        at = 0
        while at < len(data):
            if self._skip:
                step = min(self._skip, len(data) - at)
                self._skip -= step
                at += step
                continue
            self._head += data[at : at + 1]
            at += 1
            if len(self._head) < 2:
                continue
            if not self._head[1] & 0x80:
                return False
            short = self._head[1] & 0x7F
            extended = _EXTENDED.get(short, 0)
            if len(self._head) < 2 + extended:
                continue
            length = int.from_bytes(self._head[2:], "big") if extended else short
            self._head = b""
            self._skip = _MASK_BYTES + length
        return True
