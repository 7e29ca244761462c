"""Start, Continue, Stop and Song Position, as one table.

The rules, in the order of the MIDI 1.0 Detailed Specification 4.2.1, pp. 27-32, each with what
this table makes of it:

- Playing does not begin at Start or Continue but at the next clock, and that clock *is* the
  position: the first clock after Start is position 0 (p. 30; RFC 6295, B.3). So there is a state
  between them, ``armed``.
- Clocks may run while stopped, for locking; they move nothing (p. 30).
- Start is Song Position 0 followed by Continue (p. 28).
- Stop keeps the position; the clock after the next Continue is the one that Stop kept from
  sounding. A Song Position that comes meanwhile changes it (p. 31). Every gate is closed.
- Song Position counts sixteenths of six clocks: N + Continue plays from clock 6 N (p. 27). It
  should not come while playing (p. 29), but a host that loops sends it: then it waits for the next
  clock and lands there, so that nothing is cut in the middle.
- Stop while stopped, and Continue while playing, are ignored (p. 32). The same page has Start
  while playing ignored; here it goes back to position 0 at the next clock, because a host that
  jumps to its beginning says exactly that, and a second Start before the first clock is harmless
  either way. This is our choice.
- Channel mode messages 120 and 123 may come around Stop and Start (p. 31); they move nothing.
- Loss of the clock while playing (no clock for three expected intervals, without Stop): playing
  goes on at the last tempo in state ``lost``; the clock's return brings ``running`` back.

States:  stopped, armed (waits for the first clock), running, lost (runs on without its clock).
Events:  start, continue, stop, pulse [n], position N, locate N, loss, take, mode N.
Actions, to be carried out in order, at once:

    locate C      not playing; the position is now clock C
    play C        this clock is C: begin there
    jump C        this clock is C and the last one was not C - 1: close the gates, go there
    close         close every open gate, now
    freewheel     the clock is gone: go on at the last tempo
    relock        the clock is back
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal, NamedTuple

from bridge.errors import CommandError

State = Literal["stopped", "armed", "running", "lost"]
Do = Literal["locate", "play", "jump", "close", "freewheel", "relock"]

CLOCKS_PER_POSITION = 6
HIGHEST_POSITION = 16383
"""Song Position has 14 bits (p. T-6)."""


class Action(NamedTuple):
    """One thing to do. `clock` is the MIDI clock (24 to the quarter) for locate, play and jump."""

    do: Do
    clock: int | None = None


# A step of the table: the next state, and the moves to make, in order. Moves are methods of
# Transport; those whose name is an action without a number simply say it.
_Moves = tuple[str, ...]
# fmt: off
TABLE: Mapping[tuple[State, str], tuple[State, _Moves]] = MappingProxyType({
    ("stopped", "start"): ("armed", ("to_zero", "say_locate")),
    ("stopped", "continue"): ("armed", ()),
    ("stopped", "stop"): ("stopped", ()),
    ("stopped", "pulse"): ("stopped", ()),
    ("stopped", "position"): ("stopped", ("to_value", "say_locate")),
    ("stopped", "loss"): ("stopped", ()),
    ("stopped", "take"): ("stopped", ()),

    ("armed", "start"): ("armed", ("to_zero", "say_locate")),
    ("armed", "continue"): ("armed", ()),
    ("armed", "stop"): ("stopped", ()),
    ("armed", "pulse"): ("running", ("begin",)),
    ("armed", "position"): ("armed", ("to_value", "say_locate")),
    ("armed", "loss"): ("armed", ()),
    ("armed", "take"): ("armed", ()),

    ("running", "start"): ("running", ("wait_zero",)),
    ("running", "continue"): ("running", ()),
    ("running", "stop"): ("stopped", ("settle", "close")),
    ("running", "pulse"): ("running", ("advance",)),
    ("running", "position"): ("running", ("wait_value",)),
    ("running", "loss"): ("lost", ("freewheel",)),
    ("running", "take"): ("running", ()),

    ("lost", "start"): ("lost", ("wait_zero",)),
    ("lost", "continue"): ("lost", ()),
    ("lost", "stop"): ("stopped", ("settle", "close")),
    ("lost", "pulse"): ("running", ("relock", "advance")),
    ("lost", "position"): ("lost", ("wait_value",)),
    ("lost", "loss"): ("lost", ()),
    ("lost", "take"): ("running", ()),
})
# fmt: on
"""State, event: (next state, moves). ``locate`` is ``position`` in clocks; ``mode`` is inert."""

STATES: tuple[State, ...] = ("stopped", "armed", "running", "lost")
EVENTS = ("start", "continue", "stop", "pulse", "position", "locate", "loss", "take", "mode")


class Transport:
    """Where the song stands, and what each event makes of it.

    `state` is one of `STATES`. `position` is the clock (24 to the quarter, from 0) that the next
    pulse will play. `waiting` is the clock that a Start or Song Position, come while playing,
    will bring at the next pulse, or None; while it is set, nothing at or after `position` should
    be played yet, or the end of a loop sounds together with its beginning.
    """

    def __init__(self) -> None:
        self.state: State = "stopped"
        self.position = 0
        self.waiting: int | None = None

    def event(self, name: str, value: int | None = None) -> tuple[Action, ...]:
        """What to do now; the state has changed when this returns.

        ``start``, ``continue``, ``stop``, ``loss`` (the clock is gone), ``take`` (the internal
        clock goes on in its place) need no value. ``pulse`` takes how many clocks went by since
        the last one, 1 unless told: 2 after a lost one, 0 for one that came twice (it then counts
        only as the awaited first one), below 0 when the follower takes a wrong count back.
        ``position`` takes sixteenths 0..16383; ``locate`` takes clocks from 0 (a performer's own
        jump). ``mode`` takes a channel mode controller and does nothing.

        Raises CommandError for an unknown name or a value out of range; nothing has changed then.
        """
        if name not in EVENTS:
            raise CommandError(f"the transport knows no {name!r}", "unknown")
        if name == "mode":
            return ()
        clocks = self._clocks(name, value)
        after, moves = TABLE[self.state, "position" if name == "locate" else name]
        self.state = after
        actions: list[Action] = []
        for move in moves:
            actions += self._make(move, clocks)
        return tuple(actions)

    @staticmethod
    def _clocks(name: str, value: int | None) -> int:
        """The value of an event in clocks, checked."""
        if name not in ("pulse", "position", "locate"):
            return 0
        if name == "pulse" and value is None:
            return 1
        if isinstance(value, bool) or not isinstance(value, int):
            raise CommandError(f"{name} needs a whole number")
        if name == "position":
            if not 0 <= value <= HIGHEST_POSITION:
                raise CommandError(f"song position {value} is outside 0 to {HIGHEST_POSITION}")
            return value * CLOCKS_PER_POSITION
        if name == "locate" and value < 0:
            raise CommandError(f"clock {value} is before the beginning")
        return value

    def _make(self, move: str, clocks: int) -> list[Action]:
        """One move of the table."""
        if move == "to_zero":
            self.position = 0
        elif move == "to_value":
            self.position = clocks
        elif move == "wait_zero":
            self.waiting = 0
        elif move == "wait_value":
            self.waiting = clocks
        elif move == "settle":
            self.position = self.position if self.waiting is None else self.waiting
            self.waiting = None
        elif move == "say_locate":
            return [Action("locate", self.position)]
        elif move == "begin":
            self.position += 1
            return [Action("play", self.position - 1)]
        elif move == "advance":
            return self._advance(clocks)
        elif move == "close":
            return [Action("close")]
        elif move == "freewheel":
            return [Action("freewheel")]
        else:
            return [Action("relock")]
        return []

    def _advance(self, clocks: int) -> list[Action]:
        if self.waiting is not None and clocks > 0:
            here = self.waiting
            self.waiting = None
            self.position = here + 1
            return [Action("jump", here)]
        self.position = max(0, self.position + clocks)
        return []
