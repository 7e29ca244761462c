"""Keeps the heap of this process small, where the C library is glibc.

It gives each thread a heap of its own, and what one has freed no other gets; and the more large
blocks are freed, the larger are those that it puts among the small ones, where they leave gaps. The
supervisor gets scores and remembered places again and again, and its threads write what it keeps;
the service makes them (measured: 0.9 MB less after 250 edits in the one, 0.4 in the other).
"""

from __future__ import annotations

import ctypes
import sys

_M_MMAP_THRESHOLD, _M_ARENA_MAX = -3, -8
"""glibc, malloc.h."""
LARGE = 64 << 10
"""Blocks from this size on get pages of their own, which go back when they are freed."""


def keep_small() -> bool:
    """Asks for it; call it before threads start.

    Returns:
        Whether the C library has understood. Others than glibc need not.
    """
    if not sys.platform.startswith("linux"):
        return False
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    wanted = ((_M_ARENA_MAX, 1), (_M_MMAP_THRESHOLD, LARGE))
    return mallopt is not None and all(mallopt(*one) == 1 for one in wanted)
