"""A running order that ends or begins anew, and entries that wait for the performer.

The oracle walks bar by bar, as the manual says it, with nothing but the entries and the presses.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.said import carry_out
from support.states import pending_section
from support.wired import BAR, score_of

from bridge.errors import CommandError
from bridge.music.event import Event
from bridge.music.model import Drive, Entry, Every, Lane, Macro, Section, Steps
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score

GO_ON: dict[str, Any] = {"do": "order-next"}
RUN: dict[str, Any] = {"do": "order", "run": True}
BARS = 16
COUNTED = st.builds(
    Entry, st.sampled_from(["ebb", "turn", "flood"]), st.integers(1, 3), st.integers(1, 2)
)
OPEN = st.builds(Entry, st.sampled_from(["ebb", "turn", "flood"]), st.none())
LEGS = st.lists(COUNTED | OPEN, min_size=1, max_size=5)
# On a bar line it would depend on whether the line or the hand comes first.
PRESSES = st.lists(st.integers(1, BARS * BAR - 1).filter(lambda tick: tick % BAR), max_size=8)


def score(entries: Sequence[Entry], again: bool = False) -> Score:
    return score_of(
        Lane("kick", Every(), out="main.gate-1"),
        Lane("rim", Steps((1, 0, 1)), out="main.gate-2", settings={"chance": 0.5}),
        macros=[Macro("m", 0.0, drives=(Drive(out="main.level-2"),))],
        sections=(
            Section("ebb", ("kick",), {"m": 0.0}),
            Section("turn", ("rim",), {"m": 0.5}, {"rim": {"chance": 1.0}}),
            Section("flood", ("kick", "rim"), {"m": 1.0}),
        ),
        order=tuple(entries),
        order_again=again,
    )


def running(entries: Sequence[Entry], again: bool = False) -> Performance:
    performance = Performance(score(entries, again))
    carry_out(performance, RUN, 0)
    return performance


def sections(performance: Performance, first: int, last: int) -> list[str | None]:
    """The section of each bar from `first` on, before `last`."""
    found = []
    for bar in range(first, last):
        performance.settle(bar * BAR)
        found.append(performance.state()["section"])
    return found


def walked(entries: Sequence[Entry], again: bool, presses: Iterable[int]) -> list[str]:
    """The section of each bar, the order being run at tick 0."""
    lines = {press // BAR + 1 for press in presses}  # the bar line after each press
    found: list[str] = []
    place = played = 0
    over = False
    for bar in range(BARS):
        entry = entries[place]
        done = entry.bars is not None and played == entry.bars * entry.times
        if not over and bar > 0 and (done or bar in lines):
            over = place + 1 == len(entries) and not again
            if not over:
                place, played = (place + 1) % len(entries), 0
        found.append(entries[place].section)
        played += 1
    return found


@given(LEGS, st.booleans(), PRESSES)
def test_each_bar_has_the_section_that_the_manual_says(
    entries: list[Entry], again: bool, presses: list[int]
) -> None:
    performance = running(entries, again)
    heard: list[str | None] = []
    for bar in range(BARS):
        heard += sections(performance, bar, bar + 1)
        for press in sorted(press for press in presses if press // BAR == bar):
            if performance.state()["order"]["running"]:
                carry_out(performance, GO_ON, press)
    assert heard == walked(entries, again, presses)


def test_an_order_that_begins_anew_never_ends() -> None:
    performance = running([Entry("ebb", 2), Entry("turn", 1)], again=True)
    assert sections(performance, 0, 9) == ["ebb", "ebb", "turn"] * 3
    performance.settle(8 * BAR)
    order = performance.state()["order"]
    assert order == {
        "running": True,
        "entry": 1,
        "next": 0,
        "tick": 9 * BAR,
        "ends": 9 * BAR,
        "time": 0,
        "begun": 6,
    }
    assert pending_section(performance.state())["section"] == "ebb"


def test_an_open_entry_waits_for_as_long_as_it_takes() -> None:
    performance = running([Entry("ebb", None), Entry("turn", 1)])
    assert sections(performance, 0, 100) == ["ebb"] * 100
    state = performance.state()
    assert state["order"]["running"]
    assert (state["order"]["entry"], state["order"]["next"]) == (0, 1)
    assert state["order"]["tick"] is None
    assert state["section_pending"] is None
    assert performance.next_change(99 * BAR) is None
    carry_out(performance, GO_ON, 99 * BAR + 1)
    state = performance.state()
    assert state["order"]["tick"] == 100 * BAR
    assert pending_section(state)["section"] == "turn"
    assert pending_section(state)["by"] == "order"
    assert sections(performance, 99, 102) == ["ebb", "turn", "turn"]
    assert performance.state()["order"]["running"] is False


def test_asking_twice_before_the_line_goes_on_once_and_a_grid_of_bars_is_kept() -> None:
    performance = running([Entry("ebb", None), Entry("turn", None), Entry("flood", 1)])
    carry_out(performance, {**GO_ON, "when": 4}, BAR + 5)
    carry_out(performance, {**GO_ON, "when": 4}, 2 * BAR)
    assert sections(performance, 2, 8) == ["ebb", "ebb", "turn", "turn", "turn", "turn"]


def test_an_entry_that_is_over_sooner_does_not_wait_for_the_grid() -> None:
    performance = running([Entry("ebb", 2), Entry("turn", 1)])
    carry_out(performance, {**GO_ON, "when": 8}, 10)
    assert sections(performance, 0, 3) == ["ebb", "ebb", "turn"]


def test_on_a_bar_line_it_goes_on_there() -> None:
    performance = running([Entry("ebb", None), Entry("turn", None)])
    performance.settle(3 * BAR)
    carry_out(performance, GO_ON, 3 * BAR)
    assert performance.state()["section"] == "turn"


def test_after_the_last_entry_it_is_refused() -> None:
    performance = running([Entry("ebb", None)])
    carry_out(performance, GO_ON, 1)
    performance.settle(BAR)
    assert performance.state()["section"] == "ebb"
    with pytest.raises(CommandError, match="not running") as caught:
        carry_out(performance, GO_ON, BAR + 1)
    assert caught.value.kind == "state"


def test_before_the_first_entry_there_is_nothing_to_leave_out() -> None:
    performance = Performance(score([Entry("ebb", 1), Entry("turn", 1)]))
    carry_out(performance, RUN, 10)
    carry_out(performance, GO_ON, 20)
    assert sections(performance, 1, 3) == ["ebb", "turn"]


def test_while_the_song_stands_each_press_goes_on_at_once() -> None:
    performance = running([Entry("ebb", None), Entry("turn", 3), Entry("flood", None)])
    performance.settle(2 * BAR + 7)
    performance.running = False
    carry_out(performance, {**GO_ON, "when": 4}, 2 * BAR + 7)
    assert performance.state()["section"] == "turn"
    assert performance.state()["order"]["tick"] == 5 * BAR
    carry_out(performance, GO_ON, 2 * BAR + 7)
    assert performance.state()["section"] == "flood"
    assert performance.state()["order"]["tick"] is None


def test_a_jump_leaves_an_open_entry_open() -> None:
    performance = running([Entry("ebb", None), Entry("turn", 1)])
    performance.locate(40 * BAR)
    assert performance.state()["order"]["tick"] is None
    carry_out(performance, GO_ON, 40 * BAR + 1)
    performance.locate(10 * BAR + 1)
    assert performance.state()["order"]["tick"] == 11 * BAR


@given(LEGS, st.booleans(), PRESSES, st.integers(0, BARS * BAR))
def test_a_state_put_back_at_any_tick_goes_on_the_same(
    entries: list[Entry], again: bool, presses: list[int], cut: int
) -> None:
    whole = running(entries, again)
    pieces = running(entries, again)
    for tick in sorted({*presses, cut, *range(0, BARS * BAR, BAR)}):
        for performance in (whole, pieces):
            performance.settle(tick)
            if tick in presses and performance.state()["order"]["running"]:
                carry_out(performance, GO_ON, tick)
        if tick == cut:
            state = pieces.state()
            pieces = Performance(score(entries, again))
            pieces.restore(state, tick)
        assert pieces.state() == whole.state()


@pytest.mark.parametrize(
    ("before", "after", "then"),
    [(False, True, ["turn", "ebb", "ebb"]), (True, False, ["turn", "turn", "turn"])],
)
def test_a_text_that_changes_how_the_order_ends_counts_at_once(
    before: bool, after: bool, then: list[str]
) -> None:
    entries = [Entry("ebb", 2), Entry("turn", 1)]
    old = running(entries, before)
    old.settle(2 * BAR + 100)  # in the last entry
    new = Performance(score(entries, after))
    new.restore(old.state(), 2 * BAR + 100)
    assert sections(new, 2, 5) == then


def test_an_entry_that_is_opened_or_closed_while_it_plays_is_so_from_its_next_time_on() -> None:
    opened, closed = [Entry("ebb", None), Entry("turn", 1)], [Entry("ebb", 2), Entry("turn", 1)]
    new = Performance(score(closed, True))
    waiting = running(opened, True)
    waiting.settle(5)
    new.restore(waiting.state(), 5)
    assert sections(new, 0, 4) == ["ebb"] * 4
    carry_out(new, GO_ON, 3 * BAR + 1)
    assert sections(new, 4, 9) == ["turn", "ebb", "ebb", "turn", "ebb"]
    new = Performance(score(opened, True))
    counting = running(closed, True)
    counting.settle(5)
    new.restore(counting.state(), 5)
    assert sections(new, 0, 7) == ["ebb", "ebb", "turn", "ebb", "ebb", "ebb", "ebb"]


@given(LEGS, st.booleans(), PRESSES, st.lists(st.integers(1, BARS * BAR), max_size=30))
def test_windows_of_any_size_agree(
    entries: list[Entry], again: bool, presses: list[int], cuts: list[int]
) -> None:
    made = score(entries, again)

    def play(ends: Iterable[int]) -> list[Event]:
        performance = Performance(made)
        renderer = Renderer(made, performance)
        carry_out(performance, RUN, 0)
        events: list[Event] = []
        for end in sorted({*ends, *presses, BARS * BAR}):
            events += renderer.advance(end)
            performance.settle(end)
            if end in presses and performance.state()["order"]["running"]:
                carry_out(performance, GO_ON, end)
        return events

    assert play(cuts) == play(())
