"""Every command: what it does, and that a refused one leaves everything as it was."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.said import carry_out
from support.stage import COMMANDS, LANES, MOMENTS, SCORE, WHEN
from support.states import pending_mute
from support.wired import BAR, BEAT, score_of, setting_of

from bridge.errors import CommandError
from bridge.music.model import Every, Lane
from bridge.music.performance import Performance
from bridge.protocol.state import LaneState


def after(*hands: tuple[int, dict[str, Any]]) -> Performance:
    performance = Performance(SCORE)
    for tick, command in hands:
        carry_out(performance, command, tick)
    return performance


def lane(performance: Performance, name: str) -> LaneState:
    return performance.state()["lanes"][name]


def mute(name: str, muted: bool = True, **more: Any) -> dict[str, Any]:
    return {"do": "mute", "lane": name, "muted": muted, **more}


# --- refusals ------------------------------------------------------------------------------------

REFUSED: list[tuple[dict[str, Any], str, str]] = [
    ({}, "unknown", "no command"),
    ({"do": "mutate"}, "unknown", "did you mean mute"),
    ({"do": 3}, "unknown", "no command"),
    ({"do": "mute", "muted": True}, "value", "lane"),
    (mute("kik"), "unknown", "did you mean kick"),
    (mute("zzz"), "unknown", "there is no lane 'zzz'$"),
    ({"do": "mute", "lane": ["kick"], "muted": True}, "value", "text"),
    ({"do": "mute", "lane": "kick", "muted": 1}, "value", "true or false"),
    ({"do": "mute", "lane": "kick"}, "value", "true or false"),
    (mute("kick", when="soon"), "value", "now, beat, bar"),
    (mute("kick", when=0), "value", "from 1"),
    (mute("kick", when=-4), "value", "from 1"),
    (mute("kick", when=10**9), "value", "1 to 64"),
    (mute("kick", when=1.5), "value", "whole"),
    (mute("kick", when=True), "value", "whole"),
    (mute("kick", return_bars=0), "value", "from 1"),
    (mute("kick", return_bars="2"), "value", "whole"),
    ({"do": "cancel"}, "value", "lane"),
    ({"do": "cancel", "section": "deep"}, "unknown", "section"),
    ({"do": "hold", "lane": "rim", "muted": True, "client": "", "active": True}, "value", "client"),
    ({"do": "hold", "lane": "kick", "muted": True, "active": True}, "value", "client"),
    ({"do": "hold", "lane": "kick", "muted": True, "client": "a", "active": None}, "value", "true"),
    ({"do": "release", "lane": "kick"}, "value", "no 'lane'"),
    ({"do": "solo", "lane": "kick", "on": "yes"}, "value", "true or false"),
    ({"do": "group", "group": "drms", "muted": True}, "unknown", "did you mean drums"),
    ({"do": "group", "group": "drums", "muted": True, "when": "x"}, "value", "now, beat, bar"),
    ({"do": "macro", "macro": "brigt", "value": 0.5}, "unknown", "did you mean bright"),
    ({"do": "macro", "macro": "bright", "value": 1.01}, "value", "from 0 to 1"),
    ({"do": "macro", "macro": "bright", "value": -0.01}, "value", "from 0 to 1"),
    ({"do": "macro", "macro": "bright", "value": float("nan")}, "value", "number"),
    ({"do": "macro", "macro": "bright", "value": float("inf")}, "value", "number"),
    ({"do": "macro", "macro": "bright", "value": True}, "value", "number"),
    ({"do": "macro", "macro": "bright", "value": "0.5"}, "value", "number"),
    ({"do": "macro", "macro": "bright"}, "value", "number"),
    (
        {"do": "setting", "lane": "kick", "setting": "chanse", "value": 1},
        "unknown",
        "did you mean chance?",
    ),
    ({"do": "setting", "lane": "tune", "setting": "chance", "value": 1}, "unknown", "kind 'notes'"),
    ({"do": "setting", "lane": "kick", "setting": "hits", "value": 65}, "value", "0 to 64"),
    ({"do": "setting", "lane": "kick", "setting": "hits", "value": 4.5}, "value", "whole"),
    ({"do": "setting", "lane": "kick", "setting": "hits"}, "value", "number"),
    ({"do": "freeze", "lane": "tune"}, "value", "true or false"),
    ({"do": "tempo", "bpm": 19}, "value", "20 to 400"),
    ({"do": "tempo", "bpm": 401}, "value", "20 to 400"),
    ({"do": "section", "section": "flod"}, "unknown", "did you mean flood"),
    ({"do": "section", "section": "flood", "morph_bars": -1}, "value", "from 0"),
    ({"do": "section", "section": "flood", "morph_bars": 0.5}, "value", "whole"),
    ({"do": "section", "section": "flood", "mutes_at": 2}, "value", "from 0 to 1"),
    ({"do": "order", "run": 1}, "value", "true or false"),
    ({"do": "order", "run": True, "entry": 3}, "value", "0 to 2"),
    ({"do": "order", "run": True, "entry": -1}, "value", "from 0"),
    ({"do": "order-next"}, "state", "not running"),
    ({"do": "order-next", "when": "now"}, "value", "bar"),
    ({"do": "order-next", "when": 65}, "value", "64"),
]

BUSY: list[tuple[int, dict[str, Any]]] = [
    (0, {"do": "order", "run": True}),
    (3, mute("kick", when=4, return_bars=2)),
    (9, {"do": "section", "section": "flood", "when": "now", "morph_bars": 2}),
    (10, {"do": "hold", "lane": "rim", "muted": False, "client": "left", "active": True}),
    (20, {"do": "macro", "macro": "push", "value": 0.3}),
    (30, {"do": "setting", "lane": "kick", "setting": "chance", "value": 0.5}),
    (40, {"do": "section", "section": "dry", "when": 4}),
]


@pytest.mark.parametrize(("command", "kind", "says"), REFUSED, ids=lambda part: str(part)[:60])
def test_a_refused_command_changes_nothing(command: dict[str, Any], kind: str, says: str) -> None:
    performance = after(*BUSY)
    before, number = performance.state(), performance.changes
    with pytest.raises(CommandError, match=says) as caught:
        carry_out(performance, command, 40)
    assert caught.value.kind == kind
    assert performance.state() == before
    assert performance.changes == number


def test_an_order_that_is_not_there_cannot_run() -> None:
    performance = Performance(score_of(Lane("kick", Every())))
    with pytest.raises(CommandError, match="no running order") as caught:
        carry_out(performance, {"do": "order", "run": True}, 0)
    assert caught.value.kind == "state"


_JUNK = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=6),
    st.lists(st.integers(), max_size=2),
    st.just("kick"),
    st.just("flood"),
    st.just("bright"),
)
_WORDS = st.sampled_from(
    [
        "mute",
        "cancel",
        "hold",
        "release",
        "solo",
        "group",
        "macro",
        "setting",
        "freeze",
        "tempo",
        "section",
        "order",
        "order-next",
        "fill",
        "drop",
        "pace",
        "mute-all",
    ]
)
_KEYS = st.sampled_from(
    [
        "lane",
        "muted",
        "when",
        "return_bars",
        "client",
        "active",
        "on",
        "group",
        "macro",
        "value",
        "setting",
        "bpm",
        "section",
        "morph_bars",
        "mutes_at",
        "run",
        "entry",
    ]
)


@settings(max_examples=200, deadline=None)
@given(_WORDS, st.dictionaries(_KEYS, _JUNK, max_size=6))
def test_any_command_is_done_whole_or_refused_whole(word: str, rest: dict[str, Any]) -> None:
    performance = after(*BUSY)
    before = performance.state()
    try:
        carry_out(performance, {"do": word, **rest}, 40)
    except CommandError:
        assert performance.state() == before
    else:
        json.dumps(performance.state(), allow_nan=False)


# --- mutes ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("when", "tick", "due"),
    [
        ("now", 100, 100),
        ("beat", 100, BEAT),
        ("beat", BEAT, BEAT),
        ("bar", 1, BAR),
        ("bar", BAR, BAR),
        (4, BAR + 1, 4 * BAR),
        (4, 4 * BAR, 4 * BAR),
        (1, 5, BAR),
    ],
)
def test_when_a_mute_falls(when: Any, tick: int, due: int) -> None:
    performance = after((tick, mute("kick", when=when)))
    if due > tick:
        assert not performance.muted(0, due - 1)
    assert performance.muted(0, due)
    assert (lane(performance, "kick")["pending"] is None) == (due == tick)


def test_meters_count_their_own_bars() -> None:
    score = score_of(Lane("kick", Every()), meter=(7, 8))
    performance = Performance(score)
    carry_out(performance, mute("kick", when="beat"), 1)
    assert performance.next_change(1) == 480
    carry_out(performance, mute("kick", when="bar"), 1)
    assert performance.next_change(1) == 7 * 480


def test_pending_mutes_say_so() -> None:
    performance = after((100, mute("kick", when="bar")), (100, mute("rim", False, when="beat")))
    assert lane(performance, "kick")["pending"] == {
        "muted": True,
        "tick": BAR,
        "bar": 2,
        "text": "muted at bar 2",
        "back": None,
        "auto": False,
    }
    assert pending_mute(performance.state(), "rim")["text"] == "on at bar 1 beat 2"


def test_the_drop_returns_by_itself() -> None:
    performance = after((100, mute("kick", when="bar", return_bars=2)))
    assert [performance.muted(0, bar * BAR) for bar in range(5)] == [0, 1, 1, 0, 0]
    performance.settle(BAR)
    assert pending_mute(performance.state(), "kick")["text"] == "on at bar 4"
    carry_out(performance, {"do": "cancel", "lane": "kick"}, BAR)
    assert performance.muted(0, 9 * BAR)


def test_a_drop_within_a_bar_returns_on_a_bar_line() -> None:
    performance = after((BAR + 100, mute("kick", return_bars=1)))
    assert performance.muted(0, BAR + 100)
    assert [performance.muted(0, t) for t in (3 * BAR - 1, 3 * BAR)] == [True, False]


def test_the_same_mute_twice_is_the_same_as_once() -> None:
    once = after((100, mute("kick", when="bar")))
    assert after((100, mute("kick", when="bar")), (150, mute("kick", when="bar"))).state() == (
        once.state()
    )


def test_asking_for_what_is_there_takes_back_what_waits() -> None:
    performance = after((100, mute("kick", when="bar")), (200, mute("kick", False, when="bar")))
    assert lane(performance, "kick")["pending"] is None
    assert not performance.muted(0, 9 * BAR)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(MOMENTS, COMMANDS), max_size=8),
    st.sampled_from(LANES),
    st.booleans(),
    WHEN,
    st.integers(1, BAR - 1),
)
def test_a_mute_that_waits_and_is_cancelled_never_was(
    hands: list[tuple[int, dict[str, Any]]], name: str, muted: bool, when: Any, off: int
) -> None:
    performance = Performance(SCORE)
    tick = 0
    for later, command in hands:
        tick += later
        carry_out(performance, command, tick)
    tick = (tick // BAR + 1) * BAR + off  # between two bar lines
    if when == "now" or (when == "beat" and off % BEAT == 0):
        when = "bar"
    carry_out(performance, {"do": "cancel", "lane": name}, tick)
    before = performance.state()
    carry_out(performance, mute(name, muted, when=when), tick)
    carry_out(performance, {"do": "cancel", "lane": name}, tick)
    assert performance.state() == before


def test_holds_end_with_the_hand_and_with_the_client() -> None:
    hold = {"do": "hold", "lane": "kick", "muted": True, "client": "left", "active": True}
    performance = after((0, hold))
    assert performance.muted(0, 0)
    assert lane(performance, "kick")["held"]
    assert not lane(performance, "kick")["under"]
    carry_out(performance, {**hold, "active": False}, 10)
    assert not performance.muted(0, 10)
    carry_out(performance, hold, 20)
    carry_out(performance, {**hold, "lane": "rim", "muted": False}, 20)
    carry_out(performance, {**hold, "client": "right"}, 20)
    carry_out(performance, {"do": "release", "client": "left"}, 30)
    assert (performance.muted(0, 30), performance.muted(1, 30)) == (True, True)
    carry_out(performance, {"do": "release", "client": "right"}, 40)
    assert (performance.muted(0, 40), performance.muted(1, 40)) == (False, True)


def test_of_two_holds_the_later_counts() -> None:
    hold = {"do": "hold", "lane": "kick", "active": True}
    performance = after(
        (0, {**hold, "muted": True, "client": "left"}),
        (1, {**hold, "muted": False, "client": "right"}),
    )
    assert not performance.muted(0, 1)
    carry_out(performance, {**hold, "muted": True, "client": "left"}, 2)
    assert performance.muted(0, 2)


def test_a_mute_under_a_hold_shows_when_the_hand_lets_go() -> None:
    hold = {"do": "hold", "lane": "kick", "muted": False, "client": "left", "active": True}
    performance = after((0, hold), (0, mute("kick", when="bar")))
    performance.settle(BAR)
    assert not performance.muted(0, BAR)
    carry_out(performance, {**hold, "active": False}, BAR)
    assert performance.muted(0, BAR)


def test_solo_of_several() -> None:
    performance = after(
        (0, {"do": "solo", "lane": "kick", "on": True}),
        (0, {"do": "solo", "lane": "rim", "on": True}),
    )
    # rim stays out: solo chooses among what is in.
    assert [performance.unheard(n, 0) for n in range(4)] == [False, True, True, True]
    carry_out(performance, {"do": "solo", "lane": "kick", "on": False}, 0)
    carry_out(performance, {"do": "solo", "lane": "rim", "on": False}, 0)
    assert [performance.unheard(n, 0) for n in range(4)] == [False, True, False, False]


def test_groups_go_together_and_come_back_together() -> None:
    performance = after((10, {"do": "group", "group": "drums", "muted": False, "when": "bar"}))
    assert [performance.muted(n, BAR) for n in (0, 1)] == [False, False]
    carry_out(
        performance,
        {"do": "group", "group": "drums", "muted": True, "when": "bar", "return_bars": 1},
        BAR + 1,
    )
    assert [performance.muted(n, 2 * BAR) for n in (0, 1, 3)] == [True, True, False]
    assert [performance.muted(n, 3 * BAR) for n in (0, 1)] == [False, False]


def test_all_out_is_at_once_and_for_good() -> None:
    performance = after(*BUSY)
    carry_out(performance, {"do": "mute-all"}, 50)
    assert all(performance.muted(n, tick) for n in range(len(LANES)) for tick in (50, 99 * BAR))
    assert performance.state()["order"]["running"] is False
    assert performance.state()["section_pending"] is None


# --- values --------------------------------------------------------------------------------------


def test_a_setting_is_given_back() -> None:
    setting = {"do": "setting", "lane": "rim", "setting": "level"}
    performance = after((0, {**setting, "value": 0.1}))
    assert setting_of(performance, 1, "level", 0) == 0.1
    carry_out(performance, {"do": "section", "section": "flood", "when": "now"}, 10)
    assert setting_of(performance, 1, "level", 10) == 0.4  # the section says so itself
    carry_out(performance, {**setting, "value": 0.2}, 20)
    assert setting_of(performance, 1, "level", 20) == 0.2
    carry_out(performance, {**setting, "value": None}, 30)
    assert setting_of(performance, 1, "level", 30) == 0.4
    carry_out(performance, {"do": "section", "section": "shallow", "when": "now"}, 40)
    assert setting_of(performance, 1, "level", 40) == 0.8


def test_still_holds_a_drift_and_lets_it_go() -> None:
    performance = after((0, {"do": "freeze", "lane": "tune", "on": True}))
    assert setting_of(performance, 4, "drift", 0) == 0.0
    # A surface still sees what the drift will be.
    assert lane(performance, "tune")["settings"]["drift"] == 0.2
    carry_out(performance, {"do": "setting", "lane": "tune", "setting": "drift", "value": 0.9}, 1)
    assert setting_of(performance, 4, "drift", 1) == 0.0
    carry_out(performance, {"do": "freeze", "lane": "tune", "on": False}, 2)
    assert setting_of(performance, 4, "drift", 2) == 0.9


def test_a_macro_with_slew_starts_from_where_it_is() -> None:
    push = {"do": "macro", "macro": "push"}
    performance = after((0, {**push, "value": 1.0}), (480, {**push, "value": 0.0}))
    # Half way up after half of its 960 ticks; the curve squares what drives.
    assert performance.macro(1, 480) == pytest.approx(0.25)
    assert performance.macro(1, 960) == pytest.approx(0.0625)
    assert performance.macro(1, 1440) == 0.0
    macro = performance.state()["macros"]["push"]
    assert (macro["value"], macro["glide"]) == (0.5, [0.5, 0.0, 480, 960])
    performance.settle(960)
    assert performance.state()["macros"]["push"]["value"] == 0.25
    performance.settle(1440)
    assert performance.state()["macros"]["push"]["value"] == 0.0


def test_a_tempo_by_hand_ends_a_glide() -> None:
    performance = after(
        (0, {"do": "section", "section": "flood", "when": "now", "morph_bars": 4}),
        (BEAT, {"do": "tempo", "bpm": 99.5}),
    )
    assert [performance.tempo_at(t) for t in (BEAT, BAR, 9 * BAR)] == [99.5] * 3
