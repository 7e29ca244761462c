"""Tuning of one pitch output at a time, from readings that a person takes.

While a session is open the player plays that output untuned; what was kept before applies again
when it ends, and what the session has found when it is kept. The song must stand; starting it ends
the session. After a restart of the player the tunings of the file are given to it again.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, cast

from bridge.bench.ear_tuner import USE, EarTuner
from bridge.bench.tuning_session import TuningSession
from bridge.bench.workbench import TONE_MS, Workbench
from bridge.control.stream import PresenceChanged, StateChanged
from bridge.errors import BridgeError, CommandError, InputError, PlayerError
from bridge.files import tuning
from bridge.files.rig import Rig
from bridge.files.tuning import Tuning
from bridge.music.scale import note_name
from bridge.protocol.internal import Correct
from bridge.protocol.state import TunedOutput, TuningResult, TuningRow, TuningState
from bridge.voltage.calibration import Correction
from bridge.voltage.least_squares import Fit, Reading, fit
from bridge.voltage.profile import WiredOutput


class Tuner:
    """`on_change` is called when `state` may have changed."""

    def __init__(
        self,
        bench: Workbench,
        *,
        today: Callable[[], datetime] = datetime.now,
        on_change: Callable[[], None] = lambda: None,
    ) -> None:
        self._bench = bench
        self._today = today
        self.on_change = on_change
        self.session: TuningSession | None = None
        self._shown: TuningState | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self.ear = EarTuner(bench, self._correct, self._changed)
        bench.used_by(USE, lambda: self.ear.running)
        stream = bench.control.session.stream
        stream.on(PresenceChanged, self._presence)
        stream.on(StateChanged, self._state)

    # --- a session ----------------------------------------------------------------------------

    async def begin(self, output: str, every: int) -> TuningSession:
        """Puts an output on the bench; `every` semitones between the notes of its ladder.

        Raises `CommandError` when it is no pitch output, another is on the bench, or the song
        runs.
        """
        wired = self._pitch(output)
        self._bench.must_stand()
        if self.session is not None and self.session.wired.name != output:
            raise CommandError(f"{self.session.wired.name} is being tuned; end that first", "state")
        await self.ear.stop()
        self.ear.forget()
        await self._correct(output, None)
        self.session = TuningSession(wired, tuning.ladder(wired.output, every))
        self._changed()
        return self.session

    async def sound(self, note: int | None, client: str) -> TuningSession:
        """Sounds a note of the ladder for half a minute at most; None silences it."""
        session = self._open()
        self._bench.must_be_free(USE)
        await self.ear.stop()
        if note is None:
            await self._bench.rest(session.wired, client)
        else:
            self._known(session, note)
            await self._bench.value(session.wired, "pitch", float(note), client, TONE_MS)
        session.sounding = note
        self._changed()
        return session

    async def listen(self, name: str, channel: int, client: str) -> TuningSession:
        """Listens to the voice on an audio input and takes the readings. Raises `CommandError`
        when it cannot."""
        session = self._open()
        await self.ear.begin(session, name, channel, client)
        return session

    async def listen_no_more(self) -> TuningSession:
        """Ends listening; what was heard stays."""
        session = self._open()
        await self.ear.stop()
        return session

    def read(self, note: int, text: str) -> TuningSession:
        """Takes a reading, or forgets it when `text` is empty. Raises `CommandError` in plain
        words when it cannot be read."""
        session = self._open()
        self._known(session, note)
        text = text.strip()
        if not text:
            session.readings.pop(note, None)
            self._changed()
            return session
        try:
            session.readings[note] = (text, session.parse(note, text))
        except ValueError as error:
            raise CommandError(str(error)) from None
        self._changed()
        return session

    async def keep(self, client: str, *, doubtful: bool = False) -> tuple[Tuning, Path]:
        """Writes what was found beside the rig and gives it to the player; ends the session.

        Raises `CommandError` when there are too few readings, or when they raise a doubt and
        `doubtful` does not say that a person has seen it.
        """
        session = self._open()
        rig = self._bench.the_rig()
        readings, _ = session.taken()
        try:
            made = fit(session.wired.output, readings, self._now().isoformat())
        except InputError as error:
            raise CommandError("; ".join(p.message for p in error.problems), "state") from None
        if made.doubts and not doubtful:
            raise CommandError(f"not kept: {'; '.join(made.doubts)}", "state")
        profile = rig.interfaces[session.wired.port].profile.name
        kept = tuning.tuned(made, readings, profile)
        name = session.wired.name
        path = await self._file(tuning.save_tuning, _path(rig), name, kept, self._now())
        await self._leave(session, kept.correction, client)
        return kept, path

    async def end(self, client: str) -> None:
        """Ends the session; what was kept before applies again."""
        session = self._open()
        await self._leave(session, (await self._kept()).get(session.wired.name), client)

    async def undo(self, output: str) -> tuple[Tuning | None, Path]:
        """Brings back what the output had before its last tuning (None: untuned), and gives it to
        the player; also the file."""
        self._pitch(output)
        path = _path(self._bench.the_rig())
        if self.session is not None and self.session.wired.name == output:
            raise CommandError(f"{output} is being tuned; end that first", "state")
        try:
            before: Tuning | None = await self._file(tuning.undo_tuning, path, output, self._now())
        except InputError as error:
            if all("no tuning to undo" in problem.message for problem in error.problems):
                raise CommandError(f"{output} has no tuning to undo", "state") from None
            raise
        await self._correct(output, None if before is None else before.correction)
        return before, tuning.tuning_path(path)

    # --- what surfaces see --------------------------------------------------------------------

    async def outputs(self) -> list[TunedOutput]:
        """Every pitch output and how it is tuned."""
        rig = self._bench.the_rig()
        found = {} if rig.path is None else await self._file(tuning.load_tuning, rig.path)
        return [
            {
                "output": name,
                "cable": wired.cable,
                "law": wired.output.law,
                "made": found[name].correction.made if name in found else "",
                "points": len(found[name].readings) if name in found else 0,
            }
            for name, wired in rig.wired.items()
            if wired.output.kind == "pitch"
        ]

    def state(self) -> TuningState | None:
        """The session, with what its readings say so far; None when there is none."""
        session = self.session
        if session is None or self._shown is not None:
            return self._shown
        wired = session.wired
        says = ""
        result: TuningResult | None = None
        readings, octaves = session.taken()
        try:
            result = result_of(wired, fit(wired.output, readings), readings, octaves)
        except InputError as error:
            says = "; ".join(problem.message for problem in error.problems)
        self._shown = {
            "output": wired.name,
            "cable": wired.cable,
            "law": wired.output.law,
            "notes": [
                {
                    "note": note,
                    "name": note_name(note),
                    "text": session.readings.get(note, ("", 0.0))[0],
                    "volts": round(session.readings[note][1], 6)
                    if note in session.readings
                    else None,
                }
                for note in session.notes
            ],
            "sounding": session.sounding,
            "says": says,
            "result": result,
            "ear": self.ear.state(),
        }
        return self._shown

    def _changed(self) -> None:
        self._shown = None
        self.on_change()

    # --- inside -------------------------------------------------------------------------------

    def _pitch(self, output: str) -> WiredOutput:
        wired = self._bench.output(output)
        if wired.output.kind != "pitch":
            raise CommandError(f"{output} is a {wired.output.kind} output: only pitch is tuned")
        return wired

    def _open(self) -> TuningSession:
        if self.session is None:
            raise CommandError("nothing is being tuned", "state")
        return self.session

    @staticmethod
    def _known(session: TuningSession, note: int) -> None:
        if note not in session.notes:
            raise CommandError(f"{note} is not a note of this ladder", "unknown")

    async def _leave(
        self, session: TuningSession, correction: Correction | None, client: str
    ) -> None:
        await self.ear.stop()
        self.session = None
        self._changed()
        await self._correct(session.wired.name, correction)
        if session.sounding is not None and self._bench.stands:
            await self._bench.rest(session.wired, client)

    async def _kept(self) -> dict[str, Correction]:
        rig = self._bench.the_rig()
        found: dict[str, Correction] = (await self._file(tuning.corrections, rig))[0]
        return found

    async def _file(self, work: Callable[..., Any], *given: Any) -> Any:
        try:
            return await asyncio.to_thread(work, *given)
        except OSError as error:
            raise CommandError(f"the tuning cannot be read or written: {error}", "state") from None

    async def _correct(self, output: str, correction: Correction | None) -> None:
        given = (
            None
            if correction is None
            else {
                "offset_volts": correction.offset_volts,
                "gain": correction.gain,
                "table": [list(row) for row in correction.table],
                "made": correction.made,
            }
        )
        await self._bench.control.pass_on(Correct(output=output, correction=given))

    def _now(self) -> datetime:
        return self._today().replace(microsecond=0)

    def _presence(self, event: PresenceChanged) -> None:
        if event.present:
            self._start(self._again())

    async def _again(self) -> None:
        """A new player has the tunings that it was started with, which may be old ones."""
        with contextlib.suppress(BridgeError):
            kept = await self._kept()
            for name, wired in self._bench.the_rig().wired.items():
                tuned_now = self.session is not None and self.session.wired.name == name
                if wired.output.kind == "pitch":
                    await self._correct(name, None if tuned_now else kept.get(name))

    def _state(self, event: StateChanged) -> None:
        if self.session is not None and "transport" in event.keys and not self._bench.stands:
            session, self.session = self.session, None
            session.sounding = None  # the song moves the output now
            self._start(self._put_back(session))

    async def _put_back(self, session: TuningSession) -> None:
        self._changed()
        await self.ear.stop()
        with contextlib.suppress(BridgeError):
            await self._correct(session.wired.name, (await self._kept()).get(session.wired.name))

    def _start(self, work: Any) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)


def result_of(
    wired: WiredOutput, found: Fit, readings: list[Reading], octaves: int
) -> TuningResult:
    """What a fit says, for surfaces: volts in mV, errors in cents."""
    correction = found.correction
    rows = tuning.told(wired.output, found, readings)
    return {
        "offset_mv": round(correction.offset_volts * 1000, 3),
        "gain": round(correction.gain, 7),
        "table": [[round(note, 3), round(cents, 3)] for note, cents in correction.table],
        "worst_before": round(found.worst(found.before), 3),
        "worst_after": round(found.worst(found.after), 3),
        "octaves": octaves,
        "warnings": list(found.warnings),
        "doubts": list(found.doubts),
        "rows": [_rounded(row) for row in rows],
    }


def _rounded(row: TuningRow) -> TuningRow:
    rounded = {k: round(v, 6) if isinstance(v, float) else v for k, v in row.items()}
    return cast(TuningRow, rounded)


def _path(rig: Rig) -> Path:
    if rig.path is None:
        raise PlayerError("the rig has no file")
    return rig.path
