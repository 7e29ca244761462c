"""What was performed lately is remembered in little, however many hands move."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from bridge.control.stream import StateChanged
from bridge.session.recent import SWEEP_TICKS, Recent

BAR = 3840  # 4/4: four quarters of 960 ticks


class Said:
    """A session that says what it is told to."""

    def __init__(self) -> None:
        self.stream = self
        self.state: dict[str, Any] = {}
        self.recent = Recent(self, float)  # type: ignore[arg-type]

    def on(self, kind: type[StateChanged], listener: Any) -> None:
        self.listener = listener

    def at(self, tick: float, macro: float, rim: bool = True) -> None:
        transport = {"state": "running", "tick": tick, "at_ms": 0.0, "tempo": 120.0}
        self.state = {
            "transport": transport,
            "lanes": {"rim": {"heard": rim, "hand": {}, "solo": False}},
            "macros": {"tone": {"value": macro}},
            "section": None,
            "tempo": 120.0,
            "meter": [4, 4],
            "bar_ticks": BAR,
        }
        keys = frozenset(self.state)
        self.listener(SimpleNamespace(keys=keys))


def test_a_sweep_makes_a_row_for_each_32nd_and_ends_where_it_ended() -> None:
    said = Said()
    for tick in range(0, 2 * BAR + 1, 10):
        said.at(tick, tick % 997 / 997)
    said.at(2 * BAR + 10, 0.5)
    said.at(3 * BAR, 0.5)
    rows = said.recent._rows
    assert len(rows) <= 3 * BAR / SWEEP_TICKS + 1
    [_, second, third] = said.recent.bars(3)
    assert sum(ticks for ticks, _ in second) == BAR
    assert all(stand.macros == {"tone": 0.5} for _, stand in third)


def test_a_mute_within_a_sweep_has_its_own_place() -> None:
    """Only what moves all the time is thinned: who was heard when is exact."""
    said = Said()
    for tick in range(0, BAR + 1, 10):
        said.at(tick, tick / BAR, rim=not 1010 <= tick < 1050)
    [bar] = said.recent.bars(1)
    out = sum(ticks for ticks, stand in bar if not stand.heard["rim"])
    assert out == 40
