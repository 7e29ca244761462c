"""Playing: windows of any size, what is carried over, mutes that move nothing, order of events."""

from __future__ import annotations

import pickle

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.said import carry_out
from support.sets import BAR, OUTPUTS, STEP, in_windows, logic, renderer, score_of, sets, steps

from bridge.music.model import SETTINGS, Lane, Logic, Note, Notes, OutputRange, Passes, SetSpec
from bridge.music.performance import Performance
from bridge.music.render import Renderer, events_between
from bridge.music.score import compile_score

CAREFUL = settings(
    deadline=None, max_examples=20, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)


@st.composite
def cuts(draw: st.DrawFn, length: int) -> list[int]:
    inside = draw(st.lists(st.integers(1, length), max_size=40))
    return sorted({*inside, length})


@CAREFUL
@given(sets(), cuts(3 * BAR))
def test_windows_of_any_size_agree(spec: SetSpec, ends: list[int]) -> None:
    score = compile_score(spec, OUTPUTS)
    assert in_windows(renderer(score), ends) == renderer(score).advance(3 * BAR)


@CAREFUL
@given(sets())
def test_small_equal_windows_agree(spec: SetSpec) -> None:
    score = compile_score(spec, OUTPUTS)
    ends = list(range(10, BAR + 1, 10))
    assert in_windows(renderer(score), ends) == renderer(score).advance(BAR)


@CAREFUL
@given(sets(), st.integers(0, 2 * BAR), st.integers(0, BAR))
def test_any_span_can_be_asked_for(spec: SetSpec, start: int, length: int) -> None:
    score = compile_score(spec, OUTPUTS)
    whole = renderer(score).advance(start + length)
    assert events_between(score, start, start + length) == [e for e in whole if e.tick >= start]


@CAREFUL
@given(sets(), cuts(2 * BAR), st.integers(0, 1000))
def test_the_same_commands_at_the_same_ticks_give_the_same_events(
    spec: SetSpec, ends: list[int], salt: int
) -> None:
    """Windows cut differently around the same commands."""
    at = [STEP * (1 + salt % 5), BAR + salt % 77]
    commands = [
        {"do": "mute", "lane": "a", "muted": salt % 2 == 0, "when": "beat"},
        {"do": "section", "section": "other", "when": "bar", "morph_bars": salt % 2},
    ]

    def play(ends: list[int]) -> list[object]:
        score = compile_score(spec, OUTPUTS)
        player = renderer(score)
        events: list[object] = []
        for end in ends:
            events += player.advance(end)
            for tick, command in zip(at, commands, strict=True):
                if tick == end:
                    carry_out(player.performance, dict(command), tick)
        return events

    assert play(sorted({*ends, *at})) == play(sorted({2 * BAR, *at}))


@CAREFUL
@given(sets(), st.integers(1, 3 * BAR))
def test_a_node_carries_all_it_needs(spec: SetSpec, cut: int) -> None:
    """The same set taken over in the middle goes on as if nothing had happened; outputs that glide
    are said once more at the cut."""
    score = compile_score(spec, OUTPUTS)
    whole = renderer(score).advance(3 * BAR)
    first = renderer(score)
    events = first.advance(cut)
    second = Renderer(score, first.performance)
    second.adopt(first)
    events += second.advance(3 * BAR)
    again = [e for e in events if e not in whole]
    assert all(e.tick == cut and e.kind != "hit" for e in again)
    assert [e for e in events if e not in again] == whole


@CAREFUL
@given(sets())
def test_every_event_is_in_order_and_every_hit_has_a_length(spec: SetSpec) -> None:
    score = compile_score(spec, OUTPUTS)
    events = renderer(score).advance(2 * BAR)
    keys = [(e.tick, e.kind == "hit", e.lane) for e in events]
    assert keys == sorted(keys)
    for event in events:
        assert 0 <= event.tick < 2 * BAR
        if event.kind == "hit":
            assert event.length >= 1
            assert 0 <= event.value <= 1


@CAREFUL
@given(sets(), st.integers(1, BAR - 1), st.integers(1, BAR - 1))
def test_mute_then_unmute_is_never_muted_after_the_next_bar(
    spec: SetSpec, out: int, back: int
) -> None:
    """Counters, chance and melodies go on while lanes are out: what has no memory of what was
    heard is the same again at once, what listens (delay, hold, latch, first, edge, gap) as soon as
    its own time has passed. Two bars are enough for the times used here, and latches and first are
    left out because they may remember for ever what they heard last."""
    texts = [one.source.expression for one in spec.lanes if isinstance(one.source, Logic)]
    if any(word in text for text in texts for word in ("between", "first")):
        return
    out, back = sorted((out, back))
    score = compile_score(spec, OUTPUTS)
    names = [lane.name for lane in spec.lanes]
    plain, touched = renderer(score), renderer(score)
    for name in names:  # nobody is out to begin with
        for player in (plain, touched):
            carry_out(
                player.performance, {"do": "mute", "lane": name, "muted": False, "when": "now"}, 0
            )
    touched.advance(out)
    for name in names:
        carry_out(
            touched.performance, {"do": "mute", "lane": name, "muted": True, "when": "now"}, out
        )
    touched.advance(back)
    for name in names:
        carry_out(
            touched.performance, {"do": "mute", "lane": name, "muted": False, "when": "now"}, back
        )
    plain.advance(6 * BAR)
    touched.advance(6 * BAR)
    hits = [e for e in plain.advance(10 * BAR) if e.kind == "hit"]
    assert [e for e in touched.advance(10 * BAR) if e.kind == "hit"] == hits


