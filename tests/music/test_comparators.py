"""Values make hits: above, below, rising, falling and changed, worked out from the manual anew.

The oracle knows a line as a list of moves, a derived lane as a list of steps, and walks along the
steps with plain numbers; it shares no code with the program.
"""

from __future__ import annotations

import random
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from support.said import carry_out
from support.sets import BAR, STEP, grids, in_windows, logic, pattern, renderer, score_of, steps

from bridge.errors import InputError
from bridge.files.set import parse_set
from bridge.music.event import Event
from bridge.music.model import Decay, Drive, Lane, Levels, Note, Notes, OutputRange, Shape
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import compile_score


def line(name: str, *values: float, rate: int = STEP, **more: Any) -> Lane:
    return Lane(name, Levels(values), advance=Fraction(rate), **more)


def value_at(values: tuple[float, ...], rate: int, glide: int, tick: int) -> float:
    """A list of levels at a tick: each is gone to in a straight line that lasts `glide` ticks, the
    first from 0; a move starts where the one before has come to."""
    at, number = 0.0, 0
    while (number + 1) * rate <= tick:
        target = values[number % len(values)]
        at = target if glide <= rate else at + (target - at) * rate / glide
        number += 1
    target, since = values[number % len(values)], tick - number * rate
    return target if since >= glide else at + (target - at) * since / glide


def compared(word: str, seen: list[float], level: float, back: float) -> list[bool]:
    """What a comparator says at each step at which it has seen a value."""
    if word in ("above", "below"):
        sign = 1 if word == "above" else -1
        on, said = False, []
        for value in seen:
            on = sign * value > sign * (back if on else level)
            said.append(on)
        return said
    ways = {
        "rising": lambda one, two: two - one > 1e-9,
        "falling": lambda one, two: one - two > 1e-9,
        "changed": lambda one, two: abs(two - one) > 1e-9,
    }
    return [False, *(ways[word](one, two) for one, two in pairwise(seen))]


@pytest.mark.parametrize("word", ["above", "below", "rising", "falling", "changed"])
def test_any_line_at_any_rate_is_compared_as_the_manual_says(word: str) -> None:
    dice = random.Random(word)
    for _ in range(40):
        values = tuple(dice.choice([-0.5, 0.0, 0.25, 0.5, 0.75, 1.0]) for _ in range(5))
        rate, step = dice.choice([160, 240, 320, 720]), dice.choice([120, 240, 320])
        slew = dice.choice([0.0, 0.5, 1.5])
        level = dice.choice([0.25, 0.4])
        back = dice.choice([level, level - 0.3 if word == "above" else level + 0.3])
        written = f", {level}, {round(back, 2)}" if word in ("above", "below") else ""
        score = score_of(
            line("swell", *values, rate=rate, settings={"slew": slew}),
            Lane("out", logic("out", f"{word}(swell{written})").source, advance=Fraction(step)),
        )
        seen = [
            value_at(values, rate, int(slew * rate + 0.5), tick) for tick in range(0, 2 * BAR, step)
        ]
        # A glide may meet a level exactly; a rounded last digit must not decide the test.
        if slew and any(abs(v - edge) < 1e-9 for v in seen for edge in (level, round(back, 2))):
            continue
        said = compared(word, seen, level, round(back, 2))
        assert grids(score, 2 * BAR, "out") == [n * step for n, on in enumerate(said) if on]


def test_a_state_stays_between_two_steps_and_lets_hits_through() -> None:
    """Triplets of kick: those at 320 and 640 fall between steps, and are let through by what the
    line was at 240 (0.2) and 480 (0.9)."""
    score = score_of(
        line("swell", 0.9, 0.2, 0.9, 0.2),
        steps("kick", "xxx", rate="1/8T"),
        logic("out", "kick and above(swell, 0.5)"),
    )
    assert grids(score, 960, "out") == [0, 640]


def test_an_edge_of_a_line_is_one_hit_for_each_crossing() -> None:
    """A triangle of one bar (0, up to 1 in the middle) is above 0.5 from just after a quarter of
    the bar until three quarters: the first sixteenth above it is the fifth."""
    tide = Lane("tide", Shape("triangle"), advance=Fraction(BAR))
    score = score_of(
        tide,
        logic("up", "edge(above(tide, 0.5))"),
        logic("all", "above(tide, 0.5)"),
        logic("climb", "rising(tide)"),
        logic("fall", "falling(tide)"),
    )
    assert grids(score, 2 * BAR, "up") == [5 * STEP, BAR + 5 * STEP]
    assert pattern(score, 16, "all") == "." * 5 + "x" * 7 + "." * 4
    assert pattern(score, 16, "climb") == "." + "x" * 8 + "." * 7
    assert pattern(score, 16, "fall") == "." * 9 + "x" * 7


