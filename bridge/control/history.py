"""Undo and redo of everything done by hand, as pairs of absolute actions.

A step knows what brings the state before it back (`undo`) and what repeats it (`redo`). Moves of
one control by one client that follow one another quickly are one step: a sweep of a fader is
undone at once.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

from bridge.protocol.command import Address, Command
from bridge.protocol.state import HistoryState

STEPS_MOST = 200  # at least 100 are promised; a step is small
MERGE_S = 1.0  # moves closer together than this belong to one sweep


@dataclass(frozen=True, slots=True)
class TextChange:
    """An action on the set itself: its whole text, and the file that it belongs to. `renamed` says
    what has another name in it, `parts` what is put back of the performance with it (both as in
    `bridge.music.snapshot`)."""

    text: str
    file: str
    when: str = "bar"
    renamed: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    parts: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Step:
    """One thing done by hand, as the actions that take it back and that repeat it."""

    label: str
    client: str
    at: float
    undo: tuple[Command | TextChange, ...]
    redo: tuple[Command | TextChange, ...]
    sweep: Address | None = field(default=None)


class History:
    """Two bounded stacks. `now` is in seconds; `on_change` is called after every change."""

    def __init__(
        self, on_change: Callable[[], None] = lambda: None, most: int = STEPS_MOST
    ) -> None:
        self._done: deque[Step] = deque(maxlen=most)
        self._undone: list[Step] = []
        self._on_change = on_change

    def add(self, step: Step) -> None:
        """Adds a step, or lengthens the last one when both belong to one sweep."""
        last = self._done[-1] if self._done else None
        if (
            last is not None
            and not self._undone
            and step.sweep is not None
            and (last.sweep, last.client) == (step.sweep, step.client)
            and step.at - last.at <= MERGE_S
        ):
            self._done[-1] = replace(last, at=step.at, redo=step.redo, label=step.label)
        else:
            self._done.append(step)
        self._undone.clear()
        self._on_change()

    def take_undo(self) -> Step | None:
        if not self._done:
            return None
        # What comes after an undo must not melt into the step before it.
        step = replace(self._done.pop(), sweep=None)
        self._undone.append(step)
        self._on_change()
        return step

    def take_redo(self) -> Step | None:
        step = self._undone.pop() if self._undone else None
        if step is not None:
            self._done.append(step)
            self._on_change()
        return step

    def next(self, undo: bool) -> Step | None:
        """The step that would be undone next, or repeated next; it stays where it is."""
        steps = self._done if undo else self._undone
        return steps[-1] if steps else None

    def put_back(self, step: Step, undone: bool) -> None:
        """The step just taken could not be carried out: it returns to where it was. When something
        else was done meanwhile it is not put on top of that."""
        if self.next(not undone) is not step:
            return
        if undone:
            self._done.append(self._undone.pop())
        else:
            self._undone.append(self._done.pop())
        self._on_change()

    def drop(self, step: Step, undone: bool) -> None:
        """The step just taken can never be carried out: it is forgotten."""
        if self.next(not undone) is not step:
            return
        if undone:
            self._undone.pop()
        else:
            self._done.pop()
        self._on_change()

    def steps(self) -> tuple[list[Step], list[Step]]:
        """Everything that can be undone, and everything that can be redone, for `take_over`."""
        return list(self._done), list(self._undone)

    def take_over(self, done: Iterable[Step], undone: Iterable[Step]) -> None:
        """Goes on with the steps of another history."""
        self._done.clear()
        self._done.extend(done)
        self._undone[:] = undone
        self._on_change()

    def summary(self) -> HistoryState:
        """What a surface shows: how many steps each way, and what the next one is."""
        return {
            "undo": len(self._done),
            "redo": len(self._undone),
            "undo_label": self._done[-1].label if self._done else "",
            "redo_label": self._undone[-1].label if self._undone else "",
        }

    def labels(self) -> tuple[list[str], list[str]]:
        """What can be undone, the last first, and what can be redone, the next first."""
        return [s.label for s in reversed(self._done)], [s.label for s in reversed(self._undone)]
