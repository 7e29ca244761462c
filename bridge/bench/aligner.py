"""Lining voices up from the page: how late each sounds, what makes all fall together, written into
the rig only when somebody says so.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING

from bridge.bench.checklist import NO_GATES, gates_to_check
from bridge.bench.ear_work import BenchHands, EarWork
from bridge.bench.workbench import Workbench
from bridge.clock.source import INTERNAL
from bridge.control.stream import StateChanged
from bridge.errors import BridgeError, CommandError, InputError
from bridge.files.rig import Rig, parse_rig
from bridge.listen.opening import Ears, listening
from bridge.listen.wrong import insist_on_libraries
from bridge.protocol.state import AlignState, Hearing

if TYPE_CHECKING:
    from bridge.bench.hearing import Struck
    from bridge.bench.lining import Plan

USE = "voices are being lined up"


@dataclass(slots=True)
class Found:
    """What was heard so far. `rig` is what the rig file said when it began; `plan` what would be
    written; `says` how it ended, what is in the way, and what is proposed, in words."""

    rig: Rig
    late: dict[str, Struck] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)
    plan: Plan | None = None
    says: list[str] = field(default_factory=list)
    proposed: list[str] = field(default_factory=list)
    complete: bool = False
    applied: bool = False


class Aligner(EarWork):
    """One at a time. What was found stays until it is forgotten or begun anew."""

    def __init__(
        self,
        bench: Workbench,
        *,
        today: Callable[[], datetime] = datetime.now,
        on_change: Callable[[], None] = lambda: None,
        ears: Ears = listening,
    ) -> None:
        super().__init__(bench, on_change, ears)
        self._today = today
        self._input = ""
        self._hears: Hearing = "voices"
        self.found: Found | None = None
        bench.used_by(USE, lambda: self.running and self._hears == "voices")
        bench.control.session.stream.on(StateChanged, self._state_changed)

    # --- what is asked of it ------------------------------------------------------------------

    async def listen(self, wanted: str, channel: int, hits: int, client: str) -> None:
        """Strikes each voice whose cable is written down, in the background.

        Args:
            wanted: a part of the input's name.
            channel: of it, from 1.
            hits: how often each is struck.
            client: who asks.

        Raises:
            CommandError: it listens already, the song runs, something else uses the bench, or there
                is no gate to strike.
        """
        self._must_be_idle()
        self.bench.must_be_free(USE)
        rig = self.bench.the_rig()
        names = gates_to_check(rig.wired)
        if not names:
            raise CommandError(NO_GATES, "state")
        self._input, self._hears = wanted, "voices"
        found = self.found = Found(rig)

        async def work(hands: BenchHands) -> None:
            await asyncio.to_thread(self._strike, found, hands, names, channel, hits)

        self.launch(client, work)
        self.on_change()

    async def click(self, wanted: str, channel: int, seconds: float, client: str) -> None:
        """Hears the click of the host that is followed, for so many seconds, in the background.

        Raises:
            CommandError: the voices were not listened to before, or no host is followed.
        """
        self._must_be_idle()
        found = self._whole()
        if self.bench.control.session.state["clock"]["source"] == INTERNAL:
            raise CommandError("the rig follows no host, so there is no click to line up with")
        self._input, self._hears = wanted, "click"

        async def work(hands: BenchHands) -> None:
            await self._hear_click(found, hands, channel, seconds)

        self.launch(client, work)
        self.on_change()

    async def apply(self) -> None:
        """Writes what is proposed into the rig file; it holds from the next start.

        Raises:
            CommandError: nothing is proposed, or the file cannot be written.
        """
        self._must_be_idle()
        found = self._whole()
        plan = found.plan
        if plan is None or not plan.changes or found.applied:
            raise CommandError("there is nothing to be changed", "state")
        from bridge.bench.lining import write_plan

        session = self.bench.control.session
        try:
            written, _ = await asyncio.to_thread(write_plan, found.rig, plan, self._today())
        except OSError as error:
            raise CommandError(f"the rig cannot be written: {error}", "state") from None
        except InputError as error:
            raise CommandError(f"the rig file: {words_of(error)}", "state") from None
        # Interfaces are opened at a start, so only the text is another one now.
        session.use_rig(replace(session.the_rig(), text=written.text))
        found.applied = True
        self.on_change()

    async def forget(self) -> None:
        """Ends it, and forgets what was found. `CommandError` when there is nothing."""
        if self.found is None:
            raise CommandError("nothing was lined up", "state")
        await self.stop()
        self.found = None
        self.on_change()

    # --- what surfaces see --------------------------------------------------------------------

    def state(self) -> AlignState | None:
        """What was found; None before anything was."""
        found = self.found
        if found is None:
            return None
        plan = found.plan
        return {
            "input": self._input,
            "running": self.running,
            "hears": self._hears,
            "heard": [
                {"output": name, "good": one.placed, "says": says}
                for (name, one), says in zip(found.late.items(), found.said, strict=False)
            ],
            "says": list(found.says),
            "proposed": list(found.proposed),
            "before_ms": None if plan is None else round(plan.apart_ms(0), 2),
            "after_ms": None if plan is None else round(plan.apart_ms(1), 2),
            "offset": plan is not None and plan.offset is not None,
            "complete": found.complete and plan is not None,
            "changes": plan is not None and plan.changes,
            "applied": found.applied,
        }

    # --- inside -------------------------------------------------------------------------------

    def _must_be_idle(self) -> None:
        if self.running:
            raise CommandError("it is listening already", "state")

    def _whole(self) -> Found:
        if self.found is None or not self.found.complete or self.found.plan is None:
            raise CommandError("the voices have to be listened to first, all of them", "state")
        return self.found

    def _strike(
        self, found: Found, hands: BenchHands, names: list[str], channel: int, hits: int
    ) -> None:
        """In a thread: all voices."""
        try:
            insist_on_libraries()
            from bridge.bench.hearing import Hearing
            from bridge.bench.lining import LiningUp, late_words, plan_of

            rig = found.rig
            if rig.path is not None:
                # What was applied before stands in the text only, until the next start.
                said = parse_rig(rig.text, rig.path.name, rig.path.parent)
                found.rig = rig = replace(said, path=rig.path)
            with self.ears(self._input, channel) as ear:
                self._input = ear.name
                lining = LiningUp(rig, Hearing(ear, hands), hits)
                for name in lining.run(names):
                    found.said.append(late_words(rig, name, lining.late[name]))
                    found.late[name] = lining.late[name]
                    hands.tell(self.on_change)
            found.complete = lining.complete
            self._propose(found, plan_of(rig, found.late))
        except (BridgeError, ValueError) as error:
            early = "" if found.complete else "ended early: "
            found.says = [f"{early}{words_of(error)}", "What was heard is not applied."]

    def _propose(self, found: Found, plan: Plan) -> None:
        from bridge.bench.lining import plan_words

        found.plan, found.applied = plan, False
        found.proposed = [line.strip() for line in plan_words(found.rig, plan)]
        found.says = [] if plan.changes else ["Nothing is to be changed."]

    async def _hear_click(
        self, found: Found, hands: BenchHands, channel: int, seconds: float
    ) -> None:
        """While it is heard, the player says where the song is."""
        plan = found.plan
        assert plan is not None
        stream = self.bench.control.session.stream
        try:
            insist_on_libraries()
            from bridge.bench.click import PlayedGrid

            grid = PlayedGrid()

            def note(event: StateChanged) -> None:
                if "transport" in event.keys:
                    grid.note(self.bench.control.session.state)

            stream.on(StateChanged, note)
            try:
                clicks = await asyncio.to_thread(self._clicks, hands, channel, seconds)
            finally:
                stream.off(StateChanged, note)
            offset = grid.offset_ms(clicks, plan.first_ms)
            self._propose(found, replace(plan, offset=(found.rig.clock.offset_ms, offset)))
        except (BridgeError, ValueError) as error:
            found.says = [f"no offset: {words_of(error)}"]

    def _clicks(self, hands: BenchHands, channel: int, seconds: float) -> list[float]:
        from bridge.bench.click import hear_clicks

        with self.ears(self._input, channel) as ear:
            self._input = ear.name
            hands.tell(self.on_change)
            return hear_clicks(ear, seconds, hands.now_ns(), lambda: hands.wait(0.0))

    def _state_changed(self, event: StateChanged) -> None:
        if "transport" in event.keys and self._hears == "voices" and not self.bench.stands:
            self.end()


def words_of(error: BridgeError | ValueError) -> str:
    """What is wrong, on one line."""
    if isinstance(error, InputError):
        return "; ".join(problem.message for problem in error.problems)
    return str(error)