def test_with_a_second_level_a_trembling_line_does_not_chatter() -> None:
    trembling = line("swell", 0.1, 0.55, 0.45, 0.55, 0.45, 0.1)
    score = score_of(
        trembling,
        logic("nervous", "edge(above(swell, 0.5))"),
        logic("calm", "edge(above(swell, 0.5, 0.3))"),
    )
    assert pattern(score, 6, "nervous") == ".x.x.."
    assert pattern(score, 6, "calm") == ".x...."


def test_notes_are_compared_as_note_numbers() -> None:
    tune = Lane("tune", Notes((Note(33), Note(45), Note(None), Note(40))))
    score = score_of(tune, logic("high", "above(tune, 39)"), logic("new", "changed(tune)"))
    assert pattern(score, 4, "high") == ".xxx"
    assert pattern(score, 4, "new") == ".x.x"


def test_a_line_made_of_hits_makes_hits() -> None:
    """An envelope falls to 1/1000 in `decay_ms`: at 120 BPM a sixteenth is 125 ms, and 750 ms
    leave 10 ** (-3 * 125 / 750) = 0.32 after one and 0.1 after two."""
    score = score_of(
        steps("kick", "X......."),
        Lane("fall", Decay("kick"), settings={"decay_ms": 750.0}),
        logic("tail", "above(fall, 0.2) and not kick"),
    )
    assert pattern(score, 8, "tail") == ".x......"


def test_inline_and_as_a_lane_of_its_own_it_means_the_same() -> None:
    lanes = (
        line("swell", 0.9, 0.2, 0.6, 0.7, 0.1, rate=320),
        steps("kick", "xx.x", rate="1/8T"),
        logic("high", "above(swell, 0.5, 0.3)"),
    )
    one = score_of(*lanes, logic("out", "kick and high or delay(high, 1/16)"))
    text = "kick and (above(swell, 0.5, 0.3)) or delay((above(swell, 0.5, 0.3)), 1/16)"
    other = score_of(*lanes, logic("out", text))
    assert grids(one, 2 * BAR, "out") == grids(other, 2 * BAR, "out")
    assert len(grids(one, 2 * BAR, "out")) > 10


LANES = (
    line("swell", 0.9, 0.2, 0.6, 0.7, 0.1, rate=320, settings={"slew_ms": 90.0}, out="level"),
    Lane("tide", Shape("sine"), advance=Fraction(1000), drives=(Drive(out="level"),)),
    steps("kick", "x..x.x", settings={"shift": -0.3}),
    Lane("fall", Decay("kick"), out="level", share=True),
    logic("a", "above(swell, 0.5, 0.3) and not kick", settings={"chance": 0.7}),
    logic("b", "delay(changed(swell), 1/8T) or kick and rising(tide)"),
    logic("c", "edge(below(fall, 0.3)) or a", reset=1),
)
OUTPUTS = {"level": OutputRange("level", "level")}


@pytest.mark.parametrize("size", [1, 37, 240, 1700])
def test_windows_of_any_size_give_the_same_hits(size: int) -> None:
    score = score_of(*LANES, outputs=OUTPUTS)
    end = 2 * BAR if size > 1 else 700
    whole = renderer(score).advance(end)
    assert {event.lane for event in whole if event.kind == "hit"} >= {4, 5, 6} or end < BAR
    assert in_windows(renderer(score), [*range(size, end, size), end]) == whole


def hits(events: list[Event]) -> list[Event]:
    return [event for event in events if event.kind == "hit"]


@pytest.mark.parametrize("tick", [0, 100, 240, 1111, BAR])
def test_a_set_swapped_at_any_tick_goes_on_as_it_was(tick: int) -> None:
    score = score_of(*LANES, outputs=OUTPUTS)
    whole = renderer(score).advance(2 * BAR)
    old = renderer(score)
    before = old.advance(tick)
    new = Renderer(score, Performance(score))
    new.adopt(old)
    # What glides is said once more at the swap; hits are not.
    assert hits(before + new.advance(2 * BAR)) == hits(whole)


