"""Random sets of lanes of values, wired to pitch and level outputs and driving each other."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

from hypothesis import strategies as st
from support.wired import score_of

from bridge.music.model import (
    SETTINGS,
    Arpeggio,
    Decay,
    Drive,
    Every,
    Lane,
    Levels,
    Macro,
    Note,
    Notes,
    Quantise,
    Sample,
    Section,
    Shape,
    Steps,
    Walk,
)
from bridge.music.score import Score

_RATES = st.sampled_from([Fraction(n) for n in (160, 240, 480, 1280, 3840)] + [Fraction(3840, 7)])
_FORMS = ("sine", "triangle", "ramp", "saw", "square", "random-steps", "random-smooth")
_DIRECTIONS = ("forward", "backward", "back-and-forth", "random-walk", "shuffle")
_OUTS = ("main.pitch-1", "main.pitch-2", "main.level-1", "main.level-2", "main.level-3")
_SLOW = 900.0  # ms: longer glides and envelopes only cost time here


def _settings(kind: str) -> st.SearchStrategy[dict[str, float]]:
    def value(name: str) -> st.SearchStrategy[float]:
        setting = SETTINGS[name]
        high = min(setting.high, _SLOW)
        if setting.whole:
            return st.integers(int(setting.low), int(high)).map(float)
        return st.floats(setting.low, high)

    names = [name for name, setting in SETTINGS.items() if kind in setting.kinds]
    return st.lists(st.sampled_from(names), max_size=5, unique=True).flatmap(
        lambda chosen: st.fixed_dictionaries({name: value(name) for name in chosen})
    )


_NOTE = st.builds(Note, st.none() | st.integers(24, 84).map(float), st.just(False), st.booleans())


@st.composite
def _lane(draw: st.DrawFn, number: int, before: list[Lane]) -> Lane:
    names = [lane.name for lane in before]
    kind = draw(
        st.sampled_from(["notes", "levels", "shape", "decay", "sample", "walk", "arpeggio"])
    )
    if kind in ("sample", "arpeggio") and not names:
        kind = "walk"
    hits: st.SearchStrategy[str] = st.sampled_from(["beat", "tap"])
    source: Any
    if kind == "notes":
        source = Notes(tuple(draw(st.lists(_NOTE, min_size=1, max_size=5))))
    elif kind == "levels":
        source = Levels(tuple(draw(st.lists(st.none() | st.floats(-1, 1), min_size=1, max_size=5))))
    elif kind == "shape":
        source = Shape(draw(st.sampled_from(_FORMS)), draw(st.none() | hits))
    elif kind == "decay":
        source = Decay(draw(hits))
    elif kind == "sample":
        source = Sample(draw(st.sampled_from(names)), draw(hits))
    elif kind == "arpeggio":
        source = Arpeggio(draw(st.sampled_from(names)))
    else:
        source = Walk()
    drives = []
    if bool(names) and draw(st.booleans()):
        drives.append(Drive(out=draw(st.sampled_from(_OUTS)), depth=draw(st.floats(-1, 1))))
    return Lane(
        f"v{number}",
        source,
        advance=draw(_RATES if kind in ("decay", "sample") else st.one_of(_RATES, hits)),
        out=draw(st.none() | st.sampled_from(_OUTS)),
        muted=draw(st.booleans()),
        share=True,
        feel=draw(st.sampled_from(["cause", "cause", "grid"])),
        direction=draw(st.sampled_from(_DIRECTIONS)),
        reset=draw(st.none() | st.integers(1, 2) | hits),
        quantise=draw(st.none() | st.just(Quantise(9, (0, 3, 7)))),
        chord=draw(st.sampled_from([(), (1, 5, 10)])) if kind == "arpeggio" else (),
        octaves=draw(st.none() | st.just((2, 3))),
        transpose_by=draw(st.sampled_from(names)) if bool(names) and draw(st.booleans()) else None,
        drives=tuple(drives),
        settings=draw(_settings(kind)),
    )


@st.composite
def tides(draw: st.DrawFn) -> Score:
    """Two lanes of hits, one to five of values, two macros, a section that changes settings."""
    lanes = [
        Lane(
            "beat",
            Steps((1, 0, 2, 1, 0)),
            advance=Fraction(240),
            out="main.gate-1",
            settings=draw(_settings("steps")),
        ),
        Lane("tap", Every(3), advance=Fraction(320), muted=draw(st.booleans())),
    ]
    made: list[Lane] = []
    for number in range(draw(st.integers(1, 5))):
        made.append(draw(_lane(number, made)))
    if len(made) > 1 and draw(st.booleans()):
        driven = draw(st.sampled_from(made[1:]))
        names = [name for name, setting in SETTINGS.items() if driven.kind in setting.kinds]
        drive = Drive(
            lane=driven.name, setting=draw(st.sampled_from(names)), depth=draw(st.floats(-1, 1))
        )
        made[0] = replace(made[0], drives=(*made[0].drives, drive))
    target = draw(st.sampled_from(made))
    fits = [name for name, setting in SETTINGS.items() if target.kind in setting.kinds]
    macros = [
        Macro(
            "a",
            draw(st.floats(0, 1)),
            draw(st.floats(-1, 1)),
            draw(st.sampled_from([0, 150])),
            (
                Drive(lane=target.name, setting=draw(st.sampled_from(fits)), depth=0.7),
                Drive(out=draw(st.sampled_from(_OUTS)), depth=-0.4),
            ),
        ),
        Macro("b", 0.3, drives=(Drive(out=draw(st.sampled_from(_OUTS)), start=-1.0, end=9.0),)),
    ]
    section = Section(
        "other",
        (made[0].name, "beat"),
        {"a": 0.9},
        {target.name: draw(_settings(target.kind))},
        150.0,
    )
    swing = draw(st.sampled_from([50.0, 62.0]))
    seed = draw(st.integers(0, 9))
    return score_of(*lanes, *made, macros=macros, sections=(section,), seed=seed, swing=swing)
