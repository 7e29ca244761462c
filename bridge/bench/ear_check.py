"""The soundcheck by ear as the service does it: in a thread, moved through the door.

The thread asks the loop for every move, so nothing sounds that the door would refuse; when it is
stopped, or the song starts, it ends at its next wait and everything goes back to rest. A message
leaves a little after it was asked for, so the latencies here are a little long; `lanebridge align`
is for exact ones.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable, Coroutine, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

from bridge.bench.workbench import TONE_MS, Workbench
from bridge.errors import BridgeError, CommandError
from bridge.listen.opening import Ears, listening
from bridge.listen.wrong import insist_on_libraries
from bridge.protocol.state import ListeningState

if TYPE_CHECKING:
    from bridge.bench.listened import Heard, ListenedCheck

ANSWER_S = 5.0


class _Stopped(BridgeError):
    """Somebody has ended it."""


class BenchHands:
    """Moves outputs from a thread. `stop` ends it at the next wait."""

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
        return self._do(self._bench.gate(self._bench.output(output), level, self._client, TONE_MS))

    def close(self, output: str) -> int:
        return self._do(self._bench.gate(self._bench.output(output), 0.0, self._client))

    def value(self, output: str, what: Literal["pitch", "level"], value: float) -> int:
        return self._do(self._bench.value(self._bench.output(output), what, value, self._client))

    def rest(self, output: str) -> None:
        if self._bench.stands:  # the song moves it otherwise
            self._do(self._bench.rest(self._bench.output(output), self._client))

    def tell(self, what: Callable[[], None]) -> None:
        """Calls `what` in the loop."""
        self._loop.call_soon_threadsafe(what)

    def _do(self, move: Coroutine[Any, Any, None]) -> int:
        now = time.monotonic_ns()
        asyncio.run_coroutine_threadsafe(move, self._loop).result(ANSWER_S)
        return now


class EarCheck:
    """One soundcheck by ear. `on_change` is called, in the loop, when `state` may have changed."""

    def __init__(
        self,
        bench: Workbench,
        wanted: str,
        on_change: Callable[[], None],
        ears: Ears = listening,
        hands: Callable[[Workbench, str, asyncio.AbstractEventLoop], BenchHands] = BenchHands,
    ) -> None:
        self._bench = bench
        self._make_hands = hands
        self._ears = ears
        self._on_change = on_change
        self._check: ListenedCheck | None = None
        self._hands: BenchHands | None = None
        self._input = wanted
        self._summary: list[str] = []
        self._heard: list[Heard] = []
        self._kept = self._good = False
        self.task: asyncio.Task[None] | None = None

    @property
    def running(self) -> bool:
        return self.task is not None and not self.task.done()

    def start(self, names: Sequence[str], channel: int, client: str) -> None:
        """Begins in the background. Raises `CommandError` while the song runs."""
        self._bench.must_stand()
        loop = asyncio.get_running_loop()
        self._hands = self._make_hands(self._bench, client, loop)
        self.task = asyncio.create_task(self._run(list(names), channel))

    def end(self) -> None:
        """Ends it at its next wait."""
        if self._hands is not None:
            self._hands.stop.set()

    async def stop(self) -> None:
        """Ends it, and waits for that; what was moved goes back to rest."""
        self.end()
        if self.task is not None:
            await asyncio.gather(self.task, return_exceptions=True)

    async def keep(self, now: datetime) -> None:
        """Keeps the sounds, to compare the next soundcheck with. Raises `CommandError` when they
        are not all there, or cannot be written."""
        check, rig = self._check, self._bench.the_rig()
        if check is None or not check.complete or rig.path is None:
            raise CommandError("only a soundcheck that was listened to its end is kept", "state")
        from bridge.bench.listened import to_keep
        from bridge.files.sounds import save_sounds

        try:
            await asyncio.to_thread(save_sounds, rig.path, to_keep(check, now), now)
        except OSError as error:
            raise CommandError(f"the sounds cannot be written: {error}", "state") from None
        self._kept = True
        self._on_change()

    def state(self) -> ListeningState:
        check = self._check
        return {
            "input": self._input,
            "running": self.running,
            "heard": [
                {"output": one.output, "good": one.good, "says": one.says} for one in self._heard
            ],
            "summary": self._summary,
            "complete": check is not None and check.complete,
            "kept": self._kept,
        }

    # --- inside -------------------------------------------------------------------------------

    async def _run(self, names: list[str], channel: int) -> None:
        try:
            self._summary = await asyncio.to_thread(self._listen, names, channel)
            if self._check is not None and self._good:
                with contextlib.suppress(CommandError):
                    await self.keep(datetime.now())
        finally:
            self.task = None
            self._on_change()

    def _listen(self, names: list[str], channel: int) -> list[str]:
        """In a thread: all of it; gives the lines at its end."""
        assert self._hands is not None
        try:
            insist_on_libraries()
            from bridge.bench.hearing import Hearing
            from bridge.bench.listened import ListenedCheck, all_good, summary
            from bridge.files.sounds import load_sounds

            rig, playing = self._bench.control.session.loaded()
            known = {} if rig.path is None else load_sounds(rig.path)
        except BridgeError as error:
            return [str(error)]
        trouble: BridgeError | None = None
        try:
            with self._ears(self._input, channel) as ear:
                self._input = ear.name
                hearing = Hearing(ear, self._hands)
                self._check = ListenedCheck(rig, playing.document.spec, hearing, known)
                for heard in self._check.run(names):
                    self._heard.append(heard)
                    self._hands.tell(self._on_change)
        except (BridgeError, TimeoutError) as error:
            trouble = error if isinstance(error, BridgeError) else BridgeError("the player is away")
        if self._check is None:
            return [str(trouble)]
        self._good = all_good(self._check)
        return summary(self._check, trouble)
