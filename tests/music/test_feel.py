"""Feel: what other lanes cause sounds with its cause. Held against the manual's rules, worked out
aside (`support.grooves`), and against the manual's own table."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from math import floor
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.grooves import Delayed, Groove, Joined, Named, Nor, Saying, Told, of_set, warp_of
from support.manual import table_under
from support.sets import BAR, FEELS, felt_beats, hits_of, logic, score_of, steps

from bridge.files.set import parse_set
from bridge.music.event import Event
from bridge.music.model import Every, Lane, Note, Notes, OutputRange, Steps
from bridge.music.render import events_between
from bridge.music.score import Score, compile_score

CAREFUL = settings(
    deadline=None, max_examples=120, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
OUTPUTS = {"pitch": OutputRange("pitch", "pitch")}


def ticks(score: Score, lane: str, end: int = BAR) -> list[int]:
    return [event.tick for event in hits_of(score, end, lane)]


# --- the manual's table --------------------------------------------------------------------------


def rows() -> list[tuple[str, list[int]]]:
    """(what is written, the ticks it sounds at) of the table that the manual prints."""
    found = []
    for line in table_under("Feel"):
        cells = re.split(r"\s{2,}", line.strip())
        if len(cells) == 5 and cells[0] and cells[0][0] in "khr{":
            found.append((cells[0], [int(cell) for cell in cells[1:] if cell != "."]))
    return found


@pytest.mark.parametrize(("written", "sounds"), rows(), ids=[written for written, _ in rows()])
def test_the_table_of_the_manual_is_played(written: str, sounds: list[int]) -> None:
    named = [row for row, _ in rows() if not row.startswith("{")]
    lane = "asked" if written.startswith("{") else written.split(":")[0]
    asked = [f"asked: {written}"] if lane == "asked" else []
    text = "set: Low tide\nlanes:\n" + "".join(f"  {row}\n" for row in [*named, *asked])
    score = compile_score(parse_set(text).spec, {})
    assert ticks(score, lane, 960 - 96) == [tick for tick in sounds if tick < 960 - 96]


def test_the_table_has_all_its_rows() -> None:
    assert len(rows()) == 13


# --- any set of lanes that lead each other -------------------------------------------------------

_ROOT_RATES = {"1/16": 240, "1/8": 480, "1/8T": 320, "1/32": 120, "1/32T": 80}
_DELAYS = {"1/16": 240, "1/8": 480, "1/8T": 320, "3/16": 720}
_PERCENTS = [50.0, 55.0, 60.0, 62.5, 75.0]  # whole ticks at all these rates
_METERS = {(4, 4): 3840, (7, 16): 1680, (3, 4): 2880, (5, 8): 2400}
END = 3 * BAR


@dataclass(frozen=True)
class Led:
    """A lane that others lead, in the oracle's words and in the program's."""

    name: str
    lane: Lane
    by: Saying | None  # None: moved by `lane.advance`
    own: Groove


@st.composite
def sayings(draw: st.DrawFn, names: list[str], depth: int = 2, plain: bool = False) -> Saying:
    if depth == 0 or draw(st.integers(0, 3)) == 0:
        return Named(draw(st.sampled_from(names)))
    kind = draw(st.sampled_from(["join", "delay"] if plain else ["join", "join", "delay", "not"]))
    if kind == "not":
        return Nor(draw(sayings(names, depth - 1)))
    if kind == "delay":  # of what hits: a delayed `not` hits where it was looked at
        rate = draw(st.sampled_from(sorted(_DELAYS)))
        return Delayed(draw(sayings(names, depth - 1, True)), rate, _DELAYS[rate])
    word = draw(st.sampled_from(["and", "or", "xor"]))
    parts = [draw(sayings(names, depth - 1, plain)) for _ in range(2)]
    return Joined(word, *parts)


@st.composite
def _roots(draw: st.DrawFn, bar: int, percent: float) -> list[tuple[Lane, Groove, bool]]:
    """Lanes with a rate: with their groove, and whether chance is in it."""
    made = []
    for place, name in enumerate("abc"):
        step = Fraction(_ROOT_RATES[draw(st.sampled_from(sorted(_ROOT_RATES)))])
        own: dict[str, float] = {}
        straight = step % 30 == 0
        warps = (of_set(percent, bar),) if straight else ()
        if draw(st.booleans()):
            own["swing"] = draw(st.sampled_from(_PERCENTS))
            warps = (warp_of(step, own["swing"], bar),)
        if draw(st.booleans()):  # each at another time, or one would not hear the cause
            own["shift_ms"] = draw(st.sampled_from([-20.0, 7.0, 37.0])) + place
        humanised = draw(st.integers(0, 3)) == 0
        if humanised:  # and late enough, so that the beginning cuts nothing
            own |= {"humanise_ms": draw(st.sampled_from([2.0, 17.0])), "shift_ms": 41.0}
        marks = tuple(draw(st.lists(st.sampled_from([1, 1, 0]), min_size=1, max_size=5)))
        muted = draw(st.integers(0, 2)) == 0
        lane = Lane(name, Steps(marks), advance=step, muted=muted, settings=own)
        # Tempo 125: a millisecond is two ticks.
        made.append((lane, Groove(2 * own.get("shift_ms", 0.0), warps), humanised))
    return made


@st.composite
def _led(draw: st.DrawFn, name: str, names: list[str], steps: dict[str, int], bar: int) -> Led:
    own: dict[str, float] = {}
    if draw(st.booleans()):
        own["shift_ms"] = draw(st.sampled_from([-7.0, 5.0, 30.0]))
    if draw(st.booleans()):
        own["swing"] = draw(st.sampled_from(_PERCENTS))
    feel: Any = draw(st.sampled_from(["cause", "cause", "grid"]))
    if draw(st.booleans()):
        mover = draw(st.sampled_from(names))
        lane, by = Lane(name, Every(1), advance=mover, feel=feel, settings=own), None
        steps[name] = steps[mover]
    else:
        by = draw(sayings(names))
        lane = logic(name, str(by), feel=feel, settings=own)
        steps[name] = 240
    warps = (warp_of(Fraction(steps[name]), own["swing"], bar),) if "swing" in own else ()
    return Led(name, lane, by, Groove(2 * own.get("shift_ms", 0.0), warps))


@st.composite
def grooves(draw: st.DrawFn) -> tuple[Score, list[tuple[Lane, Groove, bool]], list[Led]]:
    meter = draw(st.sampled_from(sorted(_METERS)))
    bar, percent = _METERS[meter], draw(st.sampled_from(_PERCENTS))
    roots = draw(_roots(bar, percent))
    sizes = {lane.name: int(lane.advance) for lane, _, _ in roots}
    made: list[Led] = []
    for name in "defg"[: draw(st.integers(1, 4))]:
        names = [lane.name for lane, _, _ in roots] + [led.name for led in made]
        made.append(draw(_led(name, names, sizes, bar)))
    lanes = [lane for lane, _, _ in roots] + [led.lane for led in made]
    seed = draw(st.integers(0, 9))
    return (score_of(*lanes, tempo=125.0, swing=percent, seed=seed, meter=meter), roots, made)


@CAREFUL
@given(grooves())
def test_every_led_hit_sounds_as_the_manual_says(
    drawn: tuple[Score, list[tuple[Lane, Groove, bool]], list[Led]],
) -> None:
    score, roots, made = drawn
    set_swing = of_set(score.spec.swing, score.spec.bar_ticks)
    exact = not any(chance for *_, chance in roots)
    plain = events_between(
        score, 0, END + BAR, muted=frozenset()
    )  # beyond: early ones come from there
    muted = events_between(score, 0, END + BAR)
    told: dict[str, Told] = {}

    def grids(events: list[Event], lane: str) -> dict[int, int]:
        place = score.positions[lane]
        return {e.grid: e.tick for e in events if e.lane == place and e.grid < END}

    for lane, groove, chance in roots:
        hits = {}
        for grid, tick in grids(plain, lane.name).items():
            expected = max(0.0, grid + groove.at(grid))
            if chance:  # what it added is known to half a tick
                hits[grid] = replace(groove, late=groove.late + tick - expected)
            else:
                assert tick == floor(expected + 0.5)
                hits[grid] = groove
        told[lane.name] = Told(hits, hits.keys(), () if lane.muted else hits.keys())
    for led in made:
        written, heard = grids(plain, led.name), grids(muted, led.name)
        hits = {}
        for grid in {*written, *heard}:
            if led.by is None:
                found: Groove | None = told[str(led.lane.advance)].hits[grid]
            else:
                found = led.by.cause(told, grid, grid in heard)
            if found is None:
                found = Groove(0.0, (set_swing,), False)
            if led.lane.feel == "grid":
                found = Groove()
            hits[grid] = found.plus(led.own)
            if grid in heard:
                expected = max(0.0, grid + hits[grid].at(grid))
                assert abs(heard[grid] - expected) <= (0.5 if exact else 1.0), (led.lane, grid)
        told[led.name] = Told(hits, written.keys(), heard.keys())


# --- single rules --------------------------------------------------------------------------------


def test_what_a_lane_moves_or_derives_sounds_with_it() -> None:
    score = score_of(
        Lane("a", Every(1), advance=Fraction(480), settings={"swing": 70, "shift": 0.1}),
        Lane("b", Every(1), advance="a"),
        Lane("n", Notes((Note(36), Note(38))), advance="b", out="pitch"),
        logic("d", "a"),
        outputs=OUTPUTS,
    )
    assert ticks(score, "a", 1700) == [48, 720, 1008, 1680]
    assert ticks(score, "b", 1700) == ticks(score, "d", 1700) == [48, 720, 1008, 1680]
    pitches = [event.tick for event in events_between(score, 0, 1700) if event.kind == "pitch"]
    assert pitches == [48, 720, 1008, 1680]


def test_a_state_is_no_cause() -> None:
    """`rest` hits on its own steps, where nothing hits; together with a hit the hit decides."""
    score = score_of(
        steps("kick", "x..."),
        steps("late", ".x..", settings={"shift": 0.3}),
        logic("rest", "not kick"),
        logic("either", "rest or late"),
        logic("inline", "not kick or late"),
        swing=60,
    )
    assert ticks(score, "either", 900) == ticks(score, "inline", 900) == [360, 480, 768]


def test_thirds_of_a_triplet_stay_where_they_are_in_a_set_that_swings() -> None:
    score = score_of(steps("a", "x", "1/32T"), logic("d", "a"), Lane("b", Every(1), advance="a"))
    swung = score_of(*score.lanes, swing=66)
    for lane in "adb":
        assert ticks(swung, lane, 960) == list(range(0, 960, 80))


def test_repeats_of_a_led_lane_fill_the_step_as_its_cause_swings_it() -> None:
    score = score_of(
        steps("a", "x", settings={"swing": 75}), logic("d", "a", settings={"repeats": 2})
    )
    assert ticks(score, "d", 480) == [0, 180, 360, 420]


def test_own_swing_of_logic_by_gates_bends_what_the_gates_say() -> None:
    score = score_of(steps("a", "x."), steps("b", ".x"), logic("g", "a or b", "gates"))
    swung = score_of(*score.lanes[:2], replace(score.lanes[2], settings={"swing": 60}))
    assert ticks(score, "g", 960) == [0, 240, 480, 720]
    assert ticks(swung, "g", 960) == [0, 288, 480, 768]


def test_a_downbeat_in_an_odd_bar_is_never_late() -> None:
    score = score_of(steps("a", "x"), logic("d", "a"), swing=60, meter=(7, 16))
    for lane in "ad":
        assert [bar for bar in range(0, 4 * 1680, 1680) if bar in ticks(score, lane, 4 * 1680)] == [
            0,
            1680,
            3360,
            5040,
        ]


@settings(deadline=None, max_examples=40, derandomize=True)
@given(felt_beats(), FEELS, st.sampled_from([50.0, 62.0]))
def test_a_pitch_stands_when_the_gate_that_moves_it_opens(
    beat: Lane, own: dict[str, float], swing: float
) -> None:
    own.pop("repeats", None)
    score = score_of(
        beat,
        logic("gate", "nth(beat, 2)", settings=own),
        Lane("tune", Notes(tuple(Note(40.0 + n) for n in range(7))), advance="gate", out="pitch"),
        outputs=OUTPUTS,
        swing=swing,
    )
    events = [event for event in events_between(score, 0, 4 * BAR) if event.lane > 0]
    opened = 0
    for before, event in pairwise(events):
        if event.kind == "hit":
            opened += 1
            assert (before.kind, before.tick) == ("pitch", event.tick)
    assert opened == sum(event.kind == "hit" for event in events)


# --- ties ----------------------------------------------------------------------------------------


def test_a_tie_is_not_cut_by_hits_that_nobody_hears() -> None:
    score = score_of(
        steps("kick", "x..............."),
        steps("rim", "....x..x........", muted=True),
        logic("either", "kick or rim", tie=True),
    )
    assert [(e.tick, e.length) for e in hits_of(score, 2 * BAR, "either")] == [(0, BAR), (BAR, BAR)]
    heard = score_of(score.lanes[0], replace(score.lanes[1], muted=False), score.lanes[2])
    assert [e.length for e in hits_of(heard, BAR, "either")] == [960, 720, 2160]


def test_a_tie_lasts_four_bars_at_most() -> None:
    score = score_of(Lane("a", Steps((1,) + (0,) * 31), advance=Fraction(960), tie=True))
    assert [event.length for event in hits_of(score, BAR, "a")] == [4 * BAR]
