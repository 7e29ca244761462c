"""Fills that are held, fills at the end of an entry, and drops that end on a bar line.

A fill is described by the order in which steps come: see the thresholds of density in the manual.
Here the steps of a fill are worked out by a sort of their own.
"""

from __future__ import annotations

from math import gcd
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.said import carry_out
from support.wired import BAR, play, score_of, setting_of

from bridge.errors import CommandError
from bridge.music.event import Event
from bridge.music.model import Drive, Entry, Every, Lane, Logic, Macro, Section, Shape, Steps
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score

MARKS = (1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0)


def drums(**more: Any) -> Score:
    return score_of(
        Lane("kick", Steps(MARKS), out="main.gate-1", groups=("low",)),
        Lane("rim", Every(4), out="main.gate-2", settings={"fill_share": 1.0}),
        Lane("spray", Logic("not kick"), out="main.gate-3", settings={"density": 0.4}),
        Lane("swell", Shape("sine")),
        **more,
    )


def filled(share: float) -> set[int]:
    """The steps of `MARKS` that a fill plays: its hits, and of its rests the strongest."""
    rests = [step for step in range(16) if not MARKS[step]]
    strong = sorted(rests, key=lambda step: (-gcd(step, 16), step))
    count = int(share * len(rests) + 1e-9)
    certain = {step for step in strong if gcd(step, 16) > gcd(strong[count], 16)}
    return certain | {step for step in range(16) if MARKS[step]}


