"""One program to one state folder: two would write over each other's working text."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from bridge.errors import MachineError

LOCK = "lock"


def take(folder: Path) -> int | None:
    """Locks a state folder until this process ends; the handle, to be closed by then. None where
    nothing can be written, so that nothing can be written over either.

    Raises:
        MachineError: another process has it; says which.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        owner = os.read(handle, 20).decode("ascii", "replace").strip() or "unknown"
        os.close(handle)
        raise MachineError(
            f"another Lanebridge (process {owner}) uses the state folder {folder}; "
            "end it, or give this one a folder of its own with XDG_STATE_HOME"
        ) from None
    try:
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
    except OSError:
        pass  # a full disk: the lock holds all the same
    return handle
