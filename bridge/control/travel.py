"""Undo and redo: one step of the history is taken back, or repeated.

A step is kept before it is answered, so that it outlives a service that dies. Where the player does
not answer, or the service dies meanwhile, nobody knows whether the step was done. It then counts as
not done until the state shows that it was: the step is late.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Protocol

from bridge.control.edits import Edits
from bridge.control.history import History, Step, TextChange
from bridge.control.roles import demand
from bridge.control.session import Session
from bridge.control.stream import HistoryChanged, PresenceChanged, ScoreChanged, StateChanged
from bridge.control.undone import is_undone
from bridge.errors import CommandError, UnansweredError
from bridge.protocol.command import Command
from bridge.protocol.internal import PutBack
from bridge.protocol.performing import MoveMacro

LANDING_S = 5.0  # a text that was swapped in waits for a bar line, which comes sooner than this


class Door(Protocol):
    """What is needed of the control door."""

    session: Session
    history: History
    edits: Edits
    swap_text: Callable[[TextChange], Awaitable[None]] | None

    def owner(self, macro: str) -> str | None: ...

    async def together(self, commands: list[Command]) -> None: ...


async def _nowhere() -> None:
    """Keeps nothing."""


class Travel:
    """`settled` waits for what was sent before. `keep` writes the history down where it outlives
    this process, and returns when that is done."""

    def __init__(self, door: Door, settled: Callable[[], Awaitable[None]]) -> None:
        self.keep: Callable[[], Awaitable[None]] = _nowhere
        self._door = door
        self._settled = settled
        self._undoing = asyncio.Lock()
        # One that is taken and not answered, and one that may be done by now; True: undo.
        self._moving: tuple[Step, bool] | None = None
        self._late: tuple[Step, bool] | None = None
        stream = door.session.stream
        for event in (StateChanged, PresenceChanged, ScoreChanged, HistoryChanged):
            stream.on(event, lambda _: self._look())

    def steps(self) -> tuple[list[Step], list[Step], bool | None]:
        """What can be undone, what can be redone, and which of both the last step of may have been
        done by now (True: of the first); for `take_over`."""
        done, undone = self._door.history.steps()
        if self._moving is None:
            return done, undone, None if self._late is None else self._late[1]
        step, undo = self._moving
        if self._door.history.next(not undo) is not step:  # something else was done since
            return done, undone, None
        one, other = (undone, done) if undo else (done, undone)
        other.append(one.pop())
        return done, undone, undo

    def take_over(self, done: list[Step], undone: list[Step], late: bool | None) -> None:
        """Go on where another service was; see `steps`."""
        self._door.history.take_over(done, undone)
        step = None if late is None else self._door.history.next(late)
        if late is not None and step is not None:
            self._may_be_done(step, late)

    def _may_be_done(self, step: Step, undo: bool) -> None:
        self._late = step, undo
        self._look()

    def _look(self) -> None:
        """Moves the step that was late once the state shows that it was done."""
        history, session = self._door.history, self._door.session
        if self._late is None or self._moving is not None:
            return
        step, undo = self._late
        if history.next(undo) is not step:  # something else was done since
            self._late = None
        elif session.present and is_undone(step, session) is undo:
            self._late = None
            history.take_undo() if undo else history.take_redo()

    async def step(self, client: str, *, undo: bool) -> str:
        """Takes one step back, or repeats it.

        Returns:
            The label of the step.

        Raises:
            CommandError: there is none, or it cannot be taken now.
            PlayerError: the player is away, or does not answer.
        """
        async with self._undoing:
            await self._settled()
            playing = self._door.edits.text_now()
            if playing is not None:
                # What a step is about may be a lane that the text before brings back only now.
                await self._door.session.reach(playing.revision, LANDING_S)
            while not (label := await self._take_step(client, undo)):
                pass
            return label

    async def _take_step(self, client: str, undo: bool) -> str:
        """Takes one step back (or repeats it) and returns its label; "" for a step about something
        that is not there any more: it is dropped, and the one before it is what is meant."""
        step = self._door.history.take_undo() if undo else self._door.history.take_redo()
        if step is None:
            raise CommandError(f"nothing to {'undo' if undo else 'redo'}", "state")
        actions = step.undo if undo else step.redo
        self._late, self._moving = None, (step, undo)
        try:
            self._hands_are_off(actions, client)
            await self.keep()  # a service that dies from here on leaves a step that is late
            await self._act(actions)
        except CommandError as error:
            self._moving = None
            if error.kind == "hand":  # another client owns the control now, and will let go
                self._door.history.put_back(step, undo)
                raise CommandError(str(error), "state") from None
            if error.kind == "role":  # a device that may do more can take it back
                self._door.history.put_back(step, undo)
                raise
            # What the player refuses once it refuses for ever: it must not bar the way.
            self._door.history.drop(step, undo)
            if error.kind == "unknown":
                return ""
            raise
        except BaseException as error:
            self._moving = None
            self._door.history.put_back(step, undo)
            if isinstance(error, UnansweredError):
                self._may_be_done(step, undo)
            raise
        self._moving = None
        await self.keep()
        return step.label

    def _hands_are_off(self, actions: Sequence[Command | TextChange], client: str) -> None:
        for action in actions:
            if isinstance(action, TextChange):
                demand("edit", "a step that changes the text")
            for macro in _moves(action):
                if self._door.owner(macro) not in (None, client):
                    raise CommandError(f"another hand is on '{macro}'", "hand")

    async def _act(self, actions: Sequence[Command | TextChange]) -> None:
        """Actions of a step: commands as they go to the player, or changes of the text."""
        await self._door.together([action for action in actions if isinstance(action, Command)])
        for action in actions:
            if isinstance(action, TextChange):
                assert self._door.swap_text is not None
                await self._door.swap_text(action)


def _moves(action: Command | TextChange) -> list[str]:
    """The macros that an action of a step is about (a section is about more than them)."""
    match action:
        case MoveMacro():
            return [action.macro]
        case PutBack() if "section" not in action.parts:
            return list(action.parts.get("macros", ()))
    return []