def _command(draw: st.DrawFn, spec: SetSpec) -> dict[str, object]:
    lane = draw(st.sampled_from(spec.lanes))
    names = [name for name, setting in SETTINGS.items() if lane.kind in setting.kinds]
    setting = SETTINGS[draw(st.sampled_from(names))]
    value = draw(st.sampled_from([setting.low, setting.high, setting.start]))
    return draw(
        st.sampled_from(
            [
                {"do": "setting", "lane": lane.name, "setting": setting.name, "value": value},
                {"do": "mute", "lane": lane.name, "muted": True, "when": "beat", "return_bars": 1},
                {"do": "mute", "lane": lane.name, "muted": False, "when": "now"},
                {"do": "solo", "lane": lane.name, "on": True},
                {"do": "macro", "macro": "knob", "value": draw(st.floats(0, 1))},
                {"do": "section", "section": "other", "when": "bar", "morph_bars": 1},
                {"do": "tempo", "bpm": draw(st.floats(20, 400))},
                {"do": "freeze", "lane": lane.name, "on": True},
                {"do": "reset", "lane": lane.name},
            ]
        )
    )


@CAREFUL
@given(sets(), st.data())
def test_whatever_hands_do_playing_goes_on(spec: SetSpec, data: st.DataObject) -> None:
    score = compile_score(spec, OUTPUTS)
    player = renderer(score)
    for _ in range(20):
        command = data.draw(st.composite(_command)(spec))
        if command["do"] == "reset":
            player.reset(str(command["lane"]))
        else:
            carry_out(player.performance, command, player.position)
        start, end = player.position, player.position + data.draw(st.integers(1, 900))
        events = player.advance(end)
        keys = [(e.tick, e.kind == "hit", e.lane) for e in events]
        assert keys == sorted(keys)
        for event in events:
            assert start <= event.tick < end
            assert event.kind != "hit" or (event.length >= 1 and 0 <= event.value <= 1)


def test_muted_hits_are_not_given_and_all_goes_on() -> None:
    score = score_of(
        steps("kick", "x..."),
        Lane("tune", Notes((Note(36), Note(40), Note(43))), advance="kick", out="p"),
        outputs={"p": OutputRange("p", "pitch")},
    )
    both = events_between(score, 0, 4 * BAR)
    muted = events_between(score, 0, 4 * BAR, muted=frozenset({"kick"}))
    assert [e for e in muted if e.kind == "hit"] == []
    assert [e for e in muted if e.kind == "pitch"] == [e for e in both if e.kind == "pitch"]


def test_a_mute_at_the_bar_takes_the_early_hit_on_it_and_an_unmute_brings_it() -> None:
    score = score_of(steps("early", "x...", settings={"shift": -0.25}))
    player = renderer(score)
    carry_out(player.performance, {"do": "mute", "lane": "early", "muted": True, "when": "bar"}, 10)
    events = player.advance(BAR + 960)
    assert [e.grid for e in events] == [0, 960, 1920, 2880]
    carry_out(
        player.performance,
        {"do": "mute", "lane": "early", "muted": False, "when": "bar"},
        BAR + 960,
    )
    events = player.advance(2 * BAR + 500)
    assert [(e.grid, e.tick) for e in events] == [(2 * BAR, 2 * BAR - 60)]


def test_a_mute_now_takes_the_late_hit_that_is_on_its_way() -> None:
    score = score_of(steps("late", ".x.x", settings={"shift": 0.5}))
    player = renderer(score)
    assert player.advance(300) == []
    carry_out(player.performance, {"do": "mute", "lane": "late", "muted": True, "when": "now"}, 300)
    assert player.advance(BAR) == []


def test_early_hits_come_in_time_whatever_the_window() -> None:
    score = score_of(steps("early", "xxxx", settings={"shift": -0.5, "shift_ms": -100}))
    events = in_windows(renderer(score), list(range(7, BAR, 7)))
    expected = max(0, -120 - 192)  # 100 ms at 120 beats per minute are 192 ticks
    assert events[0].tick == expected
    assert [e.tick for e in events if e.grid >= 960][:3] == [648, 888, 1128]


