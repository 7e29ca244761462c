"""Places that a renderer can be put to."""

from __future__ import annotations

from typing import NamedTuple

from bridge.music.ensemble import Kept
from bridge.music.event import Event
from bridge.music.mix import MixerState


class Mark(NamedTuple):
    """How everything stood when the grid had come to `tick`."""

    tick: int
    nodes: Kept
    mixer: MixerState
    waiting: tuple[tuple[Event, bool], ...]


class Stood(NamedTuple):
    """The tick up to which events were given out, how everything stood then, and which outputs were
    on their way (see `Mixer.going`)."""

    position: int
    mark: Mark
    going: tuple[str, ...] | None


class Way(NamedTuple):
    """How far the way to a place has come; what was left out matters before `exact_from`."""

    position: int
    mark: Mark
    exact_from: int
    marks: tuple[Mark, ...]
