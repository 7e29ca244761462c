"""Soundcheck from the page: one output at a time, quietly first, with the answers of a person.

What is sent is the plan of `bridge.bench.checklist`, carried out with single moves while the song
stands; starting the song ends what plays.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from bridge.bench.checklist import NO_CABLE, describe, plan, report_lines, to_check
from bridge.bench.ear_check import EarCheck
from bridge.bench.workbench import Workbench
from bridge.control.stream import StateChanged
from bridge.errors import BridgeError, CommandError
from bridge.music.handlers import known
from bridge.paper.words import CAUTIONS
from bridge.protocol.state import Said, SoundcheckState
from bridge.voltage.profile import WiredOutput

CAUTION = " ".join(CAUTIONS[:2])
SECOND_MS = 1000.0
USE = "the soundcheck sounds an output"


@dataclass(slots=True)
class Check:
    """The outputs to check, and what was said of each (None: not yet)."""

    outputs: list[WiredOutput]
    answers: dict[str, Said] = field(default_factory=dict)
    playing: str | None = None
    loud: bool = False
    ears: EarCheck | None = None


class Soundchecker:
    """`on_change` is called when `state` may have changed."""

    def __init__(
        self,
        bench: Workbench,
        *,
        today: Callable[[], datetime] = datetime.now,
        on_change: Callable[[], None] = lambda: None,
        ear_check: Callable[[Workbench, str, Callable[[], None]], EarCheck] = EarCheck,
    ) -> None:
        self.ear_check = ear_check
        self._bench = bench
        self._today = today
        self.on_change = on_change
        self.check: Check | None = None
        self._work: asyncio.Task[None] | None = None
        bench.used_by(USE, lambda: self._sounding)
        bench.control.session.stream.on(StateChanged, self._state)

    async def begin(self, outputs: Sequence[str] | None) -> Check:
        """Starts anew with these outputs, or with all of the rig that have a cable."""
        self._bench.must_stand()
        names = to_check(self._bench.the_rig().wired) if outputs is None else list(outputs)
        wired = [self._bench.output(name) for name in names]
        await self.stop()
        self.check = Check(wired)
        self.on_change()
        return self.check

    async def play(self, output: str, loud: bool, client: str) -> Check:
        """Plays the plan of an output in the background; what played before ends."""
        check = self._open()
        self._bench.must_be_free(USE)
        known("output in this check", output, [wired.name for wired in check.outputs])
        await self.stop()
        check.playing, check.loud = output, loud
        self._work = asyncio.create_task(self._play(check, self._bench.output(output), client))
        self.on_change()
        return check

    async def listen(self, wanted: str, channel: int, client: str) -> Check:
        """Checks all outputs by an audio input, in the background; what played before ends.
        `wanted` is a part of the input's name; `channel` counts from 1."""
        check = self._open()
        self._bench.must_be_free(USE)
        await self.stop()
        check.ears = self.ear_check(self._bench, wanted, self.on_change)
        check.ears.start([wired.name for wired in check.outputs], channel, client)
        self.on_change()
        return check

    async def keep(self) -> Check:
        """Keeps what the input has heard as the good sounds of this rig."""
        check = self._open()
        if check.ears is None or check.ears.running:
            raise CommandError("nothing was listened to", "state")
        await check.ears.keep(self._today())
        return check

    async def stop(self) -> None:
        """Ends what plays or listens; outputs go back to rest."""
        if self.check is not None and self.check.ears is not None:
            await self.check.ears.stop()
        work, self._work = self._work, None
        if work is not None and not work.done():
            work.cancel()
            await asyncio.gather(work, return_exceptions=True)

    def answer(self, output: str, answer: Said | None) -> Check:
        """What the person says of an output: yes, no, skip, or None to take it back."""
        check = self._open()
        known("output in this check", output, [wired.name for wired in check.outputs])
        check.answers.pop(output, None)
        if answer is not None:
            check.answers[output] = answer
        self.on_change()
        return check

    async def end(self) -> None:
        self._open()
        await self.stop()
        self.check = None
        self.on_change()

    # --- what surfaces see --------------------------------------------------------------------

    def state(self) -> SoundcheckState | None:
        """The check so far; None when there is none."""
        check = self.check
        if check is None:
            return None
        return {
            "outputs": [
                {
                    "output": wired.name,
                    "kind": wired.output.kind,
                    "says": says(wired),
                    "cable": wired.cable,
                    "answer": check.answers.get(wired.name),
                }
                for wired in check.outputs
            ],
            "playing": check.playing,
            "loud": check.loud,
            "listening": None if check.ears is None else check.ears.state(),
        }

    def report(self) -> str:
        """The check as text: what failed stands out; empty when there is no check."""
        check = self.check
        if check is None:
            return ""
        lines = [f"Soundcheck of {self._bench.the_rig().name}, {self._today():%Y-%m-%d %H:%M}"]
        names = [wired.name for wired in check.outputs]
        lines += report_lines(self._bench.the_rig().wired, names, check.answers)
        if check.ears is not None:
            heard = check.ears.state()
            lines += ["", f"Heard on {heard['input']}:", *(one["says"] for one in heard["heard"])]
            lines += heard["summary"]
        return "\n".join(lines) + "\n"

    # --- inside -------------------------------------------------------------------------------

    @property
    def _sounding(self) -> bool:
        ears = None if self.check is None else self.check.ears
        by_hand = self._work is not None and not self._work.done()
        return by_hand or (ears is not None and ears.running)

    def _open(self) -> Check:
        if self.check is None:
            raise CommandError("no soundcheck has begun", "state")
        return self.check

    async def _play(self, check: Check, wired: WiredOutput, client: str) -> None:
        bench, at = self._bench, 0.0
        try:
            with contextlib.suppress(BridgeError):
                for move in plan(wired.output, check.loud):
                    if move.at_ms > at:
                        await bench.sleep((move.at_ms - at) / 1000)
                        at = move.at_ms
                    if move.what == "on":
                        await bench.gate(wired, move.value, client, SECOND_MS)
                    elif move.what == "off":
                        await bench.gate(wired, 0.0, client)
                    else:
                        await bench.value(wired, move.what, move.value, client, SECOND_MS)
        finally:
            if check.playing == wired.name:
                check.playing = None
                self.on_change()
            if bench.stands:
                with contextlib.suppress(BridgeError):
                    await bench.rest(wired, client)

    def _state(self, event: StateChanged) -> None:
        work = self._work
        if "transport" in event.keys and work is not None and not self._bench.stands:
            self._work = None
            work.cancel()
        ears = None if self.check is None else self.check.ears
        if "transport" in event.keys and ears is not None and not self._bench.stands:
            ears.end()


def says(wired: WiredOutput) -> str:
    """What a person should hear or see, in words."""
    if wired.output.address.by == "clock":
        where = wired.cable or NO_CABLE
        return f"{wired.name} ({wired.output.kind}): follows MIDI clock; start the song: {where}"
    return describe(wired)
