"""Drives that put a setting between two values, curves of their own, and how far from home.

The oracle is the manual's sentence as arithmetic: where the drive puts the setting, plus depths of
other drives times the whole range, held to the range.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.said import carry_out
from support.wired import BAR, play, score_of, setting_of

from bridge.music.model import Drive, Lane, Levels, Macro, Section, Steps
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score

UNIT = st.integers(0, 100).map(lambda one: one / 100)
CURVE = st.sampled_from([-1.0, -0.5, 0.0, 0.5, 1.0])


def made(start: float, end: float, curve: float | None = None, own: float = 0.0) -> Score:
    return score_of(
        Lane("rim", Steps((1, 0, 1)), out="main.gate-1", settings={"chance": 0.9}),
        macros=[
            Macro(
                "open",
                curve=own,
                drives=(Drive(lane="rim", setting="chance", start=start, end=end, curve=curve),),
            ),
            Macro("more", drives=(Drive(lane="rim", setting="chance", depth=0.25),)),
        ],
        sections=(Section("low", lanes={"rim": {"chance": 0.1}}),),
    )


@given(UNIT, UNIT, UNIT, UNIT, CURVE, st.none() | CURVE)
def test_a_setting_is_where_the_drive_puts_it(
    start: float, end: float, value: float, more: float, own: float, curve: float | None
) -> None:
    performance = Performance(made(start, end, curve, own))
    performance.running = False
    for macro, turned in (("open", value), ("more", more)):
        carry_out(performance, {"do": "macro", "macro": macro, "value": turned}, 0)
    exponent = 4.0 ** (own if curve is None else curve)  # 2 ** (2 * curve)
    expected = start + (end - start) * value**exponent + 0.25 * more
    assert setting_of(performance, 0, "chance", 0) == pytest.approx(min(1.0, max(0.0, expected)))


def test_it_stands_above_what_the_set_a_section_or_a_hand_says() -> None:
    performance = Performance(made(0.2, 0.8))
    said: list[dict[str, Any]] = [
        {"do": "section", "section": "low", "when": "now"},
        {"do": "setting", "lane": "rim", "setting": "chance", "value": 1.0},
    ]
    for command in said:
        carry_out(performance, command, 0)
        assert setting_of(performance, 0, "chance", 0) == 0.2


def test_a_lane_of_values_may_put_a_setting_too() -> None:
    score = score_of(
        Lane("wave", Levels((0.0, 0.5, 1.0)), drives=(_put("gate", 0.25, 1.25),)),
        Lane("rim", Steps((1,)), out="main.gate-1"),
    )
    lengths = [e.length for e in play(score, 3 * 240) if e.kind == "hit"]
    assert lengths == [60, 180, 300]  # of steps of 240 ticks


def _put(setting: str, start: float, end: float) -> Drive:
    return Drive(lane="rim", setting=setting, start=start, end=end)


def test_two_drives_of_one_macro_have_two_curves_at_outputs_as_well() -> None:
    """Halfway, 0.5 ** 4 and 0.5 ** (1 / 4) of 5 V."""
    score = score_of(
        Lane("kick", Steps((1,))),
        macros=[
            Macro(
                "wide",
                0.5,
                drives=(
                    Drive(out="main.level-1", start=0.0, end=5.0, curve=1.0),
                    Drive(out="main.level-2", start=0.0, end=5.0, curve=-1.0),
                ),
            )
        ],
    )
    volts = {e.output: e.value for e in play(score, 10) if e.kind == "level"}
    assert volts["main.level-1"] == pytest.approx(5 * 0.0625)
    assert volts["main.level-2"] == pytest.approx(5 * 0.5**0.25)


# --- how far from home ---------------------------------------------------------------------------

HOME = (1, 0, 0, 1, 0, 0, 1, 0, 0, 0, 1, 0, 1, 0, 0, 0)


def away(value: float, bars: int, home_at: int | None = None) -> list[int]:
    """How many steps differ from what is written, bar by bar; at bar `home_at` it is called home."""
    drives = (_put("drift_bound", 0.0, 6.0), _put("drift", 0.0, 0.5))
    score = score_of(
        Lane("rim", Steps(HOME), out="main.gate-1"),
        macros=[Macro("stray", value, drives=drives)],
        seed=11,
    )
    performance = Performance(score)
    renderer = Renderer(score, performance)
    events = renderer.advance((home_at or 0) * BAR - 1)
    if home_at is not None:
        carry_out(performance, {"do": "macro", "macro": "stray", "value": 0.0}, home_at * BAR - 1)
    events += renderer.advance(bars * BAR)
    played: list[set[int]] = [set() for _ in range(bars)]
    for event in events:
        played[event.grid // BAR].add(event.grid % BAR // 240)
    home = {step for step, mark in enumerate(HOME) if mark}
    return [len(home ^ steps) for steps in played]


def test_a_macro_says_how_far_from_home_a_lane_may_be() -> None:
    means = []
    for value, bound in ((0.0, 0), (0.25, 2), (0.5, 3), (1.0, 6)):
        far = away(value, 200)
        assert max(far) <= bound
        means.append(sum(far) / len(far))
    assert means[0] == 0
    assert all(one < other for one, other in pairwise(means))


def test_turned_down_it_comes_home_by_the_next_pass() -> None:
    far = away(1.0, 40, home_at=20)
    assert any(far[10:20])
    assert not any(far[20:])
