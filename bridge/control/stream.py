"""What changed, as one stream of typed events.

Whoever changes something tells it here; pages, OSC, lamps, charts and the bench listen to the kinds
that they need. Nobody needs to know who listens.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypedDict, TypeVar

from bridge.files.rig import Rig
from bridge.music.score import Score


class PlayedFrame(TypedDict, total=False):
    """What the player has played: ``events`` rows begin with tick, lane, kind and value; rows of
    ``sent`` (to outputs) and ``input`` (from controllers) are time, port and bytes as hex."""

    events: list[list[object]]
    sent: list[tuple[int, str, str]]
    input: list[tuple[int, str, str]]


class Event:
    """Base of all events."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class StateChanged(Event):
    """The player has said something new: these top-level members of its state differ."""

    keys: frozenset[str]


@dataclass(frozen=True, slots=True)
class PresenceChanged(Event):
    """The player has come or gone."""

    present: bool


@dataclass(frozen=True, slots=True)
class Played(Event):
    """The player has sent messages, or a controller has. Who needs this at once, or wants to hear
    of what lanes play, looks (`Session.look`)."""

    frame: PlayedFrame


@dataclass(frozen=True, slots=True)
class RigChanged(Event):
    """A rig was read or written. `before` is None for the first one."""

    before: Rig | None
    rig: Rig


@dataclass(frozen=True, slots=True)
class ScoreChanged(Event):
    """Another score is what the player plays from now on."""

    score: Score


class DocumentChanged(Event):
    """The set's file, or whether it holds what plays."""


class HistoryChanged(Event):
    """What can be undone and redone."""


class OwnershipEnded(Event):
    """A client's finger has left a macro."""


class MoversChanged(Event):
    """Who is moving what."""


class ControllersChanged(Event):
    """What controllers do, how their knobs stand, or what is being learned."""


class BenchChanged(Event):
    """The tuning session, the soundcheck, or what lines voices up."""


class VoltsChanged(Event):
    """The volts of an output that somebody looks at."""


class ChartsChanged(Event):
    """A new chart of the coming bars."""


E = TypeVar("E", bound=Event)
Listener = Callable[[Any], None]


class Stream:
    """Calls listeners at once, on the loop, in the order in which they came."""

    def __init__(self) -> None:
        self._listeners: dict[type[Event], list[Listener]] = {}

    def on(self, kind: type[E], hear: Callable[[E], None]) -> None:
        """Calls `hear` at every event of that kind."""
        self._listeners.setdefault(kind, []).append(hear)

    def off(self, kind: type[E], hear: Callable[[E], None]) -> None:
        """Ends what `on` began."""
        self._listeners[kind].remove(hear)

    def tell(self, event: Event) -> None:
        """Something has changed."""
        for hear in tuple(self._listeners.get(type(event), ())):
            hear(event)
