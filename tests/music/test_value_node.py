"""The line of a lane of values: read at any tick, carried over to an edited set."""

from __future__ import annotations

from fractions import Fraction
from functools import partial
from typing import Any

import numpy as np
import pytest
from support.wired import BAR, OUTPUTS, build_nodes, changes, score_of, setting_of

from bridge.music.line import along
from bridge.music.model import Decay, Every, Lane, Levels, Note, Notes, Sample, Shape, Steps, Walk
from bridge.music.node import Node, Window
from bridge.music.performance import Performance
from bridge.music.score import Score
from bridge.music.value_node import home_of, note_like, step_of
from bridge.music.value_states import ValueState

PITCHES = frozenset(name for name, out in OUTPUTS.items() if out.kind == "pitch")


def run(score: Score, start: int, end: int, nodes: list[Node]) -> dict[int, Any]:
    performance = Performance(score)
    window = Window(
        start,
        end,
        partial(setting_of, performance),
        performance.muted,
        lambda at, t: nodes[at].value_at(t),
        lambda ms: ms * 1.92,
    )
    for place in score.order:
        nodes[place].run(window)
    return {place: window.changes.get(place, []) for place in score.order}


def test_a_glide_is_a_straight_line() -> None:
    ticks = np.arange(0, 101)
    line = [along(2.0, 4.0, int(tick), 80) for tick in ticks]
    np.testing.assert_allclose(line, np.interp(ticks, [0, 80], [2.0, 4.0]), atol=1e-12)
    assert along(2.0, 4.0, 0, 0) == 4.0


def test_the_line_between_changes() -> None:
    lane = Lane("swell", Levels((0.0, 1.0)), advance=Fraction(960), settings={"slew": 0.5})
    score = score_of(lane)
    nodes = build_nodes(score)
    run(score, 0, BAR, nodes)
    ticks = np.arange(0, BAR)
    knots = [0, 960, 1440, 1920, 2400, 2880, 3360, 3840]
    expected = np.interp(ticks, knots, [0, 0, 1, 1, 0, 0, 1, 1])
    np.testing.assert_allclose([nodes[0].value_at(int(t)) for t in ticks], expected, atol=1e-12)


def test_a_glide_that_is_cut_short_goes_on_from_where_it_is() -> None:
    lane = Lane("swell", Levels((0.0, 1.0)), advance=Fraction(960), settings={"slew": 2.0})
    score = score_of(lane)
    nodes = build_nodes(score)
    run(score, 0, 2880, nodes)
    # Half way up at 1920, then half of that way down.
    assert [nodes[0].value_at(t) for t in (960, 1920, 2880 - 1)] == pytest.approx(
        [0.0, 0.5, 0.5 * (1 - 959 / 1920)]
    )


def test_the_step_of_a_lane_moved_by_others() -> None:
    kick = Lane("kick", Every(), advance=Fraction(480))
    tap = Lane("tap", Every(2), advance="kick")
    tune = Lane("tune", Notes((Note(40),)), advance="tap")
    spec = score_of(kick, tap, tune).spec
    assert step_of(tune, spec) == 480


def test_which_lanes_have_notes() -> None:
    tune = Lane("tune", Notes((Note(None), Note(40))))
    swell = Lane("swell", Levels((0.0,)))
    onto = Lane("onto", Levels((0.0,)), out="main.pitch-1")
    kick = Lane("kick", Every())
    held = Lane("held", Sample("tune", "kick"))
    twice = Lane("twice", Sample("held", "kick"))
    level = Lane("level", Sample("swell", "kick"))
    spec = score_of(tune, swell, onto, kick, held, twice, level).spec
    are = {lane.name for lane in spec.lanes if note_like(lane, spec, PITCHES)}
    assert are == {"tune", "onto", "held", "twice"}
    assert home_of(twice, spec, PITCHES) == 40.0
    assert home_of(onto, spec, PITCHES) == 60.0
    assert home_of(swell, spec, PITCHES) == 0.0


LANES = (
    Lane("taps", Steps((1, 0, 1, 1, 0)), advance=Fraction(240)),
    Lane(
        "tune",
        Notes((Note(45), Note(48, glide=True), Note(52))),
        advance="taps",
        reset=3,
        direction="shuffle",
        settings={"drift": 0.4},
    ),
    Lane("swell", Levels((0.0, 0.3, 1.0)), advance=Fraction(320), settings={"slew": 1.5}),
    Lane("wave", Shape("random-smooth", "taps"), advance=Fraction(1000), settings={"hz": 0.9}),
    Lane("duck", Decay("taps"), settings={"decay_ms": 300.0}),
    Lane("kept", Sample("wave", "taps"), settings={"transpose": 0.0}),
    Lane("walk", Walk(), advance=Fraction(500)),
)


@pytest.mark.parametrize("name", [lane.name for lane in LANES[1:]])
def test_a_fresh_node_that_adopts_goes_on_exactly(name: str) -> None:
    score = score_of(*LANES, seed=2)
    place = score.positions[name]
    whole = changes(score, name, 3 * BAR)
    nodes = build_nodes(score)
    first = run(score, 0, 4010, nodes)[place]
    fresh = build_nodes(score)
    for old, new in zip(nodes, fresh, strict=True):
        new.adopt(old.carry(), 4010)
    second = run(score, 4010, 3 * BAR, fresh)[place]
    assert [*first, *second] == whole


@pytest.mark.parametrize("name", [lane.name for lane in LANES[1:]])
def test_rewound_is_as_built(name: str) -> None:
    score = score_of(*LANES, seed=2)
    nodes = build_nodes(score)
    first = run(score, 0, 2 * BAR, nodes)
    for node in nodes:
        node.rewind()
    assert run(score, 0, 2 * BAR, nodes) == first


@pytest.mark.parametrize("lane", LANES[1:], ids=lambda lane: lane.name)
def test_what_another_kind_left_is_no_obstacle(lane: Lane) -> None:
    """A lane edited into another kind of lane falls in at the present position."""
    score = score_of(*LANES)
    nodes = build_nodes(score)
    run(score, 0, 4010, nodes)
    for other in nodes:
        fresh = build_nodes(score)
        for place, node in enumerate(fresh):
            node.adopt(nodes[place].carry(), 4010)
        target = fresh[score.positions[lane.name]]
        target.adopt(other.carry(), 4010)
        found = run(score, 4010, 4010 + BAR, fresh)[score.positions[lane.name]]
        assert found
        assert all(4010 <= change.grid < 4010 + BAR for change in found)


def test_a_long_night_keeps_the_line_short() -> None:
    score = score_of(Lane("wave", Shape("sine"), advance=Fraction(BAR)))
    node = build_nodes(score)[0]
    for bar in range(40):
        run(score, bar * BAR, (bar + 1) * BAR, [node])
    carried = node.carry()
    assert isinstance(carried, ValueState)
    assert len(carried.pieces) < 1000
    assert node.value_at(40 * BAR - 1920) == pytest.approx(1.0)
