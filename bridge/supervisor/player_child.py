"""The player as the supervisor sees it: a child that is begun with a start and says ``ready``."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable

from bridge.player.closing import LEFT_S, LOOK_S
from bridge.supervisor.ahead import Child, Players
from bridge.supervisor.lines import Lines
from bridge.supervisor.prepared import Prepared

READY_S = 30.0
PAUSE_S = (1.0, 5.0)
NEXT_AFTER_S = 30.0
"""What the next one comes from is looked after so long after one was ready, when everything else
stands and plays."""


class PlayerChild:
    """`child` is the process, or None; `ready` whether it plays. `said` is told what it writes (it
    should not), `began` that it is ready. It comes from `players`."""

    def __init__(
        self, said: Callable[[str], None], began: Callable[[], None], players: Players
    ) -> None:
        self.child: Child | None = None
        self.ready = False
        self.at: float | None = None
        """When the next one is to be started (monotonic seconds), or None."""
        self._said = said
        self._began = began
        self._players = players
        self._until = 0.0
        self._next_at: float | None = None
        self._pause = 0.0
        self._latest = 0.0
        self._lines: list[Lines] = []

    def start(self, prepared: Prepared) -> Child:
        self.at, self.ready, self._next_at = None, False, None
        self._until = time.monotonic() + READY_S
        self.child = child = self._players.take()
        assert child.stdin is not None
        with contextlib.suppress(BrokenPipeError):
            child.stdin.write(prepared.packed())
            child.stdin.close()
        self._lines = [Lines(child.stdout, self._word), Lines(child.stderr, self._said)]
        return child

    def sources(self) -> list[Lines]:
        """What may become readable."""
        return [lines for lines in self._lines if not lines.ended]

    def look(self, now: float) -> str:
        """Ends one that does not come up; why, or "". Sees to the next one when it is time."""
        if self._next_at is not None and now >= self._next_at:
            self._next_at = now + NEXT_AFTER_S
            self._players.make_ready()
        if self.child is None or self.ready or now < self._until:
            return ""
        self._until = now + READY_S
        self.child.kill()
        return f"was not ready after {READY_S:g} s"

    def end_next(self) -> None:
        """No other is started: what it would come from ends."""
        self._next_at = None
        self._players.close()

    def kill(self) -> None:
        if self.child is not None:
            self.child.kill()

    def ended(self) -> tuple[int, bool]:
        """It has ended: reads its last words, gives its exit code and whether it had been ready."""
        assert self.child is not None
        code, was_ready = self.child.wait(), self.ready
        self.close()
        self.child, self.ready = None, False
        return code, was_ready

    def again(self, slowly: bool) -> None:
        """Another is started: at once, or one that does not even come up, or dies again and again,
        less and less often."""
        low, high = PAUSE_S
        self._pause = min(max(low, 2 * self._pause), high) if slowly else 0.0
        self.at = time.monotonic() + self._pause
        self._latest = self.at + LEFT_S

    def due(self, now: float, left_behind: Callable[[], bool]) -> bool:
        """Whether another is to be started now. While the MIDI system still holds ports of the one
        that died (`left_behind`), it is waited for a moment."""
        if self.at is None or now < self.at:
            return False
        if now < self._latest and left_behind():
            self.at = now + LOOK_S
            return False
        return True

    def close(self) -> None:
        """What it has said is read to the end."""
        for lines in self._lines:
            lines.close()
        self._lines = []

    def _word(self, text: str) -> None:
        if text == "ready":
            self.ready = True
            self._next_at = time.monotonic() + NEXT_AFTER_S
            self._began()
        else:
            self._said(text)
