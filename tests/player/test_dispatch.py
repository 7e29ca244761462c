"""Commands that touch more than the performance."""

from __future__ import annotations

from typing import Any

import pytest
from support.desk import BAR, Desk, gate_lane, score_of

from bridge.errors import CommandError
from bridge.music.model import Lane, Levels
from bridge.player.dispatch import let_go
from bridge.voltage.rig_parts import offset_ns_of


def desk() -> Desk:
    return Desk(score_of(gate_lane("kick", "x..."), gate_lane("hats", "xxxx", 2)))


@pytest.mark.parametrize(
    ("ms", "ns"), [(0.1, 100_000), (-99.96, -100_000_000), (12.34, 12_300_000)]
)
def test_the_offset_goes_in_tenths(ms: float, ns: int) -> None:
    assert offset_ns_of(ms) == ns


@pytest.mark.parametrize(
    ("word", "fields"),
    [
        ("quit", {}),
        ("listen", {"port": "desk"}),
        ("feedback", {"port": "desk", "data": "b0077f"}),
        ("input", {"port": "desk", "data": "b0077f"}),
    ],
)
def test_commands_for_the_process_are_refused_by_the_player(
    word: str, fields: dict[str, Any]
) -> None:
    with pytest.raises(CommandError, match="process"):
        desk().do(word, **fields)


def test_a_lane_is_sent_back_to_its_beginning() -> None:
    playing = Desk(score_of(gate_lane("odd", "x......", 1)))
    playing.start()
    playing.run_to(BAR + 480)
    before = len(playing.ons())
    playing.do("reset", lane="odd")
    playing.run(300)
    assert len(playing.ons()) == before + 1


def test_holds_are_let_go_when_whoever_passed_them_on_is_gone() -> None:
    playing = desk()
    playing.start()
    playing.do("hold", lane="kick", muted=True, client="left", active=True)
    playing.do("hold", lane="hats", muted=True, client="right", active=True)
    playing.run(1000)
    assert playing.ons(1) == []
    let_go(playing.player, playing.now)
    playing.run(2100)
    assert len(playing.ons(1)) >= 3
    state = playing.player.performance.state()["lanes"]
    assert not state["kick"]["held"]
    assert not state["hats"]["held"]


@pytest.mark.parametrize("then", ["standing", "playing"])
def test_levels_that_were_tried_go_down_with_whoever_tried_them(then: str) -> None:
    """A soundcheck raises an output; its service is killed. MIDI level 127 is the full range."""
    swell = Lane("swell", Levels((0.4,)), out="main.level-2")
    playing = Desk(score_of(gate_lane("kick", "x..."), swell))
    if then == "playing":
        playing.start()
    playing.run(500)
    for output in ("main.level-1", "main.level-2"):
        playing.do("try", output=output, action="level", value=4.84)
    playing.run(200)

    def level(number: int) -> int:
        return [data[2] for _, data in playing.sent() if data[:2] == bytes((0xAF + number, 20))][-1]

    assert level(1) > 120
    let_go(playing.player, playing.now)
    playing.run(200)
    assert level(1) == 0
    assert level(2) == (round(0.4 * 127) if then == "playing" else 0)
    count = len(playing.sent())
    let_go(playing.player, playing.now)
    playing.run(100 if then == "standing" else 1)
    assert then == "playing" or len(playing.sent()) == count, "once"
