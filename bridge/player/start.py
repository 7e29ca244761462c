"""What the player is started with, on its standard input (`bridge.player.frames.pack_start`)."""

from __future__ import annotations

import pickle
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, BinaryIO

from bridge.voltage.calibration import Correction
from bridge.voltage.profile import WiredOutput
from bridge.voltage.rig_parts import ClockSettings, Interface, Link, Timing

if TYPE_CHECKING:
    from bridge.music.score import Score


@dataclass(frozen=True, slots=True)
class PortSpec:
    """One interface's port: the text it is found by, its link, its own delay, and that of the
    voices at its outputs, by the outputs' full names."""

    text: str = "simulated"
    link: Link = "usb"
    messages_per_s: float = 0.0
    latency_ms: float = 0.0
    voice_ms: Mapping[str, float] = field(default_factory=dict)


def port_specs(interfaces: Mapping[str, Interface]) -> dict[str, PortSpec]:
    """The port of each interface of a rig."""
    return {
        name: PortSpec(
            text=interface.port,
            link=interface.link,
            messages_per_s=interface.profile.max_messages_per_s,
            latency_ms=interface.latency_ms,
            voice_ms=interface.voice_ms,
        )
        for name, interface in interfaces.items()
    }


@dataclass(frozen=True)
class Start:
    """Everything the player needs to play, and nothing it would have to read from a file.

    `snapshot` is a state as the player reports it, to go on from, and `memory` the last place
    that its renderer remembered; `safe` mutes all derived lanes
    (after repeated crashes). `inputs` are further MIDI inputs to listen to, by part of their name.
    `text` and `file` are what the score was made of; the player hands them to whoever asks.
    `play`: it starts by itself, with a `snapshot` from the place that it tells. `parent` is the
    process that starts it, where that is to be watched.
    """

    score: Score
    outputs: Mapping[str, WiredOutput]
    ports: Mapping[str, PortSpec]
    socket: str
    corrections: Mapping[str, Correction] = field(default_factory=dict)
    timing: Timing = field(default_factory=Timing)
    clock: ClockSettings = field(default_factory=ClockSettings)
    inputs: tuple[str, ...] = ()
    rig: str = ""
    set: str = ""
    text: str = ""
    file: str = ""
    version: str = ""
    revision: int = 1
    snapshot: Mapping[str, Any] | None = None
    memory: object | None = None
    play: bool = False
    safe: bool = False
    restarts: int = 0
    parent: int = 0
    warnings: tuple[str, ...] = ()


def read_start(stream: BinaryIO) -> Start:
    """The start that `pack_start` made. Raises EOFError when none came."""
    packed, made, memory, changes = pickle.load(stream)
    start: Start = pickle.loads(packed)
    if made is not None:
        found = pickle.loads(made)  # a score, or the swap that brought it
        score = getattr(found, "score", found)
        changes |= {"score": score, "set": score.spec.name}
    if memory is not None:
        changes["memory"] = pickle.loads(memory)
    return replace(start, **changes)
