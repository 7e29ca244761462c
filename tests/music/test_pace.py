"""Half and double time: on the bar line, from the first step, at twice or half the step length.

The oracle walks bar by bar with a pattern and a pace, as the manual says it: a pace is looked at
where a bar begins, and another one begins the pattern anew there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.said import carry_out
from support.wired import BAR, play, score_of

from bridge.errors import CommandError
from bridge.music.event import Event
from bridge.music.model import Drive, Every, Lane, Macro, Note, Notes, Section, Steps
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score

MARKS = (1, 0, 1, 1, 0)
BARS = 8
STEP = 240


def lane(name: str = "kick", out: str = "main.gate-1", **more: Any) -> Lane:
    return Lane(name, Steps(MARKS), out=out, **more)


def pace_of(value: int, name: str = "kick") -> dict[str, Any]:
    return {"do": "setting", "lane": name, "setting": "pace", "value": value}


def walked(marks: Sequence[int], paces: Sequence[int], step: int = STEP) -> list[int]:
    """Where hits fall, with the pace of each bar."""
    found, begun, place, pace = [], Fraction(0), 0, 0
    tick = Fraction(0)
    for bar, asked in enumerate(paces):
        line = bar * BAR
        if asked != pace:
            begun, place, pace = Fraction(line), 0, asked
            tick = begun
        length = Fraction(step) * Fraction(2) ** -pace
        while tick < line + BAR:
            if marks[place % len(marks)]:
                found.append(int(tick))
            place += 1
            tick = begun + place * length
    return found


def given_at(
    made: Score, commands: Iterable[tuple[int, dict[str, Any]]], cuts: Iterable[int] = ()
) -> list[Event]:
    """What is played when commands come at their ticks."""
    performance = Performance(made)
    renderer = Renderer(made, performance)
    events: list[Event] = []
    said = sorted(commands, key=lambda one: one[0])
    for end in sorted({*cuts, *(tick for tick, _ in said), BARS * BAR}):
        events += renderer.advance(end)
        for tick, command in said:
            if tick == end:
                performance.settle(tick)
                carry_out(performance, command, tick)
    return events


def hits(events: Iterable[Event], place: int = 0) -> list[int]:
    return [event.grid for event in events if event.kind == "hit" and event.lane == place]


@settings(max_examples=40)
@given(
    st.lists(st.tuples(st.integers(1, BARS * BAR - 1), st.integers(-1, 1)), max_size=5),
    st.lists(st.integers(1, BARS * BAR), max_size=20),
)
def test_it_changes_on_the_next_bar_line_whenever_it_is_asked_for(
    moves: list[tuple[int, int]], cuts: list[int]
) -> None:
    moves = sorted({tick: pace for tick, pace in moves if tick % BAR}.items())
    paces = [
        next((pace for tick, pace in reversed(moves) if tick < bar * BAR), 0) for bar in range(BARS)
    ]
    said = [(tick, pace_of(pace)) for tick, pace in moves]
    events = given_at(score_of(lane()), said, cuts)
    assert hits(events) == walked(MARKS, paces)
    assert events == given_at(score_of(lane()), said)


def test_a_sixteen_step_pattern_lasts_two_bars_in_half_time_and_half_a_bar_in_double() -> None:
    """Half time: what fell on beats 2 and 4 of a bar falls on beat 3 of each (common practice of
    drummers, no source)."""
    back = tuple(int(step in (4, 12)) for step in range(16))
    for pace, expected in (
        (-1, [1920, 5760]),
        (1, [480, 1440, 2400, 3360, 4320, 5280, 6240, 7200]),
    ):
        made = score_of(Lane("clap", Steps(back), out="main.gate-1", settings={"pace": pace}))
        assert hits(play(made, 2 * BAR)) == expected


def test_lengths_in_steps_go_with_it() -> None:
    made = score_of(lane(settings={"pace": -1, "gate": 0.5, "repeats": 2}))
    first, second, *_ = (event for event in play(made, BAR) if event.kind == "hit")
    assert (first.tick, second.tick) == (0, STEP)
    assert first.length == STEP // 2


def test_notes_go_at_their_pace_and_what_they_move_with_them() -> None:
    notes = Notes(tuple(Note(number) for number in (57.0, 60.0, 64.0)))
    made = score_of(Lane("line", notes, Fraction(960), out="main.pitch-1", settings={"pace": -1}))
    moves = [(e.tick, e.value) for e in play(made, 2 * BAR) if e.kind == "pitch"]
    assert moves == [(0, 57.0), (1920, 60.0), (3840, 64.0), (5760, 57.0)]


def test_lanes_that_others_move_go_at_the_pace_of_those() -> None:
    made = score_of(
        Lane("kick", Every(), Fraction(960), out="main.gate-1", settings={"pace": -1}),
        Lane("rim", Steps((1, 0)), "kick", out="main.gate-2", settings={"pace": 1}),
    )
    events = play(made, 2 * BAR)
    assert hits(events) == [0, 1920, 3840, 5760]
    assert hits(events, 1) == [0, 3840]


def test_a_section_may_write_it_and_recalling_one_ends_what_was_performed() -> None:
    made = score_of(
        lane(),
        sections=(Section("lull", lanes={"kick": {"pace": -1.0}}), Section("flood", ("kick",))),
    )
    said: list[tuple[int, dict[str, Any]]]
    recall: dict[str, Any] = {"do": "section", "section": "lull", "when": "bar"}
    back: dict[str, Any] = {"do": "section", "section": "flood", "when": "bar"}
    said = [(BAR - 10, recall), (3 * BAR - 10, back)]
    assert hits(given_at(made, said)) == walked(MARKS, [0, -1, -1, 0, 0, 0, 0, 0])
    said = [(5, {"do": "pace", "pace": 1}), (2 * BAR - 10, back)]
    assert hits(given_at(made, said)) == walked(MARKS, [0, 1, 0, 0, 0, 0, 0, 0])


def test_with_a_morph_it_has_nothing_between() -> None:
    made = score_of(lane(), sections=(Section("lull", lanes={"kick": {"pace": -1.0}}),))
    recall: dict[str, Any] = {"do": "section", "section": "lull", "when": "bar", "morph_bars": 4}
    assert hits(given_at(made, [(5, recall)])) == walked(MARKS, [0, *[-1] * 7])


def test_the_whole_set_or_a_group_and_back_to_what_is_written() -> None:
    made = score_of(
        lane("kick", groups=("drums",)),
        lane("rim", "main.gate-2", settings={"pace": 1}),
        Lane("late", Every(), "rim", out="main.gate-3"),
    )
    performance = Performance(made)

    def paces() -> list[float]:
        lanes = performance.state()["lanes"]
        return [lanes[name]["settings"]["pace"] for name in ("kick", "rim", "late")]

    carry_out(performance, {"do": "pace", "pace": -1}, 0)
    assert paces() == [-1, -1, 0]  # `late` goes at the pace of rim
    carry_out(performance, {"do": "pace", "pace": 0, "group": "drums"}, 0)
    assert paces() == [0, -1, 0]
    carry_out(performance, {"do": "pace", "pace": 0}, 0)
    assert paces() == [0, 1, 0]
    with pytest.raises(CommandError, match=r"no group .*drums"):
        carry_out(performance, {"do": "pace", "pace": 1, "group": "drum"}, 0)
    with pytest.raises(CommandError):
        carry_out(performance, {"do": "pace", "pace": 2}, 0)


def test_a_macro_may_turn_it() -> None:
    made = score_of(
        lane(),
        macros=[Macro("slow", drives=(Drive(lane="kick", setting="pace", start=0.0, end=-1.0),))],
    )
    said: list[tuple[int, dict[str, Any]]] = [
        (100, {"do": "macro", "macro": "slow", "value": 1.0}),
        (2 * BAR + 100, {"do": "macro", "macro": "slow", "value": 0.2}),
    ]
    assert hits(given_at(made, said)) == walked(MARKS, [0, -1, -1, 0, 0, 0, 0, 0])


@settings(max_examples=30)
@given(st.integers(1, 4 * BAR - 1), st.integers(-1, 1), st.integers(-1, 1))
def test_an_edit_at_any_tick_keeps_the_place(cut: int, before: int, asked: int) -> None:
    """Another chance in the text changes nothing here: the lane goes on where it is."""
    old = score_of(lane(settings={"pace": before}))
    new = score_of(lane(settings={"pace": before, "chance": 1.0}), seed=3)
    performance = Performance(old)
    renderer = Renderer(old, performance)
    carry_out(performance, pace_of(asked), 0)
    events = renderer.advance(cut)
    after = Performance(new)
    after.restore(performance.state(), cut)
    second = Renderer(new, after)
    second.adopt(renderer)
    events += second.advance(4 * BAR)
    whole = Performance(old)
    carry_out(whole, pace_of(asked), 0)
    assert hits(events) == hits(Renderer(old, whole).advance(4 * BAR))


@pytest.mark.parametrize("tick", [3 * BAR, 3 * BAR + 700, 40 * BAR + 5])
def test_a_jump_falls_in_where_the_lane_would_be_at_its_pace(tick: int) -> None:
    made = score_of(lane(settings={"pace": -1}))
    renderer = Renderer(made, Performance(made))
    renderer.fall_in(tick)
    found = hits(renderer.advance(tick + 2 * BAR))
    every = [at for at in walked(MARKS, [-1] * (tick // BAR + 3)) if at >= tick]
    assert found == every[: len(found)]
    assert len(found) > 5


def test_an_early_hit_is_not_late_in_half_time() -> None:
    """Half a step early is twice as much in half time."""
    made = score_of(lane(settings={"pace": -1, "shift": -0.5}))
    whole = play(made, 2 * BAR)
    cut = play(made, 2 * BAR, range(0, 2 * BAR, 60))
    assert cut == whole
    assert [e.tick for e in whole][1:3] == [2 * 480 - 240, 3 * 480 - 240]
