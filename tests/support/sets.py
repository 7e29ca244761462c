"""Sets for tests of the music floor: short ways to write lanes, and random sets for properties."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from random import Random
from typing import Any

from hypothesis import assume
from hypothesis import strategies as st

from bridge.errors import InputError
from bridge.music.event import Event
from bridge.music.model import (
    SETTINGS,
    Drive,
    Euclid,
    Every,
    Fill,
    Lane,
    Levels,
    Logic,
    Macro,
    Note,
    Notes,
    OutputRange,
    Passes,
    Section,
    SetSpec,
    Steps,
)
from bridge.music.pattern import parse_steps
from bridge.music.performance import Performance
from bridge.music.render import Renderer, Stood, events_between
from bridge.music.score import Score, compile_score
from bridge.music.ticks import parse_rate
from bridge.protocol.command import Command

BAR = 3840
STEP = 240


def steps(name: str, text: str, rate: str = "1/16", **more: Any) -> Lane:
    """A steps lane; settings are given as ``settings={...}``."""
    return Lane(name, Steps(parse_steps(text)), advance=parse_rate(rate), **more)


def logic(name: str, text: str, by: Any = "steps", **more: Any) -> Lane:
    return Lane(name, Logic(text, by), **more)


def score_of(*lanes: Lane, outputs: dict[str, OutputRange] | None = None, **spec: Any) -> Score:
    return compile_score(SetSpec("test", lanes=lanes, **spec), outputs or {})


def hits_of(score: Score, ticks: int, lane: str, start: int = 0) -> list[Event]:
    """The hits of one lane between two ticks."""
    place = score.positions[lane]
    return [e for e in events_between(score, start, ticks) if e.lane == place and e.kind == "hit"]


def grids(score: Score, ticks: int, lane: str) -> list[int]:
    return [event.grid for event in hits_of(score, ticks, lane)]


def pattern(score: Score, count: int, lane: str, step: int = STEP) -> str:
    """What a lane plays, as a step string of `count` steps."""
    on = set(grids(score, count * step, lane))
    assert all(tick % step == 0 for tick in on)
    return "".join("x" if place * step in on else "." for place in range(count))


def renderer(score: Score) -> Renderer:
    return Renderer(score, Performance(score))


def in_windows(player: Renderer, ends: list[int]) -> list[Event]:
    events: list[Event] = []
    for end in ends:
        events += player.advance(end)
    return events


# --- random sets -------------------------------------------------------------------------------

RATES = [
    Fraction(240),
    Fraction(480),
    Fraction(320),
    Fraction(160),
    Fraction(720),
    Fraction(3840, 7),
    Fraction(120),
    Fraction(1280),
]
_HIT_NAMES = ("a", "b", "c", "d", "e", "f")


def _settings(kind: str) -> st.SearchStrategy[dict[str, float]]:
    """A few settings of a lane, anywhere in their range (times kept short)."""

    def value(name: str) -> st.SearchStrategy[float]:
        setting = SETTINGS[name]
        low, high = setting.low, min(setting.high, 4000.0)
        if name in ("steps", "length", "hits"):
            high = min(high, 20)
        if setting.whole:
            return st.integers(int(low), int(high)).map(float)
        return st.floats(low, high, allow_nan=False)

    names = [name for name, setting in SETTINGS.items() if kind in setting.kinds]
    return st.lists(st.sampled_from(names), max_size=4, unique=True).flatmap(
        lambda chosen: st.fixed_dictionaries({name: value(name) for name in chosen})
    )


_TIMES = ("1/16", "1/8", "1/8T", "3/16", "1/4")
_FORMS = (
    "({0} and {1})",
    "({0} or {1})",
    "({0} xor {1})",
    "not {0}",
    "at-least(2, {0}, {1}, {2})",
    "exactly(1, {0}, {1})",
    "nth({0}, {n})",
    "toggle({0})",
    "first({0}, {1})",
    "delay({0}, {time})",
    "extend({0}, {time})",
    "between({0}, {1})",
    "chance({0}, 0.5)",
    "edge({0})",
    "gap({0}, {time})",
    "before-mute({0})",
)


@st.composite
def expressions(draw: st.DrawFn, names: list[str], depth: int = 2) -> str:
    """Random logic over `names`, functions included."""
    if depth == 0 or draw(st.integers(0, 3)) == 0:
        return draw(st.sampled_from(names))
    form = draw(st.sampled_from(_FORMS))
    parts = [
        draw(expressions(names, depth - 1)) if f"{{{place}}}" in form else "" for place in range(3)
    ]
    return form.format(*parts, n=draw(st.integers(1, 4)), time=draw(st.sampled_from(_TIMES)))


@st.composite
def lanes_of_hits(draw: st.DrawFn) -> list[Lane]:
    """Two to six lanes of hits, some of them derived from those before them."""
    lanes: list[Lane] = []
    for name in _HIT_NAMES[: draw(st.integers(2, len(_HIT_NAMES)))]:
        before = [lane.name for lane in lanes]
        kinds = ["euclid", "steps", "every"] + (["logic", "logic"] if before else [])
        kind = draw(st.sampled_from(kinds))
        source: Any
        if kind == "euclid":
            fill = draw(
                st.none() | st.builds(Fill, st.integers(1, 4), st.integers(4, 6), st.integers(1, 3))
            )
            source = Euclid(fill)
        elif kind == "steps":
            source = Steps(tuple(draw(st.lists(st.integers(0, 2), min_size=1, max_size=12))))
        elif kind == "every":
            source = Every(draw(st.integers(1, 9)))
        else:
            source = Logic(draw(expressions(before)), draw(st.sampled_from(["steps", "gates"])))
        advance: Fraction | str = draw(st.sampled_from(RATES))
        if before and kind != "logic" and draw(st.booleans()):
            advance = draw(st.sampled_from(before))
        reset = draw(
            st.none() | st.integers(1, 3) | (st.sampled_from(before) if before else st.none())
        )
        lanes.append(
            Lane(
                name,
                source,
                advance=advance,
                reset=reset,
                muted=draw(st.booleans()),
                direction=draw(
                    st.sampled_from(
                        ["forward", "backward", "back-and-forth", "random-walk", "shuffle"]
                    )
                ),
                accents=tuple(draw(st.lists(st.integers(0, 2), max_size=3))),
                passes=draw(st.none() | st.just(Passes((1, 3), 3))),
                tie=draw(st.booleans()) if kind != "logic" else False,
                reads=draw(st.sampled_from(["after-mute", "before-mute"])),
                feel=draw(st.sampled_from(["cause", "cause", "grid"])),
                settings=draw(_settings(kind)),
            )
        )
    return lanes


@st.composite
def sets(draw: st.DrawFn) -> SetSpec:
    """A whole random set: hits, a melody and a level lane, a macro, two sections."""
    lanes = draw(lanes_of_hits())
    movers = st.sampled_from([lane.name for lane in lanes])
    lanes.append(
        Lane(
            "tune",
            Notes((Note(36), Note(None), Note(43, glide=True), Note(40))),
            advance=draw(movers),
            out="pitch",
            settings=draw(_settings("notes")),
        )
    )
    driven = draw(movers)
    drives = (Drive(lane=driven, setting="chance", depth=-0.5), Drive(out="level"))
    lanes.insert(
        0,
        Lane(
            "tide",
            Levels((0.0, 0.5, 1.0)),
            advance=draw(st.sampled_from(RATES)),
            drives=drives,
            settings=draw(_settings("levels")),
        ),
    )
    macro = Macro(
        "knob",
        0.3,
        drives=(
            Drive(lane=draw(movers), setting="density", depth=0.6),
            Drive(out="level", depth=0.5),
        ),
    )
    section = Section(
        "other",
        play=(lanes[1].name, "tune"),
        macros={"knob": 0.9},
        lanes={draw(movers): {"shift": -0.25, "swing": 60.0}},
    )
    return SetSpec(
        "random",
        tempo=draw(st.sampled_from([60.0, 126.0, 133.33])),
        swing=draw(st.sampled_from([50.0, 54.0, 66.0])),
        seed=draw(st.integers(0, 100)),
        lanes=tuple(lanes),
        macros=(macro,),
        sections=(section,),
    )


@st.composite
def rewritten_sets(draw: st.DrawFn) -> SetSpec:
    """A random set of which two sections write lanes otherwise: other patterns, rates, logic, notes,
    and another key."""
    spec = draw(sets())
    sections = []
    for name in ("other", "third"):
        others = {lane.name: lane for lane in draw(lanes_of_hits())}
        written = {}
        for lane in spec.lanes:
            other = others.get(lane.name)
            if other is not None and draw(st.booleans()):
                written[lane.name] = replace(other, drives=lane.drives, muted=lane.muted)
        if draw(st.booleans()):
            tune = next(lane for lane in spec.lanes if lane.name == "tune")
            notes = Notes((Note(50), Note(47), Note(None), Note(52, tie=True), Note(55)))
            written["tune"] = replace(tune, source=notes, advance=draw(st.sampled_from(RATES)))
        section = Section(
            name,
            root=draw(st.none() | st.integers(0, 11)),
            scale=draw(st.none() | st.just((0, 2, 4, 5, 7, 9, 11))),
            swing=draw(st.none() | st.just(62.0)),
            written=written,
        )
        sections.append(section)
        try:
            compile_score(replace(spec, sections=(section,)), OUTPUTS)
        except InputError:  # a lane that is not in the set, or lanes that wait for each other
            assume(False)
    return replace(spec, sections=tuple(sections))


OUTPUTS = {"pitch": OutputRange("pitch", "pitch"), "level": OutputRange("level", "level")}


# --- lanes with a feel --------------------------------------------------------------------------

FEELS = st.fixed_dictionaries(
    {},
    optional={
        "swing": st.sampled_from([20.0, 50.0, 58.0, 80.0]),
        "shift": st.sampled_from([-0.4, 0.1, 0.5]),
        "shift_ms": st.sampled_from([-30.0, 12.0]),
        "humanise_ms": st.sampled_from([4.0, 25.0]),
        "chance": st.just(0.6),
        "repeats": st.just(3.0),
    },
)


@st.composite
def felt_beats(draw: st.DrawFn) -> Lane:
    """A lane of hits called beat, with any feel."""
    marks = tuple(draw(st.lists(st.sampled_from([0, 1, 2]), min_size=1, max_size=5)))
    rate = Fraction(draw(st.sampled_from([240, 480, 320, 1920])))
    return Lane("beat", Steps(marks), advance=rate, settings=draw(FEELS))


def through(player: Renderer, goal: int, dice: Random) -> Renderer:
    """Play up to `goal`, in windows of unequal size."""
    while player.position < goal:
        player.advance(min(goal, player.position + dice.choice((960, 5000, 20000))))
    return player


def going_on(player: Renderer, ticks: int) -> tuple[list[Event], Stood]:
    """What another renderer, put where `player` stands, holds and plays for so many ticks, and
    where it stands then."""
    other = renderer(player.score)
    other.performance.restore(player.performance.state(), player.position)
    other.stand(player.place)
    other.performance.settle(other.position)
    events = other.hold_values() + other.advance(other.position + ticks)
    place = other.place
    assert isinstance(place, Stood)
    return events, place


def seen_at(
    score: Score,
    commands: Mapping[int, Sequence[Command]],
    goals: Sequence[int],
    dice: Random,
    jumps: bool,
    look: Callable[[Renderer], object],
) -> list[object]:
    """What `look` finds at each goal, where commands come at their ticks on the way: by jumps from
    one tick to the next, or else by playing through."""
    player = renderer(score)
    found = []
    for stop in sorted({*commands, *goals}):
        if jumps:
            player.seek(stop)
        else:
            through(player, stop, dice)
        for command in commands.get(stop, ()):
            player.performance.apply(command, stop)
        if stop in goals:
            found.append(look(player))
    return found
