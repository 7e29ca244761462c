"""What a player says of itself in tests, made from the types of the real state."""

from __future__ import annotations

from typing import Any, cast

from bridge.protocol.state import (
    LaneState,
    MacroState,
    PendingMute,
    PerformanceState,
    PlayerReport,
    ProcessAbout,
    SectionPending,
    TransportState,
)

EMPTY: PerformanceState = {
    "lanes": {},
    "macros": {},
    "sections": [],
    "section": None,
    "form": {"section": None, "next": None, "tick": None},
    "section_pending": None,
    "order": {
        "running": False,
        "entry": None,
        "next": None,
        "tick": None,
        "ends": None,
        "time": 0,
        "begun": 0,
    },
    "solo_until": None,
    "fills": [],
    "morph": None,
    "tempo": 120.0,
    "tempo_glide": None,
}


def process_about() -> ProcessAbout:
    """What the process of a player with one simulated port knows."""
    return {
        "version": "0.1.0",
        "rig": "Quay rack",
        "ports": {"main": {"port": "simulated", "open": True, "waiting": False, "link": "usb"}},
        "inputs": {},
        "player": {"pid": 1, "realtime": False, "restarts": 0},
    }


def player_report(performance: PerformanceState = EMPTY, **other: object) -> PlayerReport:
    """The whole state of a player that stands at the beginning, with `performance`; `other` are
    top-level members that differ."""
    report: PlayerReport = {
        **process_about(),
        **performance,
        "set": "Low tide",
        "revision": 1,
        "meter": [4, 4],
        "transport": transport_state(tempo=performance["tempo"]),
        "clock": {
            "source": "internal",
            "state": "internal",
            "tempo": performance["tempo"],
            "jitter_ms": 0.0,
            "block_ms": 0.0,
            "two": [],
            "offset_ms": 0.0,
            "others": {},
        },
        "lateness": {
            "count": 0,
            "p50_us": 0,
            "p99_us": 0,
            "worst_us": 0,
            "since": 0,
            "left_out_ms": 0,
            "histogram": [],
        },
        "warnings": [],
    }
    assert other.keys() <= report.keys(), "no such member of the state"
    return cast(PlayerReport, {**report, **other})


def lane_state(**given: Any) -> LaneState:
    """A lane that is heard, with nothing pending and nothing moved by hand."""
    lane: LaneState = {
        "kind": "euclid",
        "out": None,
        "muted": False,
        "under": False,
        "pending": None,
        "held": False,
        "holds": {},
        "solo": False,
        "heard": True,
        "filling": False,
        "freeze": False,
        "groups": [],
        "settings": {},
        "hand": {},
    }
    assert given.keys() <= lane.keys()
    return lane | given  # type: ignore[return-value]


def macro_state(value: float) -> MacroState:
    return {"value": value, "drives": []}


def transport_state(**given: Any) -> TransportState:
    """Stopped at the beginning, at 120."""
    at: TransportState = {
        "state": "stopped",
        "tick": 0.0,
        "bar": 1,
        "beat": 1,
        "tempo": 120.0,
        "at_ms": 0.0,
    }
    assert given.keys() <= at.keys()
    return at | given  # type: ignore[return-value]


def pending_mute(state: PerformanceState, lane: str) -> PendingMute:
    """The mute that waits in this lane; there must be one."""
    pending = state["lanes"][lane]["pending"]
    assert pending is not None, "no mute waits"
    return pending


def pending_section(state: PerformanceState) -> SectionPending:
    """The section to come; there must be one."""
    pending = state["section_pending"]
    assert pending is not None, "no section waits"
    return pending
