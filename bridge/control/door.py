"""The one control door: every command from the page, HTTP and OSC passes here, and only here.

A command is paid for from its client's budget, checked against the newest state (names, with "did
you mean"; ranges that depend on the lane), paced (latest wins per address), sent to the player, and
done when the player says so. Here too: who owns a macro, holds that must be refreshed, the turns of
changes of the text, undo and redo.

A client is a short text that names one hand: a page, an HTTP or an OSC host.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from bridge.control.budget import Budget, FairQueue
from bridge.control.edits import Base, Edits
from bridge.control.history import Step, TextChange
from bridge.control.ownership import Holds, Owners, Pacer
from bridge.control.roles import demand
from bridge.control.session import Session
from bridge.control.stream import OwnershipEnded, PresenceChanged
from bridge.control.travel import Travel
from bridge.errors import CommandError, PlayerError, UnansweredError
from bridge.music.handlers import check_setting, known
from bridge.protocol.command import Address, Command
from bridge.protocol.editing import Redo, Undo
from bridge.protocol.gestures import Drop, Fill, SetPace, holders, let_go
from bridge.protocol.performing import (
    Cancel,
    Hold,
    MoveMacro,
    MoveSetting,
    MuteGroup,
    RecallSection,
    Release,
)
from bridge.protocol.running import Start, TryOutput

ACK_S = 0.5  # the player answers within one state frame (33 ms); longer means that it hangs
ANSWER_S = 2.0  # a command without an answer for this long is given up; nobody waits for it
UNANSWERED_MAX = 512  # commands under way; the player keeps twice as many answers
TURN_COMMANDS = 64  # waiting commands that are sent before the loop looks after others
OUR_CLIENTS = ("page ", "http ", "osc ", "midi ")  # how the names of our clients begin
LOOK_S = 0.05  # how often holds and ownerships are looked at while there are any
Then = Callable[[], None]
Change = Callable[[Command, str], Awaitable[dict[str, object]]]


@dataclass(slots=True)
class _Sending:
    """A command on its way, and everybody who waits for it (the overtaken ones too)."""

    command: Command
    client: str
    waiting: list[asyncio.Future[None]] = field(default_factory=list)

    def end(self, error: BaseException | None) -> None:
        for future in self.waiting:
            if future.done():
                continue
            if error is None:
                future.set_result(None)
            else:
                future.set_exception(error)


class Control:
    """The door to `session`. `clock` is monotonic, in seconds. `swap_text` puts a whole set text
    into effect (for undo), `change_lane` copies, clears and randomises lanes in it, `others` carry
    out further commands of the service's own."""

    def __init__(self, session: Session, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.session = session
        self.history = session.history
        self.owners: Owners[Address] = Owners()
        self.holds: Holds[Hold | Fill] = Holds()
        self.edits = Edits(session.text)
        self.budget = Budget(clock())
        self.swap_text: Callable[[TextChange], Awaitable[None]] | None = None
        self.change_lane: Change | None = None
        self.others: dict[type[Command], Change] = {}
        self._clock = clock
        self._pacer: Pacer[Address, _Sending] = Pacer()
        self._latest: dict[Address, object] = {}
        self._unanswered: dict[asyncio.Future[None], float] = {}
        self._backlog: FairQueue[_Sending] = FairQueue()
        self._draining: asyncio.TimerHandle | None = None
        self.travel = Travel(self, self._settle)
        self._wake = asyncio.Event()
        session.stream.on(PresenceChanged, self._presence)

    async def run(self) -> None:
        """Releases holds that are not refreshed, tells when ownerships end, gives up commands
        without an answer; never returns."""
        while True:
            idle = self.holds.next_end() is None and self.owners.next_end() is None
            if idle and not self._unanswered:
                self._wake.clear()
                await self._wake.wait()
            await asyncio.sleep(LOOK_S)
            self.look()

    def look(self) -> None:
        """One look at holds, ownerships and commands whose time may be over."""
        now = self._clock()
        self._give_up(now)
        for client, held in self.holds.expired(now):
            self._release(client, held)
        if self.owners.ended(now):
            self.session.stream.tell(OwnershipEnded())

    # --- commands ---------------------------------------------------------------------------

    async def carry_out(
        self, command: Command, client: str, base: Base | None = None, then: Then = lambda: None
    ) -> dict[str, object]:
        """Carries out any command that a client can send, and returns what is said about it: the
        label of a step that was undone, what a change of a lane has done. `base` is the text that
        such a change was made on, `then` is called while the text is the one it has made. Raises as
        `do`, `InputError` when the set would be wrong, and `ConflictError` when the lanes have
        changed since `base`."""
        demand(command.ROW.role, command.ROW.do)
        if command.ROW.by == "player":
            await self.do(command, client)
            return {}
        if isinstance(command, Undo):
            return {"label": await self.undo(client)}
        if isinstance(command, Redo):
            return {"label": await self.redo(client)}
        if (other := self.others.get(type(command))) is not None:
            if not self.session.present:
                raise PlayerError("the player is away; it is being started again")
            self.charge(client, command.ROW.do)
            return await other(command, client)
        return await self.vary(command, client, base, then)

    async def do(self, command: Command, client: str) -> None:
        """Carries a command of the player's out and returns when the player has applied it.

        Raises `CommandError` when it is refused (nothing of it was applied) and `PlayerError` when
        the player is away or does not answer within `ACK_S`.
        """
        await self._answer(self.submit(command, client))

    def pass_on(self, command: Command) -> asyncio.Future[None]:
        """Sends a command of our own processes: there is no budget, no pace and no undo for it.

        Raises:
            PlayerError: the player is away.
        """
        assert command.ROW.by == "process"
        return self.session.send(command)

    def submit(self, command: Command, client: str) -> asyncio.Future[None]:
        """Checks a command and sends or parks it; the future ends as `do` would.

        Raises as `do` for what is known at once. Nobody needs to wait for the future.
        """
        demand(command.ROW.role, command.ROW.do)
        if not self.session.present:
            raise PlayerError("the player is away; it is being started again")
        now = self._clock()
        sending = _Sending(command, client, [_quiet(asyncio.get_running_loop().create_future())])
        future = sending.waiting[0]
        if client not in self._backlog and self._may_send(client, now):
            self._admit(sending, now)
        else:
            self._wait_for_budget(sending)
        return future

    def charge(self, client: str, what: str = "this") -> None:
        """Spends one command of the client's budget on something that is no command to the player.

        Raises:
            CommandError: kind ``busy``, when the budget is spent.
        """
        if not self.budget.spend(client, 1, self._clock()):
            self.budget.refused += 1
            raise CommandError(f"too many commands at once: '{what}' was not done", "busy")

    def _may_send(self, client: str, now: float) -> bool:
        if len(self._unanswered) >= UNANSWERED_MAX:
            self._give_up(now)
            if len(self._unanswered) >= UNANSWERED_MAX:
                return False
        return self.budget.spend(client, 1, now)

    def _wait_for_budget(self, sending: _Sending) -> None:
        """Parks a command until its client can afford it; a newer one to its address replaces it.
        Gestures cannot be replaced: they are refused."""
        command, client = sending.command, sending.client
        fits = replaced = None
        if command.ROW.paced:
            fits, replaced = self._backlog.put(client, command.address(), sending)
        if not fits:
            self.budget.refused += 1
            raise CommandError(
                f"too many commands at once: '{command.ROW.do}' was not done", "busy"
            )
        if replaced is not None:
            sending.waiting += replaced.waiting
        self._drain_after(0.0)

    def _drain_after(self, wait: float) -> None:
        if self._draining is None:
            loop = asyncio.get_running_loop()
            self._draining = loop.call_later(max(wait, 0.001), self._drain)

    def _drain(self) -> None:
        """Sends what waits, clients in turn, as far as their budgets and this turn go."""
        self._draining = None
        now = self._clock()
        left, idle = TURN_COMMANDS, 0
        while left and idle < len(self._backlog.clients()):
            for client in self._backlog.clients():
                if not left or not self._may_send(client, now):
                    idle += 1
                    continue
                idle, left = 0, left - 1
                sending = self._backlog.take(client)
                try:
                    if not self.session.present:
                        raise PlayerError("the player is away; it is being started again")
                    self._admit(sending, now)
                except (CommandError, PlayerError) as error:
                    sending.end(error)
        if self._backlog:
            waits = (self.budget.wait(one, 1, now) for one in self._backlog.clients())
            self._drain_after(min(max(min(waits), 0.0), LOOK_S))

    def _admit(self, sending: _Sending, now: float) -> None:
        """Checks a command that is paid for and sends it or parks it for its pace."""
        command, client = sending.command, sending.client
        self.check(command)
        if isinstance(command, Start) and self._runs_already(command):
            sending.end(None)
            return
        if isinstance(command, Hold | Fill) and not self._hold(command, client, now):
            sending.end(None)
            return
        if isinstance(command, Release):
            for held in self.holds.of(client):
                self.holds.release(client, held)
        if isinstance(command, MoveMacro):
            if not self.owners.take(command.address(), client, now):
                raise CommandError(f"another hand is on '{command.macro}'", "state")
            self._wake.set()
        key = command.address()
        if isinstance(command, Hold | Fill | Release):
            key = (*key, client)
        wait, replaced = self._pacer.offer(key, sending, now, credit=command.ROW.paced)
        if replaced is not None:
            sending.waiting += replaced.waiting
        elif wait > 0 and not command.ROW.paced:
            self._pacer.drop(key)
            raise CommandError(f"'{command.ROW.do}' comes too fast", "busy")
        elif wait > 0:
            asyncio.get_running_loop().call_later(wait, self._flush, key)
        else:
            self._send(sending)

    def _runs_already(self, command: Start) -> bool:
        """Whether a start would begin again what runs: it does so only when it says so. What was
        sent last counts, though the player has not answered it yet."""
        if command.restart:
            return False
        now = self.session.state.get("transport", {}).get("state")
        return bool(self._latest.get(command.address(), now) == "running")

    def check(self, command: Command) -> None:
        """Raises `CommandError` when the names or values do not fit the set that plays."""
        state = self.session.state
        lanes = state.get("lanes", {})
        lane = getattr(command, "lane", None)
        if lane is not None:
            known("lane", lane, lanes)
        match command:
            case MoveMacro():
                known("macro", command.macro, state.get("macros", {}))
            case RecallSection(section=str(section)) | Cancel(section=str(section)):
                known("section", section, state.get("sections", ()))
            case MuteGroup() | Fill() | Drop() | SetPace() if command.group is not None:
                groups = sorted({g for x in lanes.values() for g in x.get("groups", ())})
                known("group", command.group, groups)
            case MoveSetting():
                check_setting(lanes[command.lane]["kind"], command.setting, command.value)
            case TryOutput() if self.session.outputs:
                known("output", command.output, self.session.outputs)

    async def vary(
        self, command: Command, client: str, base: Base | None = None, then: Then = lambda: None
    ) -> dict[str, object]:
        """Copies, clears or randomises a lane; returns what is said about it (see
        `bridge.session.varying`). Raises `CommandError`, `InputError`, `PlayerError`, and
        `ConflictError` when the lanes have changed since `base`."""
        if not self.session.present or self.change_lane is None:
            raise PlayerError("the player is away; it is being started again")
        self.check(command)
        change = self.change_lane
        lanes = [getattr(command, name, None) for name in ("lane", "to")]

        async def in_turn() -> dict[str, object]:
            if base is not None:
                self.edits.check(base, [("lanes", lane) for lane in lanes if lane is not None])
            return await change(command, client)

        return await self.edits.run(client, in_turn, then)

    def gone(self, client: str) -> None:
        """The client has vanished: its holds are released, its macros are free."""
        for held in self.holds.of(client):
            self._release(client, held)
        self.owners.drop(client)
        for sending in self._backlog.drop(client):
            sending.end(CommandError("its sender has left", "state"))

    def owner(self, macro: str) -> str | None:
        """The client whose finger is on `macro` now."""
        return self.owners.owner(("macro", macro), self._clock())

    # --- undo and redo ----------------------------------------------------------------------

    async def undo(self, client: str) -> str:
        """Takes the last step back and returns its label; `CommandError` when there is none."""
        return await self._in_turn(client, undo=True)

    async def redo(self, client: str) -> str:
        """Repeats the step that was undone last."""
        return await self._in_turn(client, undo=False)

    async def _in_turn(self, client: str, *, undo: bool) -> str:
        self.charge(client, "undo" if undo else "redo")
        # In turn with the changes of the text: a step may be one.
        return await self.edits.run(client, lambda: self.travel.step(client, undo=undo))

    async def together(self, commands: list[Command]) -> None:
        """Sends several commands in one piece and waits for all; raises the first refusal."""
        sent = [self.session.send(command) for command in commands]
        for answer in sent:
            self._unanswered[answer] = self._clock()
            answer.add_done_callback(lambda done: self._unanswered.pop(done, None))
            self._wake.set()
        for result in await asyncio.gather(*map(self._answer, sent), return_exceptions=True):
            if isinstance(result, BaseException):
                raise result

    # --- inside -----------------------------------------------------------------------------

    async def _settle(self) -> None:
        """Waits for what was sent before an undo: it must be in the history first."""
        self._give_up(self._clock())
        if self._unanswered:
            await asyncio.wait(set(self._unanswered), timeout=ACK_S)

    async def _answer(self, future: asyncio.Future[None]) -> None:
        try:
            async with asyncio.timeout(ACK_S):
                await asyncio.shield(future)
        except TimeoutError:
            raise UnansweredError(f"the player did not answer within {ACK_S:g} s") from None

    def _flush(self, key: Address) -> None:
        sending = self._pacer.take(key, self._clock())
        if sending is None:
            return
        try:
            self.check(sending.command)  # the set may have changed while it waited
            self._send(sending)
        except (CommandError, PlayerError) as error:
            sending.end(error)

    def _send(self, sending: _Sending) -> None:
        command = sending.command
        back = command.inverse(self.session.state, self._latest)
        answer = self.session.send(command, sending.client)
        value = command.remembered()
        if value is not None:
            self._latest[command.address()] = value
        step = Step(
            label=command.label(),
            client=sending.client,
            at=self._clock(),
            undo=back,
            redo=(command,),
            sweep=command.address() if command.merges() else None,
        )
        self._unanswered[answer] = self._clock()
        self._wake.set()
        answer.add_done_callback(functools.partial(self._answered, sending, step))

    def _answered(self, sending: _Sending, step: Step, answer: asyncio.Future[None]) -> None:
        self._unanswered.pop(answer, None)
        address = sending.command.address()
        if self._latest.get(address) == sending.command.remembered():
            self._latest.pop(address, None)
        error = PlayerError("the service stops") if answer.cancelled() else answer.exception()
        if error is None and step.undo:
            self.history.add(step)
        sending.end(error)

    def _give_up(self, now: float) -> None:
        """Ends the commands that the player has not answered for `ANSWER_S`: an answer that was
        lost must not be waited for again and again."""
        for answer, sent_at in list(self._unanswered.items()):
            if now - sent_at < ANSWER_S:
                break  # they stand in the order in which they were sent
            if not answer.done():
                answer.set_exception(
                    UnansweredError(f"no answer from the player in {ANSWER_S:g} s")
                )

    def _hold(self, command: Hold | Fill, client: str, now: float) -> bool:
        """Notes a hold; True when the player must be told."""
        if command.active:
            self._wake.set()
            return self.holds.press(client, let_go(command), now)
        return self.holds.release(client, let_go(command))

    def _tell(self, command: Command, client: str) -> None:
        """Sends a command where nobody waits and a player that is away need not know."""
        with contextlib.suppress(PlayerError):
            self.session.send(command, client)

    def _release(self, client: str, held: Hold | Fill) -> None:
        self.holds.release(client, held)
        with contextlib.suppress(CommandError):  # what it was held on may be gone
            self.check(held)
            self._tell(held, client)

    def _presence(self, event: PresenceChanged) -> None:
        self._latest.clear()
        self.holds.clear()  # fingers that still press refresh theirs, and so begin again
        if event.present:  # what a service before this one left held must not stay held
            for client in holders(self.session.state):
                if client.startswith(OUR_CLIENTS):
                    self._tell(Release(), client)


def _quiet(future: asyncio.Future[None]) -> asyncio.Future[None]:
    # Nobody may be waiting (OSC); an exception that nobody asks for is not a fault.
    future.add_done_callback(lambda f: f.cancelled() or f.exception())
    return future
