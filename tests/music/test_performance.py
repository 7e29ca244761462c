"""The performance as others ask it: settings with their drives, mutes at any tick, what comes."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.said import carry_out
from support.stage import COMMANDS, LANES, MOMENTS, SCORE
from support.states import pending_mute
from support.wired import BAR, BEAT, play, score_of, setting_of

from bridge.errors import CommandError
from bridge.music.model import SETTINGS, Drive, Every, Lane, Macro
from bridge.music.performance import Performance, Settings
from bridge.music.render import Renderer

AT = SCORE.positions


def answers(performance: Performance, tick: int) -> list[Any]:
    """Everything that can be asked at a tick."""
    found: list[Any] = [performance.tempo_at(tick), performance.next_change(tick)]
    for lane in range(len(LANES)):
        found += [performance.muted(lane, tick), performance.unheard(lane, tick)]
        found += [setting_of(performance, lane, name, tick) for name in SETTINGS]
    return [*found, performance.macro(0, tick), performance.macro(1, tick)]


# --- settings ------------------------------------------------------------------------------------


@given(st.floats(0, 1), st.floats(0, 1), st.floats(-1, 1), st.floats(0, 1), st.floats(-1, 1))
def test_a_setting_is_what_is_set_plus_what_drives_it_within_its_range(
    written: float, first: float, depth: float, second: float, other: float
) -> None:
    score = score_of(
        Lane("kick", Every(), settings={"chance": written, "gate": 2.0}),
        macros=[
            Macro("a", first, drives=(Drive(lane="kick", setting="chance", depth=depth),)),
            Macro(
                "b",
                second,
                drives=(
                    Drive(lane="kick", setting="chance", depth=other),
                    Drive(lane="kick", setting="gate", depth=0.5),
                ),
            ),
        ],
    )
    performance = Performance(score)
    expected = min(1.0, max(0.0, written + first * depth + second * other))
    assert setting_of(performance, 0, "chance", 0) == pytest.approx(expected, abs=1e-12)
    # The depth counts for the whole range: gate goes from 0.01 to 16 steps.
    gate = min(16.0, 2.0 + second * 0.5 * (16 - 0.01))
    assert setting_of(performance, 0, "gate", 0) == pytest.approx(gate, abs=1e-12)


def test_whole_settings_stay_whole() -> None:
    performance = Performance(SCORE)
    performance.running = False
    carry_out(performance, {"do": "macro", "macro": "push", "value": 0.5}, 0)
    # push: curve 0.5 squares it; 4 + 0.25 * 0.5 * 64 = 12; between, it is rounded.
    assert setting_of(performance, AT["kick"], "hits", 0) == 12.0
    carry_out(performance, {"do": "macro", "macro": "push", "value": 0.55}, 0)
    assert setting_of(performance, AT["kick"], "hits", 0) == round(4 + 0.55**2 * 32)


def test_a_lane_drives_a_setting_by_its_value() -> None:
    performance = Performance(SCORE)
    lanes = Settings(
        performance, lambda lane, tick: {(AT["swell"], 40): 0.6}.get((lane, tick), 0.0)
    )
    assert lanes.setting(AT["spray"], "density", 0) == 0.5
    assert lanes.setting(AT["spray"], "density", 40) == pytest.approx(0.8)


def test_what_nothing_moves_is_fixed() -> None:
    performance = Performance(SCORE)
    assert performance.fixed(AT["kick"], "chance", 0)
    assert performance.fixed(AT["rim"], "chance", 0), "a macro that stands still moves nothing"
    assert performance.fixed(AT["kick"], "hits", 0), "nor does this one"
    assert not performance.fixed(AT["spray"], "density", 0), "a lane drives it"
    carry_out(performance, {"do": "section", "section": "drift", "morph_bars": 1}, 0)
    carry_out(performance, {"do": "section", "section": "flood", "morph_bars": 1}, 0)
    assert not performance.fixed(AT["rim"], "level", 1)
    assert performance.fixed(AT["rim"], "level", BAR)


def test_a_macro_moves_what_it_drives_as_long_as_it_glides() -> None:
    driven = Macro("knob", 0.0, slew_ms=1000.0, drives=(Drive(lane="a", setting="chance"),))
    score = score_of(Lane("a", Every(), settings={"chance": 0.2}), macros=[driven], tempo=60.0)
    performance = Performance(score)
    assert performance.fixed(0, "chance", 0)
    before = performance.version(0)
    carry_out(performance, {"do": "macro", "macro": "knob", "value": 0.5}, 100)
    assert performance.version(100) != before, "who has read it reads it anew"
    # A second at 60 is a quarter note, 960 ticks.
    assert [performance.fixed(0, "chance", tick) for tick in (100, 1059, 1060)] == [
        False,
        False,
        True,
    ]


def test_a_setting_stays_within_its_bounds() -> None:
    performance = Performance(SCORE)
    values = {0: 0.9, 1: 0.2, 2: 0.55, 3: -0.1}
    asked = Settings(performance, lambda lane, tick: values[tick])
    low, high = asked.bounds(AT["spray"], "density", 0, lambda lane, tick: (-0.1, 0.9))
    found = [asked.setting(AT["spray"], "density", tick) for tick in values]
    assert (max(found), min(found)) == pytest.approx((high, low), abs=1e-6)
    assert all(low <= value <= high for value in found)


def test_lanes_swing_with_the_set_unless_they_say_otherwise() -> None:
    score = score_of(Lane("a", Every()), Lane("b", Every(), settings={"swing": 50.0}), swing=58.0)
    performance = Performance(score)
    assert setting_of(performance, 0, "swing", 0) == 58.0
    assert setting_of(performance, 1, "swing", 0) == 50.0


# --- looking ahead -------------------------------------------------------------------------------


def test_what_waits_is_answered_for_its_tick_and_changes_nothing_before() -> None:
    performance = Performance(SCORE)
    carry_out(performance, {"do": "mute", "lane": "kick", "muted": True, "when": "bar"}, 100)
    assert performance.next_change(100) == BAR
    assert [performance.muted(0, t) for t in (100, BAR - 1, BAR, 9 * BAR)] == [0, 0, 1, 1]
    assert performance.muted(0, 100) is False  # asking did not do it
    assert pending_mute(performance.state(), "kick")["tick"] == BAR
    carry_out(performance, {"do": "cancel", "lane": "kick"}, 200)
    assert performance.muted(0, BAR) is False
    assert performance.next_change(200) is None


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(MOMENTS, COMMANDS), max_size=12), st.lists(st.integers(0, 9 * BAR)))
def test_looking_ahead_gives_what_will_be_and_leaves_no_trace(
    hands: list[tuple[int, dict[str, Any]]], looks: list[int]
) -> None:
    watched, plain = Performance(SCORE), Performance(SCORE)
    tick = 0
    for later, command in hands:
        tick += later
        carry_out(watched, command, tick)
        carry_out(plain, command, tick)
        for look in looks:
            watched.at(tick + look)
    assert watched.state() == plain.state()
    for moment in sorted({tick, *(tick + look for look in looks)}):
        ahead = answers(watched, moment)
        plain.settle(moment)
        assert ahead == answers(plain, moment)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(MOMENTS, COMMANDS), max_size=12))
def test_nothing_changes_between_two_versions(hands: list[tuple[int, dict[str, Any]]]) -> None:
    performance = Performance(SCORE)
    tick = 0
    for later, command in hands:
        tick += later
        carry_out(performance, command, tick)
    for _ in range(30):
        change = performance.next_change(tick)
        if change is None:
            break
        assert change > tick
        assert performance.version(change - 1) == performance.version(tick)
        assert performance.version(change) != performance.version(tick)
        before, after = performance.at(tick), performance.at(change - 1)
        assert before is after
        tick = change


def test_every_change_has_a_number_of_its_own() -> None:
    performance = Performance(SCORE)
    seen = {performance.changes}
    carry_out(performance, {"do": "mute", "lane": "kick", "muted": True, "when": "bar"}, 10)
    ahead = performance.version(BAR)
    seen.add(performance.changes)
    carry_out(performance, {"do": "macro", "macro": "bright", "value": 0.5}, 20)
    seen.add(performance.changes)
    performance.settle(BAR)
    seen.add(performance.changes)
    assert len(seen | {ahead}) == 5


# --- the position --------------------------------------------------------------------------------


def test_a_jump_takes_what_waits_along_by_whole_bars() -> None:
    performance = Performance(SCORE)
    carry_out(
        performance,
        {"do": "mute", "lane": "kick", "muted": True, "when": "bar", "return_bars": 2},
        5 * BAR + 7,
    )
    carry_out(performance, {"do": "macro", "macro": "push", "value": 1.0}, 5 * BAR + 8)
    assert performance.macro(1, 5 * BAR + 8) == 0.0
    performance.locate(0)
    pending = pending_mute(performance.state(), "kick")
    assert (pending["tick"], pending["back"]) == (BAR, 3 * BAR)
    assert performance.macro(1, 0) == 1.0


def test_macros_arrive_at_once_while_the_transport_stands() -> None:
    performance = Performance(SCORE)
    performance.running = False
    carry_out(performance, {"do": "macro", "macro": "push", "value": 1.0}, 960)
    assert performance.macro(1, 960) == 1.0
    assert not performance.macro_moves(1, 960)
    carry_out(performance, {"do": "macro", "macro": "push", "value": 0.0}, 960)
    carry_out(performance, {"do": "section", "section": "flood", "when": "now"}, 960)
    assert performance.macro(1, 960) == 1.0
    performance.running = True
    carry_out(performance, {"do": "tempo", "bpm": 120}, 960)
    carry_out(performance, {"do": "macro", "macro": "push", "value": 0.0}, 960)
    assert performance.macro_moves(1, 960)
    # 500 ms at 120 to the minute: 960 ticks; the curve squares the value on its way.
    assert performance.macro(1, 960 + 480) == pytest.approx(0.25)
    assert performance.macro(1, 1920) == 0.0


def test_a_gliding_tempo_moves_on_beats() -> None:
    performance = Performance(SCORE)
    carry_out(performance, {"do": "section", "section": "flood", "when": "now", "morph_bars": 1}, 0)
    tempos = [performance.tempo_at(t) for t in (0, 959, 960, 1920, 2880, 3839, 3840)]
    assert tempos == pytest.approx([120, 120, 125, 130, 135, 135, 140])
    assert performance.next_change(0) == BEAT
    performance.settle(2 * BEAT)
    assert performance.tempo == pytest.approx(130)


# --- mutes move nothing --------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(["kick", "ghost", "tune"]),
    st.integers(0, 2 * BAR),
    st.sampled_from(["now", "beat", "bar"]),
    st.integers(0, BAR),
)
def test_mute_then_unmute_equals_never_muted_after_the_next_bar(
    lane: str, tick: int, when: str, later: int
) -> None:
    performance = Performance(SCORE)
    renderer = Renderer(SCORE, performance)
    events = renderer.advance(tick)
    carry_out(performance, {"do": "mute", "lane": lane, "muted": True, "when": when}, tick)
    events += renderer.advance(tick + later)
    carry_out(performance, {"do": "mute", "lane": lane, "muted": False, "when": when}, tick + later)
    bar = -(-(tick + later) // BAR) * BAR + BAR
    events += renderer.advance(7 * BAR)
    expected = [event for event in play(SCORE, 7 * BAR) if event.tick >= bar]
    assert [event for event in events if event.tick >= bar] == expected


def test_solo_is_heard_and_moves_nothing_else() -> None:
    performance = Performance(SCORE)
    carry_out(performance, {"do": "mute", "lane": "rim", "muted": False}, 0)
    carry_out(performance, {"do": "solo", "lane": "spray", "on": True}, 0)
    heard = {
        event.lane for event in play(SCORE, 4 * BAR, performance=performance) if event.kind == "hit"
    }
    assert heard == {AT["spray"]}
    # Its sources are not heard, but not out either: what is derived from them goes on.
    assert not performance.muted(AT["rim"], 0)
    assert performance.unheard(AT["rim"], 0)
    # Lanes of values are of another nature: they go on.
    assert not performance.unheard(AT["tune"], 0)
    told = performance.state()["lanes"]
    assert [told[name]["heard"] for name in ("spray", "rim", "tune")] == [True, False, True]


def test_a_refusal_names_the_nearest_word() -> None:
    performance = Performance(SCORE)
    with pytest.raises(CommandError, match="did you mean mute") as caught:
        carry_out(performance, {"do": "mutes", "lane": "kick"}, 0)
    assert caught.value.kind == "unknown"
