"""A page that follows the state by merge patches (RFC 7396) in a thread, and comes back after gaps."""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
from types import TracebackType
from typing import Any

import aiohttp

AGAIN_S = 0.05


def merged(target: Any, patch: Any) -> Any:
    """The example algorithm of RFC 7396, section 2."""
    if not isinstance(patch, dict):
        return patch
    out = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            out.pop(name, None)
        else:
            out[name] = merged(out.get(name), value)
    return out


class PageView:
    """`state` is what it shows; `resumed` and `whole` count how it came back."""

    def __init__(self, port: int) -> None:
        self._url = f"http://127.0.0.1:{port}/api/live"
        self.state: dict[str, Any] = {}
        self.resumed = self.whole = 0
        self._got = ("", 0)
        self._loop = asyncio.new_event_loop()
        self._work: asyncio.Task[None] | None = None
        self._first = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> PageView:
        self._thread.start()
        assert self._first.wait(60), "the page is never told anything"
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._work is not None:
            self._loop.call_soon_threadsafe(self._work.cancel)
        self._thread.join()
        self._loop.close()

    def _run(self) -> None:
        self._work = self._loop.create_task(self._follow())
        with contextlib.suppress(asyncio.CancelledError):
            self._loop.run_until_complete(self._work)

    async def _follow(self) -> None:
        async with aiohttp.ClientSession() as session:
            while True:
                with contextlib.suppress(aiohttp.ClientError, OSError):
                    name, number = self._got
                    query = {"resume": name, "number": str(number)} if name else {}
                    async with session.ws_connect(self._url, params=query) as ws:
                        async for message in ws:
                            self._take(json.loads(message.data))
                await asyncio.sleep(AGAIN_S)

    def _take(self, told: dict[str, Any]) -> None:
        if told["type"] == "state":
            self.state, self._got = told["state"], (told["resume"], told["number"])
            self.whole += 1
            self._first.set()
        elif told["type"] == "resumed":
            self.resumed += 1
        elif told["type"] == "change":
            self.state = merged(self.state, told["patch"])
            self._got = (self._got[0], told["number"])