def test_a_hit_shifted_early_by_hand_too_late_comes_at_once() -> None:
    score = score_of(steps("a", "x"))
    player = renderer(score)
    player.advance(230)
    carry_out(
        player.performance, {"do": "setting", "lane": "a", "setting": "shift", "value": -0.5}, 230
    )
    assert [(e.grid, e.tick) for e in player.advance(400)] == [(240, 230), (480, 360)]


def test_values_come_before_hits_and_lanes_as_written() -> None:
    score = score_of(
        steps("one", "x"),
        Lane("tune", Notes((Note(36), Note(40))), advance="two", out="p"),
        steps("two", "x"),
        outputs={"p": OutputRange("p", "pitch")},
    )
    events = events_between(score, 0, 480)
    assert [(e.kind, e.lane) for e in events] == [
        ("pitch", 1),
        ("hit", 0),
        ("hit", 2),
        ("pitch", 1),
        ("hit", 0),
        ("hit", 2),
    ]


def test_a_score_can_be_pickled() -> None:
    score = score_of(steps("one", "x.X."), Lane("tune", Notes((Note(36),)), advance="one"))
    again = pickle.loads(pickle.dumps(score))
    assert events_between(again, 0, BAR) == events_between(score, 0, BAR)
    assert again == score


def test_a_new_set_takes_over_counters_of_lanes_of_the_same_name() -> None:
    first = score_of(steps("a", "x.xx."))
    second = score_of(steps("new", "xx."), steps("a", "x.xx."))
    whole = events_between(first, 0, 2 * BAR)
    old = renderer(first)
    old.advance(1000)
    new = Renderer(second, Performance(second))
    new.adopt(old)
    events = new.advance(2 * BAR)
    assert [e.tick for e in events if e.lane == 1] == [e.tick for e in whole if e.tick >= 1000]
    # A lane that was not there falls in where it would have been.
    there = [e.tick for e in events_between(second, 1000, 2 * BAR) if e.lane == 0]
    assert [e.tick for e in events if e.lane == 0] == there


def test_reset_by_hand_sends_a_lane_to_its_first_step() -> None:
    score = score_of(steps("a", "x......."))
    player = renderer(score)
    player.advance(700)
    player.reset("a")
    assert [e.tick for e in player.advance(3 * BAR)][:2] == [720, 2640]


@CAREFUL
@given(sets(), st.lists(st.integers(0, 30 * BAR), min_size=1, max_size=4))
def test_any_jumps_end_where_playing_would(spec: SetSpec, jumps: list[int]) -> None:
    score = compile_score(spec, OUTPUTS)
    whole = renderer(score).advance(31 * BAR)
    player = renderer(score)
    player.advance(9 * BAR + 17)
    for tick in jumps:
        player.seek(tick)
        events = player.advance(tick + 1000)
        assert events == [e for e in whole if tick <= e.tick < tick + 1000]


def test_remembered_places_stay_few() -> None:
    score = score_of(steps("a", "x.x.."))
    player = renderer(score)
    whole = renderer(score).advance(401 * BAR)
    in_windows(player, list(range(BAR, 400 * BAR, BAR)))
    assert len(player._marks) <= 64
    for bar in (399, 200, 37, 3):
        player.seek(bar * BAR + 5)
        expected = [e for e in whole if bar * BAR + 5 <= e.tick < (bar + 2) * BAR]
        assert player.advance((bar + 2) * BAR) == expected


def test_seek_goes_anywhere() -> None:
    score = score_of(steps("a", "x.x.."))
    player = renderer(score)
    whole = renderer(score).advance(4 * BAR)
    player.advance(3 * BAR)
    player.seek(1234)
    assert player.advance(4 * BAR) == [e for e in whole if e.tick >= 1234]


def test_reset_by_hand_lets_passes_count_from_one() -> None:
    lane = Lane("a", steps("a", "x...").source, passes=Passes((1,), 4))
    player = renderer(score_of(lane))
    player.advance(2 * 960 + 10)
    player.reset("a")
    assert [e.grid for e in player.advance(3 * BAR)] == [2160, 6000, 9840]


def test_a_mute_now_takes_what_was_worked_out_ahead() -> None:
    score = score_of(steps("early", "....x", settings={"shift": -0.5}), steps("b", "x"))
    player = renderer(score)
    player.advance(230)
    carry_out(player.performance, {"do": "mute", "lane": "b", "muted": True, "when": "now"}, 230)
    assert [e.lane for e in player.advance(700)] == []


def test_an_early_lane_on_early_gates_comes_in_time() -> None:
    score = score_of(
        steps("a", ".x..", settings={"shift": -0.4}),
        logic("g", "a", "gates", settings={"shift": -0.4}),
    )
    events = in_windows(renderer(score), list(range(3, 1500, 3)))
    assert [e.tick for e in events if e.lane == 1] == [48, 1008]
