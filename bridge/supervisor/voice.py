"""What the program says to a terminal or a journal: never an error, never a wait.

Whoever reads our lines may go away, be stopped, or write them to a full disk; none of that may
reach the loops that keep the music going. Lines are handed to a thread that writes them; what
cannot be written is left out, counted, and told when writing works again.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Literal, get_args

LINES_MOST = 400
"""Lines that wait for a reader that does not read; more are left out."""
DRAIN_S = 0.5

Level = Literal["debug", "info", "warning", "error"]
LEVELS: tuple[Level, ...] = get_args(Level)
"""From the least important to the most."""


class Voice:
    """Lines to a file handle. Everything may be called from any thread; nothing raises or blocks,
    but `close`, which waits a moment for what is still to be written."""

    def __init__(self, handle: int, encoding: str = "utf-8") -> None:
        self._handle = handle
        self._encoding = encoding
        self._lines: deque[bytes] = deque()
        self._left_out = 0
        self._turn = threading.Condition()
        self._idle = True
        self._thread: threading.Thread | None = None

    @property
    def left_out(self) -> int:
        """Lines that nobody will read; 0 again once that has been told."""
        return self._left_out

    def line(self, text: str) -> None:
        """One line, or several, soon."""
        raw = f"{text}\n".encode(self._encoding, "backslashreplace")
        with self._turn:
            if len(self._lines) >= LINES_MOST or not self._started():
                self._left_out += 1
                return
            self._lines.append(raw)
            self._idle = False
            self._turn.notify_all()

    def close(self, within_s: float = DRAIN_S) -> None:
        """Waits until everything is written, at most so long."""
        with self._turn:
            self._turn.wait_for(lambda: self._idle, within_s)

    def _started(self) -> bool:
        if self._thread is None:
            thread = threading.Thread(target=self._run, name="voice", daemon=True)
            try:
                thread.start()
            except RuntimeError:  # no more threads can be had
                return False
            self._thread = thread
        return True

    def _run(self) -> None:
        while True:
            with self._turn:
                if not self._lines:
                    self._idle = True
                    self._turn.notify_all()
                    self._turn.wait_for(lambda: self._lines)
                raw, lost = self._lines.popleft(), self._left_out
            if lost and self._write(f"({lost} lines before this could not be written)\n".encode()):
                with self._turn:
                    self._left_out -= lost
            if not self._write(raw):
                with self._turn:
                    self._left_out += 1

    def _write(self, raw: bytes) -> bool:
        rest = memoryview(raw)
        try:
            while rest:
                rest = rest[os.write(self._handle, rest) :]
        except BlockingIOError:  # somebody else made it so, and nobody reads
            time.sleep(0.05)
            return False
        except OSError:
            return False
        return True


class Log:
    """The lines of one process: for people, or as one JSON object a line (`as_json`), for programs
    that collect logs. What is less important than `least` is left out."""

    def __init__(
        self, who: str, voice: Voice, as_json: bool = False, least: Level = "info"
    ) -> None:
        self._who = who
        self._voice = voice
        self._json = as_json
        self._least = LEVELS.index(least)

    def say(self, text: str, level: Level = "info", who: str = "") -> None:
        """One line that says who says it."""
        if LEVELS.index(level) < self._least:
            return
        name = who or self._who
        if not self._json:
            self._voice.line(f"{name}: {text}")
            return
        from datetime import datetime

        # A wall clock, for people and collectors only: nothing is timed by it.
        stamp = datetime.now().astimezone().isoformat(timespec="milliseconds")
        row = {"time": stamp, "level": level, "from": name, "text": text}
        self._voice.line(json.dumps(row, ensure_ascii=False))

    @property
    def left_out(self) -> int:
        """As `Voice.left_out`."""
        return self._voice.left_out

    def raw(self, text: str) -> None:
        """A line that another process has made in the same way."""
        self._voice.line(text)

    def close(self) -> None:
        """As `Voice.close`."""
        self._voice.close()


def hold_standard_handles() -> None:
    """Closed standard handles are opened on nothing, so that no socket or file takes their place
    and gets what is meant for a reader."""
    for handle in (0, 1, 2):
        try:
            os.fstat(handle)
        except OSError:
            with contextlib.suppress(OSError):
                os.open(os.devnull, os.O_RDWR)  # the lowest free number: this one


def encoding_of(stream: object) -> str:
    """How text goes to a standard stream; UTF-8 when it is closed."""
    return getattr(stream, "encoding", None) or "utf-8"


def standard(of: Callable[[], object] = lambda: sys.stdout, handle: int = 1) -> Voice:
    """A voice for standard output, or for another standard stream.

    Args:
        of: gives the stream; only its encoding counts.
        handle: its file descriptor, which is written to.
    """
    return Voice(handle, encoding_of(of()))
