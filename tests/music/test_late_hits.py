"""Values up to the very moment of a late hit: envelopes, shapes, holds and slews go on until the
tick at which it sounds, held against formulas."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.sets import BAR, felt_beats, in_windows, renderer, score_of, steps

from bridge.music.event import Event
from bridge.music.model import (
    Decay,
    Drive,
    Every,
    Lane,
    Levels,
    Note,
    Notes,
    OutputRange,
    Sample,
    Shape,
)
from bridge.music.render import events_between
from bridge.protocol.performing import Mute

OUTPUTS = {
    "pitch": OutputRange("pitch", "pitch"),
    "level": OutputRange("level", "level", 0.0, 1.0),
    "source": OutputRange("source", "level", 0.0, 1.0),
}


def line_of(events: list[Event], output: str, end: int) -> np.ndarray:
    """What an output says at every tick; not a number before it speaks."""
    line = np.full(end, np.nan)
    for event in events:
        if event.output == output:
            line[event.tick :] = event.value
    return line


END_OF_LINE = 2 * BAR


@settings(deadline=None, max_examples=30, derandomize=True)
@given(felt_beats(), st.sampled_from([50.0, 60.0]), st.sampled_from([120.0, 8000.0]))
def test_an_envelope_falls_until_the_tick_at_which_the_next_hit_sounds(
    beat: Lane, swing: float, decay_ms: float
) -> None:
    """`level * 10 ** (-3 t / decay_ms)` since the hit that sounded last, sampled every 20 ticks."""
    fall = Lane("fall", Decay("beat"), out="level", settings={"decay_ms": decay_ms})
    score = score_of(beat, fall, outputs=OUTPUTS, swing=swing, tempo=125.0, seed=3)
    events = events_between(score, 0, END_OF_LINE)
    line = line_of(events, "level", END_OF_LINE)
    hits = sorted((e.tick, e.value) for e in events if e.kind == "hit")
    starts, levels = np.array([t for t, _ in hits]), [level for _, level in hits]
    for tick in {*range(0, END_OF_LINE, 20), *(tick for tick, _ in hits)}:
        last = int(np.searchsorted(starts, tick, side="right")) - 1
        expected = 0.0
        if last >= 0:
            at, level = starts[last], max(v for t, v in hits if t == starts[last])
            same = [v for t, v in hits if t == at]
            gone = 10.0 ** (-3.0 * (tick - at) / (2 * decay_ms))
            expected = level * gone if gone >= 0.001 else 0.0
            if len(same) > 1:
                continue  # which of two hits at one tick counts is not said
        assert line[tick] == pytest.approx(expected, abs=1e-9), tick
    assert len(levels) == len(hits)


@settings(deadline=None, max_examples=30, derandomize=True)
@given(felt_beats(), st.sampled_from([50.0, 60.0]))
def test_a_shape_goes_on_until_the_tick_at_which_a_hit_starts_it_again(
    beat: Lane, swing: float
) -> None:
    beat = replace(beat, settings={k: v for k, v in beat.settings.items() if k != "repeats"})
    ramp = Lane("ramp", Shape("ramp", "beat"), advance=Fraction(7 * BAR), out="level")
    score = score_of(beat, ramp, outputs=OUTPUTS, swing=swing, seed=3)
    events = events_between(score, 0, END_OF_LINE)
    line = line_of(events, "level", END_OF_LINE)
    starts = np.array(sorted({0, *(e.tick for e in events if e.kind == "hit")}))
    for tick in {*range(0, END_OF_LINE, 20), *starts.tolist()}:
        last = starts[np.searchsorted(starts, tick, side="right") - 1]
        assert line[tick] == pytest.approx((tick - last) / (7 * BAR), abs=1e-9), tick


@settings(deadline=None, max_examples=30, derandomize=True)
@given(
    felt_beats(),
    st.sampled_from(["shape", "levels", "decay"]),
    st.sampled_from([-0.5, 0.0, 0.5]),
    st.sampled_from([0.0, 1.7]),
)
def test_a_hold_takes_what_its_lane_says_when_the_hit_sounds(
    beat: Lane, kind: str, shift: float, slew: float
) -> None:
    beat = replace(beat, settings={k: v for k, v in beat.settings.items() if k != "repeats"})
    source: Any = {
        "shape": Shape("triangle"),
        "levels": Levels((0.1, 0.9, None, 0.4)),
        "decay": Decay("beat"),
    }[kind]
    score = score_of(
        beat,
        Lane(
            "line",
            source,
            advance=Fraction(720),
            out="source",
            settings={"shift": shift, "slew": slew if kind == "levels" else 0.0},
        ),
        Lane("kept", Sample("line", "beat"), out="level"),
        outputs=OUTPUTS,
        swing=58.0,
        seed=2,
    )
    events = events_between(score, 0, END_OF_LINE)
    line, held = (line_of(events, name, END_OF_LINE) for name in ("source", "level"))
    hits = sorted({event.tick for event in events if event.kind == "hit"})
    for tick in hits:
        # A glide is sent every 20 ticks and is held as it is: the line between two samples.
        near = np.nan_to_num(line[max(0, tick - 20) : tick + 21])
        assert near.min() - 1e-9 <= held[tick] <= near.max() + 1e-9
        if not slew and not np.isnan(line[tick]):
            assert held[tick] == pytest.approx(line[tick], abs=1e-9)
    moves = {event.tick for event in events if event.output == "level"}
    assert moves - {0} <= {*hits}


def test_a_slew_goes_on_until_a_late_hit_sounds() -> None:
    """Up over two steps of the beat, and not yet there when the next hit sounds."""
    score = score_of(
        Lane("beat", Every(1), advance=Fraction(960), settings={"swing": 75}),
        Lane("line", Levels((0.0, 1.0, 0.0)), advance="beat", out="level", settings={"slew": 2.0}),
        outputs=OUTPUTS,
    )
    line = line_of(events_between(score, 0, 2000), "level", 2000)
    at = np.arange(1440, 1920, 20)
    np.testing.assert_allclose(line[at], (at - 1440) / 1920, atol=1e-9)


def test_what_a_late_hit_moves_in_a_melody_still_belongs_to_its_step() -> None:
    """The kick that sounds late transposes the note it plays itself, not the one after."""
    score = score_of(
        Lane("kick", Every(1), advance=Fraction(960), settings={"swing": 75}),
        Lane("rise", Levels((0.0, 1.0, 0.5)), advance="kick"),
        Lane("root", Sample("rise", "kick"), out="source"),
        Lane("tune", Notes((Note(40.0),)), advance="kick", transpose_by="root", out="pitch"),
        outputs=OUTPUTS,
    )
    pitches = [(e.tick, e.value) for e in events_between(score, 0, 3000) if e.kind == "pitch"]
    assert pitches == [(0, 40.0), (1440, 52.0), (1920, 46.0)]


def test_an_envelope_that_drives_a_setting_and_an_output_does_both() -> None:
    score = score_of(
        Lane("beat", Every(1), advance=Fraction(960), settings={"swing": 75}),
        Lane(
            "fall",
            Decay("beat"),
            out="level",
            drives=(Drive(lane="hat", setting="chance", depth=1.0),),
            settings={"decay_ms": 100.0},
        ),
        steps("hat", "x", settings={"chance": 0.0}),
        outputs=OUTPUTS,
        seed=1,
    )
    events = in_windows(renderer(score), list(range(13, 20 * BAR, 13)))
    assert events == renderer(score).advance(events[-1].tick + 1)[: len(events)]
    hats = {event.grid % 960 for event in events if event.lane == 2}
    assert hats == {0}, "the setting follows the hits on the grid"
    starts = [e.tick for e in events if e.output == "level" and e.value == pytest.approx(0.8)]
    assert starts[:4] == [0, 1440, 1920, 3360]


@pytest.mark.parametrize("kind", ["decay", "shape"])
def test_a_lane_edited_in_the_middle_goes_on_for_those_who_ask_now(kind: str) -> None:
    """First only an output asks for it, then a setting too, then only the setting."""
    source: Any = Decay("beat") if kind == "decay" else Shape("ramp", "beat")
    lane = Lane("line", source, advance=Fraction(2 * BAR), settings={"decay_ms": 3000.0})
    drive = (Drive(lane="hat", setting="level", depth=1.0),)
    beat = Lane("beat", Every(1), advance=Fraction(1920), settings={"swing": 75})
    hat = steps("hat", "x", settings={"level": 0.0})
    ways = [
        replace(lane, out="level"),
        replace(lane, out="level", drives=drive),
        replace(lane, drives=drive),
    ]
    sets = [score_of(beat, way, hat, outputs=OUTPUTS) for way in ways]
    player = renderer(sets[0])
    events = player.advance(100 * BAR + 777)
    for number, score in enumerate(sets[1:], start=101):
        other = renderer(score)
        other.adopt(player)
        player = other
        now = player.advance(number * BAR + 777)
        assert len(now) < 1000, "the past is not played again"
        events += now
    whole = renderer(sets[1]).advance(102 * BAR + 777)

    def heard(found: list[Event], since: int, until: int) -> list[tuple[int, float]]:
        rows = [(e.tick, e.value) for e in found if e.output == "level"]
        return [(tick, value) for tick, value in rows if since <= tick < until]

    np.testing.assert_allclose(
        heard(events, 100 * BAR + 780, 101 * BAR + 777),
        heard(whole, 100 * BAR + 780, 101 * BAR + 777),
    )
    # The hat's level follows the line on the grid, from the next hit of the beat at the latest.
    hats = [[(e.tick, e.value) for e in found if e.lane == 2] for found in (events, whole)]
    late = [[row for row in found if row[0] >= 101 * BAR + 777] for found in hats]
    np.testing.assert_allclose(late[0], late[1])


@pytest.mark.parametrize("out_first", [True, False])
def test_a_mute_between_grid_and_sound_is_the_same_however_time_is_cut(out_first: bool) -> None:
    """Swung steps sound some ticks after their place on the grid. A mute counts where the step
    belongs and where it sounds; a hit that was already worked out must follow it, too, when a
    window ends between the two, or on the very tick of the sound."""
    beat = steps("hat", "x", "1/16")
    # A lane that sounds early: all lanes are worked out some 100 ticks ahead.
    early = steps("early", "x", "1/16", settings={"shift": -0.4})
    score = score_of(beat, early, swing=60.0)  # every second step 48 ticks late
    late = 240 * 3 + 48
    for at in (240 * 3 - 6, 240 * 3, 240 * 3 + 1):
        for cut in range(at + 1, late + 60):
            play = renderer(score)
            play.performance.apply(Mute(lane="hat", muted=out_first), 0)
            given = play.advance(at)
            play.performance.apply(Mute(lane="hat", muted=not out_first), at)
            given += play.advance(cut)
            given += play.advance(240 * 6)
            heard = {event.grid for event in given if event.kind == "hit" and event.lane == 0}
            grids = range(0, 240 * 6, 240)
            sounds = {grid: grid + (48 if grid // 240 % 2 else 0) for grid in grids}
            expected = {
                grid
                for grid, sound in sounds.items()
                if sound < 240 * 6 and (grid >= at if out_first else sound < at)
            }
            assert heard == expected, (at, cut)
