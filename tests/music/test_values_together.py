"""Any set of lanes of values, with hands at work: no window is to be heard, no limit is passed."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from support.said import carry_out
from support.tides import tides
from support.wired import BAR, OUTPUTS

from bridge.music.event import Event
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score

END = 2 * BAR
HANDS: list[tuple[int, dict[str, Any]]] = [
    (333, {"do": "macro", "macro": "a", "value": 0.8}),
    (700, {"do": "mute", "lane": "v0", "muted": True, "when": "beat", "return_bars": 1}),
    (900, {"do": "section", "section": "other", "when": "beat", "morph_bars": 1}),
    (2500, {"do": "macro", "macro": "b", "value": 1.0}),
    (4000, {"do": "mute", "lane": "v0", "muted": False}),
    (4100, {"do": "mute", "lane": "beat", "muted": True}),
]


def perform(score: Score, cuts: list[int]) -> list[Event]:
    performance = Performance(score)
    renderer = Renderer(score, performance)
    events: list[Event] = []
    waiting = HANDS[:]
    for cut in sorted({*cuts, END, *(at for at, _ in HANDS)}):
        events += renderer.advance(cut)
        while waiting and waiting[0][0] == cut:
            carry_out(performance, waiting.pop(0)[1], cut)
    return events


@settings(max_examples=30)
@given(tides(), st.lists(st.integers(1, END), max_size=25))
def test_windows_of_any_size_agree(score: Score, cuts: list[int]) -> None:
    assert perform(score, cuts) == perform(score, [])


@settings(max_examples=30)
@given(tides())
def test_no_limit_is_passed_and_everything_is_in_order(score: Score) -> None:
    events = perform(score, [])
    last = 0
    for event in events:
        assert event.tick >= last
        last = event.tick
        if event.kind == "level":
            wired = OUTPUTS[str(event.output)]
            assert wired.low <= event.value <= wired.high
        elif event.kind == "pitch":
            assert 0 <= event.value <= 127


@settings(max_examples=20)
@given(tides(), st.integers(1, END - 1))
def test_the_same_score_taken_over_goes_on_as_if_nothing_had_happened(
    score: Score, tick: int
) -> None:
    whole = Renderer(score, Performance(score)).advance(END)
    first = Renderer(score, Performance(score))
    before = first.advance(tick)
    performance = Performance(score)
    performance.restore(first.performance.state(), tick)
    second = Renderer(score, performance)
    second.adopt(first)
    after = second.advance(END)
    assert _hits(before + after) == _hits(whole)
    # Outputs are looked at once more where the new score begins, so lines are compared.
    assert _lines(before + after, tick) == _lines(whole, tick)


def _hits(events: list[Event]) -> list[Event]:
    return [event for event in events if event.kind == "hit"]


def _lines(events: list[Event], since: int) -> dict[str, list[float]]:
    """What each output stands at, at every multiple of 20 ticks after `since`."""
    lines: dict[str, list[float]] = {}
    for name in OUTPUTS:
        moves = [event for event in events if event.output == name and event.kind != "hit"]
        line, at, value = [], 0, 0.0
        for tick in range((since // 20 + 1) * 20, END, 20):
            while at < len(moves) and moves[at].tick <= tick:
                value = moves[at].value
                at += 1
            line.append(value)
        lines[name] = line
    return lines
