"""Where the song is between two states."""

from __future__ import annotations

from typing import Any, cast

import pytest

from bridge.control import position as place_module
from bridge.control.position import bar_and_beat, bar_ticks, tick_at
from bridge.music.model import TICKS_PER_QUARTER
from bridge.protocol.state import PlayerReport


def state(**transport: Any) -> PlayerReport:
    running = {"state": "running", "tick": 100.0, "tempo": 120.0, "at_ms": 5000.0}
    return cast(PlayerReport, {"transport": running | transport})


def test_a_running_song_goes_on() -> None:
    """120 quarter notes a minute: two a second, 1920 ticks."""
    assert tick_at(state(), 6000.0) == pytest.approx(100 + 1920)
    assert tick_at(state(tempo=60.0), 6000.0) == pytest.approx(100 + 960)


def test_a_song_that_stands_does_not_move_and_time_never_runs_back() -> None:
    assert tick_at(state(state="stopped"), 9000.0) == 100
    assert tick_at(state(state="armed"), 9000.0) == 100
    assert tick_at(state(), 4000.0) == 100


@pytest.mark.parametrize(
    ("meter", "tick", "expected"),
    [
        ((4, 4), 0, (1, 1)),
        ((4, 4), 3839, (1, 4)),
        ((4, 4), 3840, (2, 1)),
        ((7, 8), 3359, (1, 7)),
        ((7, 8), 3360, (2, 1)),
        ((3, 4), 2880.9, (2, 1)),
    ],
)
def test_bars_and_beats_follow_the_meter(
    meter: tuple[int, int], tick: float, expected: tuple[int, int]
) -> None:
    assert bar_and_beat(cast(PlayerReport, {"meter": list(meter)}), tick) == expected


def test_without_a_meter_it_is_four_four() -> None:
    assert bar_ticks(cast(PlayerReport, {})) == (3840, 960)
    assert vars(place_module)["TICKS_PER_QUARTER"] == TICKS_PER_QUARTER
