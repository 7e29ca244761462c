"""The one root of our errors, and the shape in which wrong input is reported.

Tree::

    BridgeError
    ├── InputError (ValueError)      what a person wrote is wrong: all problems at once
    ├── CommandError (ValueError)    a command that arrived is wrong: refused whole
    ├── PortError (OSError)          a MIDI port is missing, ambiguous or busy
    ├── PlayerError (RuntimeError)   the player process cannot be reached or started
    └── MachineError                 the computer refuses: disk, rights, a program that is missing

Each says with which `Exit` a command ends that it ends.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import ClassVar


class Exit(IntEnum):
    """The exit codes of all commands. 2 is that of the library which reads the command line;
    128 and the number of the signal is what shells report (POSIX.1-2017, XCU 2.8.2)."""

    GOOD = 0
    WRONG = 1
    USAGE = 2
    MACHINE = 3
    INTERRUPTED = 130

    @property
    def says(self) -> str:
        """What it means, as the manual says it."""
        return _EXIT_SAYS[self]


_EXIT_SAYS = {
    Exit.GOOD: "good; also after Ctrl-C where that is the usual end (`play`, `demo`, `clockcheck`)",
    Exit.WRONG: (
        "something that you wrote is wrong (said with file, line and column), or what was checked "
        "is not good"
    ),
    Exit.USAGE: "wrong usage: a command, an option or a value that there is not",
    Exit.MACHINE: (
        "the computer refuses: a MIDI port or a program is missing, a disk is full, a network port "
        "is taken, no service answers"
    ),
    Exit.INTERRUPTED: "ended by Ctrl-C, or by a no to what it asked, before it was done",
}


def printable(text: str) -> str:
    """Text that is safe in one line of a terminal: line ends, escapes and the like spelt out."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


class BridgeError(Exception):
    """Root of every error this package raises on purpose. `exit`: what a command ends with."""

    exit: ClassVar[Exit] = Exit.WRONG


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, and where.

    `path` is the dotted way to the value (``lanes.rim.euclid.hits``); `line` and `column`
    count from 1 and are 0 when the place is unknown. `keys` is the same path unjoined
    (mapping keys as str, list positions as int), so that a document can find the place.
    """

    message: str
    path: str = ""
    file: str = ""
    line: int = 0
    column: int = 0
    keys: tuple[str | int, ...] = field(default=(), compare=False)

    def __str__(self) -> str:
        place = printable(self.file)
        if self.line:
            place += f":{self.line}:{self.column}"
        head = f"{place}  " if place else ""
        return f"{head}{self.path}: {self.message}" if self.path else f"{head}{self.message}"

    def facts(self) -> dict[str, str | int]:
        """The problem as plain data, without the file."""
        return {
            "line": self.line,
            "column": self.column,
            "path": self.path,
            "message": self.message,
        }


class InputError(BridgeError, ValueError):
    """What a person wrote is wrong; carries every problem found, in file order."""

    def __init__(self, problems: list[Problem] | tuple[Problem, ...]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


class CommandError(BridgeError, ValueError):
    """A command that arrived is refused; nothing of it was applied.

    `kind` is a short word that a surface can act on: ``unknown`` (no such lane, macro,
    section...), ``value`` (wrong type, not finite, out of range), ``state`` (not possible now),
    ``taken`` (there already; may be replaced), ``hand`` (another hand is on it), ``busy``.
    `fields` says what is wrong with single fields of it.
    """

    def __init__(
        self, message: str, kind: str = "value", fields: Mapping[str, str] | None = None
    ) -> None:
        self.kind = kind
        self.fields = dict(fields or {})
        super().__init__(message)


class MachineError(BridgeError):
    """The computer refuses: a full disk, a folder that may not be written to, a missing program."""

    exit = Exit.MACHINE


class PortError(BridgeError, OSError):
    """A MIDI port is missing, ambiguous or busy."""

    exit = Exit.MACHINE


class PlayerError(BridgeError, RuntimeError):
    """The player process cannot be reached or started."""

    exit = Exit.MACHINE


class UnansweredError(PlayerError):
    """The player was told to do something and has not said whether it did: it may have."""


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """The one suggestion of a known word for one that is not.

    Args:
        word: what was written or sent.
        known: the words that may stand there. Capital letters are no difference.

    Returns:
        ``; did you mean kick?``, to stand behind what is wrong, or nothing where none is close.
    """
    from difflib import get_close_matches  # by each process, for the few that say this

    words = {one.lower(): one for one in known}
    close = get_close_matches(str(word).lower(), list(words), n=1, cutoff=0.6)
    return f"; did you mean {words[close[0]]}?" if close else ""
