"""The chart ahead is what the renderer plays, wherever the song has come to."""

from __future__ import annotations

import itertools
import pickle
from dataclasses import replace
from fractions import Fraction
from typing import Any, cast

import pytest
from support.said import carry_out

from bridge.errors import CommandError
from bridge.music.model import (
    Euclid,
    Lane,
    Levels,
    Logic,
    Macro,
    Note,
    Notes,
    OutputRange,
    Section,
    SetSpec,
    Steps,
)
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import compile_score
from bridge.protocol.state import PerformanceState
from bridge.session.chart import LEAP, WAVER, Mirror, thin

BAR = 3840
SPEC = SetSpec(
    name="Low tide",
    seed=7,
    lanes=(
        Lane("kick", Euclid(), out="main.gate-1"),
        Lane("rim", Steps((1, 0, 2, 0)), out="main.gate-2", settings={"chance": 0.5}),
        Lane("spray", Logic("rim and not kick"), out="main.gate-3"),
        Lane("line", Notes((Note(33), Note(36), Note(40))), advance="rim", out="main.pitch-1"),
        Lane("swell", Levels((0.0, 1.0)), out="main.level-1", settings={"slew_ms": 300}),
    ),
    macros=(Macro("brightness", 0.3),),
    sections=(Section("flood", play=("rim",)),),
)
OUTPUTS = {
    **{f"main.gate-{n}": OutputRange(f"main.gate-{n}", "gate") for n in (1, 2, 3)},
    "main.pitch-1": OutputRange("main.pitch-1", "pitch"),
    "main.level-1": OutputRange("main.level-1", "level"),
}


def state(*commands: dict[str, Any], tick: int = 0) -> PerformanceState:
    performance = Performance(compile_score(SPEC, OUTPUTS))
    for command in commands:
        carry_out(performance, command, tick)
    return performance.state()


def played(*commands: dict[str, Any], to: int) -> dict[str, list[int]]:
    """Ticks of the hits of each lane as the player's own renderer gives them."""
    score = compile_score(SPEC, OUTPUTS)
    performance = Performance(score)
    renderer = Renderer(score, performance)
    for command in commands:
        carry_out(performance, command, 0)
    hits: dict[str, list[int]] = {lane.name: [] for lane in SPEC.lanes if lane.hits}
    for event in renderer.advance(to):
        if event.kind == "hit":
            hits[SPEC.lanes[event.lane].name].append(event.tick)
    return hits


def hits(chart: dict[str, Any]) -> dict[str, list[int]]:
    return {
        name: [row[0] for row in rows["hits"]]
        for name, rows in chart["lanes"].items()
        if "hits" in rows
    }


def between(ticks: dict[str, list[int]], start: int, end: int) -> dict[str, list[int]]:
    return {name: [t for t in row if start <= t < end] for name, row in ticks.items()}


@pytest.fixture
def mirror() -> Mirror:
    return Mirror(compile_score(SPEC, OUTPUTS))


def test_it_shows_what_the_player_plays(mirror: Mirror) -> None:
    everything = played(to=12 * BAR)
    for start in (0, 100, BAR, 5 * BAR + 17, 6 * BAR):  # following, in steps of any size
        chart = mirror.chart(state(), start, start + 2 * BAR)
        assert (chart["from"], chart["to"]) == (start, start + 2 * BAR)
        assert hits(chart) == between(everything, start, start + 2 * BAR)


def test_a_service_that_comes_late_shows_the_same(mirror: Mirror) -> None:
    late = mirror.chart(state(), 9 * BAR, 10 * BAR)
    assert hits(late) == between(played(to=10 * BAR), 9 * BAR, 10 * BAR)


def test_a_song_set_back_begins_anew(mirror: Mirror) -> None:
    mirror.chart(state(), 8 * BAR, 9 * BAR)
    assert hits(mirror.chart(state(), 0, BAR)) == played(to=BAR)
    far = LEAP + 10 * BAR
    ahead = mirror.chart(state(), far, far + BAR)
    assert hits(ahead)["kick"] == [far + beat * 960 for beat in range(4)]


