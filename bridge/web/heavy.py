"""Work that takes long, for HTTP: one at a time, shared by those who ask for the same, kept for the
next one, and given up when the last of them has left.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import OrderedDict
from collections.abc import Callable, Coroutine, Hashable
from hashlib import sha256
from typing import Generic, TypeVar

from aiohttp import web

from bridge.errors import CommandError

KEPT_MAX = 8  # results
WAITING_MAX = 8  # different works that wait
LEFT_LOOK_S = 0.2  # how often it is looked whether the client is still there

T = TypeVar("T")


def digest(text: str) -> bytes:
    """A text as a part of a key: of one length however long it is."""
    return sha256(text.encode()).digest()


class _Work(Generic[T]):
    def __init__(self, task: asyncio.Task[T]) -> None:
        self.task = task
        self.clients = 0


class Heavy(Generic[T]):
    """A place where works of one kind are done, one after the other."""

    def __init__(self) -> None:
        self._lock = asyncio.Lock()
        self._works: dict[Hashable, _Work[T]] = {}
        self._kept: OrderedDict[Hashable, T] = OrderedDict()

    async def get(
        self, request: web.Request, key: Hashable, make: Callable[[], Coroutine[object, object, T]]
    ) -> T:
        """What `make` returns for `key`, made now or kept from before.

        Args:
            request: who asks; when its connection is lost it waits no longer.
            key: all that the result depends on.
            make: the work; it is cancelled when nobody waits for it any more.

        Raises:
            CommandError: kind ``busy``, when too many works wait.
            ConnectionResetError: the client has left.
        """
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        work = self._works.get(key)
        if work is None:
            if len(self._works) >= WAITING_MAX:
                raise CommandError("too much of this is asked for at once; try again", "busy")
            work = self._works[key] = _Work(asyncio.ensure_future(self._do(key, make)))
            work.task.add_done_callback(lambda task: task.cancelled() or task.exception())
        work.clients += 1
        try:
            while not work.task.done():
                await asyncio.wait({work.task}, timeout=LEFT_LOOK_S)
                if not work.task.done() and request.transport is None:
                    raise ConnectionResetError("the client has left")
            return work.task.result()
        finally:
            work.clients -= 1
            if work.clients == 0 and not work.task.done():
                work.task.cancel()
                if self._works.get(key) is work:
                    del self._works[key]  # who asks from now on needs a new one

    async def _do(self, key: Hashable, make: Callable[[], Coroutine[object, object, T]]) -> T:
        me = asyncio.current_task()
        try:
            async with self._lock:
                result = await make()
            self._kept[key] = result
            while len(self._kept) > KEPT_MAX:
                self._kept.popitem(last=False)
            return result
        finally:
            with contextlib.suppress(KeyError):
                if self._works[key].task is me:
                    del self._works[key]
