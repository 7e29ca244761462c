"""What happens by itself: sections on the bar line, morphs, the running order."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.said import carry_out
from support.stage import LANES, SCORE
from support.states import pending_mute, pending_section
from support.wired import BAR, BEAT, play, score_of, setting_of

from bridge.music.live_state import Glide
from bridge.music.model import Drive, Entry, Every, Lane, Levels, Macro, Section, Steps
from bridge.music.performance import Performance

AT = SCORE.positions


def recall(name: str, **more: Any) -> dict[str, Any]:
    return {"do": "section", "section": name, **more}


def after(*hands: tuple[int, dict[str, Any]]) -> Performance:
    performance = Performance(SCORE)
    for tick, command in hands:
        carry_out(performance, command, tick)
    return performance


def who_is_in(performance: Performance, tick: int) -> set[str]:
    return {name for name in LANES if not performance.muted(AT[name], tick)}


# --- glides --------------------------------------------------------------------------------------


@given(
    st.floats(-5, 5),
    st.floats(-5, 5),
    st.integers(0, 5000),
    st.integers(0, 5000),
    st.integers(0, 20000),
)
def test_a_glide_is_straight_and_stays_between_its_ends(
    start: float, end: float, at: int, ticks: int, tick: int
) -> None:
    glide = Glide(start, end, at, ticks)
    value = glide.value(tick)
    assert min(start, end) - 1e-9 <= value <= max(start, end) + 1e-9
    if tick >= at + ticks:
        assert value == end
        assert not glide.moves(tick)
    elif tick > at:
        assert value == pytest.approx(start + (end - start) * (tick - at) / ticks)


# --- sections ------------------------------------------------------------------------------------


def test_a_section_falls_on_the_bar_line() -> None:
    performance = after((100, recall("flood")))
    assert performance.state()["section_pending"] == {
        "section": "flood",
        "tick": BAR,
        "bar": 2,
        "morph_bars": 0,
        "mutes_at": 0.5,
        "by": "hand",
    }
    assert setting_of(performance, AT["rim"], "level", BAR - 1) == 0.8
    assert setting_of(performance, AT["rim"], "level", BAR) == 0.4
    assert performance.macro(0, BAR - 1) == 0.25
    assert performance.macro(0, BAR) == 1.0
    assert [performance.tempo_at(t) for t in (BAR - 1, BAR)] == [120.0, 140.0]
    performance.settle(BAR)
    assert performance.state()["section"] == "flood"
    assert performance.state()["section_pending"] is None


def test_a_section_says_who_plays_and_leaves_helpers_alone() -> None:
    performance = after((0, recall("shallow")))
    # ghost has no output and drives none: it only feeds spray.
    assert who_is_in(performance, 0) == {"kick", "tune", "ghost"}
    carry_out(performance, {"do": "mute", "lane": "ghost", "muted": True}, 1)
    carry_out(performance, recall("flood", when="now"), 2)
    assert who_is_in(performance, 2) == {"kick", "rim", "spray", "tune", "swell"}
    carry_out(performance, recall("drift", when="now"), 3)
    assert who_is_in(performance, 3) == {"kick", "rim", "spray", "tune", "swell"}


def test_the_variants_of_a_section_go_with_it() -> None:
    performance = after((0, recall("shallow")))
    assert setting_of(performance, AT["kick"], "hits", 0) == 2
    carry_out(performance, recall("flood", when="now"), 1)
    # As written, plus push on its way: 500 ms are 960 ticks at 120; it starts at 0.
    assert setting_of(performance, AT["kick"], "hits", 1) == 4
    carry_out(performance, recall("drift", when="now"), 2)
    assert setting_of(performance, AT["kick"], "hits", 2) == 9


def test_a_recall_can_be_taken_back() -> None:
    performance = after((100, recall("flood")))
    before = Performance(SCORE)
    before.settle(100)
    carry_out(performance, {"do": "cancel", "section": "flood"}, 200)
    before.settle(200)
    assert performance.state() == before.state()


def test_the_last_recall_counts() -> None:
    performance = after((100, recall("flood")), (200, recall("dry", when=4)))
    assert who_is_in(performance, BAR) == who_is_in(performance, 0)
    assert who_is_in(performance, 4 * BAR) == {"ghost"}


def test_a_hand_on_one_lane_stands_above_the_section_it_comes_with() -> None:
    performance = after(
        (100, {"do": "mute", "lane": "kick", "muted": True, "when": "bar"}), (200, recall("flood"))
    )
    assert who_is_in(performance, BAR) == {"rim", "ghost", "spray", "tune", "swell"}


def test_a_section_voids_the_return_of_a_drop_but_not_a_wish() -> None:
    performance = after(
        (100, {"do": "mute", "lane": "kick", "muted": True, "return_bars": 2}),
        (110, {"do": "mute", "lane": "rim", "muted": False, "when": 4}),
        (200, recall("dry")),
    )
    assert who_is_in(performance, 3 * BAR) == {"ghost"}
    assert who_is_in(performance, 4 * BAR) == {"rim", "ghost"}


# --- morphs --------------------------------------------------------------------------------------


def test_values_glide_over_a_morph() -> None:
    performance = after((0, recall("flood", morph_bars=2)))
    assert setting_of(performance, AT["rim"], "level", 0) == 0.8
    assert setting_of(performance, AT["rim"], "level", BAR) == pytest.approx(0.6)
    assert setting_of(performance, AT["rim"], "level", 2 * BAR) == 0.4
    assert performance.macro(0, BAR) == pytest.approx(0.625)
    assert performance.macro(0, 2 * BAR) == 1.0
    # chance: 0.5 to 1 by the section, and 0.4 times the macro on top.
    assert setting_of(performance, AT["rim"], "chance", BAR // 2) == pytest.approx(
        0.625 + 0.4 * (0.25 + 0.75 / 4)
    )
    assert performance.state()["lanes"]["rim"]["settings"]["level"] == 0.8
    performance.settle(BAR)
    assert performance.state()["lanes"]["rim"]["settings"]["level"] == pytest.approx(0.6)
    performance.settle(2 * BAR)
    assert performance.fixed(AT["rim"], "level", 2 * BAR)


def test_whole_settings_are_shown_whole_on_their_way() -> None:
    performance = after((0, recall("shallow", morph_bars=1)))
    shown = []
    for tick in range(0, BAR + 1, BAR // 8):
        performance.settle(tick)
        value = performance.state()["lanes"]["kick"]["settings"]["hits"]
        assert value == setting_of(performance, AT["kick"], "hits", tick)
        shown.append(value)
    assert shown[0] == 4
    assert shown[-1] == 2
    assert set(shown) == {2, 3, 4}


@pytest.mark.parametrize(
    ("share", "bars", "tick"),
    [(None, 2, BAR), (None, 1, BAR // 2), (0.0, 2, 0), (1.0, 2, 2 * BAR), (0.3, 1, BEAT)],
)
def test_mutes_switch_in_the_middle_of_a_morph_or_where_told(
    share: float | None, bars: int, tick: int
) -> None:
    more = {} if share is None else {"mutes_at": share}
    performance = after((0, recall("dry", morph_bars=bars, **more)))
    if tick:
        assert "kick" in who_is_in(performance, tick - 1)
        assert pending_mute(performance.state(), "kick")["tick"] == tick
    assert who_is_in(performance, tick) == {"ghost"}


def test_a_hand_may_stop_the_switch_of_one_lane() -> None:
    performance = after((0, recall("dry", morph_bars=2)), (10, {"do": "cancel", "lane": "kick"}))
    assert who_is_in(performance, 2 * BAR) == {"kick", "ghost"}


def test_a_hand_takes_a_setting_out_of_a_morph() -> None:
    performance = after(
        (0, recall("flood", morph_bars=2)),
        (BEAT, {"do": "setting", "lane": "rim", "setting": "level", "value": 0.1}),
    )
    assert [setting_of(performance, AT["rim"], "level", t) for t in (BEAT, BAR, 3 * BAR)] == [
        0.1
    ] * 3


def test_a_morph_into_a_morph_starts_from_where_things_are() -> None:
    performance = after(
        (0, recall("flood", morph_bars=2)), (BAR, recall("shallow", when="now", morph_bars=1))
    )
    assert setting_of(performance, AT["rim"], "level", BAR) == pytest.approx(0.6)
    assert setting_of(performance, AT["rim"], "level", BAR + BAR // 2) == pytest.approx(0.7)
    assert setting_of(performance, AT["rim"], "level", 2 * BAR) == 0.8
    assert performance.macro(0, BAR) == pytest.approx(0.625)


# --- the running order ---------------------------------------------------------------------------


def test_the_order_plays_a_whole_set_through_and_ends() -> None:
    performance = after((100, {"do": "order", "run": True}))
    order = performance.state()["order"]
    assert (order["running"], order["entry"], order["next"], order["tick"]) == (True, None, 0, BAR)
    assert pending_section(performance.state())["by"] == "order"
    # From bar 2 on: shallow for 2 bars, flood 1 bar twice, dry 1 bar.
    entries = []
    for bar in range(1, 8):
        performance.settle(bar * BAR)
        state = performance.state()
        entries.append((state["section"], state["order"]["entry"], state["order"]["running"]))
    assert entries == [
        ("shallow", 0, True),
        ("shallow", 0, True),
        ("flood", 1, True),
        ("flood", 1, True),
        ("dry", 2, True),
        ("dry", None, False),
        ("dry", None, False),
    ]
    assert performance.next_change(8 * BAR) is None


def test_the_order_can_be_stopped_at_any_time_and_taken_up_at_an_entry() -> None:
    performance = after((0, {"do": "order", "run": True}), (10, {"do": "order", "run": False}))
    assert performance.next_change(10) is None
    assert performance.state()["section"] == "shallow"
    carry_out(performance, {"do": "order", "run": True, "entry": 1}, 20)
    performance.settle(BAR)
    assert performance.state()["order"]["entry"] == 1


def test_running_what_runs_changes_nothing() -> None:
    performance = after((0, {"do": "order", "run": True}))
    before = performance.state()
    carry_out(performance, {"do": "order", "run": True}, 10)
    assert performance.state() == {**before}


def test_a_section_by_hand_takes_over_from_the_order() -> None:
    performance = after((0, {"do": "order", "run": True}), (10, recall("drift")))
    assert performance.state()["order"]["running"] is False
    performance.settle(5 * BAR)
    assert performance.state()["section"] == "drift"


# --- heard ---------------------------------------------------------------------------------------


def test_sections_are_heard_on_their_bar_line() -> None:
    score = score_of(
        Lane("kick", Every(), advance=Fraction(BEAT), out="main.gate-1"),
        Lane("rim", Steps((1,)), advance=Fraction(BEAT), out="main.gate-2"),
        Lane("swell", Levels((1.0,)), advance=Fraction(BEAT), out="main.level-1"),
        macros=[Macro("m", 0.0, drives=(Drive(out="main.level-2"),))],
        sections=(Section("one", ("kick",), {"m": 0.5}), Section("two", ("rim",), {"m": 1.0})),
        order=(Entry("one", 1), Entry("two", 1)),
    )
    performance = Performance(score)
    carry_out(performance, {"do": "order", "run": True}, 0)
    events = play(score, 2 * BAR, performance=performance)
    heard = [(event.tick, event.lane) for event in events if event.kind == "hit"]
    assert heard == [(n * BEAT, 0 if n < 4 else 1) for n in range(8)]
    levels = [(event.tick, event.value) for event in events if event.output == "main.level-2"]
    assert levels == [(0, 2.5), (BAR, 5.0)]
