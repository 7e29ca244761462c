"""What a rig says of its interfaces, its clock and its timing, as frozen values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from bridge.voltage.profile import Profile

NS_PER_MS = 1_000_000
Link = Literal["din", "usb"]


def offset_ns_of(ms: float) -> int:
    """Milliseconds, rounded to tenths of one, in ns."""
    return round(ms * 10) * (NS_PER_MS // 10)


@dataclass(frozen=True, slots=True)
class Interface:
    """One interface of the rig: what it is, the MIDI port text it is found by, its link.

    `latency_ms` is how late it is, by the rig or else by its profile; `voice_ms` how late the
    voices at its outputs are besides, by full name. What goes there is sent so much earlier.
    """

    name: str
    profile: Profile
    port: str
    link: Link
    latency_ms: float = 0.0
    voice_ms: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ClockSettings:
    """Who leads. `follow` is ``internal`` or a part of a MIDI input's name; `offset_ms` below 0
    plays earlier; `send_to` are the interfaces that get MIDI clock from us."""

    follow: str = "internal"
    offset_ms: float = 0.0
    send_to: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Timing:
    """`lead_ms`: pitch and levels go out this long before their gate; `retrigger_gap_ms`: shortest
    closed time before a gate opens again; `trigger_ms`: width of a trigger without one of its own.
    Starting values: common practice, no source."""

    lead_ms: float = 2.0
    retrigger_gap_ms: float = 5.0
    trigger_ms: float = 10.0

    @property
    def lead_ns(self) -> int:
        return round(self.lead_ms * NS_PER_MS)

    @property
    def gap_ns(self) -> int:
        return round(self.retrigger_gap_ms * NS_PER_MS)
