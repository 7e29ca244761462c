"""Parts of the state, whole by their types, for doubles of the link: tests name what matters."""

from __future__ import annotations

from typing import Any

from bridge.protocol.state import LaneState, MacroState, TransportState


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
        "still": False,
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
