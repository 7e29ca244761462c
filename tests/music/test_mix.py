"""What reaches an output: the arithmetic of attenuverter, mixer and clamp, and when it is said."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.said import carry_out
from support.wired import BAR, OUTPUTS, play, score_of, values

from bridge.music.event import Event
from bridge.music.mix import Mixer
from bridge.music.model import Decay, Drive, Every, Lane, Levels, Macro, Note, Notes, Shape, Steps
from bridge.music.performance import Performance, Settings
from bridge.music.render import Renderer
from bridge.music.score import Score

QUARTER = Fraction(960)


def steady(name: str, level: float, **more: Any) -> Lane:
    return Lane(name, Levels((level,)), advance=QUARTER, **more)


def held(score: Score, performance: Performance | None = None, at: int = 1) -> dict[str, float]:
    """What every output stands at after `at` ticks."""
    performance = performance or Performance(score)
    renderer = Renderer(score, performance)
    renderer.advance(at)
    return {str(event.output): event.value for event in renderer.hold_values()}


# --- arithmetic ----------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(["main.level-1", "main.level-2", "main.level-3"]),
    st.lists(
        st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(-10, 10)), min_size=1, max_size=3
    ),
    st.lists(st.tuples(st.floats(0, 1), st.floats(-1, 1)), max_size=3),
)
def test_volts_are_the_sum_with_depths_and_offsets_then_the_clamp(
    output: str, lanes: list[tuple[float, float, float]], macros: list[tuple[float, float]]
) -> None:
    wired = OUTPUTS[output]
    score = score_of(
        *(
            steady(
                f"l{n}", value, out=output, share=True, settings={"depth": depth, "offset": offset}
            )
            for n, (value, depth, offset) in enumerate(lanes)
        ),
        macros=[
            Macro(f"m{n}", start=value, drives=(Drive(out=output, depth=depth),))
            for n, (value, depth) in enumerate(macros)
        ],
    )
    # Base and span as written down for each output by hand: value 0, and from there to value 1.
    base, span = {"main.level-1": (0, 5), "main.level-2": (0, 5), "main.level-3": (1, 5)}[output]
    volts = base + sum(v * d * span + o for v, d, o in lanes) + sum(v * d * span for v, d in macros)
    expected = float(np.clip(volts, wired.low, wired.high))
    assert held(score)[output] == pytest.approx(expected, abs=1e-9)


def test_from_and_to_are_volts_at_the_jack() -> None:
    macro = Macro("level", start=0.25, drives=(Drive(out="main.level-3", start=2.0, end=4.0),))
    assert held(score_of(macros=[macro])) == {"main.level-3": 2.5}
    falling = Macro("level", start=0.25, drives=(Drive(out="main.level-2", start=4.0, end=-4.0),))
    assert held(score_of(macros=[falling])) == {"main.level-2": 2.0}


def test_a_curve_bends_a_macro() -> None:
    drives = (Drive(out="main.level-1"),)
    assert held(score_of(macros=[Macro("m", 0.5, 0.5, drives=drives)])) == {
        "main.level-1": 5 * 0.5**2
    }
    assert held(score_of(macros=[Macro("m", 0.25, -0.5, drives=drives)])) == {
        "main.level-1": 5 * 0.25**0.5
    }


def test_a_lane_may_drive_an_output_it_does_not_play() -> None:
    score = score_of(
        steady("a", 0.5, out="main.level-1"),
        steady("b", 0.4, drives=(Drive(out="main.level-1", depth=-0.5),)),
    )
    assert held(score)["main.level-1"] == pytest.approx(5 * (0.5 - 0.2))


def test_notes_on_a_level_output_count_from_0_to_127() -> None:
    tune = Lane("tune", Notes((Note(63.5),)), advance=QUARTER, out="main.level-1")
    assert held(score_of(tune)) == {"main.level-1": 2.5}


def test_hits_drive_with_their_level_while_the_gate_is_open() -> None:
    kick = Lane(
        "kick",
        Every(),
        advance=QUARTER,
        drives=(Drive(out="main.level-1"),),
        settings={"level": 0.6, "gate": 0.25},
    )
    found = values(play(score_of(kick), 1920), "main.level-1")
    assert found == [(0, 3.0), (240, 0.0), (960, 3.0), (1200, 0.0)]
    muted = values(play(score_of(Lane(**{**_fields(kick), "muted": True})), 1920), "main.level-1")
    assert muted == [(0, 0.0)]


def _fields(lane: Lane) -> dict[str, Any]:
    return {name: getattr(lane, name) for name in lane.__dataclass_fields__}


def test_pitch_takes_the_note_and_drives_bend_it_in_volts_per_octave() -> None:
    tune = Lane(
        "tune",
        Notes((Note(45),)),
        advance=QUARTER,
        out="main.pitch-1",
        settings={"depth": 0.1, "offset": 0.5},
    )
    vibrato = Macro("vibrato", 0.5, drives=(Drive(out="main.pitch-1", start=0.0, end=1.0),))
    # 1 V/oct: an offset of 0.5 V is 6 semitones, half of 0..1 V another 6.
    assert held(score_of(tune, macros=[vibrato])) == {"main.pitch-1": 57.0}


def test_notes_stay_within_midi() -> None:
    tune = Lane(
        "tune", Notes((Note(127),)), advance=QUARTER, out="main.pitch-1", settings={"offset": 5.0}
    )
    assert held(score_of(tune)) == {"main.pitch-1": 127.0}


def test_of_two_lanes_on_one_pitch_the_last_that_moved_and_is_in_counts() -> None:
    a = Lane("a", Notes((Note(40), Note(41))), advance=QUARTER, out="main.pitch-1", share=True)
    b = Lane("b", Notes((Note(50),)), advance=Fraction(1440), out="main.pitch-1", share=True)
    score = score_of(a, b)
    assert values(play(score, 1920), "main.pitch-1") == [(0, 50), (960, 41), (1440, 50)]
    performance = Performance(score)
    carry_out(performance, {"do": "mute", "lane": "b", "muted": True}, 0)
    found = values(play(score, 1920, performance=performance), "main.pitch-1")
    assert found == [(0, 40), (960, 41)]


def test_a_gate_that_outlasts_its_step_is_not_closed_by_the_hit_before() -> None:
    kick = Lane(
        "kick",
        Steps((1, 1, 0, 0)),
        advance=Fraction(480),
        settings={"gate": 2.0},
        drives=(Drive(out="main.level-1"),),
    )
    found = values(play(score_of(kick), BAR), "main.level-1")
    assert [tick for tick, _ in found] == [0, 1440, 1920, 3360]


def test_a_pitch_says_nothing_before_its_first_note() -> None:
    tune = Lane("tune", Notes((Note(None), Note(40))), advance=QUARTER, out="main.pitch-1")
    score = score_of(tune)
    assert held(score) == {}
    assert values(play(score, BAR), "main.pitch-1") == [(960, 40)]


# --- when ----------------------------------------------------------------------------------------


def test_events_come_only_where_something_moves() -> None:
    score = score_of(Lane("swell", Levels((0.2, 0.2, 0.6)), advance=QUARTER, out="main.level-1"))
    assert values(play(score, 2 * BAR), "main.level-1") == [
        (0, 1.0),
        (1920, 3.0),
        (2880, 1.0),
        (4800, 3.0),
        (5760, 1.0),
    ]


def test_glides_are_sampled_every_twenty_ticks() -> None:
    lane = Lane(
        "swell",
        Levels((0.0, 1.0)),
        advance=Fraction(970),
        out="main.level-1",
        settings={"slew_ms": 50.0},
    )
    found = values(play(score_of(lane), 1400), "main.level-1")
    # From 970 on for 96 ticks: on the grid, and there where it begins.
    ticks = [0, *range(980, 1081, 20)]
    expected = np.interp(ticks, [970, 1066], [0.0, 5.0])
    assert [tick for tick, _ in found] == ticks
    np.testing.assert_allclose([volts for _, volts in found], expected, atol=1e-9)


@pytest.mark.parametrize("other", range(1061, 1083))
def test_a_glide_arrives_whatever_else_moves_meanwhile(other: int) -> None:
    """One output glides to 5 V up to tick 1066, between two samples; another moves about then."""
    swell = Lane(
        "swell",
        Levels((0.0, 1.0)),
        advance=Fraction(970),
        out="main.level-1",
        settings={"slew_ms": 50.0},
    )
    step = Lane("step", Levels((0.0, 1.0)), advance=Fraction(other), out="main.level-2")
    assert values(play(score_of(swell, step), 1400), "main.level-1")[-1] == (1080, 5.0)


def test_a_macro_with_slew_glides_to_its_outputs() -> None:
    macro = Macro("level", 0.0, slew_ms=100.0, drives=(Drive(out="main.level-1"),))
    score = score_of(macros=[macro])
    performance = Performance(score)
    renderer = Renderer(score, performance)
    assert values(renderer.advance(1000), "main.level-1") == [(0, 0.0)]
    carry_out(performance, {"do": "macro", "macro": "level", "value": 1.0}, 1000)
    found = values(renderer.advance(2000), "main.level-1")
    ticks = [tick for tick, _ in found]
    assert ticks == list(range(1020, 1201, 20))
    np.testing.assert_allclose(
        [volts for _, volts in found], np.interp(ticks, [1000, 1192], [0.0, 5.0]), atol=1e-9
    )


def test_a_driven_offset_moves_with_what_drives_it() -> None:
    lane = steady("a", 0.0, out="main.level-1")
    wave = Lane(
        "wave",
        Shape("ramp"),
        advance=Fraction(BAR),
        drives=(Drive(lane="a", setting="offset", depth=0.1),),
    )
    found = values(play(score_of(wave, lane), BAR), "main.level-1")
    ticks = np.array([tick for tick, _ in found])
    assert len(found) == BAR // 20
    # 0.1 of the setting's whole range of 20 V, times the ramp.
    np.testing.assert_allclose([v for _, v in found], 2.0 * ticks / BAR, atol=1e-9)


def test_the_value_of_a_lane_that_is_out_stays_at_the_output() -> None:
    score = score_of(
        Lane(
            "tune",
            Notes((Note(40), Note(41), Note(42), Note(43))),
            advance=QUARTER,
            out="main.pitch-1",
        )
    )
    performance = Performance(score)
    renderer = Renderer(score, performance)
    renderer.advance(1000)
    carry_out(performance, {"do": "mute", "lane": "tune", "muted": True}, 1000)
    assert values(renderer.advance(3000), "main.pitch-1") == []
    assert renderer.hold_values()[0].value == 41
    carry_out(performance, {"do": "mute", "lane": "tune", "muted": False}, 3000)
    # The melody went on underneath: the third step is past, the fourth sounds at once.
    assert values(renderer.advance(BAR + 961), "main.pitch-1") == [
        (3000, 43),
        (3840, 40),
        (4800, 41),
    ]


def test_a_mute_that_waits_holds_from_its_bar_line_on() -> None:
    score = score_of(Lane("swell", Shape("ramp"), advance=Fraction(2 * BAR), out="main.level-1"))
    performance = Performance(score)
    carry_out(
        performance,
        {"do": "mute", "lane": "swell", "muted": True, "when": "bar", "return_bars": 1},
        100,
    )
    found = dict(values(play(score, 2 * BAR + 1, performance=performance), "main.level-1"))
    assert max(tick for tick in found if tick < BAR) == BAR - 20
    assert not [tick for tick in found if BAR <= tick < 2 * BAR]
    assert found[2 * BAR] == 0.0


# --- windows -------------------------------------------------------------------------------------

RICH = score_of(
    Lane(
        "kick",
        Steps((1, 0, 0, 1, 0)),
        advance=Fraction(240),
        out="main.gate-1",
        drives=(Drive(out="main.level-2", depth=0.3),),
        settings={"humanise_ms": 20.0, "repeats": 2.0},
    ),
    Lane(
        "tune",
        Notes((Note(40), Note(47, glide=True), Note(45))),
        advance="kick",
        out="main.pitch-1",
        settings={"shift_ms": -30.0},
    ),
    Lane(
        "wave",
        Shape("sine"),
        advance=Fraction(1700),
        out="main.level-1",
        share=True,
        drives=(
            Drive(lane="swell", setting="depth", depth=0.5),
            Drive(lane="kick", setting="shift", depth=-0.4),
        ),
    ),
    Lane(
        "swell",
        Levels((0.1, 0.9)),
        advance=Fraction(700),
        out="main.level-1",
        share=True,
        settings={"slew": 0.7, "depth": -0.4, "shift": -0.3},
    ),
    Lane("duck", Decay("kick"), out="main.level-2", share=True, settings={"shift": 0.2}),
    macros=[
        Macro(
            "m",
            0.2,
            0.3,
            40.0,
            (
                Drive(out="main.level-2", depth=-0.5),
                Drive(lane="swell", setting="offset", depth=0.1),
            ),
        )
    ],
    seed=3,
)

COMMANDS: list[tuple[int, dict[str, Any]]] = [
    (700, {"do": "macro", "macro": "m", "value": 0.9}),
    (1111, {"do": "mute", "lane": "wave", "muted": True, "when": "bar", "return_bars": 1}),
    (2000, {"do": "setting", "lane": "duck", "setting": "decay_ms", "value": 700.0}),
    (5000, {"do": "mute", "lane": "tune", "muted": True, "when": "beat"}),
    (5777, {"do": "tempo", "bpm": 97.0}),
    (6500, {"do": "mute", "lane": "tune", "muted": False}),
    (7000, {"do": "solo", "lane": "swell", "on": True}),
]


def perform(cuts: list[int]) -> list[Event]:
    performance = Performance(RICH)
    renderer = Renderer(RICH, performance)
    events: list[Event] = []
    waiting = COMMANDS[:]
    for cut in sorted({*cuts, 3 * BAR, *(at for at, _ in COMMANDS)}):
        events += renderer.advance(cut)
        while waiting and waiting[0][0] == cut:
            carry_out(performance, waiting.pop(0)[1], cut)
    return events


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(1, 3 * BAR), max_size=50))
@example(list(range(7, 3 * BAR, 7)))
def test_windows_of_any_size_agree_while_hands_are_at_work(cuts: list[int]) -> None:
    assert perform(cuts) == perform([])


def test_the_rich_set_says_enough() -> None:
    found = perform([])
    for output in ("main.pitch-1", "main.level-1", "main.level-2"):
        assert len(values(found, output)) > 20
    ticks = [event.tick for event in found]
    assert ticks == sorted(ticks)


def test_what_happens_before_any_moment_does_not_depend_on_what_comes_after() -> None:
    assert [e for e in perform([]) if e.tick < 700] == play(RICH, 700)


# --- another score takes over --------------------------------------------------------------------


def test_a_new_score_goes_on_from_the_values_that_stand() -> None:
    old = score_of(
        Lane("tune", Notes((Note(40), Note(41))), advance=QUARTER, out="main.pitch-1"),
        Lane(
            "swell", Levels((0.0, 1.0)), advance=QUARTER, out="main.level-1", settings={"slew": 1.0}
        ),
    )
    new = score_of(
        Lane("kick", Every(), advance=QUARTER, out="main.gate-1"), old.lanes[1], old.lanes[0]
    )
    renderer = Renderer(old, Performance(old))
    renderer.advance(1500)
    other = Renderer(new, Performance(new))
    other.adopt(renderer)
    found = other.advance(1921)
    assert values(found, "main.pitch-1") == [(1920, 40)]
    glide = values(found, "main.level-1")
    assert [tick for tick, _ in glide] == list(range(1500, 1921, 20))
    np.testing.assert_allclose(
        [volts for _, volts in glide], [5 * (tick - 960) / 960 for tick, _ in glide], atol=1e-9
    )


def test_only_outputs_that_something_drives_are_spoken_for() -> None:
    score = score_of(Lane("kick", Every(), out="main.gate-1"))
    performance = Performance(score)
    mixer = Mixer(score, Settings(performance, lambda lane, tick: 0.0))
    assert mixer.hold(0, performance) == []
    assert mixer.events(BAR, performance) == []


# --- resets by hand ------------------------------------------------------------------------------

RESET = score_of(
    Lane("kick", Steps((1, 0, 1, 1, 0)), advance=Fraction(240), out="main.gate-1"),
    Lane(
        "tune",
        Notes((Note(40), Note(41), Note(42), Note(43), Note(44))),
        advance="kick",
        out="main.pitch-1",
    ),
    Lane("swell", Levels((0.1, 0.2, 0.3, 0.4, 0.5)), advance=QUARTER, out="main.level-1"),
    Lane("wave", Shape("ramp"), advance=Fraction(4 * BAR), out="main.level-2"),
)


def reset_at(tick: int, lane: str, cuts: list[int], end: int = 2 * BAR) -> list[Event]:
    renderer = Renderer(RESET, Performance(RESET))
    events: list[Event] = []
    for cut in sorted({*cuts, tick, end}):
        if cut == tick:
            events += renderer.advance(cut)
            renderer.reset(lane)
        else:
            events += renderer.advance(cut)
    return events


def test_a_reset_by_hand_starts_with_the_next_step() -> None:
    assert dict(values(reset_at(2000, "swell", []), "main.level-1")[:6]) == pytest.approx(
        {0: 0.5, 960: 1.0, 1920: 1.5, 2880: 0.5, 3840: 1.0, 4800: 1.5}
    )
    notes = values(reset_at(1000, "tune", []), "main.pitch-1")
    # kick hits at 0, 480, 720, then again every 1200 ticks.
    assert notes[:6] == [(0, 40), (480, 41), (720, 42), (1200, 40), (1680, 41), (1920, 42)]
    ramp = dict(values(reset_at(3333, "wave", []), "main.level-2"))
    assert ramp[3320] == pytest.approx(5 * 3320 / (4 * BAR))
    assert ramp[3340] == 0.0
    assert ramp[3440] == pytest.approx(5 * 100 / (4 * BAR))


def test_a_reset_by_hand_returns_a_drifting_lane_to_what_is_written() -> None:
    written = [40.0, 41.0, 42.0, 43.0, 44.0, 45.0, 46.0, 47.0]
    lane = Lane(
        "tune",
        Notes(tuple(Note(n) for n in written)),
        advance=Fraction(480),
        out="main.pitch-1",
        settings={"drift": 0.9, "drift_bound": 8.0},
    )
    score = score_of(lane, seed=1)
    performance = Performance(score)
    renderer = Renderer(score, performance)
    drifted = [value for _, value in values(renderer.advance(8 * BAR), "main.pitch-1")]
    assert drifted[-8:] != written
    carry_out(performance, {"do": "freeze", "lane": "tune", "on": True}, 8 * BAR)
    still = [value for _, value in values(renderer.advance(9 * BAR), "main.pitch-1")]
    assert still != written
    renderer.reset("tune")
    assert values(renderer.advance(10 * BAR), "main.pitch-1") == [
        (9 * BAR + 480 * step, note) for step, note in enumerate(written)
    ]


@settings(max_examples=15, deadline=None)
@given(
    st.integers(1, BAR),
    st.sampled_from(["tune", "swell", "wave"]),
    st.lists(st.integers(1, 2 * BAR), max_size=40),
)
def test_a_reset_by_hand_does_not_depend_on_windows(tick: int, lane: str, cuts: list[int]) -> None:
    assert reset_at(tick, lane, cuts) == reset_at(tick, lane, [])


def test_of_two_lanes_that_move_at_once_the_last_has_the_word_however_time_is_cut() -> None:
    """The envelope is half a step late: its value for tick 160 is known before the other's."""
    out = "main.pitch-1"
    score = score_of(
        Lane("beat", Steps((1, 0, 1, 1, 0)), settings={}),
        Lane("line", Levels((0.0,)), advance=Fraction(160), out=out, share=True),
        Lane(
            "fall",
            Decay("beat"),
            advance=Fraction(160),
            out=out,
            share=True,
            settings={"shift": 0.5},
        ),
    )
    whole = Renderer(score, Performance(score)).advance(960)
    cut = Renderer(score, Performance(score))
    assert [e for tick in range(1, 961) for e in cut.advance(tick)] == whole
    assert {e.lane for e in whole if e.tick == 160} == {2}
