"""The service as the supervisor sees it: a child that is started, heard, and started again.

It says ``ready ADDRESS`` once (with ``--lan`` followed by a code), then ``alive`` about once a
second from its loop. One that says nothing for too long is ended and counts as dead: soon when it
does nothing meanwhile (it was stopped, or waits for itself), later when it works.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from bridge.files.slots import make_handle
from bridge.late import WITHOUT_COLUMNS
from bridge.player.realtime import PARENT
from bridge.supervisor.lines import Lines

PAUSE_S = (0.0, 0.2, 5.0)
"""Before the first start after one that was ready, before the second, and at most."""
READY_S = 60.0
HANGS_S, IDLE_S = 2.0, 0.5
"""One that has been silent for so long is ended, unless it worked in the last part of that."""
SILENT_S = 10.0
"""Far above what any work of the service takes; below what a performer waits."""

ONE_HEAP = {"MALLOC_ARENA_MAX": "1"}
"""glibc gives each thread a heap, and what one thread has freed no other gets. The threads of the
service take turns anyway (measured: 2 MB less after 60 edits). Other C libraries do not read it."""


class ServiceChild:
    """`child` is the process, or None. `said` is told its log, `ready` its address and
    a code that lets a device in (or "") at each start.

    Args:
        options: what the service is started with, by the names of `ServiceOptions`.
        secret: more of its environment.
    """

    def __init__(
        self,
        options: Mapping[str, object],
        secret: dict[str, str],
        said: Callable[[str], None],
        ready: Callable[[str, str], None],
    ) -> None:
        self.child: subprocess.Popen[bytes] | None = None
        self.at: float | None = None
        """When it is to be started (monotonic seconds), or None."""
        self.starts = 0
        self.ready = False
        self._memory = make_handle()
        given = json.dumps({**options, "memory": self._memory})
        child = ["-m", "bridge.supervisor.child", "bridge.service", given]
        self._arguments = [sys.executable, *WITHOUT_COLUMNS, *child]
        self._secret = secret
        self._said = said
        self._told_ready = ready
        self._pause = PAUSE_S[0]
        self._until = 0.0
        self._heard = 0.0
        self._ticks: tuple[int | None, float] = None, 0.0
        """The processor time that it had used when last seen asleep, and since when it was that."""
        self._lines: list[Lines] = []

    def start(self) -> subprocess.Popen[bytes]:
        self.at, self.ready = None, False
        self.starts += 1
        self._until = time.monotonic() + READY_S
        self.child = child = subprocess.Popen(
            self._arguments,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, **ONE_HEAP, **self._secret, PARENT: str(os.getpid())},
            start_new_session=True,
            pass_fds=(self._memory,),
        )
        self._lines = [Lines(child.stdout, self._word), Lines(child.stderr, self._said)]
        return child

    def sources(self) -> list[Lines]:
        """What may become readable."""
        return [lines for lines in self._lines if not lines.ended]

    def look(self, now: float) -> str:
        """Ends it when it has said nothing for too long; why, or ""."""
        if self.child is None or (now < self._until and not self._hangs(now)):
            return ""
        self._until = now + SILENT_S
        self.child.kill()
        return "does not answer" if self.ready else f"was not ready after {READY_S:g} s"

    def awake(self, now: float) -> None:
        """After a pause of our own, its silence says nothing."""
        self._until = max(self._until, now + SILENT_S)
        self._heard = now

    def _hangs(self, now: float) -> bool:
        """Whether it has been silent for a while, and has not worked in the last part of that."""
        assert self.child is not None
        silent = now - self._heard
        if not self.ready or silent < HANGS_S - IDLE_S:
            return False
        ticks = cpu_ticks_asleep(self.child.pid)
        if ticks is None or ticks != self._ticks[0]:
            self._ticks = ticks, now
        return silent >= HANGS_S and now - self._ticks[1] >= IDLE_S

    def ended(self) -> int:
        """It has ended: reads its last words, and gives its exit code. It is to be started again
        at `at`."""
        child = self.child
        assert child is not None
        code = child.wait()
        for lines in self._lines:
            lines.close()
        self._lines = []
        self.child = None
        self.at = time.monotonic() + self._pause
        _, second, most = PAUSE_S
        self._pause = min(max(second, self._pause * 2), most)
        return code

    def close(self) -> None:
        """No other is started: what outlived it ends, and the rest of its log is read."""
        for lines in self._lines:
            lines.close()
        os.close(self._memory)

    def _word(self, text: str) -> None:
        if text.startswith("ready "):
            self._pause = PAUSE_S[0]
            self.ready = True
            _, address, *code = text.split(" ")
            self._told_ready(address, *(code or [""]))
        elif text != "alive":
            self._said(text)
            return
        if self.ready:
            self._heard = time.monotonic()
            self._until = self._heard + SILENT_S


def cpu_ticks_asleep(pid: int) -> int | None:
    """The processor time that a sleeping or stopped process has used (proc(5), stat: utime, stime).

    Returns:
        Ticks of the system's clock. None while its main thread runs, is to run, or waits for a
        disk, and where that cannot be read: then nothing can be said of it.

    """
    try:
        state, *fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return None
    return sum(map(int, fields[10:12])) if state in "STt" else None
