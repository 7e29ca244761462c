"""Every performance is recorded: what the player's tape gives is appended to the file of a take.

A take goes from the begin of the song to its stop. It is written every few seconds, in a thread: a
slow disk holds nobody up, and a power cut costs those seconds. Each write pays for itself out of
the takes' share of what may be written in an hour. A disk that is full is said once; what comes
meanwhile waits in memory as long as there is room there, then it is dropped and counted.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from bridge.files import store, take
from bridge.files.take_folder import ENDING, SERVICE_BYTES, TakeFolder
from bridge.player.frames import rows_of
from bridge.protocol.limits import TICKS_PER_QUARTER
from bridge.supervisor.spending import TAKE_BYTES_PER_HOUR, Spending, cost_of, pause_s

GATHER_S = 5.0
"""What is played is written so often; a power cut costs no more of it."""
MOST_BYTES = 512 << 20
"""All takes that are not starred, together: some twenty hours of dense playing."""
FILE_BYTES = SERVICE_BYTES * 7 // 8
"""A take that grows beyond this goes on in a new file as soon as it is told where everything
stands; without that when it would be more than the service works on."""
ROWS_WAIT = 200_000
"""Rows that may wait for the disk: some ten minutes of dense playing, 10 MB."""
JOBS_WAIT = 500
AGAIN_S = 5.0
"""How long a disk that refused is left alone."""
END_S = 2.0


@dataclass(slots=True)
class _Job:
    """Something to append to a take: a part, or its head or foot."""

    path: Path
    part: take.PartWriter | None = None
    raw: bytes = b""
    first: bool = False
    last: bool = False

    @property
    def rows(self) -> int:
        return 0 if self.part is None else self.part.rows


@dataclass(slots=True)
class _Open:
    """The take that is being recorded, and what its foot will say."""

    path: Path
    begin: Mapping[str, object]
    meter: tuple[int, int]
    began_ns: int
    last_ns: int
    first_tick: float
    last_tick: float
    messages: int = 0
    moves: int = 0
    lost: int = 0
    bar: int = field(init=False)
    """Ticks of a bar."""
    origins: dict[int, Mapping[str, Any]] = field(default_factory=dict)
    """What the sets that may still play in it were made of, by their revision."""
    gone: float = 0.0
    """Ticks before the last jump, which was at `jumped_ns`."""
    jumped_ns: int = 0

    def __post_init__(self) -> None:
        self.bar = 4 * TICKS_PER_QUARTER * self.meter[0] // self.meter[1]
        self.first_tick = self.first_tick // self.bar * self.bar

    def left(self, tick: float, due: int) -> None:
        """A message has left."""
        self.last_ns = max(self.last_ns, due)
        if due >= self.jumped_ns:
            self.last_tick = max(self.last_tick, tick)

    def plays(self, revision: int) -> None:
        """No revision of the set before that one plays again, so what they were made of is
        forgotten: a night of edits has thousands of them."""
        self.origins = {of: origin for of, origin in self.origins.items() if of >= revision}

    def jump(self, tick: float, at: int) -> None:
        """The song goes to another place; in the take what comes there follows on."""
        self.gone += max(0.0, self.last_tick - self.first_tick)
        self.first_tick = self.last_tick = tick
        self.jumped_ns = at

    def foot(self) -> dict[str, object]:
        bars = -(-(self.gone + max(0.0, self.last_tick - self.first_tick)) // self.bar)
        return {
            "seconds": round((self.last_ns - self.began_ns) / 1e9, 1),
            "bars": int(bars),
            "messages": self.messages,
            "moves": self.moves,
            "lost": self.lost,
        }


class Recorder:
    """Writes takes into the state folder. `about` gives the head of a take as far as it is known
    here (rig, set, meter, files); `wall` dates it. Times are monotonic seconds."""

    def __init__(
        self,
        state: Path,
        about: Callable[[], Mapping[str, Any]],
        spending: Spending,
        wall: Callable[[], datetime] = lambda: datetime.now().astimezone(),
    ) -> None:
        self.takes = TakeFolder(state)
        self.lost = 0
        """Rows that were lost since the start of the program."""
        self._about = about
        self._spending = spending
        self._wall = wall
        self._take: _Open | None = None
        self._part = take.PartWriter()
        self._next_at = 0.0
        self._changed = threading.Condition()
        self._jobs: deque[_Job] = deque()
        self._busy = False
        self._thread: threading.Thread | None = None
        self._file: int | None = None
        self._file_of: Path | None = None
        self._size = 0
        self._problem = self._said = ""
        self._written = 0
        self._patience = AGAIN_S

    # --- what is played -------------------------------------------------------------------------

    def hear(self, batch: Mapping[str, Any], now: float) -> None:
        """Takes in one batch of the player's tape."""
        marks = batch["marks"]
        first = marks[0] if marks else None
        if first is not None and first["is"] == "begin" and self._take is None:
            self._begin(first, now)
        open_ = self._take
        if open_ is None:
            self.lost += rows_of(batch)
            return
        part = self._part
        for mark in marks:
            if "origin" in mark:
                open_.origins[mark["origin"]["revision"]] = mark["origin"]
            if mark is not open_.begin:
                part.mark(mark)
            if mark["is"] == "jump":
                open_.jump(float(mark["tick"]), int(mark["at"]))
            open_.moves += mark["is"] == "move"
            open_.last_ns = max(open_.last_ns, mark["ns"])
        part.sent(batch["sent"])
        part.events(batch["events"])
        part.lost += batch["lost"]
        open_.lost += batch["lost"]
        self.lost += batch["lost"]
        open_.messages += len(batch["sent"])
        if batch["sent"]:
            tick, due, *_ = batch["sent"][-1]
            open_.left(tick, due)
        if marks and marks[-1]["is"] == "end":
            self._end(now)
        elif self._grown > FILE_BYTES:
            at = next((at for at, mark in enumerate(marks) if mark["is"] == "stands"), None)
            if at is not None:
                self._go_on_in_a_new_file(now, marks[at])
                for mark in marks[at:]:
                    self._part.mark(mark)
        if self._take is not None:
            self._take.plays(batch["plays"])

    def look(self, now: float) -> None:
        """Writes what has gathered, when its turn has come."""
        written = self._take_written()
        if written:
            self._spending.spend(now, written)
            self._next_at = max(self._next_at, now + pause_s(written, TAKE_BYTES_PER_HOUR))
        if self._take is not None and self._part.rows and now >= self._next_at:
            self._next_at = now + GATHER_S
            self._flush()
            if self._grown > FILE_BYTES * 8 // 7:
                self._go_on_in_a_new_file(now)

    @property
    def _grown(self) -> int:
        """Bytes of the file of this take; a slow disk may be at that of an earlier one."""
        return 0 if self._take is None or self._file_of != self._take.path else self._size

    def _begin(self, mark: Mapping[str, Any], now: float) -> None:
        wall = self._wall()
        about = self._about()
        path = self._new_path(wall)
        origin = mark.get("origin", {})
        head = {
            "format": take.FORMAT,
            **about,
            "began": wall.isoformat(timespec="seconds"),
            "file": os.path.basename(str(origin.get("file", ""))),
            "text": origin.get("text", ""),
            "begin": {key: value for key, value in mark.items() if key != "origin"},
        }
        beats, unit = about["meter"]
        at, tick = mark["at"], float(mark["tick"])
        self._take = _Open(path, mark, (beats, unit), at, at, tick, tick)
        self._part = take.PartWriter()
        raw = take.MAGIC + take.json_record("HEAD", head)
        self._offer(_Job(path, raw=raw, first=True))
        self._next_at = now + GATHER_S

    def _end(self, now: float) -> None:
        assert self._take is not None
        self._flush()
        raw = take.json_record("FOOT", self._take.foot())
        self._offer(_Job(self._take.path, raw=raw, last=True))
        self._take = None

    def _flush(self) -> None:
        assert self._take is not None
        part, self._part = self._part, take.PartWriter()
        self._offer(_Job(self._take.path, part))

    def _go_on_in_a_new_file(self, now: float, stands: Mapping[str, Any] | None = None) -> None:
        """What is too long for one file; the second file says that it is one, and, where that is
        known, how everything stood where it begins."""
        before = self._take
        assert before is not None
        self._end(now)
        tick, ns = before.last_tick, before.last_ns
        mark = {**before.begin, "tick": tick, "at": ns, "continues": before.path.stem}
        if stands is not None:
            known = {part: stands[part] for part in ("state", "rendered", "revision")}
            origin = before.origins.get(stands["revision"], before.begin["origin"])
            mark |= {**known, "bpm": stands["state"]["tempo"], "origin": origin}
        self._begin(mark, now)
        if self._take is not None:
            self._take.origins = before.origins  # of a set that waits for its bar, too

    def _new_path(self, wall: datetime) -> Path:
        stamp = wall.strftime("%Y-%m-%dT%H-%M-%S")
        path, count = self.takes.folder / f"{stamp}{ENDING}", 1
        while path.exists() or any(job.path == path for job in self._jobs):
            count += 1
            path = self.takes.folder / f"{stamp}-{count}{ENDING}"
        return path

    # --- what is said ---------------------------------------------------------------------------

    @property
    def problem(self) -> str:
        """Why takes cannot be written now, or ""."""
        return self._problem

    def news(self) -> str:
        """A line when takes cannot be written any more, or can again; "" when nothing has
        changed."""
        problem = self._problem
        if problem == self._said:
            return ""
        self._said = problem
        return problem or "takes are recorded again"

    def end(self, now: float) -> None:
        """An end in good order. Waits for the disk, but not long."""
        if self._take is not None:
            self._end(now)
        with self._changed:
            self._patience = 0.0
            self._changed.notify_all()
            self._changed.wait_for(lambda: not self._jobs and not self._busy, END_S)

    # --- the thread -----------------------------------------------------------------------------

    def _take_written(self) -> int:
        with self._changed:
            written, self._written = self._written, 0
        return written

    def _offer(self, job: _Job) -> None:
        with self._changed:
            self._jobs.append(job)
            self._drop_what_waits_too_long(job)
            if self._thread is None:
                thread = threading.Thread(target=self._write, name="takes", daemon=True)
                with contextlib.suppress(RuntimeError):
                    thread.start()
                    self._thread = thread
            self._changed.notify_all()

    def _drop_what_waits_too_long(self, newest: _Job) -> None:
        """Drops the oldest parts beyond what may wait, never the one that is being written."""
        if newest.part is None and len(self._jobs) <= JOBS_WAIT:
            return  # a head or a foot: nothing could tell any more of what is dropped for it
        waiting = sum(job.rows for job in self._jobs)
        for old in list(self._jobs)[1:-1]:
            if waiting <= ROWS_WAIT and len(self._jobs) <= JOBS_WAIT:
                break
            if old.part is None and len(self._jobs) <= JOBS_WAIT:
                continue
            self._jobs.remove(old)
            waiting -= old.rows
            self.lost += old.rows
            if newest.part is not None:
                # What the part had lost itself was to be read in it.
                newest.part.lost += old.rows + (0 if old.part is None else old.part.lost)
            if self._take is not None:
                self._take.lost += old.rows

    def _write(self) -> None:
        while True:
            with self._changed:
                self._busy = False
                self._changed.notify_all()
                self._changed.wait_for(lambda: bool(self._jobs))
                job, self._busy = self._jobs[0], True
            try:
                raw = job.raw if job.part is None else take.record("PART", job.part.payload())
                self._append(job, raw)
            except OSError as error:
                self._problem = f"this take cannot be recorded: {error.strerror or error}"
                self._close()
                with self._changed:
                    self._busy = False
                    self._changed.notify_all()
                    self._changed.wait(self._patience)
                    if not self._patience:
                        return
                continue
            self._problem = ""
            with self._changed:
                self._written += cost_of(len(raw))
                with contextlib.suppress(ValueError):
                    self._jobs.remove(job)

    def _append(self, job: _Job, raw: bytes) -> None:
        """Appends a record whole, or leaves the file as it was."""
        if self._file_of != job.path or self._file is None:
            self._open(job)
        assert self._file is not None
        try:
            rest = memoryview(raw)
            while rest:
                rest = rest[os.write(self._file, rest) :]
            os.fdatasync(self._file)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._file, self._size)
            raise
        self._size += len(raw)
        if job.first:
            store.flush_folder(job.path.parent)
            self.takes.make_room(MOST_BYTES)
        if job.last:
            self._close()

    def _open(self, job: _Job) -> None:
        self._close()
        job.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        flags = os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC | os.O_APPEND
        self._file = os.open(job.path, flags, 0o600)
        fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        self._size = os.fstat(self._file).st_size
        if job.first and self._size:
            os.ftruncate(self._file, 0)
            self._size = 0
        self._file_of = job.path

    def _close(self) -> None:
        if self._file is not None:
            with contextlib.suppress(OSError):
                os.close(self._file)
        self._file = self._file_of = None
