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
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from bridge.files import store
from bridge.files.read import read_bytes
from bridge.music.snapshot import essential
from bridge.protocol.state import PlayerReport
from bridge.supervisor.spending import MOMENT_BYTES_PER_HOUR, Spending, cost_of, pause_s

FILE = "moment"
MOST_BYTES = 4 << 20
LOOK_S, GATHER_S = 0.25, 1.0
"""How often it is compared, and for how long what follows a change is gathered."""
END_S = 1.0

Real = float | int


class Moment(BaseModel):
    """`rig` and `set` are the files of the start, `run` its random name; `ended`: in good order."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)

    format: Literal[1] = 1
    rig: str
    set: str
    run: str
    ended: bool
    playing: bool
    tick: Real = Field(ge=0)
    bar: int = Field(ge=1)
    beat: int = Field(ge=1)
    tempo: Real = Field(gt=0)
    source: str
    offset_ms: Real
    performance: dict[str, Any]


def encode(moment: Moment) -> bytes:
    """A line with the digest of what follows, then the moment."""
    body = moment.model_dump_json().encode()
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def decode(raw: bytes) -> Moment:
    """Raises ValueError when it is not whole, or not ours."""
    digest, _, body = raw.partition(b"\n")
    if digest != hashlib.sha256(body).hexdigest().encode():
        raise ValueError("its checksum is wrong")
    try:
        return Moment.model_validate_json(body)
    except (ValidationError, RecursionError) as error:
        raise ValueError("it is not as we write it") from error


class Moments:
    """Reads what the start before has left, and keeps what this one plays."""

    def __init__(
        self, folder: Path, rig: Path, set_file: Path, run: str, spending: Spending | None = None
    ) -> None:
        self.folder = folder
        self.run = run
        self._path = folder / FILE
        self._files = (str(rig.resolve()), str(set_file.resolve()))
        self._turn = threading.Condition()
        self._newest: bytes | None = None
        self._busy = False
        self._thread: threading.Thread | None = None
        self._hand = ""
        self._place: tuple[object, ...] = ()
        self._next_at = 0.0
        self._said = self._problem = ""
        self._spending = spending or Spending()

    def last(self) -> tuple[Moment | None, str]:
        """The moment that was kept last for these files, and a line when there is one that cannot
        be used."""
        try:
            found = decode(read_bytes(self._path, MOST_BYTES))
        except FileNotFoundError:
            return None, ""
        except (OSError, ValueError) as error:
            return None, f"the last performance cannot be restored from {self._path}: {error}"
        return (found if (found.rig, found.set) == self._files else None), ""

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
        raw = encode(self._moment(state, ended=False))
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
            self._offer(encode(self._moment(state, ended=True)))
        with self._turn:
            self._turn.wait_for(lambda: self._newest is None and not self._busy, END_S)

    def _moment(self, state: PlayerReport, ended: bool) -> Moment:
        transport, clock = state["transport"], state["clock"]
        return Moment(
            rig=self._files[0],
            set=self._files[1],
            run=self.run,
            ended=ended,
            playing=transport["state"] in ("running", "lost"),
            tick=transport["tick"],
            bar=transport["bar"],
            beat=transport["beat"],
            tempo=transport["tempo"],
            source=clock["source"],
            offset_ms=clock["offset_ms"],
            performance=essential(state),
        )

    # --- the thread -----------------------------------------------------------------------------

    def _offer(self, raw: bytes) -> None:
        with self._turn:
            self._newest = raw
            if self._thread is None:
                thread = threading.Thread(target=self._write, name="moment", daemon=True)
                with contextlib.suppress(RuntimeError):
                    thread.start()
                    self._thread = thread
            self._turn.notify_all()

    def _write(self) -> None:
        while True:
            with self._turn:
                self._busy = False
                self._turn.notify_all()
                self._turn.wait_for(lambda: self._newest is not None)
                raw, self._newest, self._busy = self._newest, None, True
            assert raw is not None
            try:
                store.write_atomic(self._path, raw, mode=0o600)
            except OSError as error:
                why = error.strerror or error
                self._problem = f"the performance cannot be saved for a power cut: {why}"
            else:
                self._problem = ""
