"""Ends what would wait for ever or take all memory, so that a test fails instead of the machine."""

from __future__ import annotations

import contextlib
import resource
import signal
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

GENEROUS_S = 120
"""Long enough for any machine: what would end later waits for something that never comes."""
MEMORY_BYTES = 512 << 20
"""Beyond what is used already; the largest file here claims three times that."""


class TooLong(Exception):
    """A command waits for something that never comes."""


@contextlib.contextmanager
def bounded() -> Iterator[None]:
    """Ends a block that waits for ever or that takes much memory."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise TooLong

    with Path("/proc/self/statm").open() as file:
        now = int(file.read().split()[0]) * resource.getpagesize()
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    before = signal.signal(signal.SIGALRM, stop)
    resource.setrlimit(resource.RLIMIT_AS, (now + MEMORY_BYTES, hard))
    signal.alarm(GENEROUS_S)
    try:
        yield
    finally:
        signal.alarm(0)
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
        signal.signal(signal.SIGALRM, before)
