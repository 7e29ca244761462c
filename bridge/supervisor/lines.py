"""Whole lines from the pipe of a child, without ever waiting for one."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import IO

LONGEST = 64 << 10
"""A line that does not end is given out in pieces."""


class Lines:
    """Takes over `pipe`; each line goes to `take` as text."""

    def __init__(self, pipe: IO[bytes] | None, take: Callable[[str], None]) -> None:
        assert pipe is not None
        self._pipe = pipe
        self._take = take
        self._rest = b""
        self.ended = False
        os.set_blocking(pipe.fileno(), False)

    def fileno(self) -> int:
        return self._pipe.fileno()

    def read(self) -> bool:
        """What has come so far, if anything; at the end the pipe is closed. False when there is no
        more for now."""
        if self.ended:
            return False
        try:
            data = os.read(self._pipe.fileno(), 1 << 16)
        except BlockingIOError:
            return False
        except OSError:
            data = b""
        *lines, self._rest = (self._rest + data).split(b"\n")
        if self._rest and (not data or len(self._rest) > LONGEST):
            lines.append(self._rest)
            self._rest = b""
        if not data:
            self._end()
        for line in lines:
            self._take(line.decode(errors="replace"))
        return bool(data)

    def close(self) -> None:
        """Reads what is left of a child that has ended, and closes."""
        while self.read():
            pass
        if not self.ended:  # somebody else still holds the other end
            self._end()

    def _end(self) -> None:
        self.ended = True
        self._pipe.close()
