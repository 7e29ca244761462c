"""Work that blocks, done in a thread."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import ParamSpec, TypeVar

T = TypeVar("T")
P = ParamSpec("P")


async def in_thread(function: Callable[P, T], *args: P.args, **more: P.kwargs) -> T:
    """What a function returns that blocks, called in a thread.

    A thread cannot be stopped: when the caller is cancelled, this ends only when the function has
    ended, so that the next work does not begin beside it.
    """
    task = asyncio.ensure_future(asyncio.to_thread(function, *args, **more))
    try:
        return await asyncio.shield(task)
    except asyncio.CancelledError:
        while not task.done():
            with contextlib.suppress(asyncio.CancelledError):
                await asyncio.wait({task})
        task.exception()  # nobody asks for it any more
        raise
