"""No position and no set may keep the player from what is due: work is cut into turns."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.desk import BAR, BEAT, MS, Desk, gate_lane, score_of

from bridge.errors import CommandError
from bridge.music.model import Lane, Note, Notes
from bridge.player.core import BEHIND_NS
from bridge.player.part import AT_ONCE_NS, SLICE_NS, WALK_NS
from bridge.player.pieces import LEAST_BARS
from bridge.player.rejoining import REST_SHARE
from bridge.protocol.limits import LAST_TICK
from bridge.protocol.table import decode

LANES = (
    gate_lane("kick", "x..x..x."),
    gate_lane("hat", "xx", 2, rate="1/8T"),
    Lane(
        "tune", Notes(tuple(Note(36.0 + n) for n in range(7))), advance="kick", out="main.pitch-1"
    ),
)
SCORE = score_of(*LANES)
NS_PER_TICK = 2_000
"""What a tick costs on the slow computer of these tests: a bar takes 7.7 ms."""


def slow(desk: Desk, ns_per_tick: int = NS_PER_TICK) -> list[int]:
    """From now on playing a tick costs time of the desk's own clock; the list collects it."""
    spent: list[int] = []
    renderer = desk.player.part.renderer
    evaluate = renderer._evaluate

    def costly(end: int) -> None:
        at = renderer._grid
        evaluate(end)
        cost = (renderer._grid - at) * ns_per_tick
        spent.append(cost)
        desk.now += cost

    renderer._evaluate = costly  # type: ignore[method-assign]
    return spent


def run(desk: Desk, ms: float) -> None:
    """As `Desk.run`, on a clock that work moves too."""
    until = desk.now + round(ms * MS)
    while desk.now < until:
        due = desk.player.step(desk.now)
        desk.now = max(desk.now, min(due, until))


PLACES = st.integers(0, LAST_TICK) | st.integers(0, 2000 * BAR)


@settings(max_examples=40, deadline=None)
@given(PLACES, st.lists(PLACES, max_size=3))
def test_a_jump_costs_a_turn_at_most_whatever_its_distance(first: int, more: list[int]) -> None:
    desk = Desk(SCORE)
    desk.start()
    run(desk, 300)
    spent = slow(desk)
    for place in (first, *more):
        del spent[:]
        begun = desk.now
        desk.do("position", tick=place)
        run(desk, 0.1)
        assert desk.now - begun <= AT_ONCE_NS + 60 * MS, "a jump kept the player from its work"
        assert desk.player.song.playing
        run(desk, 200)
        assert place <= desk.player.song.place(desk.now) <= place + BEAT


def test_a_far_place_falls_on_the_grid_of_every_rate() -> None:
    """Lanes by a rate are where they would be: at bar 100,000 as at bar 1 (both lanes' cycles
    divide a bar)."""
    seen = []
    for place in (0, LAST_TICK - 10 * BAR):
        desk = Desk(SCORE)
        slow(desk)
        desk.do("position", tick=place)
        desk.do("continue")
        desk.zero = desk.player.song.time_of(place)
        run(desk, 1900)
        seen.append([[round(ms, 2) for ms in desk.ons(gate)] for gate in (1, 2)])
    assert seen[0] == seen[1]
    assert all(len(ons) > 5 for ons in seen[0])


def test_a_far_position_of_a_standing_song_leaves_the_core_alone() -> None:
    desk = Desk(SCORE)
    run(desk, 10)
    spent = slow(desk)
    desk.do("position", tick=LAST_TICK)
    begun = desk.now
    while desk.player.part.seeking:
        run(desk, 10)
    assert sum(spent) <= (desk.now - begun) / REST_SHARE
    assert sum(spent) <= WALK_NS + 100 * MS
    *others, longest = sorted(spent)
    assert longest <= LEAST_BARS * BAR * NS_PER_TICK, "one piece finds out how fast lanes count"
    assert max(others) <= 8 * SLICE_NS
    del spent[:]
    run(desk, 5000)
    assert sum(spent) == 0, "it is there, and nothing is left to do"


@pytest.mark.parametrize("tick", [-1, LAST_TICK + 1, 2**53, 1.5, True, None])
def test_one_limit_of_positions_for_all_doors(tick: object) -> None:
    with pytest.raises(CommandError):
        decode({"do": "position", "tick": tick})


def test_a_set_that_is_too_much_is_played_in_part_and_said() -> None:
    desk = Desk(score_of(*(gate_lane(f"g{n}", "x", n + 1) for n in range(4))))
    desk.start()
    run(desk, 100)
    slow(desk, 1_200_000)  # a tick lasts 0.52 ms at 120: more than twice too much
    begun, turns, most = desk.now, 0, 0
    while desk.now < begun + 20_000 * MS:
        before = desk.now
        due = desk.player.step(desk.now)
        most = max(most, desk.now - before)
        desk.now = max(desk.now, due)
        turns += 1
    assert most < 1_000 * MS, "nothing else had its turn"
    lateness = desk.player.outputs.lateness
    assert lateness.left_out_ns > 5_000 * MS
    assert lateness.state()["left_out_ms"] == lateness.left_out_ns // MS
    said = [text for text in desk.player.warnings if "left out" in text]
    assert len(said) == 1
    assert desk.player.song.place(desk.now) == pytest.approx(
        desk.player.song.tick_at(desk.now), abs=1
    )
    behind = desk.now - desk.player.song.time_of(desk.player.part.rendered)
    assert behind < BEHIND_NS + 1_000 * MS
    assert desk.ons(1)[-1] > 15_000, "it still plays"


def test_a_computer_that_stood_still_does_not_play_a_heap_of_hits() -> None:
    desk = Desk(SCORE)
    desk.start()
    run(desk, 1000)
    before = len(desk.ons(1))
    desk.now += 30_000 * MS
    run(desk, 50)
    assert len(desk.ons(1)) - before <= 3
    run(desk, 4000)
    assert len(desk.ons(1)) - before >= 10
    assert desk.player.outputs.lateness.left_out_ns > 29_000 * MS
