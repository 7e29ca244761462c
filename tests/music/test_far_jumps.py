"""Far jumps end exactly where playing does, whatever was moved by hand before them.

What is expected is found by playing every window from the first tick on; nothing of what a jump
leaves out is left out there.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from random import Random

import pytest
from support import corpus
from support.sets import BAR, OUTPUTS, logic, renderer, score_of, steps, through

from bridge.music.event import Event
from bridge.music.hits import PatternState
from bridge.music.model import (
    Decay,
    Drive,
    Euclid,
    Fill,
    Lane,
    Levels,
    Macro,
    Note,
    Notes,
    Passes,
    Sample,
    Section,
    Shape,
    Steps,
    StepShape,
    Walk,
)
from bridge.music.render import Renderer, Stood
from bridge.music.score import Score
from bridge.music.value_states import DriftState, ValueState, WalkState
from bridge.protocol.command import Command
from bridge.protocol.performing import MoveMacro, MoveSetting, Mute

Hand = dict[int, list[Command]]


def heard(player: Renderer) -> tuple[list[Event], object]:
    """What is held and played at a place, and where the lanes stand some bars later."""
    player.performance.settle(player.position)
    events = player.hold_values()
    events += player.advance(player.position + 5 * player.score.spec.bar_ticks)
    place = player.place
    assert isinstance(place, Stood)
    found: list[object] = []
    for carry in place.mark.nodes[0].values():
        if isinstance(carry, PatternState):
            found.append(carry)
        elif isinstance(carry, ValueState):
            own = carry.own if isinstance(carry.own, DriftState | WalkState) else None
            found.append((carry.steps, carry.moved_by, own))
    return events, found


def without_past(player: Renderer) -> Renderer:
    """Another renderer that stands where this one does."""
    other = renderer(player.score)
    other.performance.restore(player.performance.state(), player.position)
    other.stand(player.place)
    return other


def check(score: Score, hand: Hand, goals: list[int], dice: Random) -> None:
    """Go to the goals one after the other, with what the hand does on the way: by playing, and by
    jumping from one move of the hand to the next, at once or in pieces."""
    stops = sorted({*hand, *goals})

    def way(go: Callable[[Renderer, int], object]) -> list[object]:
        player = renderer(score)
        found: list[object] = []
        for stop in stops:
            go(player, stop)
            for command in hand.get(stop, ()):
                player.performance.apply(command, stop)
            if stop in goals:
                found.append(heard(without_past(player)))
        return found

    def in_pieces(player: Renderer, goal: int) -> None:
        while player.position < goal:
            player.seek(min(goal, player.position + dice.choice((5000, 90000, 400000))), goal)

    expected = way(lambda player, stop: through(player, stop, dice))
    assert way(lambda player, stop: player.seek(stop)) == expected
    assert way(in_pieces) == expected


def moved(score: Score, dice: Random, goal: int) -> Hand:
    """Mutes, macros, density and chance moved at some ticks before `goal`."""
    names = [lane.name for lane in score.lanes]
    hits = [lane.name for lane in score.lanes if lane.hits]
    hand: Hand = {}
    for _ in range(dice.randrange(4)):
        commands: list[Command] = [
            Mute(lane=dice.choice(names), muted=dice.random() < 0.6),
            MoveSetting(
                lane=dice.choice(hits), setting="density", value=dice.choice((0.2, 0.5, 0.8))
            ),
            MoveSetting(lane=dice.choice(hits), setting="chance", value=dice.choice((0.3, 1.0))),
        ]
        if score.spec.macros:
            macro = score.spec.macros[0].name
            commands.append(MoveMacro(macro=macro, value=round(dice.random(), 2)))
        hand.setdefault(dice.randrange(1, goal), []).append(dice.choice(commands))
    return hand


@pytest.mark.parametrize("group", range(10))
def test_made_up_sets_after_moves_by_hand(group: int) -> None:
    for number in range(group, corpus.COUNT, 40):
        score, dice = corpus.score_of(number), Random(number)
        bar = score.spec.bar_ticks
        goals = [dice.randrange(10 * bar, 80 * bar) for _ in range(2)]
        check(score, moved(score, dice, max(goals)), goals, dice)


RIM = Lane("rim", Euclid(), settings={"hits": 5.0, "steps": 13.0, "chance": 0.6, "drift": 0.2})
HAT = steps("hat", "x.X..x.xx", settings={"density": 0.3, "drift": 0.1, "drift_bound": 2.0})
KICK = Lane("kick", Euclid(Fill(3, 6, 4)), settings={"hits": 4.0, "steps": 16.0})
SHAPED = Lane(
    "clap",
    Steps(
        (0, 1, 0, 1, 2),
        (None, StepShape(chance=0.4), None, StepShape(on=(1, 3), of=4), StepShape(0.7, of=0)),
    ),
    settings={"chance": 0.8},
)
TIDE = Lane(
    "tide",
    Shape("triangle"),
    advance=Fraction(BAR * 3),
    drives=(
        Drive(lane="hat", setting="density", depth=0.6),
        Drive(lane="rim", setting="chance", depth=-0.4),
        Drive(lane="clap", setting="chance", depth=0.5),
    ),
)
KNOB = Macro("knob", 0.2, drives=(Drive(lane="hat", setting="density", depth=0.3),))


def tune(mover: str, **more: object) -> Lane:
    notes = (Note(40), Note(43), Note(None), Note(47), Note(50, tie=True))
    return Lane("tune", Notes(notes), advance=mover, out="pitch", **more)  # type: ignore[arg-type]


SETS: dict[str, tuple[Lane, ...]] = {
    "counts of what chance, drift and a slow wave leave": (
        logic("made", "nth(rim xor hat, 7) or nth(clap, 5)"),
        logic("turned", "toggle(rim and hat) and kick"),
        tune("hat"),
    ),
    "walks and drifting notes": (
        Lane("walk", Walk(), advance=Fraction(BAR * 3, 8), out="level", settings={"low": 0.2}),
        Lane("blown", Walk(), advance="rim", settings={"walk_step": 0.3}),
        tune("kick", settings={"drift": 0.2, "drift_bound": 2.0}),
    ),
    "what forgets": (
        logic("one", "first(rim, kick)"),
        logic("other", "between(kick, before-mute(hat))"),
        logic("quiet", "gap(kick, 1/2) or extend(hat, 1/8)"),
        logic("both", "kick and hat", "gates"),
        logic("late", "delay(kick, 3/16) xor rim", "gates"),
        Lane("pluck", Decay("hat"), out="level", settings={"decay_ms": 700.0}),
    ),
    "held and begun anew by hits": (
        Lane("wander", Walk(), advance=Fraction(240)),
        Lane("held", Sample("wander", "kick"), out="level", settings={"slew_ms": 20.0}),
        Lane("rare", Sample("wander", "clap")),
        Lane("sweep", Shape("ramp"), reset="kick", settings={"hz": 0.7}, out="pitch"),
    ),
    "begun anew by what seldom hits": (
        Lane(
            "bell",
            Euclid(),
            advance=Fraction(BAR, 4),
            settings={"hits": 1.0, "steps": 59.0, "rotate": 5.0},
        ),
        Lane("wander", Walk(), advance=Fraction(240)),
        Lane("held", Sample("wander", "bell"), out="level"),
        Lane("sweep", Shape("triangle"), reset="bell", settings={"hz": 0.017}, out="pitch"),
        logic("one", "first(rim, bell)"),
        logic("quiet", "gap(bell, 1/2)"),
    ),
    "an output that two lanes play": (
        Lane("slow", Shape("sine"), advance=Fraction(BAR * 2), out="level", share=True),
        Lane("fast", Levels((0.0, 0.3, 0.1)), advance=Fraction(240), out="level", share=True),
        Lane("edgy", Shape("square"), advance=Fraction(BAR * 5), out="pitch", share=True),
        tune("rim", share=True),
    ),
    "made of a wave": (
        logic("up", "not kick and rising(tide)"),
        logic("step", "edge(above(tide, 0.5, 0.4))"),
        logic("low", "nth(below(tide, 0.3) and hat, 3)"),
        tune("step", settings={"slew_ms": 400.0}),
    ),
    "there and back, on some passes": (
        Lane(
            "back",
            Euclid(),
            direction="back-and-forth",
            passes=Passes((1, 3), 3),
            accents=(0, 2, 1),
            settings={"hits": 3.0, "steps": 7.0, "chance": 0.7},
        ),
        Lane("moved", Euclid(), advance="back", settings={"hits": 2.0, "steps": 5.0}),
        logic("fourth", "nth(moved, 4) and not back"),
        tune("back", direction="shuffle", settings={"slew": 0.5}),
    ),
    "begun again every few bars": (
        Lane("five", Euclid(), reset=2, accents=(0, 2), settings={"hits": 2.0, "steps": 5.0}),
        Lane(
            "thin",
            Euclid(),
            reset=3,
            direction="back-and-forth",
            settings={"hits": 3.0, "steps": 7.0, "density": 0.7, "rotate": 2.0},
        ),
        Lane("uneven", Euclid(), advance=Fraction(BAR, 7), reset=1, settings={"steps": 5.0}),
        Lane("unlike", Euclid(), advance=Fraction(BAR, 11) * 2, reset=1, settings={"steps": 3.0}),
        Lane("loose", Euclid(), reset=2, settings={"steps": 6.0, "chance": 0.5, "drift": 0.2}),
        logic("made", "nth(five xor hat, 5) or nth(thin and not loose, 3)"),
        logic("turned", "toggle(five) and (uneven or unlike)"),
        tune("thin"),
        Lane("levels", Levels((0.2, 0.6, 0.4)), advance="five", out="level"),
    ),
    "moved by others": (
        Lane("own", Euclid(), advance="rim", settings={"steps": 7.0, "drift": 0.3}),
        Lane(
            "thin",
            Steps((1, 0, 2, 0, 0)),
            advance="hat",
            direction="backward",
            accents=(0, 1, 2),
            settings={"density": 0.7, "chance": 0.8},
        ),
        Lane("filled", Euclid(Fill(2, 3, 3)), advance="kick", settings={"steps": 9.0}),
        Lane("again", Euclid(), advance="own", passes=Passes((2,), 2), settings={"steps": 3.0}),
        Lane("unread", Euclid(), advance="thin", settings={"drift": 0.1, "drift_bound": 3.0}),
        logic("made", "nth(own or thin, 5) or (again and filled)"),
        logic("later", "own xor earlier(later)"),
        tune("again", direction="random-walk"),
        Lane("up", Levels((0.0, 0.3, 1.0)), advance="own", direction="random-walk", out="level"),
    ),
    "over slow roots": (
        Lane(
            "roots",
            Notes((Note(33), Note(None), Note(29), Note(36, glide=True))),
            advance=Fraction(BAR * 2),
            direction="back-and-forth",
            settings={"transpose": 2.0, "slew": 0.25},
        ),
        Lane("other", Levels((0.1, 0.9)), advance=Fraction(BAR, 3), direction="backward"),
        tune("kick", transpose_by="roots"),
        Lane("high", Notes((Note(60), Note(64))), advance="clap", transpose_by="other"),
        Lane("held", Sample("other", "rim"), out="level"),
    ),
    "shift registers": (
        Lane("drop", Euclid(), advance=Fraction(480), settings={"hits": 1.0, "steps": 13.0}),
        logic("coil", "drop or (earlier(coil, 3) xor earlier(coil, 4))"),
        logic("turn", "kick xor earlier(turn)"),
        logic("left", "(drop xor earlier(right, 2)) and not earlier(left)", advance=Fraction(320)),
        logic("right", "earlier(left) xor earlier(right, 5) xor rim", advance=Fraction(320)),
        logic("then", "(earlier(drop, 3) xor earlier(hat, 2)) and not earlier(then, 2)"),
        logic("much", "(kick or rim or hat or clap or drop) xor earlier(much, 3)"),
        logic("seldom", "nth(coil and turn, 9) or nth(then xor much, 7)"),
        tune("seldom"),
    ),
}
COMMON = (TIDE, KICK, RIM, HAT, SHAPED)


def seldom(name: str, rotate: float) -> Lane:
    """A lane that may be silent for a hundred bars, or for longer."""
    own = {"hits": 1.0, "steps": 16.0, "rotate": rotate, "chance": 0.02}
    return Lane(name, Euclid(), settings=own)


@pytest.mark.parametrize("again", range(6))
def test_what_waits_for_a_hit_that_may_never_come_is_played_through(again: int) -> None:
    """Nobody can say how long ago it was that one of them came."""
    score = score_of(
        RIM,
        seldom("here", 0.0),
        seldom("there", 3.0),
        logic("open", "between(here, there) and rim"),
        logic("once", "first(rim, here)"),
        outputs=OUTPUTS,
    )
    dice = Random(again)
    goals = [(150 + 17 * (4 * again + n)) * BAR + 5 for n in range(4)]
    check(score, {}, goals, dice)


def score_for(name: str) -> Score:
    sections = (Section("thin", play=("kick", "hat"), lanes={"hat": {"density": 0.8}}),)
    return score_of(
        *COMMON, *SETS[name], outputs=OUTPUTS, macros=(KNOB,), sections=sections, swing=56.0, seed=5
    )


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize("again", range(3))
def test_lanes_that_go_on_after_moves_by_hand(name: str, again: int) -> None:
    score, dice = score_for(name), Random(f"{name} {again}")
    goals = [40 * BAR + dice.randrange(BAR), 110 * BAR + dice.randrange(BAR)]
    check(score, moved(score, dice, goals[-1]), goals, dice)


@pytest.mark.parametrize("name", SETS)
def test_a_place_of_an_hour_later(name: str) -> None:
    """Past the last bar that a Song Position Pointer (14 bits of sixteenths) can name."""
    score, dice = score_for(name), Random(name)
    goal = 1100 * BAR + dice.randrange(BAR)
    check(score, moved(score, dice, goal), [goal], dice)


def test_a_mute_that_comes_by_itself_holds_what_was_said_just_then() -> None:
    """An envelope on the way: its output keeps the level that it had at the mute."""
    score = score_of(*COMMON, *SETS["what forgets"], outputs=OUTPUTS)
    for late in (1, 7, 60):
        hand: Hand = {BAR * late - 3000: [Mute(lane="pluck", muted=True, when="bar")]}
        check(score, hand, [(late + 40) * BAR + 13], Random(late))
