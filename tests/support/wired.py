"""Small sets on a rig with pitch and level outputs: lanes in, a score and what it does out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from typing import Any

from bridge.music.ensemble import build
from bridge.music.event import Event
from bridge.music.model import Lane, Macro, OutputRange, SetSpec
from bridge.music.node import Change, Node, Window
from bridge.music.performance import Performance, Settings
from bridge.music.render import Renderer
from bridge.music.score import Score, compile_score

BAR = 3840
BEAT = 960

OUTPUTS: Mapping[str, OutputRange] = {
    out.name: out
    for out in (
        *(OutputRange(f"main.gate-{n}", "gate") for n in range(1, 9)),
        OutputRange("main.pitch-1", "pitch", 0.0, 8.0),
        OutputRange("main.pitch-2", "pitch", 0.0, 8.0),
        OutputRange("main.level-1", "level", 0.0, 5.0),
        OutputRange("main.level-2", "level", -5.0, 5.0),
        OutputRange("main.level-3", "level", 1.0, 6.0),
    )
}


def score_of(*lanes: Lane, macros: Iterable[Macro] = (), **spec: Any) -> Score:
    """A compiled set of these lanes on `OUTPUTS`; tempo 120, so that 1 ms is 1.92 ticks."""
    return compile_score(
        SetSpec(name="Low tide", lanes=tuple(lanes), macros=tuple(macros), **spec), OUTPUTS
    )


def play(
    score: Score, end: int, cuts: Iterable[int] = (), performance: Performance | None = None
) -> list[Event]:
    """All events before `end`, asked for piece by piece at `cuts`."""
    renderer = Renderer(score, performance or Performance(score))
    events: list[Event] = []
    for cut in sorted({*(c for c in cuts if 0 < c < end), end}):
        events += renderer.advance(cut)
    return events


def values(events: Iterable[Event], output: str) -> list[tuple[int, float]]:
    """(tick, value) of everything that an output does."""
    return [(event.tick, event.value) for event in events if event.output == output]


def build_nodes(score: Score) -> list[Node]:
    """One fresh node per lane, by position."""
    return [build(score, place) for place in range(len(score.lanes))]


def setting_of(performance: Performance, lane: int, name: str, tick: int) -> float:
    """A setting while no lane has a value."""
    return Settings(performance, lambda lane, tick: 0.0).setting(lane, name, tick)


def changes(
    score: Score,
    lane: str,
    end: int,
    cuts: Iterable[int] = (),
    performance: Performance | None = None,
) -> list[Change]:
    """What a lane of values does before grid tick `end`, evaluated in windows cut at `cuts`."""
    performance = performance or Performance(score)
    nodes = build_nodes(score)
    place = score.positions[lane]
    settings = Settings(performance, lambda other, tick: nodes[other].value_at(tick))
    found: list[Change] = []
    start = 0
    for cut in sorted({*(c for c in cuts if 0 < c < end), end}):
        window = Window(
            start,
            cut,
            settings.setting,
            performance.muted,
            lambda other, tick: nodes[other].value_at(tick),
            lambda ms: ms * performance.tempo * 960 / 60000,
            version=performance.version(start),
            fixed=partial(performance.fixed, tick=start),
        )
        for position in score.order:
            nodes[position].run(window)
        found += window.changes.get(place, ())
        start = cut
    return found
