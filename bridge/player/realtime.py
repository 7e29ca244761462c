"""What the operating system is asked for so that the player wakes on time.

All of it is asked for and done without if refused; what was refused is said once.
"""

from __future__ import annotations

import ctypes
import gc
import os
import signal
import sys

PRIORITY = 60
PARENT = "LANEBRIDGE_PARENT"
"""The variable that tells a child who started it."""
_PR_SET_PDEATHSIG = 1
_PR_SET_TIMERSLACK = 29
_MCL_CURRENT_AND_FUTURE = 3


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
    """No page of this process is swapped out; "" when granted, else why not."""
    if not sys.platform.startswith("linux"):
        return "this system cannot lock memory"
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mlockall(_MCL_CURRENT_AND_FUTURE) != 0:
        return f"memory lock refused ({os.strerror(ctypes.get_errno())}); see systemd/README.md"
    return ""


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


def _prctl(option: int, value: int) -> None:
    if sys.platform.startswith("linux"):
        ctypes.CDLL(None).prctl(option, value, 0, 0, 0)
