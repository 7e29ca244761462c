"""A lane may become one of any other kind while it plays, and may get another name."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from support.said import carry_out
from support.sets import BAR, steps
from support.wired import score_of

from bridge.music.model import (
    Arpeggio,
    Decay,
    Euclid,
    Every,
    Lane,
    Levels,
    Logic,
    Note,
    Notes,
    Sample,
    Shape,
    Source,
    Steps,
    Walk,
)
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score
from bridge.music.snapshot import renamed

SOURCES: dict[str, Source] = {
    "euclid": Euclid(),
    "steps": Steps((1, 0, 2)),
    "every": Every(3),
    "logic": Logic("beat"),
    "gates": Logic("beat", "gates"),
    "notes": Notes((Note(45), Note(48), Note(52))),
    "levels": Levels((0.0, 0.5, 1.0)),
    "shape": Shape("sine"),
    "decay": Decay("beat"),
    "sample": Sample("tide", "beat"),
    "walk": Walk(),
    "arpeggio": Arpeggio("tide"),
}


def score(name: str, **more: object) -> Score:
    out = None if name in ("euclid", "steps", "every", "logic", "gates") else "main.level-1"
    made = Lane("made", SOURCES[name], out=out, **more)  # type: ignore[arg-type]
    return score_of(steps("beat", "x..x"), Lane("tide", Levels((0.2, 0.8))), made)


def playing(score: Score, tick: int) -> Renderer:
    renderer = Renderer(score, Performance(score))
    renderer.advance(tick)
    return renderer


@pytest.mark.parametrize(("old", "new"), list(itertools.permutations(SOURCES, 2)))
def test_any_kind_becomes_any_other_and_plays_on(old: str, new: str) -> None:
    after = Renderer(score(new), Performance(score(new)))
    after.adopt(playing(score(old), BAR + 500))
    events = after.advance(4 * BAR)
    place = after.score.positions["made"]
    assert any(event.lane == place for event in events)
    assert all(event.tick >= BAR + 500 for event in events)


@pytest.mark.parametrize("direction", ["forward", "backward", "back-and-forth"])
def test_a_melody_under_another_name_does_not_jump(direction: str) -> None:
    def tune(name: str, mover: str) -> Score:
        notes = Notes(tuple(Note(40.0 + n) for n in range(7)))
        return score_of(
            steps(mover, "x..x..x."),
            Lane(name, notes, advance=mover, direction=direction, out="main.pitch-1"),  # type: ignore[arg-type]
        )

    tick = 2 * BAR + 700
    before, after = playing(tune("tune", "kick"), tick), tune("melody", "thump")
    other = Renderer(after, Performance(after))
    other.adopt(before, {"tune": "melody", "kick": "thump"})
    goes_on, went_on = (
        [(e.tick, e.lane, e.kind, e.value, e.length) for e in each.advance(8 * BAR)]
        for each in (other, before)
    )
    assert goes_on == went_on


def test_two_lanes_can_change_names_with_each_other() -> None:
    pair = [Lane("a", Steps((1, 0, 0))), Lane("b", Steps((1, 0, 0, 0, 0)))]
    first = score_of(*pair)
    turned = score_of(replace(pair[0], name="b"), replace(pair[1], name="a"))
    before = playing(first, 1300)
    after = Renderer(turned, Performance(turned))
    after.adopt(before, {"a": "b", "b": "a"})
    assert [(e.tick, e.lane) for e in after.advance(2 * BAR)] == [
        (e.tick, e.lane) for e in before.advance(2 * BAR)
    ]


def test_a_lane_that_takes_the_name_of_one_that_goes_goes_on_as_itself() -> None:
    pair = [Lane("a", Steps((1, 0, 0))), Lane("b", Steps((1, 0, 0, 0, 0)))]
    first, left = score_of(*pair), score_of(replace(pair[0], name="b"))
    before, performance = playing(first, 1300), Performance(left)
    after = Renderer(left, performance)
    after.adopt(before, {"a": "b"})
    assert [e.tick for e in after.advance(2 * BAR)] == [
        e.tick for e in before.advance(2 * BAR) if e.lane == 0
    ]
    carry_out(before.performance, {"do": "solo", "lane": "a", "on": True}, 2 * BAR)
    carry_out(before.performance, {"do": "mute", "lane": "b", "muted": True}, 2 * BAR)
    state = renamed(before.performance.state(), {"lanes": {"a": "b"}})
    assert list(state["lanes"]) == ["b"]
    assert (state["lanes"]["b"]["solo"], state["lanes"]["b"]["under"]) == (True, False)
