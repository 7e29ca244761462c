"""Work with an audio input as the service does it: in a thread, moved through the door.

The thread asks the loop for every move, so nothing sounds that the door would refuse; when it is
stopped, or the song starts, it ends at its next wait and everything goes back to rest.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Awaitable, Callable, Coroutine
from typing import Literal, TypeVar

from bridge.bench.workbench import TONE_MS, Workbench
from bridge.errors import BridgeError, PlayerError
from bridge.listen.opening import Ears, listening

T = TypeVar("T")
ANSWER_S = 10.0
"""The player answers a move within this, or it is away."""


class _Stopped(BridgeError):
    """Somebody has ended it."""


class BenchHands:
    """Moves outputs from a thread. `stop` ends it at the next wait. Of a gate that opens, the time
    at which its message left is what the player says; of other moves, when they were asked for."""

    def __init__(self, bench: Workbench, client: str, loop: asyncio.AbstractEventLoop) -> None:
        self._bench = bench
        self._client = client
        self._loop = loop
        self.stop = threading.Event()

    def now_ns(self) -> int:
        return time.monotonic_ns()

    def wait(self, seconds: float) -> None:
        if self.stop.wait(seconds):
            raise _Stopped("stopped")

    def open(self, output: str, level: float) -> int:
        if self.stop.is_set():
            raise _Stopped("stopped")
        wired = self._bench.output(output)
        return self._do(self._bench.strike(wired, level, self._client, TONE_MS))

    def close(self, output: str) -> int:
        now = time.monotonic_ns()
        self._do(self._bench.gate(self._bench.output(output), 0.0, self._client))
        return now

    def value(self, output: str, what: Literal["pitch", "level"], value: float) -> int:
        now = time.monotonic_ns()
        self._do(self._bench.value(self._bench.output(output), what, value, self._client))
        return now

    def rest(self, output: str) -> None:
        if self._bench.stands:  # the song moves it otherwise
            self._do(self._bench.rest(self._bench.output(output), self._client))

    def tell(self, what: Callable[[], None]) -> None:
        """Calls `what` in the loop."""
        self._loop.call_soon_threadsafe(what)

    def _do(self, move: Coroutine[object, object, T]) -> T:
        try:
            return asyncio.run_coroutine_threadsafe(move, self._loop).result(ANSWER_S)
        except TimeoutError:
            raise PlayerError("the player is away") from None


class EarWork:
    """Something that listens in a thread, one at a time.

    Args:
        bench: moves the outputs.
        on_change: called, in the loop, when there may be something new to see.
        ears: opens an audio input.
        hands: what moves outputs from the thread.
    """

    def __init__(
        self,
        bench: Workbench,
        on_change: Callable[[], None],
        ears: Ears = listening,
        hands: Callable[[Workbench, str, asyncio.AbstractEventLoop], BenchHands] = BenchHands,
    ) -> None:
        self.bench = bench
        self.on_change = on_change
        self.ears = ears
        self.make_hands = hands
        self.hands: BenchHands | None = None
        self.task: asyncio.Task[None] | None = None

    @property
    def running(self) -> bool:
        return self.task is not None and not self.task.done()

    def end(self) -> None:
        """Ends it at its next wait."""
        if self.hands is not None:
            self.hands.stop.set()

    async def stop(self) -> None:
        """Ends it, and waits for that; what was moved goes back to rest."""
        self.end()
        if self.task is not None:
            await asyncio.gather(self.task, return_exceptions=True)

    def launch(self, client: str, work: Callable[[BenchHands], Awaitable[None]]) -> None:
        """Begins in the background; `client` is who moves outputs."""
        hands = self.hands = self.make_hands(self.bench, client, asyncio.get_running_loop())

        async def whole() -> None:
            try:
                await work(hands)
            finally:
                self.task = None
                self.on_change()

        self.task = asyncio.create_task(whole())
