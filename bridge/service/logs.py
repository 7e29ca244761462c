"""The log of the service: what repeats is counted, not repeated.

A flood of requests or datagrams must not become a flood of lines: an SD card wears out, and the one
line that matters is lost. Of one kind of message a few are written, then a summary with a count.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Callable

from bridge.supervisor.voice import Level, Log

BURST = 5  # lines of one kind in a window
WINDOW_S = 10.0
KINDS_MAX = 256

Kind = tuple[str, int, str]


class Summary(logging.Filter):
    """Lets `BURST` lines of each kind through in `WINDOW_S`, counts the rest, and says how many
    they were with the next line or by `flush`. A kind is the place in the code that logs."""

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._clock = clock
        self._lock = threading.Lock()
        self._windows: dict[Kind, tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether a line is written now."""
        if record.pathname.rpartition("/")[0].endswith("pythonosc"):
            return False  # what is odd about a datagram is counted where it arrives
        kind = (record.pathname, record.lineno, record.levelname)
        now = self._clock()
        with self._lock:
            begun, count = self._windows.get(kind, (now, 0))
            missed = 0
            if now - begun >= WINDOW_S:
                missed, begun, count = max(0, count - BURST), now, 0
            if len(self._windows) >= KINDS_MAX and kind not in self._windows:
                self._windows.clear()
            self._windows[kind] = (begun, count + 1)
        if count >= BURST:
            return False
        if missed:
            record.msg = f"{record.getMessage()} (and {missed} more like this before)"
            record.args = None
        return True

    def missed(self) -> list[tuple[str, int]]:
        """The kinds whose window is over, with the number of lines that were not written; each is
        told once."""
        now, found = self._clock(), []
        with self._lock:
            for kind, (begun, count) in list(self._windows.items()):
                if now - begun >= WINDOW_S:
                    del self._windows[kind]
                    if count > BURST:
                        found.append(
                            (kind[0].rpartition("/")[2].removesuffix(".py"), count - BURST)
                        )
        return found


class Handler(logging.Handler):
    """The standard library's log through a `Log`."""

    def __init__(self, log: Log) -> None:
        super().__init__()
        self._log = log

    def emit(self, record: logging.LogRecord) -> None:
        level: Level = "info" if record.levelno >= logging.INFO else "debug"
        if record.levelno >= logging.ERROR:
            level = "error"
        elif record.levelno >= logging.WARNING:
            level = "warning"
        with contextlib.suppress(Exception):  # a line that cannot be made ends nothing
            self._log.say(self.format(record), level)


def set_up(handler: logging.Handler, least: Level = "info") -> Summary:
    """Sends the log to `handler`, from the level `least` on and with what repeats summarised;
    returns the filter."""
    summary = Summary()
    logging.raiseExceptions = False  # a line that cannot be written ends nothing
    logging.basicConfig(level=logging.INFO, format="%(message)s", handlers=[handler])
    logging.getLogger("bridge").setLevel(least.upper())
    handler.addFilter(summary)
    return summary


def tell_missed(summary: Summary) -> None:
    """One line for each kind that was cut short, for a loop that calls it now and then."""
    log = logging.getLogger(__name__)
    for where, count in summary.missed():
        # The name of the place is in the text: to the filter all of these are one kind.
        log.info("%s: %d more lines like those before", where, count)
