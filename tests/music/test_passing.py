"""A jump to a far place ends as if all had been played. What is expected here is always found by
playing through, from the first tick, window by window, without any jump."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import corpus
from support.said import carry_out
from support.sets import (
    BAR,
    OUTPUTS,
    logic,
    renderer,
    rewritten_sets,
    score_of,
    sets,
    steps,
    through,
)

from bridge.music.event import Event
from bridge.music.hits import PatternState
from bridge.music.logic import LogicState
from bridge.music.logic_functions import Counted, Turned
from bridge.music.model import (
    Decay,
    Drive,
    Entry,
    Euclid,
    Fill,
    Lane,
    Levels,
    Macro,
    Note,
    Notes,
    Passes,
    Section,
    SetSpec,
    Shape,
    Walk,
)
from bridge.music.node import Window
from bridge.music.passing import Limits, passing_of
from bridge.music.render import Mark, Renderer, Stood
from bridge.music.score import Score, compile_score
from bridge.music.shapes import DecayNode
from bridge.music.value_states import DriftState, ValueState, WalkState
from bridge.protocol.running import SetTempo

CAREFUL = settings(max_examples=40, deadline=None)
AFTER_BARS = 6


def at_the_goal(player: Renderer) -> tuple[list[Event], object]:
    """What every output holds, what is played then, and where every lane stands after that."""
    player.performance.settle(player.position)
    events = player.hold_values()
    events += player.advance(player.position + AFTER_BARS * player.score.spec.bar_ticks)
    place = player.place
    assert isinstance(place, Stood)
    return events, counters(place.mark)


def counters(mark: Mark) -> object:
    """What of a place says where lanes are for good: steps, passes, drift, counts, walks."""
    found: list[object] = []
    for carry in mark.nodes[0].values():
        if isinstance(carry, PatternState):
            found.append(carry)
        elif isinstance(carry, LogicState):
            functions = carry.expression.functions
            found.append([one for one in functions if isinstance(one, Counted | Turned)])
        elif isinstance(carry, ValueState):
            found.append((carry.steps, carry.moved_by))
            found.append(carry.own if isinstance(carry.own, DriftState | WalkState) else None)
    return found


def stood(player: Renderer) -> Renderer:
    """Another renderer in that place: one that has no past."""
    other = renderer(player.score)
    other.performance.restore(player.performance.state(), player.position)
    other.stand(player.place)
    return other


def check(score: Score, goals: list[int], dice: Random) -> None:
    """Jumps from the start, from a little later, and in pieces end where playing would."""
    played = renderer(score)
    for goal in sorted(goals):
        expected = at_the_goal(stood(through(played, goal, dice)))
        for way in ("at once", "from later", "in pieces"):
            jumped = renderer(score)
            if way == "from later":
                jumped.advance(dice.randrange(1, 3 * BAR))
            while way == "in pieces" and jumped.position < goal:
                piece = dice.choice((960, 9000, 40000))
                jumped.seek(min(goal, jumped.position + piece), goal)
            jumped.seek(goal)
            assert at_the_goal(jumped) == expected, way


@pytest.mark.parametrize("group", range(10))
def test_made_up_sets_are_where_playing_takes_them(group: int) -> None:
    for number in range(group, corpus.COUNT, 50):
        score, dice = corpus.score_of(number), Random(1000 + number)
        bar = score.spec.bar_ticks
        check(score, [dice.randrange(8 * bar, 60 * bar) for _ in range(2)], dice)


@CAREFUL
@given(sets(), st.integers(8 * BAR, 50 * BAR), st.integers(0, 99))
def test_random_sets_are_where_playing_takes_them(spec: SetSpec, goal: int, seed: int) -> None:
    check(compile_score(spec, OUTPUTS), [goal], Random(seed))


@CAREFUL
@given(rewritten_sets(), st.lists(st.integers(1, 9), min_size=1, max_size=4), st.integers(0, 99))
def test_sections_on_the_way_are_played_through(spec: SetSpec, bars: list[int], seed: int) -> None:
    """Each of them may be made of other lanes, which count what those before them did."""
    dice = Random(seed)
    names = [section.name for section in spec.sections]
    order = tuple(Entry(dice.choice(names), 2 * count) for count in bars)
    score = compile_score(replace(spec, order=order), OUTPUTS)
    goal = dice.randrange(BAR, 2 * BAR * sum(bars) + 30 * BAR)

    def ready() -> Renderer:
        player = renderer(score)
        carry_out(player.performance, {"do": "order", "run": True}, 0)
        return player

    played, jumped = through(ready(), goal, dice), ready()
    jumped.seek(goal)
    jumped.performance.settle(goal)
    hits = [
        [event for event in player.advance(goal + 4 * BAR) if event.kind == "hit"]
        for player in (played, jumped)
    ]
    assert hits[0] == hits[1]


# --- what stays, however long ago it was ----------------------------------------------------------

RIM = Lane("rim", Euclid(), settings={"hits": 5.0, "steps": 13.0, "chance": 0.6, "drift": 0.2})
TIDE = Lane(
    "tide",
    Shape("triangle"),
    advance=Fraction(BAR * 3),
    drives=(
        Drive(lane="rim", setting="chance", depth=-0.5),
        Drive(lane="hat", setting="density", depth=0.6),
    ),
)
HAT = steps("hat", "x.X..x.xx", settings={"density": 0.2})


@pytest.mark.parametrize(
    "derived",
    [
        "nth(rim, 7)",
        "nth(rim xor hat, 5, 2)",
        "toggle(rim) and hat",
        "delay(hat, 3/16) or nth(rim and hat, 3)",
        "nth(delay(rim, 1/8), 4)",
        "nth(nth(rim, 2), 3)",
        "first(rim, nth(hat, 9))",
        "between(rim, hat) and rim",
        "edge(rim) or nth(hat, 11)",
        "gap(rim, 1/2)",
        "extend(rim, 1/8) and hat",
        "nth(before-mute(hat), 3) or chance(rim, 0.5)",
        "hat xor earlier(rim, 3)",
    ],
)
def test_derived_lanes_count_on(derived: str) -> None:
    """Also where another lane is moved by them, or counts what they make."""
    lanes = [TIDE, RIM, HAT, logic("made", derived), logic("more", "nth(made, 3) and not hat")]
    lanes.append(Lane("tune", Notes(tuple(Note(40.0 + n) for n in range(7))), advance="made"))
    check(score_of(*lanes, seed=3), [37 * BAR + 130, 91 * BAR], Random(derived))


@pytest.mark.parametrize("direction", ["forward", "backward", "back-and-forth", "shuffle"])
@pytest.mark.parametrize("pace", [-1.0, 0.0, 1.0])
def test_patterns_count_on(direction: str, pace: float) -> None:
    lanes = [
        TIDE,
        Lane(
            "rim",
            Euclid(Fill(3, 5, 4)),
            direction=direction,  # type: ignore[arg-type]
            accents=(0, 2, 1),
            passes=Passes((1, 3), 3),
            tie=True,
            settings={"hits": 3.0, "steps": 11.0, "drift": 0.3, "chance": 0.7, "pace": pace},
        ),
        HAT,
        Lane("moved", Euclid(), advance="rim", settings={"hits": 2.0, "steps": 5.0}),
        Lane("tune", Notes(tuple(Note(40.0 + n) for n in range(5))), advance="moved"),
        logic("last", "nth(moved, 4)"),
    ]
    check(score_of(*lanes), [23 * BAR + 7, 70 * BAR + 2000], Random(direction))


VALUES = [
    Lane("rests", Notes((Note(40), Note(None), Note(None))), advance="rim", out="pitch"),
    Lane("slides", Notes((Note(40), Note(45, glide=True))), advance="rim", out="pitch"),
    Lane("lag", Levels((0.1, 0.9, 0.4)), advance="rim", out="level", settings={"slew": 7.0}),
    Lane("walk", Walk(), advance=Fraction(BAR * 3, 8), out="level", settings={"slew_ms": 300.0}),
    Lane("short", Walk(), advance=Fraction(BAR, 8), out="level", settings={"slew_ms": 300.0}),
    Lane("pluck", Decay("rim"), out="level", settings={"decay_ms": 3000.0}),
    Lane("far", Levels((0.2, 0.8)), advance="rare", out="level"),
]


@pytest.mark.parametrize("values", VALUES, ids=lambda lane: lane.name)
def test_values_stand_where_their_last_moves_left_them(values: Lane) -> None:
    """Notes that rest, glides that meet, envelopes that fall, and a last hit of long ago."""
    rare = Lane("rare", Euclid(), settings={"hits": 1.0, "steps": 64.0, "chance": 0.08})
    lanes = (TIDE, RIM, HAT, rare, values)
    for tempo in (30.0, 300.0):
        score = score_of(*lanes, outputs=OUTPUTS, tempo=tempo, swing=58.0)
        check(score, [31 * BAR + 33, 77 * BAR + 1001], Random(values.name))


def test_what_glides_and_what_waits_on_the_way_is_played() -> None:
    """A macro that glides, a tempo and a mute that come on the way, and a reset by hand."""
    macro = Macro("knob", 0.1, slew_ms=9000.0, drives=(Drive(lane="rim", setting="chance"),))
    section = Section("late", lanes={"hat": {"density": 0.9}}, tempo=90.0)
    lanes = (TIDE, RIM, HAT, logic("made", "nth(rim xor hat, 5)"))
    score = score_of(*lanes, macros=(macro,), sections=(section,))

    def ready() -> Renderer:
        player = renderer(score)
        player.advance(3 * BAR + 77)
        tick = player.position
        carry_out(player.performance, {"do": "macro", "macro": "knob", "value": 0.8}, tick)
        player.performance.apply(SetTempo(bpm=140.0), tick)
        command = {"do": "mute", "lane": "rim", "muted": True, "when": "bar", "return_bars": 9}
        carry_out(player.performance, command, tick)
        command = {"do": "section", "section": "late", "when": "bar", "morph_bars": 4}
        carry_out(player.performance, command, tick)
        player.reset("rim")
        return player

    goal = 60 * BAR + 5
    played, jumped = through(ready(), goal, Random(1)), ready()
    jumped.seek(goal)
    assert at_the_goal(jumped) == at_the_goal(stood(played))


def test_another_goal_on_the_way_is_as_exact() -> None:
    """Farther on, a little way on (where what was left out still matters), and back."""
    lanes = (TIDE, RIM, HAT, logic("made", "nth(rim xor hat, 5) or delay(rim, 1/2)"))
    score = score_of(*lanes)
    for other in (120 * BAR, 41 * BAR + 20, 40 * BAR, 12 * BAR):
        jumped = renderer(score)
        jumped.seek(40 * BAR, 100 * BAR)
        jumped.seek(other)
        played = through(renderer(score), other, Random(other))
        assert at_the_goal(jumped) == at_the_goal(stood(played)), other


def test_who_plays_in_the_middle_of_the_way_hears_what_is_there() -> None:
    score = score_of(TIDE, RIM, HAT, logic("made", "nth(rim xor hat, 5) or delay(rim, 1/2)"))
    jumped = renderer(score)
    jumped.seek(40 * BAR + 9, 100 * BAR)
    played = through(renderer(score), 40 * BAR + 9, Random(1))
    assert jumped.advance(44 * BAR) == stood(played).advance(44 * BAR)


def test_another_renderer_goes_on_with_a_way_as_if_it_had_come_so_far(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What was left out of it is not worked out there either."""
    fall = Lane("fall", Decay("rim"), out="level", settings={"decay_ms": 400.0})
    score = score_of(TIDE, RIM, HAT, fall, logic("made", "nth(rim xor hat, 5)"), outputs=OUTPUTS)
    first, then = renderer(score), renderer(score)
    goal = 400 * BAR + 9
    first.seek(300 * BAR, goal)
    then.go_on_from(first.way)
    samples: list[int] = []
    real = DecayNode.sample

    def sample(node: DecayNode, window: Window, grid: int) -> float | None:
        samples.append(grid)
        return real(node, window, grid)

    monkeypatch.setattr(DecayNode, "sample", sample)
    then.seek(300 * BAR + 60, goal)
    assert len(samples) < 100
    then.seek(goal)
    assert at_the_goal(then) == at_the_goal(stood(through(renderer(score), goal, Random(2))))


