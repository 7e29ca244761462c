"""Tuning by ear from the page: the service listens while the player sounds one note after another.

Audio is read and measured in threads of the service; the player gets the same single moves as when
a person measures. What was heard stays in the session as readings, whatever ends it.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING

from bridge.bench.tuning_session import TuningSession
from bridge.bench.workbench import TONE_MS, Workbench
from bridge.errors import BridgeError, CommandError
from bridge.listen import wrong
from bridge.listen.opening import Ears, listening
from bridge.listen.wrong import ListenError
from bridge.music.scale import note_name
from bridge.protocol.state import EarState
from bridge.voltage.calibration import Correction

if TYPE_CHECKING:
    from bridge.bench.ear_tuning import EarTuning, Sound
    from bridge.listen.audio import Listener, Take


def _open(ears: Ears, name: str, channel: int, held: contextlib.ExitStack) -> Listener:
    wrong.insist_on_libraries()
    import bridge.bench.ear_tuning  # noqa: F401 - loaded now, so that nothing is late later

    return held.enter_context(ears(name, channel))


USE = "a voice is being tuned by ear"
DONE = "measured and checked"
NOT_APPLIED = (
    "What was heard so far stays in the list of notes, to be gone on with; it is not applied."
)


class EarTuner:
    """Listens for one session at a time.

    Args:
        bench: moves the outputs.
        correct: gives the player another correction for an output.
        on_change: called when `state` may have changed.
    """

    def __init__(
        self,
        bench: Workbench,
        correct: Callable[[str, Correction | None], Awaitable[None]],
        on_change: Callable[[], None],
    ) -> None:
        self._bench = bench
        self._correct = correct
        self._on_change = on_change
        self._work: asyncio.Task[None] | None = None
        self._tuning: EarTuning | None = None
        self._input = ""
        self._ended = ""
        self.ears: Ears = listening
        self.now_ns: Callable[[], int] = time.monotonic_ns

    @property
    def running(self) -> bool:
        return self._work is not None and not self._work.done()

    async def begin(self, session: TuningSession, name: str, channel: int, client: str) -> None:
        """Opens an input and begins to measure the notes of a session.

        Raises:
            CommandError: it is listening already, the song runs, or the input cannot be used.
        """
        self._bench.must_be_free(USE)
        if self.running:
            raise CommandError("it is listening already", "state")
        self.forget()
        held = contextlib.ExitStack()
        try:
            ear = await asyncio.to_thread(_open, self.ears, name, channel, held)
        except ListenError as error:
            raise CommandError(str(error), "state") from None
        from bridge.bench.ear_tuning import EarTuning

        self._tuning = EarTuning(session, ear.name, ear.rate)
        self._input = ear.name
        self._work = asyncio.create_task(self._listen(session, self._tuning, ear, held, client))
        self._on_change()

    async def stop(self) -> None:
        """Ends listening; the output goes back to rest. The readings stay."""
        work, self._work = self._work, None
        if work is not None and not work.done():
            self._ended = f"ended early\n{NOT_APPLIED}"
            work.cancel()
            await asyncio.gather(work, return_exceptions=True)
            self._on_change()

    def forget(self) -> None:
        """Nothing was heard: for a new session."""
        self._tuning, self._input, self._ended = None, "", ""

    def state(self) -> EarState | None:
        """What is being heard, or was heard last; None when nothing was."""
        tuning = self._tuning
        if tuning is None:
            return None
        return {
            "input": self._input,
            "running": self.running,
            "says": self._ended,
            "complete": self._ended == DONE,
            "noticed": list(tuning.said),
            "drift": None if tuning.drift is None else round(tuning.drift, 2) + 0.0,  # no -0.0
            "checked": [
                {"note": one.note, "name": note_name(one.note), "cents": round(one.cents, 3)}
                for one in tuning.checked
            ],
        }

    async def _listen(
        self,
        session: TuningSession,
        tuning: EarTuning,
        ear: Listener,
        held: contextlib.ExitStack,
        client: str,
    ) -> None:
        try:
            await self._steps(session, tuning, ear, client)
            self._ended = DONE
        except BridgeError as error:
            self._ended = f"{error}\n{NOT_APPLIED}"
        finally:
            await asyncio.to_thread(held.close)
            with contextlib.suppress(BridgeError):
                await self._correct(session.wired.name, None)
            if self._bench.stands:
                with contextlib.suppress(BridgeError):
                    await self._bench.rest(session.wired, client)
            session.sounding = None
            self._work = None
            self._on_change()

    async def _steps(
        self, session: TuningSession, tuning: EarTuning, ear: Listener, client: str
    ) -> None:
        from bridge.listen.audio import gather

        steps, since = tuning.steps(), 0
        step: Sound | None = next(steps)

        def answer(take: Take) -> Sound | None:
            try:
                return steps.send(take)
            except StopIteration:
                return None

        while step is not None:
            if step.anew:
                await self._correct(session.wired.name, step.correction)
                await self._bench.value(session.wired, "pitch", float(step.note), client, TONE_MS)
                session.sounding = step.note
                since = self.now_ns()
            begin = since + round(step.settle_s * 1e9)
            take = await asyncio.to_thread(gather, ear, begin, step.seconds)
            since = take.end_ns
            step = await asyncio.to_thread(answer, take)
            self._on_change()
