"""What is played at this moment, on the disk: for the start after a power cut.

The performance (mutes, macros, section, order, tempo), the place and the clock in use are
written when they have changed, and about once a bar while the song runs, since its place changes.
The text of the set is kept by the service (`bridge.files.working`), when it changes. A file of ours
is written whole or not at all, with a checksum, and in a thread: a slow disk holds nobody up.

An SD card wears out: each write pays for itself out of its share of what may be written in an hour
(`supervisor.spending`), so that over an hour no more can be written.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.files import store
from bridge.music.essential import essential
from bridge.supervisor.spending import MOMENT_BYTES_PER_HOUR, Spending, cost_of, pause_s

if TYPE_CHECKING:
    from bridge.protocol.state import PlayerReport

FILE = "moment"
LOOK_S, GATHER_S = 0.25, 1.0
"""How often it is compared, and for how long what follows a change is gathered."""
END_S = 1.0


def sealed(body: bytes) -> bytes:
    """A line with the digest of what follows, then a moment as JSON."""
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def unsealed(raw: bytes) -> bytes:
    """What `sealed` was given. Raises ValueError when it is not whole."""
    digest, _, body = raw.partition(b"\n")
    if digest != hashlib.sha256(body).hexdigest().encode():
        raise ValueError("its checksum is wrong")
    return body


class Moments:
    """Keeps what is played in `path`; `files` are those of the start."""

    def __init__(
        self, folder: Path, rig: Path, set_file: Path, run: str, spending: Spending | None = None
    ) -> None:
        self.folder = folder
        self.run = run
        self.path = folder / FILE
        self.files = (str(rig.resolve()), str(set_file.resolve()))
        self._changed = threading.Condition()
        self._newest: bytes | None = None
        self._busy = False
        self._thread: threading.Thread | None = None
        self._hand = ""
        self._place: tuple[object, ...] = ()
        self._next_at = 0.0
        self._said = self._problem = ""
        self._spending = spending or Spending()

    def look(self, state: PlayerReport, now: float) -> None:
        """Keeps the moment if it is another one and its turn has come (`now`: monotonic s)."""
        if now < self._next_at or "lanes" not in state or "transport" not in state:
            return
        self._next_at = now + LOOK_S
        transport = state["transport"]
        playing = transport["state"] in ("running", "lost")
        place = (transport["state"], transport["bar"] if playing else transport["tick"])
        hand = json.dumps([essential(state), state["clock"]["source"], state["clock"]["offset_ms"]])
        if (hand, place) == (self._hand, self._place):
            return
        self._hand, self._place = hand, place
        raw = self._moment(state, ended=False)
        cost = cost_of(len(raw))
        self._next_at = now + max(GATHER_S, pause_s(cost, MOMENT_BYTES_PER_HOUR))
        self._spending.spend(now, cost)
        self._offer(raw)

    def news(self) -> str:
        """A line when it cannot be kept any more, or can again; "" when nothing has changed."""
        problem = self._problem
        if problem == self._said:
            return ""
        self._said = problem
        return problem or "the performance is saved again"

    @property
    def problem(self) -> str:
        """Why it cannot be kept now, or ""."""
        return self._problem

    def end(self, state: PlayerReport) -> None:
        """An end in good order: the next start begins anew. Waits for the disk, but not long."""
        if "lanes" in state and "transport" in state:
            self._offer(self._moment(state, ended=True))
        with self._changed:
            self._changed.wait_for(lambda: self._newest is None and not self._busy, END_S)

    def _moment(self, state: PlayerReport, ended: bool) -> bytes:
        transport, clock = state["transport"], state["clock"]
        moment = {
            "format": 1,
            "rig": self.files[0],
            "set": self.files[1],
            "run": self.run,
            "ended": ended,
            "playing": transport["state"] in ("running", "lost"),
            "tick": transport["tick"],
            "bar": transport["bar"],
            "beat": transport["beat"],
            "tempo": transport["tempo"],
            "source": clock["source"],
            "offset_ms": clock["offset_ms"],
            "performance": essential(state),
        }
        return sealed(json.dumps(moment, separators=(",", ":"), allow_nan=False).encode())

    # --- the thread -----------------------------------------------------------------------------

    def _offer(self, raw: bytes) -> None:
        with self._changed:
            self._newest = raw
            if self._thread is None:
                thread = threading.Thread(target=self._write, name="moment", daemon=True)
                with contextlib.suppress(RuntimeError):
                    thread.start()
                    self._thread = thread
            self._changed.notify_all()

    def _write(self) -> None:
        while True:
            with self._changed:
                self._busy = False
                self._changed.notify_all()
                self._changed.wait_for(lambda: self._newest is not None)
                raw, self._newest, self._busy = self._newest, None, True
            assert raw is not None
            try:
                store.write_atomic(self.path, raw, mode=0o600)
            except OSError as error:
                why = error.strerror or error
                self._problem = f"the performance cannot be saved for a power cut: {why}"
            else:
                self._problem = ""
