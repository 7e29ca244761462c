"""What the player is started with: one pickled object on its standard input."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, Protocol

from bridge.voltage.calibration import Correction
from bridge.voltage.profile import Profile, WiredOutput

if TYPE_CHECKING:
    from bridge.music.score import Score

NS_PER_MS = 1_000_000


class InterfaceLike(Protocol):
    """What is needed of an interface of a rig."""

    @property
    def port(self) -> str: ...
    @property
    def link(self) -> Literal["din", "usb"]: ...
    @property
    def profile(self) -> Profile: ...


@dataclass(frozen=True, slots=True)
class Timing:
    """Milliseconds: how long pitch and levels lead their gate, the shortest closed time before a
    gate opens again, the width of a trigger whose profile has none."""

    lead_ms: float = 2.0
    retrigger_gap_ms: float = 5.0
    trigger_ms: float = 10.0

    @property
    def lead_ns(self) -> int:
        return round(self.lead_ms * NS_PER_MS)

    @property
    def gap_ns(self) -> int:
        return round(self.retrigger_gap_ms * NS_PER_MS)


@dataclass(frozen=True, slots=True)
class ClockSettings:
    """Who leads (``internal`` or a part of a MIDI input's name), how much later everything is
    played (below 0: earlier), and the interfaces that get MIDI clock."""

    follow: str = "internal"
    offset_ms: float = 0.0
    send_to: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PortSpec:
    """One interface's port: the text it is found by, its link, and its own delay."""

    text: str = "simulated"
    link: Literal["din", "usb"] = "usb"
    messages_per_s: float = 0.0
    latency_ms: float = 0.0


def port_specs(interfaces: Mapping[str, InterfaceLike]) -> dict[str, PortSpec]:
    """The port of each interface of a rig."""
    return {
        name: PortSpec(
            text=interface.port,
            link=interface.link,
            messages_per_s=interface.profile.max_messages_per_s,
            latency_ms=interface.profile.latency_ms,
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
    """

    score: Score
    outputs: Mapping[str, WiredOutput]
    ports: Mapping[str, PortSpec]
    socket: str
    corrections: Mapping[str, Correction] = field(default_factory=dict)
    timing: Timing = Timing()
    clock: ClockSettings = ClockSettings()
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
    warnings: tuple[str, ...] = ()