def test_a_place_that_was_jumped_to_is_remembered() -> None:
    score = score_of(TIDE, RIM, HAT)
    player = renderer(score)
    player.seek(300 * BAR)
    memory = player.memory
    assert isinstance(memory, Mark)
    assert memory.tick >= 300 * BAR
    then = renderer(score)
    then.recall(memory, memory.tick)
    far = through(renderer(score), memory.tick, Random(1))
    assert then.advance(memory.tick + BAR) == far.advance(memory.tick + BAR)


def test_what_is_asked_of_lanes_on_the_way() -> None:
    """``spray`` is counted, ``clap`` by nobody; ``caught`` needs to know when ``bell`` sounds."""
    score = score_of(
        steps("kick", "x..x"),
        steps("rim", "x.x"),
        steps("bell", "x...."),
        logic("spray", "rim xor kick"),
        logic("clap", "rim and delay(kick, 1/8)"),
        logic("hat", "delay(kick, 1/8) or nth(spray, 7)"),
        Lane("tune", Notes((Note(40), Note(43))), advance="rim", out="pitch"),
        Lane("wave", Shape("sine", retrigger="bell"), out="level"),
        outputs=OUTPUTS,
    )
    player = renderer(score)
    player.advance(1)
    nodes = player._ensemble.nodes
    passing = passing_of(score, nodes, Limits(player._extremes, lambda ms: ms * 1.92))

    def names(places: frozenset[int]) -> set[str]:
        return {score.lanes[place].name for place in places}

    assert names(passing.counted) == {"kick", "rim", "spray", "clap", "hat"}
    assert names(passing.wanted) == {"kick", "rim", "bell", "spray"}
    assert names(passing.idle) == {"clap"}
    assert names(passing.lasts) == {"tune"}
