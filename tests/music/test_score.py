"""Compiling a set: order, what lanes read, and mistakes that only show when lanes meet."""

from __future__ import annotations

from fractions import Fraction

import pytest
from support.sets import BAR, logic, score_of, steps

from bridge.errors import InputError, Problem
from bridge.music.model import Decay, Drive, Lane, Levels, Macro, Note, Notes, Sample, Shape, Walk
from bridge.music.render import events_between


def values(name: str, **more: object) -> Lane:
    return Lane(name, Levels((0.0, 1.0)), **more)  # type: ignore[arg-type]


def refused(*lanes: Lane, **spec: object) -> list[Problem]:
    with pytest.raises(InputError) as caught:
        score_of(*lanes, **spec)  # type: ignore[arg-type]
    return list(caught.value.problems)


def test_every_lane_comes_after_what_it_reads() -> None:
    score = score_of(
        Lane("tune", Notes((Note(36),)), advance="bass", transpose_by="slow"),
        logic("bass", "kick or hat", reset="clap"),
        Lane("pluck", Decay("bass")),
        Lane("kept", Sample("walk", "clap")),
        Lane("walk", Walk()),
        Lane("wave", Shape("sine", retrigger="clap")),
        values("slow", drives=(Drive(lane="hat", setting="chance"),)),
        steps("kick", "x"),
        steps("hat", "x"),
        steps("clap", "x"),
    )
    place = {lane: score.order.index(at) for lane, at in score.positions.items()}
    assert sorted(score.order) == list(range(10))
    for lane, reads in (
        ("tune", ("bass", "slow")),
        ("bass", ("kick", "hat", "clap")),
        ("pluck", ("bass",)),
        ("kept", ("walk", "clap")),
        ("wave", ("clap",)),
        ("hat", ("slow",)),
    ):
        assert {score.lanes[at].name for at in score.reads[score.positions[lane]]} == set(reads)
        assert all(place[read] < place[lane] for read in reads)


def test_lanes_without_ties_keep_the_written_order() -> None:
    score = score_of(steps("c", "x"), steps("a", "x"), steps("b", "x"))
    assert score.order == (0, 1, 2)


def test_a_moved_lane_has_the_steps_of_its_mover() -> None:
    score = score_of(
        steps("a", "x", "1/8T"),
        steps("b", "x"),
        Lane("c", steps("c", "x").source, advance="a"),
        Lane("d", steps("d", "x").source, advance="c"),
    )
    assert score.steps == (Fraction(320), Fraction(240), Fraction(320), Fraction(320))


def test_cycles_of_any_kind_are_refused_by_name() -> None:
    (problem,) = refused(
        Lane("a", steps("a", "x").source, advance="b"), Lane("b", steps("b", "x").source, reset="a")
    )
    assert problem.message == "these lanes wait for each other: a reads b reads a"
    assert problem.keys == ("lanes", "b", "reset")
    drive = Drive(lane="kick", setting="gate")
    (problem,) = refused(steps("kick", "x"), values("v", advance="kick", drives=(drive,)))
    assert problem.message == "these lanes wait for each other: kick reads v reads kick"
    (problem,) = refused(Lane("a", steps("a", "x").source, advance="a"))
    assert problem.message == "'a' waits for itself"


@pytest.mark.parametrize(
    ("lane", "keys", "says"),
    [
        (steps("a", "x", reset="kik"), ("lanes", "a", "reset"), "did you mean kick?"),
        (
            Lane("a", steps("a", "x").source, advance="slow"),
            ("lanes", "a", "advance"),
            "lane of values",
        ),
        (Lane("a", Decay("none")), ("lanes", "a", "decay"), "no lane is called 'none'"),
        (Lane("a", Sample("kick", "kick")), ("lanes", "a", "sample", "value"), "lane of hits"),
        (Lane("a", Sample("slow", "slow")), ("lanes", "a", "sample", "at"), "lane of values"),
        (Lane("a", Shape("saw", "slow")), ("lanes", "a", "retrigger"), "lane of values"),
        (
            Lane("a", Notes((Note(36),)), transpose_by="kick"),
            ("lanes", "a", "transpose_by"),
            "a lane of values is needed here",
        ),
        (logic("a", "kick and slow"), ("lanes", "a", "logic"), "logic works on hits"),
        (logic("a", "kick and ("), ("lanes", "a", "logic"), "column 11"),
        (
            Lane("a", logic("a", "kick").source, advance="kick"),
            ("lanes", "a", "advance"),
            "not moved by another",
        ),
        (
            values("a", drives=(Drive(lane="kicks", setting="gate"),)),
            ("lanes", "a", "drives", 0, "lane"),
            "did you mean kick?",
        ),
        (
            steps("a", "x", drives=(Drive(lane="kick", setting="gate"),)),
            ("lanes", "a", "drives", 0, "lane"),
            "no value to drive with",
        ),
        (steps("kick", "x"), ("lanes", "kick"), "two lanes are called 'kick'"),
    ],
)
def test_mistakes_and_where_they_are(lane: Lane, keys: tuple[object, ...], says: str) -> None:
    (problem,) = refused(
        lane,
        *([] if lane.name == "kick" else [steps("kick", "x")]),
        *([steps("kick", "x")] if lane.name == "kick" else []),
        values("slow"),
    )
    assert problem.keys == keys
    assert says in problem.message


def test_macros_that_drive_nothing_are_refused() -> None:
    macro = Macro("m", drives=(Drive(out="x"), Drive(lane="kik", setting="gate")))
    (problem,) = refused(steps("kick", "x"), macros=(macro,))
    assert problem.keys == ("macros", "m", "drives", 1, "lane")


def test_between_is_pure() -> None:
    score = score_of(steps("a", "x.x..", settings={"chance": 0.5}), seed=4)
    first = events_between(score, 500, 2 * BAR)
    events_between(score, 0, 9 * BAR)
    assert events_between(score, 500, 2 * BAR) == first
    assert events_between(score, 0, 2 * BAR)[-len(first) :] == first


def test_between_takes_who_is_out() -> None:
    score = score_of(steps("a", "x", muted=True), steps("b", "x"))
    assert {e.lane for e in events_between(score, 0, BAR)} == {1}
    assert {e.lane for e in events_between(score, 0, BAR, frozenset())} == {0, 1}
    assert {e.lane for e in events_between(score, 0, BAR, frozenset({"b"}))} == {0}
