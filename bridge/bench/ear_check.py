"""The soundcheck by ear as the service does it."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from bridge.bench.ear_work import BenchHands, EarWork
from bridge.bench.workbench import Workbench
from bridge.errors import BridgeError, CommandError
from bridge.listen.opening import Ears, listening
from bridge.listen.wrong import insist_on_libraries
from bridge.protocol.state import ListeningState

if TYPE_CHECKING:
    from bridge.bench.listened import Heard, ListenedCheck


class EarCheck(EarWork):
    """One soundcheck by ear. `on_change` is called, in the loop, when `state` may have changed."""

    def __init__(
        self,
        bench: Workbench,
        wanted: str,
        on_change: Callable[[], None],
        ears: Ears = listening,
        hands: Callable[[Workbench, str, asyncio.AbstractEventLoop], BenchHands] = BenchHands,
    ) -> None:
        super().__init__(bench, on_change, ears, hands)
        self._check: ListenedCheck | None = None
        self._input = wanted
        self._summary: list[str] = []
        self._heard: list[Heard] = []
        self._kept = self._good = False

    def start(self, names: Sequence[str], channel: int, client: str) -> None:
        """Begins in the background."""
        self.launch(client, lambda hands: self._run(hands, list(names), channel))

    async def keep(self, now: datetime) -> None:
        """Keeps the sounds, to compare the next soundcheck with. Raises `CommandError` when they
        are not all there, or cannot be written."""
        check, rig = self._check, self.bench.the_rig()
        if check is None or not check.complete or rig.path is None:
            raise CommandError("only a soundcheck that was listened to its end is kept", "state")
        from bridge.bench.listened import to_keep
        from bridge.files.sounds import save_sounds

        try:
            await asyncio.to_thread(save_sounds, rig.path, to_keep(check, now), now)
        except OSError as error:
            raise CommandError(f"the sounds cannot be written: {error}", "state") from None
        self._kept = True
        self.on_change()

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

    async def _run(self, hands: BenchHands, names: list[str], channel: int) -> None:
        self._summary = await asyncio.to_thread(self._listen, hands, names, channel)
        if self._check is not None and self._good:
            with contextlib.suppress(CommandError):
                await self.keep(datetime.now())

    def _listen(self, hands: BenchHands, names: list[str], channel: int) -> list[str]:
        """In a thread: all of it; gives the lines at its end."""
        try:
            insist_on_libraries()
            from bridge.bench.hearing import Hearing
            from bridge.bench.listened import ListenedCheck, all_good, summary
            from bridge.files.sounds import load_sounds

            rig, playing = self.bench.control.session.loaded()
            known = {} if rig.path is None else load_sounds(rig.path)
        except BridgeError as error:
            return [str(error)]
        trouble: BridgeError | None = None
        try:
            with self.ears(self._input, channel) as ear:
                self._input = ear.name
                hearing = Hearing(ear, hands)
                self._check = ListenedCheck(rig, playing.document.spec, hearing, known)
                for heard in self._check.run(names):
                    self._heard.append(heard)
                    hands.tell(self.on_change)
        except BridgeError as error:
            trouble = error
        if self._check is None:
            return [str(trouble)]
        self._good = all_good(self._check)
        return summary(self._check, trouble)
