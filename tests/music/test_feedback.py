"""Lanes that look back end on a far jump exactly where playing takes them.

What is expected is played window by window from the first tick on, where no step is left out.
"""

from __future__ import annotations

from fractions import Fraction
from random import Random

import pytest
from support.sets import BAR, OUTPUTS, going_on, logic, renderer, score_of, seen_at, steps

from bridge.errors import InputError
from bridge.music.event import Event
from bridge.music.feedback import Feedback
from bridge.music.logic import LogicState
from bridge.music.model import Euclid, Lane, Levels, Note, Notes, Section
from bridge.music.node import Window
from bridge.music.render import Renderer
from bridge.music.score import Score
from bridge.music.ticks import parse_rate
from bridge.protocol.command import Command
from bridge.protocol.performing import MoveSetting, Mute, RecallSection

RATES = ("1/16", "1/8", "1/8T", "3/16", "1/4", "1/16T")
JOINS = ("and", "or", "xor", "and not")
NAMES = ("a", "b", "c", "d", "e")
TUNE = tuple(Note(40.0 + n) for n in range(7))


@pytest.fixture
def ran(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many steps were gone at once, each time."""
    found: list[int] = []
    real = Feedback.run

    def run(feedback: Feedback, window: Window) -> None:
        found.append(round((window.end - window.start) / feedback.step))
        real(feedback, window)

    monkeypatch.setattr(Feedback, "run", run)
    return found


def expression(dice: Random, inside: list[str], now: list[str]) -> str:
    """Something of lanes as they are and as they were; `inside` may be in a circle with it."""

    def part() -> str:
        if dice.random() < 0.6:
            name = dice.choice([*inside, *now])
            name = f"before-mute({name})" if dice.random() < 0.3 else name
            return f"earlier({name}, {dice.randrange(1, 7)})"
        name = dice.choice(now)
        return f"before-mute({name})" if dice.random() < 0.3 else name

    text = part()
    for _ in range(dice.randrange(1, 4)):
        text = f"({text} {dice.choice(JOINS)} {part()})"
    if dice.random() < 0.2:
        text = f"at-least(2, {text}, {part()}, {dice.choice(now)})"
    return text


def made_up(dice: Random) -> Score:
    """Circles of lanes, some of rates that do not meet, and lanes that count what they do."""
    while True:
        lanes: list[Lane] = [
            Lane(
                "kick",
                Euclid(),
                advance=Fraction(dice.choice((240, 320, 160, 720))),
                muted=dice.random() < 0.3,
                settings={
                    "hits": float(dice.randrange(1, 9)),
                    "steps": float(dice.randrange(9, 17)),
                    "drift": dice.choice((0.0, 0.2)),
                },
            ),
            steps("hat", "x.X..x.xx", dice.choice(RATES), settings={"chance": 0.7}),
        ]
        names = [*NAMES[: dice.randrange(1, 6)]]
        known = ["kick", "hat"]
        rate = dice.choice(RATES)
        for name in names:
            text = expression(dice, names, known)
            own = rate if dice.random() < 0.8 else dice.choice(RATES)
            lanes.append(logic(name, text, advance=parse_rate(own), muted=dice.random() < 0.2))
            known.append(name)
        lanes += [
            logic("counts", f"nth({dice.choice(names)}, 5)"),
            Lane("tune", Notes(TUNE), advance=dice.choice(names), out="pitch"),
        ]
        try:
            return score_of(
                *lanes,
                outputs=OUTPUTS,
                sections=(Section("thin", play=("kick", "tune")),),
                swing=56.0,
                seed=dice.randrange(99),
            )
        except InputError:
            continue


def heard(player: Renderer) -> tuple[list[Event], object]:
    """What is held and played at a place, and what is remembered some bars later."""
    events, place = going_on(player, 5 * BAR)
    carries = place.mark.nodes[0].values()
    return events, [
        (carry.past, carry.expression.functions)
        for carry in carries
        if isinstance(carry, LogicState)
    ]


def hand_of(score: Score, dice: Random, goal: int) -> dict[int, list[Command]]:
    names = [lane.name for lane in score.lanes]
    hand: dict[int, list[Command]] = {}
    for _ in range(dice.randrange(3)):
        command: Command = dice.choice(
            (
                Mute(lane=dice.choice(names), muted=dice.random() < 0.6),
                Mute(lane=dice.choice(names), muted=dice.random() < 0.6, when="bar"),
                MoveSetting(lane=dice.choice(names[:3]), setting="chance", value=0.6),
                RecallSection(section="thin"),
            )
        )
        hand.setdefault(dice.randrange(1, goal), []).append(command)
    return hand


def check(score: Score, dice: Random) -> None:
    goals = [30 * BAR + dice.randrange(BAR), 90 * BAR + dice.randrange(BAR)]
    hand = hand_of(score, dice, goals[-1])

    jumped, played = (seen_at(score, hand, goals, dice, how, heard) for how in (True, False))
    assert jumped == played


@pytest.mark.parametrize("seed", range(60))
def test_made_up_circles(seed: int) -> None:
    dice = Random(seed)
    check(made_up(dice), dice)


def test_many_steps_are_gone_at_once(ran: list[int]) -> None:
    for seed in range(12):
        dice = Random(seed)
        check(made_up(dice), dice)
    assert len(ran) > 20
    assert max(ran) > 20 * 16, "more than 20 bars of sixteenths"


def test_hits_between_the_steps_of_a_lane_count_for_the_step_after() -> None:
    """Triplets into sixteenths, on a way of many bars."""
    score = score_of(
        steps("three", "x.xx.", "1/8T"),
        logic("grown", "three xor earlier(grown, 3)", advance=Fraction(240)),
        logic("other", "earlier(three, 2) and not earlier(grown)", advance=Fraction(480)),
        Lane("tune", Notes(TUNE), advance="grown", out="pitch"),
        Lane("swell", Levels((0.1, 0.3, 0.9)), advance="other", out="level"),
        outputs=OUTPUTS,
        sections=(Section("thin", play=("three", "swell")),),
    )
    for seed in range(5):
        check(score, Random(seed))


def test_a_shift_register_of_greatest_length_comes_round_where_it_should() -> None:
    """x^4 + x^3 + 1 has period 15 with eight ones (S. W. Golomb, Shift Register Sequences, 1967):
    a tune that it moves stands after any number of whole periods where arithmetic says."""
    score = score_of(
        steps("first", "x" + "." * 14),
        logic("coil", "earlier(coil, 3) xor earlier(coil, 4) xor (first and not earlier(was, 1))"),
        logic("was", "first or earlier(was)"),
        Lane("tune", Notes(TUNE), advance="coil", out="pitch"),
        outputs=OUTPUTS,
    )
    jumped = renderer(score)
    jumped.seek(15 * 240 * 1000 + 1)
    moves = 8 * 1000 + 1  # the first step of a period is a one
    assert jumped.hold_values()[0].value == 40.0 + (moves - 1) % 7
