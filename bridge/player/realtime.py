"""What the operating system is asked for so that the player wakes on time.

All of it is asked for and done without if refused; what was refused is said once.
"""

from __future__ import annotations

import ctypes
import gc
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager

PRIORITY = 60
PARENT = "LANEBRIDGE_PARENT"
"""The variable that tells a child who started it."""
_PR_SET_PDEATHSIG = 1
_PR_SET_NAME = 15
_PR_SET_TIMERSLACK = 29
_PR_SET_CHILD_SUBREAPER = 36
_MCL_CURRENT_AND_FUTURE, _MCL_ONFAULT = 3, 4
_MADV_POPULATE_READ = 22
"""Linux 5.14 (madvise(2))."""


def schedule_first(priority: int = PRIORITY) -> str:
    """SCHED_FIFO for this process; "" when granted, else why not.

    Timer slack goes to 1 ns as well, which is what a refused process gains most from.
    """
    _prctl(_PR_SET_TIMERSLACK, 1)
    if not hasattr(os, "sched_setscheduler"):
        return "this system has no real-time scheduling"
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))
    except OSError as problem:
        return f"real-time priority refused ({problem.strerror}); see systemd/README.md"
    return ""


def lock_memory() -> str:
    """No page of this process is swapped out; "" when granted, else why not.

    To lock all at once would make a copy of each page that this process still shares with the one
    that has forked it. So pages are locked as they come (MCL_ONFAULT, mlockall(2)), and all of them
    come now: nothing has to be read from the disk later.
    """
    if not sys.platform.startswith("linux"):
        return "this system cannot lock memory"
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mlockall(_MCL_CURRENT_AND_FUTURE | _MCL_ONFAULT) == 0 and _read_in_all(libc):
        return ""
    if libc.mlockall(_MCL_CURRENT_AND_FUTURE) != 0:
        return f"memory lock refused ({os.strerror(ctypes.get_errno())}); see systemd/README.md"
    return ""


def _read_in_all(libc: ctypes.CDLL) -> bool:
    """Has every page read in, as reading it would; False where the system cannot (older ones)."""
    with open("/proc/self/maps", encoding="utf-8", errors="replace") as file:
        rows = [row.split(maxsplit=5)[:2] for row in file]
    done = []
    for place, rights in rows:
        begin, end = (int(part, 16) for part in place.split("-"))
        if rights.startswith("r") and begin < sys.maxsize:
            at, size = ctypes.c_void_p(begin), ctypes.c_size_t(end - begin)
            done.append(libc.madvise(at, size, _MADV_POPULATE_READ) == 0)
    return any(done)  # a device's memory is refused in any case


def settle_interpreter() -> None:
    """No garbage collection from here on (what is loaded now stays), and quick hand-over between
    the loop and the MIDI library's threads."""
    gc.collect()
    gc.freeze()
    gc.disable()
    sys.setswitchinterval(0.0005)


def die_with_parent(name: signal.Signals = signal.SIGTERM, parent: int = 0) -> bool:
    """A signal when the process that started this one is gone (its first thread: `os.getppid` may
    go on to tell its number for a while): SIGTERM, or another.

    Args:
        name: the signal.
        parent: the number of that process, where it is known; 0 where it is not.

    Returns:
        False when that process is gone already: no signal will come any more.
    """
    _prctl(_PR_SET_PDEATHSIG, name)
    return parent in (0, os.getppid())


@contextmanager
def adopting_orphans() -> Iterator[None]:
    """Meanwhile, processes below this one whose parent ends become its own children."""
    _prctl(_PR_SET_CHILD_SUBREAPER, 1)
    try:
        yield
    finally:
        _prctl(_PR_SET_CHILD_SUBREAPER, 0)


def call_itself(name: str) -> None:
    """What lists of processes call this one (comm, proc(5)): 15 bytes of it at most."""
    _prctl(_PR_SET_NAME, name.encode())


def _prctl(option: int, value: int | bytes) -> None:
    if sys.platform.startswith("linux"):
        ctypes.CDLL(None).prctl(option, value, 0, 0, 0)