@pytest.mark.parametrize("tick", [100, 1111, BAR])
def test_a_comparator_that_is_edited_in_falls_in_with_its_line(tick: int) -> None:
    """A shape that hits start goes on in two times; nobody has read its value on the grid before.
    The kick begins each bar, so in the next bar it is as if the lane had always been there."""
    lanes = (
        steps("kick", "x...............", settings={"shift": 0.2}),
        Lane("tide", Shape("triangle", "kick"), advance=Fraction(1920), out="level"),
    )
    outputs = {"level": OutputRange("level", "level")}
    with_it = score_of(*lanes, logic("out", "above(tide, 0.5)"), outputs=outputs)
    always = grids(with_it, 3 * BAR, "out")
    old = renderer(score_of(*lanes, outputs=outputs))
    old.advance(tick)
    new = Renderer(with_it, Performance(with_it))
    new.adopt(old)
    found = [e.grid for e in new.advance(3 * BAR) if e.kind == "hit" and e.lane == 2]
    next_bar = (tick // BAR + 1) * BAR
    assert [at for at in found if at >= next_bar] == [at for at in always if at >= next_bar]
    assert len(found) > 10


def test_a_jump_back_plays_the_same_again() -> None:
    player = renderer(score_of(*LANES, outputs=OUTPUTS))
    whole = player.advance(6 * BAR)
    player.seek(5 * BAR)
    assert player.advance(6 * BAR) == [event for event in whole if event.tick >= 5 * BAR]


def test_muting_the_line_changes_no_hit() -> None:
    score = score_of(*LANES, outputs=OUTPUTS)
    plain = hits(renderer(score).advance(2 * BAR))
    player = renderer(score)
    carry_out(player.performance, {"do": "mute", "lane": "swell", "muted": True, "when": "now"}, 0)
    assert hits(player.advance(2 * BAR)) == plain


def test_it_swings_with_the_set_where_no_hit_causes_it() -> None:
    """Swing 60 puts the second of each pair of sixteenths at 0.6 of 480 ticks: 48 late."""
    score = score_of(line("swell", 1.0), logic("out", "above(swell, 0.5)"), swing=60.0)
    ticks = [e.tick for e in renderer(score).advance(960) if e.kind == "hit"]
    assert ticks == [0, 288, 480, 768]


def wrong(text: str, by: str = "steps") -> str:
    lanes = (line("swell", 0.0, 1.0), steps("kick", "x"), logic("out", text, by))
    with pytest.raises(InputError) as caught:
        score_of(*lanes)
    return "\n".join(str(problem) for problem in caught.value.problems)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("above(kick, 0.5)", "'kick' is a lane of hits; its value cannot be compared"),
        ("swell and kick", "'swell' is a lane of values; logic works on hits, such as those of"),
        ("above(swel, 0.5)", "column 7: no lane is called 'swel'; did you mean swell?"),
        ("above(swell)", "',' expected in above(line, level, level?)"),
        ("above(swell, much)", "a level like 0.5, or a note number, expected"),
        ("rising(0.5)", "a lane of values expected in rising(line)"),
        ("above(swell, 60)", "swell has levels from -1 to 1; it is never above 60"),
        ("above(swell, 0.5, 0.8)", "above 0.5 ends at or below 0.5, not at 0.8"),
        ("below(swell, 0.5, 0.2)", "below 0.5 ends at or above 0.5, not at 0.2"),
        ("above(swell, 200)", "200 is neither a level from -1 to 1 nor a note number to 127"),
    ],
)
def test_mistakes_are_said_with_their_place(text: str, says: str) -> None:
    assert says in wrong(text)


def test_gates_are_told_what_to_write_instead() -> None:
    assert "write it as a lane of its own, and its name here" in wrong(
        "kick and above(swell, 0.5)", "gates"
    )
    score = score_of(
        line("swell", 0.0, 1.0),
        steps("kick", "xxxx", settings={"gate": 1.0}),
        logic("high", "above(swell, 0.5)"),
        logic("out", "kick and high", "gates"),
    )
    assert grids(score, 960, "out") == [240, 720]


def test_a_lane_that_waits_for_itself_through_its_value_is_refused() -> None:
    with pytest.raises(InputError, match="wait for each other"):
        score_of(Lane("fall", Decay("out")), logic("out", "above(fall, 0.5)"))


def test_a_set_file_may_have_negative_levels() -> None:
    text = (
        "set: S\nlanes:\n  swell: {levels: [-1, -0.2, 0.5]}\n"
        '  deep: {logic: "below(swell, -0.5)"}\n'
    )
    score = compile_score(parse_set(text, "set.yaml").spec, {})
    assert pattern(score, 6, "deep") == "x..x.."
