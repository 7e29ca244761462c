"""The player as the supervisor sees it: a child that is begun with a start and says ``ready``."""

from __future__ import annotations

import contextlib
import subprocess
import time
from collections.abc import Callable

from bridge.supervisor.ahead import start_player
from bridge.supervisor.lines import Lines
from bridge.supervisor.prepared import Prepared

READY_S = 30.0
PAUSE_S = (1.0, 5.0)


class PlayerChild:
    """`child` is the process, or None; `ready` whether it plays. `said` is told what it writes (it
    should not), `began` that it is ready. The first one may have been begun ahead (`ahead`)."""

    def __init__(
        self,
        said: Callable[[str], None],
        began: Callable[[], None],
        ahead: subprocess.Popen[bytes] | None = None,
    ) -> None:
        self.child: subprocess.Popen[bytes] | None = None
        self.ready = False
        self.at: float | None = None
        """When the next one is to be started (monotonic seconds), or None."""
        self._said = said
        self._began = began
        self._ahead = ahead
        self._until = 0.0
        self._pause = 0.0
        self._lines: list[Lines] = []

    def start(self, prepared: Prepared) -> subprocess.Popen[bytes]:
        self.at, self.ready = None, False
        self._until = time.monotonic() + READY_S
        self.child = child = self.take_process()
        assert child.stdin is not None
        with contextlib.suppress(BrokenPipeError):
            child.stdin.write(prepared.packed())
            child.stdin.close()
        self._lines = [Lines(child.stdout, self._word), Lines(child.stderr, self._said)]
        return child

    def take_process(self) -> subprocess.Popen[bytes]:
        """A process that waits for its `Start`: the one that was begun ahead, or another."""
        child, self._ahead = self._ahead, None
        return start_player() if child is None or child.poll() is not None else child

    def sources(self) -> list[Lines]:
        """What may become readable."""
        return [lines for lines in self._lines if not lines.ended]

    def look(self, now: float) -> str:
        """Ends one that does not come up; why, or ""."""
        if self.child is None or self.ready or now < self._until:
            return ""
        self._until = now + READY_S
        self.child.kill()
        return f"was not ready after {READY_S:g} s"

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

    def close(self) -> None:
        """What it has said is read to the end."""
        for lines in self._lines:
            lines.close()
        self._lines = []

    def _word(self, text: str) -> None:
        if text == "ready":
            self.ready = True
            self._began()
        else:
            self._said(text)