def steps(events: list[Event], bar: int, place: int = 0) -> set[int]:
    return {e.grid % BAR // 240 for e in events if e.lane == place and e.grid // BAR == bar}


def held(active: bool = True, **what: str) -> dict[str, Any]:
    return {"do": "fill", "active": active, "client": "page 1", **what}


def run(made: Score, said: list[tuple[int, dict[str, Any]]], bars: int = 4) -> list[Event]:
    performance = Performance(made)
    renderer = Renderer(made, performance)
    events: list[Event] = []
    for tick, command in said:
        events += renderer.advance(tick)
        performance.settle(tick)
        carry_out(performance, command, tick)
    return events + renderer.advance(bars * BAR)


def test_a_fill_plays_the_strongest_rests_while_it_is_held() -> None:
    events = run(drums(), [(BAR, held(lane="kick")), (2 * BAR, held(False, lane="kick"))])
    plain = {0, 4, 8, 12}
    assert [steps(events, bar) == plain for bar in range(4)] == [True, False, True, True]
    assert steps(events, 1) >= filled(0.5) > plain  # 2, 6, 10 and 14 lead the sixteenths
    assert len(steps(events, 1)) == 4 + 12 // 2


def test_all_lanes_or_a_group_fill_by_their_own_shares() -> None:
    events = run(drums(), [(BAR, held()), (2 * BAR, held(False))])
    assert steps(events, 1, 1) == set(range(16))  # fill_share 1: no rest is left
    assert len(steps(events, 1)) == 10
    events = run(drums(), [(BAR, held(group="low")), (2 * BAR, held(False, group="low"))])
    assert len(steps(events, 1)) == 10
    assert steps(events, 1, 1) == {0, 4, 8, 12}


def test_derived_lanes_fill_as_well() -> None:
    """Density 0.4 leaves some of the twelve places without a kick; a fill goes half of the way from
    there to 1, past 0.5, where all of them sound."""
    few = steps(play(drums(), BAR), 0, 2)
    many = steps(run(drums(), [(0, held(lane="spray"))], 1), 0, 2)
    assert few < set(range(16)) - {0, 4, 8, 12} <= many


def test_two_hands_on_one_fill_end_it_together_and_who_leaves_lets_go() -> None:
    performance = Performance(drums())
    carry_out(performance, held(lane="kick"), 0)
    carry_out(performance, {**held(), "client": "page 2"}, 0)
    carry_out(performance, held(False, lane="kick"), 0)
    assert performance.state()["lanes"]["kick"]["filling"]
    carry_out(performance, {"do": "release", "client": "page 2"}, 0)
    assert not any(lane["filling"] for lane in performance.state()["lanes"].values())


def test_lanes_of_values_have_no_fill() -> None:
    performance = Performance(drums())
    with pytest.raises(CommandError, match="swell is a lane of values"):
        carry_out(performance, held(lane="swell"), 0)
    carry_out(performance, held(), 0)
    assert not performance.state()["lanes"]["swell"]["filling"]


def test_a_driven_density_is_filled_from_where_it_stands() -> None:
    made = score_of(
        Lane("kick", Steps(MARKS), out="main.gate-1"),
        macros=[Macro("thin", 1.0, drives=(Drive(lane="kick", setting="density", depth=-0.25),))],
    )
    performance = Performance(made)
    carry_out(performance, held(), 0)
    # 0.5 - 0.25 of the whole, and half of the way from there to 1.
    assert setting_of(performance, 0, "density", 0) == 0.25 + 0.75 * 0.5


@settings(max_examples=25)
@given(
    st.lists(st.integers(1, 4 * BAR - 1), min_size=2, max_size=2, unique=True),
    st.lists(st.integers(1, 4 * BAR), max_size=15),
)
def test_windows_and_edits_at_any_tick_change_nothing(ends: list[int], cuts: list[int]) -> None:
    begin, end = sorted(ends)

    def rendered(cuts: list[int], swap: bool) -> list[Event]:
        performance = Performance(drums())
        renderer = Renderer(performance_score(performance), performance)
        events: list[Event] = []
        for tick in sorted({*cuts, begin, end, 4 * BAR}):
            events += renderer.advance(tick)
            performance.settle(tick)
            if tick in (begin, end):
                carry_out(performance, held(tick == begin), tick)
            if swap and tick in cuts:
                score = drums()
                after, second = Performance(score), None
                after.restore(performance.state(), tick)
                second = Renderer(score, after)
                second.adopt(renderer)
                performance, renderer = after, second
        return events

    assert rendered(cuts, False) == rendered([], False) == rendered(cuts, True)


def performance_score(performance: Performance) -> Score:
    made = drums()
    assert made.spec == performance.index.spec
    return made


# --- at the end of an entry ----------------------------------------------------------------------


def order(*entries: Entry) -> Score:
    return drums(sections=(Section("ebb"), Section("flood")), order=entries)


def test_an_entry_fills_in_its_last_bars() -> None:
    events = run(
        order(Entry("ebb", 3, fill=1), Entry("flood", 2)), [(0, {"do": "order", "run": True})]
    )
    counts = [len(steps(events, bar)) for bar in range(4)]
    assert counts == [4, 4, 10, 4]


def test_an_open_entry_fills_once_it_is_to_go_on() -> None:
    run_it: dict[str, Any] = {"do": "order", "run": True}
    go_on: dict[str, Any] = {"do": "order-next", "when": "bar"}
    events = run(
        order(Entry("ebb", None, fill=1), Entry("flood", 2)), [(0, run_it), (BAR + 1, go_on)]
    )
    counts = [len(steps(events, bar)) for bar in range(4)]
    assert counts[0] == counts[2] == counts[3] == 4
    assert counts[1] == 10  # from the press on: the first hit of the bar stands before it


# --- drops ---------------------------------------------------------------------------------------


def heard(events: list[Event], bars: int) -> list[set[int]]:
    return [{e.lane for e in events if e.kind == "hit" and e.tick // BAR == b} for b in range(bars)]


@pytest.mark.parametrize("tick", [0, 1, BAR - 1, BAR])
@pytest.mark.parametrize("what", [{"lane": "kick"}, {"group": "low"}])
def test_a_drop_leaves_one_and_all_come_back_on_the_bar(tick: int, what: dict[str, str]) -> None:
    events = run(drums(), [(tick, {"do": "drop", "return_bars": 2, **what})], 6)
    first = -(-tick // BAR)
    back = -(-(tick + 2 * BAR) // BAR)
    for bar, lanes in enumerate(heard(events, 6)):
        if first <= bar < back:
            assert lanes == {0}, bar
        elif bar >= back:
            assert lanes == {0, 1, 2}, bar


def test_what_follows_from_what_is_dropped_goes_on() -> None:
    """A drop to a derived lane: its sources are not heard, and it follows them all the same."""
    alone = run(drums(), [(0, {"do": "drop", "lane": "spray", "return_bars": 1})], 1)
    assert steps(alone, 0, 2) == steps(play(drums(), BAR), 0, 2)
    assert heard(alone, 1) == [{2}]


def test_a_drop_can_be_ended_by_hand_and_undone() -> None:
    performance = Performance(drums())
    carry_out(performance, {"do": "drop", "lane": "kick"}, 5)
    assert performance.state()["solo_until"] == 5 * BAR
    carry_out(performance, {"do": "solo", "lane": "kick", "on": False}, 10)
    assert performance.state()["solo_until"] is None
    assert all(lane["heard"] for lane in performance.state()["lanes"].values())


def test_a_drop_survives_a_state_and_a_jump() -> None:
    performance = Performance(drums())
    carry_out(performance, {"do": "drop", "lane": "kick", "return_bars": 4}, 10)
    other = Performance(drums())
    other.restore(performance.state(), 10)
    other.locate(20 * BAR + 10)
    assert other.state()["solo_until"] == 25 * BAR
    other.settle(25 * BAR - 1)
    assert not other.state()["lanes"]["rim"]["heard"]
    other.settle(25 * BAR)
    assert other.state()["lanes"]["rim"]["heard"]
    assert other.state()["solo_until"] is None


def test_a_drop_needs_something_that_is_left() -> None:
    made = score_of(Lane("swell", Shape("sine"), groups=("loose",)), Lane("kick", Every()))
    with pytest.raises(CommandError, match="no lane of hits"):
        carry_out(Performance(made), {"do": "drop", "group": "loose"}, 0)
    for wrong in ({}, {"lane": "kick", "group": "loose"}):
        with pytest.raises(CommandError, match="'lane' or a 'group'"):
            carry_out(Performance(made), {"do": "drop", **wrong}, 0)