def test_estimates_that_waver_do_not_cost_a_new_beginning(mirror: Mirror) -> None:
    mirror.chart(state(), 4 * BAR, 5 * BAR)
    chart = mirror.chart(state(), 4 * BAR - WAVER // 2, 5 * BAR)
    assert chart["from"] == 4 * BAR


def test_causes_are_named(mirror: Mirror) -> None:
    chart = mirror.chart(state(), 0, 4 * BAR)
    rows = chart["lanes"]["spray"]["hits"]
    assert rows
    assert all(causes == ["rim"] for *_, causes in rows)
    assert all(causes == [] for *_, causes in chart["lanes"]["kick"]["hits"])


def test_a_chart_that_grows_is_the_one_that_begins_anew(mirror: Mirror) -> None:
    """Bar by bar, in two widths by turns; lines are compared by their value at every 1/32:
    each is thinned to a 64th of its height, which is 5 V at most here."""

    def value(rows: list[list[float]], tick: int) -> float:
        return [-1.0, *(value for at, value in rows if at <= tick)][-1]

    mute = {"do": "mute", "lane": "rim", "muted": True}
    for hands in (state(), state(mute)):
        for bar in range(12):
            tick, end = bar * BAR + 70 * bar, (bar + 3 - bar % 2) * BAR
            grown = mirror.chart(hands, tick, end)
            fresh = Mirror(mirror.score).chart(hands, tick, end)
            assert hits(grown) == hits(fresh)
            for name in ("line", "swell"):
                one, other = (chart["lanes"][name]["values"] for chart in (grown, fresh))
                for at in range(tick, end, 120):
                    assert value(one, at) == pytest.approx(value(other, at), abs=2 * 5 / 64)


def test_a_lane_that_is_out_shows_what_it_would_play(mirror: Mirror) -> None:
    mute = {"do": "mute", "lane": "kick", "muted": True}
    chart = mirror.chart(state(mute), 0, 2 * BAR)
    assert chart["lanes"]["kick"]["out"] is True
    assert hits(chart)["kick"] == between(played(to=2 * BAR), 0, 2 * BAR)["kick"]
    # derived lanes follow the mute: what is shown for them is what will sound
    assert hits(chart)["spray"] == played(mute, to=2 * BAR)["spray"]
    assert "out" not in chart["lanes"]["spray"]


def test_a_lane_that_waits_shows_both_sides_of_the_line(mirror: Mirror) -> None:
    waits = {"do": "mute", "lane": "kick", "muted": True, "when": "bar"}
    chart = mirror.chart(state(waits, tick=10), 10, 2 * BAR)
    assert all(tick < BAR for tick in hits(chart)["kick"])
    assert hits(chart)["kick"]


def test_a_section_that_writes_a_lane_anew_is_drawn_from_its_bar_line() -> None:
    """Four quarters until the line, three eighths in a bar of it after; grown bar by bar, too."""
    lane = Lane("kick", Steps((1, 1, 1, 0, 0, 0, 0, 0)), out="main.gate-1", advance=Fraction(480))
    changed = Section("ebb", written={"kick": lane})
    score = compile_score(replace(SPEC, sections=(*SPEC.sections, changed)), OUTPUTS)
    performance = Performance(score)
    carry_out(performance, {"do": "section", "section": "ebb", "when": 4}, 10)
    quarters = [beat * 960 for beat in range(16)]
    eighths = [bar * BAR + n * 480 for bar in (4, 5, 6) for n in range(3)]
    mirror = Mirror(score)
    for bar in range(4):
        chart = mirror.chart(performance.state(), bar * BAR, 7 * BAR)
        assert hits(chart)["kick"] == [t for t in quarters + eighths if t >= bar * BAR]


def test_values_begin_with_what_holds_now(mirror: Mirror) -> None:
    chart = mirror.chart(state(), 1000, 2 * BAR)
    assert chart["lanes"]["line"]["values"][0][0] == 1000
    assert chart["lanes"]["line"]["values"][0][1] in (33.0, 36.0, 40.0)


def player_at(bar: int) -> tuple[Renderer, Any]:
    """A player's renderer after so many bars, and what it remembers."""
    score = compile_score(WANDERING, OUTPUTS)
    renderer = Renderer(score, Performance(score))
    for end in range(BAR, bar * BAR + 1, BAR):
        renderer.advance(end)
    return renderer, pickle.loads(pickle.dumps(renderer.memory))


def goes_on(renderer: Renderer, end: int) -> dict[str, list[int]]:
    names = [lane.name for lane in renderer.score.lanes]
    ticks: dict[str, list[int]] = {lane.name: [] for lane in renderer.score.lanes if lane.hits}
    for event in renderer.advance(end):
        if event.kind == "hit":
            ticks[names[event.lane]].append(event.tick)
    return ticks


WANDERING = replace(
    SPEC,
    lanes=(
        *SPEC.lanes,
        Lane("loose", Steps((1, 0, 1, 1, 0, 0, 1, 0)), settings={"drift": 0.3, "drift_bound": 3}),
        Lane("third", Logic("nth(rim, 7)"), out="main.gate-3"),
    ),
)


def test_far_on_it_begins_where_the_player_remembers_to_be() -> None:
    """Drift and counts of a player that has come there by itself, 100 bars beyond what is walked."""
    bar = LEAP // BAR + 101
    player, memory = player_at(bar)
    mirror = Mirror(compile_score(WANDERING, OUTPUTS))
    hands = Performance(compile_score(WANDERING, OUTPUTS)).state()
    blind = hits(mirror.chart(hands, bar * BAR, (bar + 4) * BAR))
    mirror.recall(memory)
    told = hits(mirror.chart(hands, bar * BAR, (bar + 4) * BAR))
    plays = goes_on(player, (bar + 4) * BAR)
    assert told == plays
    assert blind["kick"] == plays["kick"]
    assert blind["third"] != plays["third"], "what nobody has remembered cannot be known"
    assert mirror._renderer._marks[0].tick > bar * BAR - 5 * BAR, "the way there was not walked"


def test_it_keeps_no_places_of_the_way_that_it_never_goes_back() -> None:
    """Three renderers follow a song that plays all night: a place of it is 60 kB in memory."""
    mirror = Mirror(compile_score(SPEC, OUTPUTS))
    hands = state({"do": "mute", "lane": "kick", "muted": True})
    for bar in range(40):
        mirror.chart(hands, bar * BAR, (bar + 4) * BAR)
    assert mirror._ahead is not None
    renderers = [mirror._renderer, *(part for part, _ in mirror._ahead.parts)]
    assert len(renderers) == 3
    assert [renderer.memory for renderer in renderers] == [None] * 3


def test_another_score_goes_on_where_the_last_one_was() -> None:
    """As at a swap in the player: lanes of the same name keep their counters."""
    bar = LEAP // BAR + 6
    player, memory = player_at(bar)
    before = Mirror(player.score)
    before.recall(memory)
    hands = Performance(player.score).state()
    before.chart(hands, bar * BAR, (bar + 1) * BAR)
    changed = tuple(
        replace(lane, source=Steps((1, 0, 0, 1, 0))) if lane.name == "kick" else lane
        for lane in WANDERING.lanes
    )
    score = compile_score(replace(WANDERING, lanes=changed), OUTPUTS)
    after = Renderer(score, Performance(score))
    after.adopt(player)
    idle = Mirror(score, before)  # two edits in a row: the first is never drawn
    told = hits(Mirror(score, idle).chart(hands, bar * BAR, (bar + 4) * BAR))
    assert told == goes_on(after, (bar + 4) * BAR)
    assert hits(before.chart(hands, bar * BAR, (bar + 1) * BAR)) == goes_on(player, (bar + 1) * BAR)


def test_a_memory_of_later_is_of_no_use_when_the_song_was_set_back(mirror: Mirror) -> None:
    _, memory = player_at(12)
    other = Mirror(compile_score(WANDERING, OUTPUTS))
    other.recall(memory)
    hands = Performance(compile_score(WANDERING, OUTPUTS)).state()
    fresh = Mirror(compile_score(WANDERING, OUTPUTS))
    assert hits(other.chart(hands, BAR, 2 * BAR)) == hits(fresh.chart(hands, BAR, 2 * BAR))


def test_a_state_of_another_shape_is_refused(mirror: Mirror) -> None:
    with pytest.raises(CommandError):
        mirror.chart(cast(PerformanceState, {**state(), "macros": {"brightness": {}}}), 0, BAR)


def test_lines_keep_their_ends_their_steps_and_few_points() -> None:
    ramp = [[float(t), t / 1000] for t in range(1001)]
    thinned = thin(ramp)
    assert (thinned[0], thinned[-1]) == (ramp[0], ramp[-1])
    assert len(thinned) <= 67
    assert all(abs(b[1] - a[1]) <= 1 / 32 for a, b in itertools.pairwise(thinned))
    step = [[0.0, 0.0], [10.0, 5.0], [20.0, 5.0], [30.0, 0.0]]
    assert thin(step) == [step[0], step[1], step[3]]
    assert thin([[0.0, 1.0], [5.0, 1.0]]) == [[0.0, 1.0], [5.0, 1.0]]
    assert thin([]) == []
