"""Undo and redo: one step of the history is taken back, or repeated."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Protocol

from bridge.control.edits import Edits
from bridge.control.history import History, TextChange
from bridge.control.roles import demand
from bridge.control.session import Session
from bridge.errors import CommandError
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


class Travel:
    """`settled` waits for what was sent before."""

    def __init__(self, door: Door, settled: Callable[[], Awaitable[None]]) -> None:
        self._door = door
        self._settled = settled
        self._undoing = asyncio.Lock()

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
        try:
            self._hands_are_off(actions, client)
            await self._act(actions)
        except CommandError as error:
            if error.kind == "hand":  # another client owns the control now, and will let go
                self._door.history.put_back(undo)
                raise CommandError(str(error), "state") from None
            if error.kind == "role":  # a device that may do more can take it back
                self._door.history.put_back(undo)
                raise
            # What the player refuses once it refuses for ever: it must not bar the way.
            self._door.history.drop(undo)
            if error.kind == "unknown":
                return ""
            raise
        except BaseException:
            self._door.history.put_back(undo)
            raise
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
