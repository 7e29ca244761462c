"""Hits made of lines end on a far jump exactly where playing takes them.

What is expected is played window by window from the first tick on.
"""

from __future__ import annotations

from fractions import Fraction
from random import Random

import pytest
from support.sets import BAR, OUTPUTS, going_on, logic, renderer, score_of, seen_at, steps

from bridge.music.comparators import Above, Below, Looked
from bridge.music.event import Event
from bridge.music.kinds import Waveform
from bridge.music.logic import LogicState
from bridge.music.logic_parse import parse
from bridge.music.model import Drive, Lane, Levels, Macro, Note, Notes, Sample, Shape, Walk
from bridge.music.node import Trace
from bridge.music.render import Renderer
from bridge.music.score import Score
from bridge.music.ticks import first_step_from, step_tick
from bridge.protocol.command import Command
from bridge.protocol.performing import MoveMacro, MoveSetting, Mute

FORMS: tuple[Waveform, ...] = (
    "sine",
    "triangle",
    "ramp",
    "square",
    "random-steps",
    "random-smooth",
)
RATES = (240, 160, 320, 480, 720, 2400, 3840, 1280, 9600)
LINES = ("wave", "slow", "walk", "stair")
TUNE = tuple(Note(40.0 + n) for n in range(7))


def comparator(dice: Random) -> str:
    line, level = dice.choice(LINES), dice.randrange(2, 9) / 10
    which = dice.random()
    if which < 0.15:
        return f"{dice.choice(('rising', 'falling', 'changed'))}({line})"
    if which < 0.3:
        return f"{dice.choice(('above', 'below'))}({line}, {level})"
    back = round(level - dice.choice((0.1, 0.3)), 2)
    if dice.random() < 0.5:
        return f"above({line}, {level}, {max(0.0, back)})"
    return f"below({line}, {max(0.0, back)}, {level})"


def expression(dice: Random) -> str:
    text = comparator(dice)
    if dice.random() < 0.4:
        text = f"edge({text})"
    if dice.random() < 0.3:
        text = f"({text} {dice.choice(('and', 'or', 'and not'))} {comparator(dice)})"
    if dice.random() < 0.2:
        text = f"({text} and not kick)"
    return text


def made_up(dice: Random) -> Score:
    rates = [Fraction(dice.choice(RATES)) for _ in range(8)]
    lanes = [
        steps("kick", "x..x..x.", settings={"chance": 0.8}),
        Lane("wave", Shape(dice.choice(FORMS)), advance=rates[0], out="level", settings=low(dice)),
        Lane("slow", Shape("sine"), advance=Fraction(dice.choice((2400, 9600, 19200)))),
        Lane("walk", Walk(), advance=rates[1], settings={"walk_step": dice.choice((0.05, 0.4))}),
        Lane("stair", Levels((0.1, 0.8, 0.5, 0.6)), advance=rates[2]),
    ]
    for number in range(dice.randrange(2, 5)):
        more = {"settings": {"chance": 0.5}} if dice.random() < 0.2 else {}
        lanes.append(logic(f"l{number}", expression(dice), advance=rates[3 + number], **more))
    lanes += [
        Lane("held", Sample(dice.choice(LINES), "l0"), out="pitch"),
        Lane("tune", Notes(TUNE), advance=dice.choice(("l1", "counts"))),
        logic("counts", f"nth({dice.choice(('l0', 'l1'))}, 3)"),
        logic("heard", f"first(kick, {dice.choice(('l0', 'l1'))})"),
    ]
    drives = (Drive(lane="walk", setting="high", depth=-0.5),) if dice.random() < 0.3 else ()
    return score_of(
        *lanes,
        outputs=OUTPUTS,
        macros=(Macro("knob", 0.2, drives=drives),),
        seed=dice.randrange(99),
    )


def low(dice: Random) -> dict[str, float]:
    return dice.choice(({}, {"low": 0.3}, {"high": 0.6}, {"hz": 0.7}, {"slew_ms": 300.0}))


def heard(player: Renderer) -> tuple[list[Event], object]:
    """What is held and played at a place, and where functions stand some bars later."""
    events, place = going_on(player, 6 * BAR)
    found = []
    for carry in place.mark.nodes[0].values():
        if isinstance(carry, LogicState):
            found.append([one for one in carry.expression.functions if isinstance(one, Looked)])
    return events, found


def check(score: Score, dice: Random) -> None:
    goals = [40 * BAR + dice.randrange(BAR), 200 * BAR + dice.randrange(BAR)]
    hand: dict[int, list[Command]] = {}
    for _ in range(dice.randrange(3)):
        command: Command = dice.choice(
            (
                Mute(lane=dice.choice(LINES), muted=True),
                Mute(lane="l0", muted=True, when="bar"),
                MoveSetting(lane="wave", setting="low", value=0.25),
                MoveSetting(lane="walk", setting="walk_step", value=0.2),
                MoveMacro(macro="knob", value=0.7),
            )
        )
        hand.setdefault(dice.randrange(1, goals[-1]), []).append(command)

    jumped, played = (seen_at(score, hand, goals, dice, how, heard) for how in (True, False))
    assert jumped == played


@pytest.mark.parametrize("seed", range(50))
def test_made_up_lines(seed: int) -> None:
    dice = Random(seed)
    check(made_up(dice), dice)


def test_what_is_made_of_a_wave_and_of_a_walk_is_not_played_on_the_way() -> None:
    score = score_of(
        Lane("wave", Shape("sine"), advance=Fraction(2400), out="level"),
        Lane("walk", Walk(), advance=Fraction(480)),
        logic("clap", "edge(above(wave, 0.5, 0.4))"),
        logic("roll", "above(walk, 0.7, 0.5)", advance=Fraction(160)),
        Lane("held", Sample("walk", "clap"), out="pitch"),
        outputs=OUTPUTS,
    )
    player = renderer(score)
    player.seek(BAR)
    player.advance(BAR + 20)
    passing, _ = player._left_out()

    def names(places: frozenset[int]) -> set[str]:
        return {score.lanes[place].name for place in places}

    assert names(passing.idle) == {"clap", "held"}
    assert names(passing.lasts) == names(passing.traced) == {"walk"}


@pytest.mark.parametrize("seed", range(40))
def test_a_comparator_follows_values_as_if_it_looked_at_each_step(seed: int) -> None:
    dice = Random(seed)
    kind = dice.choice((Above, Below))
    text = "above(x, 0.6, 0.3)" if kind is Above else "below(x, 0.3, 0.6)"
    term = parse(text, {"x": 0})
    step, own = Fraction(dice.choice(RATES)), Fraction(dice.choice((240, 160, 3840, 550)))
    start = dice.randrange(20_000)
    end = start + dice.randrange(1, 20_000)
    first = first_step_from(start, step)
    count = max(0, first_step_from(end, step) - first)
    wide = dice.choice((0.1, 0.5))
    values = [0.45 + wide * (dice.random() - 0.5) * 2 for _ in range(count)]
    before = dice.random()

    def line(tick: int) -> float:
        past = [v for n, v in enumerate(values) if step_tick(first + n, step) <= tick]
        return past[-1] if past else before

    one, other = kind(line, term), kind(line, term)
    one.state = other.state = Looked(dice.random() < 0.5, before)
    for index in range(first_step_from(start, own), first_step_from(end, own)):
        one.evaluate([1], step_tick(index, own))
    other.follow(Trace(before, first, step, 0, values), own, start, end)
    assert other.state == one.state
