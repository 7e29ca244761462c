"""The performance as plain data and back: nothing is lost on the way, nothing wrong gets in."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.said import carry_out
from support.stage import COMMANDS, MOMENTS, SCORE
from support.wired import BAR, play, score_of

from bridge.errors import CommandError
from bridge.music.essential import essential
from bridge.music.model import Drive, Every, Lane, Macro, Section
from bridge.music.performance import Performance
from bridge.music.snapshot import drive_text
from bridge.protocol.state import PerformanceState


def performed(hands: list[tuple[int, dict[str, Any]]]) -> tuple[Performance, int]:
    performance = Performance(SCORE)
    tick = 0
    for later, command in hands:
        tick += later
        carry_out(performance, command, tick)
        performance.state()  # taken each time, as a surface does
    return performance, tick


HANDS = st.lists(st.tuples(MOMENTS, COMMANDS), max_size=14)


@settings(max_examples=80, deadline=None)
@given(HANDS)
def test_restoring_a_state_is_identity(hands: list[tuple[int, dict[str, Any]]]) -> None:
    performance, tick = performed(hands)
    state = performance.state()
    kept = json.loads(json.dumps(state, allow_nan=False))
    other = Performance(SCORE)
    other.restore(kept, tick)
    assert other.state() == state
    performance.restore(kept)
    assert performance.state() == state
    # What is still to come has been kept as well.
    for bar in range(8):
        moment = tick + bar * BAR // 2
        other.settle(moment)
        performance.settle(moment)
        assert other.state() == performance.state()


@settings(max_examples=60, deadline=None)
@given(HANDS)
def test_what_is_essential_brings_everything_back_but_fingers(
    hands: list[tuple[int, dict[str, Any]]],
) -> None:
    performance, tick = performed(hands)
    state = performance.state()
    kept = json.loads(json.dumps(essential(state), allow_nan=False))
    assert len(json.dumps(kept)) < len(json.dumps(state))
    let_go: Any = copy.deepcopy(state)
    for lane in let_go["lanes"].values():
        lane["holds"] = {}
    one, other = Performance(SCORE), Performance(SCORE)
    one.restore(kept, tick)
    other.restore(let_go, tick)
    assert one.state() == other.state()


@settings(max_examples=40, deadline=None)
@given(HANDS, HANDS)
def test_whatever_a_hand_did_is_undone_by_the_state_before(
    before: list[tuple[int, dict[str, Any]]], later: list[tuple[int, dict[str, Any]]]
) -> None:
    performance, tick = performed(before)
    state = performance.state()
    for _, command in later:
        carry_out(performance, command, tick)
    performance.restore(state)
    assert performance.state() == state


@settings(max_examples=10, deadline=None)
@given(HANDS)
def test_a_restored_performance_sounds_the_same(hands: list[tuple[int, dict[str, Any]]]) -> None:
    performance, tick = performed(hands)
    other = Performance(SCORE)
    other.restore(performance.state(), tick)
    other.settle(tick)
    end = tick + 2 * BAR
    first = [e for e in play(SCORE, end, performance=performance) if e.tick >= tick]
    assert first == [e for e in play(SCORE, end, performance=other) if e.tick >= tick]


def test_a_state_outlives_an_edit_of_the_set() -> None:
    performance, tick = performed(
        [
            (0, {"do": "mute", "lane": "kick", "muted": True}),
            (0, {"do": "setting", "lane": "rim", "setting": "level", "value": 0.3}),
            (0, {"do": "macro", "macro": "bright", "value": 0.7}),
            (0, {"do": "section", "section": "flood", "when": "now", "morph_bars": 4}),
        ]
    )
    edited = score_of(
        Lane("new", Every(), out="main.gate-5", muted=True),
        Lane("rim", Every(), out="main.gate-2"),
        Lane("kick", Every(), out="main.gate-1"),
        macros=[Macro("bright", 0.0), Macro("other", 0.4)],
        sections=(Section("calm", ("kick",)),),
    )
    other = Performance(edited)
    other.restore(performance.state(), tick)
    state = other.state()
    assert [state["lanes"][name]["under"] for name in ("new", "rim", "kick")] == [True, True, True]
    assert state["section"] is None
    assert state["macros"]["other"]["value"] == 0.4
    assert state["macros"]["bright"]["glide"][1] == 1.0


def _spoilt(state: PerformanceState) -> list[Any]:
    """The same state with one part missing or wrong, for every part."""
    found: list[Any] = []
    wrong = {bool: "yes", int: None, float: float("nan"), str: 3, list: 7, dict: 7}

    def walk(node: Any, way: list[Any]) -> None:
        if isinstance(node, dict):
            for key, part in node.items():
                walk(part, [*way, key])
        if way:
            found.append(way)

    walk(state, [])
    spoilt = []
    for way in found:
        for gone in (True, False):
            changed: Any = copy.deepcopy(state)
            node = changed
            for key in way[:-1]:
                node = node[key]
            if gone:
                del node[way[-1]]
            else:
                node[way[-1]] = wrong.get(type(node[way[-1]]), 5)
            spoilt.append(changed)
    return spoilt


BUSY: list[tuple[int, dict[str, Any]]] = [
    (0, {"do": "mute", "lane": "kick", "muted": True, "when": "bar", "return_bars": 2}),
    (0, {"do": "setting", "lane": "rim", "setting": "level", "value": 0.3}),
    (0, {"do": "section", "section": "flood", "when": "now", "morph_bars": 4}),
    (5, {"do": "section", "section": "dry", "when": 4}),
    (5, {"do": "hold", "lane": "rim", "muted": True, "client": "left", "active": True}),
]


def test_a_spoilt_state_is_refused_whole_or_does_no_harm() -> None:
    state = performed(BUSY)[0].state()
    refused = 0
    spoilt_states = _spoilt(state)
    for spoilt in spoilt_states:
        performance, _ = performed([(0, {"do": "macro", "macro": "push", "value": 0.5})])
        before = performance.state()
        try:
            performance.restore(spoilt)
        except CommandError:
            refused += 1
            assert performance.state() == before
        else:
            json.dumps(performance.state(), allow_nan=False)
    assert refused > len(spoilt_states) / 4


@pytest.mark.parametrize("junk", [{}, {"lanes": 3}, {"lanes": {}}, {"lanes": {"kick": {}}}])
def test_junk_is_refused(junk: dict[str, Any]) -> None:
    performance, _ = performed(BUSY)
    before = performance.state()
    with pytest.raises(CommandError, match="not the state"):
        performance.restore(junk)
    assert performance.state() == before


def test_drives_in_words() -> None:
    assert drive_text(Drive(out="main.level-1", depth=-0.5)) == "main.level-1 -0.5"
    assert drive_text(Drive(out="main.level-2", start=0.0, end=5.0)) == "main.level-2 0 to 5 V"
    assert drive_text(Drive(lane="rim", setting="chance", depth=0.4)) == "rim chance +0.4"
