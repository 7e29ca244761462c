"""A set in which nearly everything counts, drifts or walks: where it is depends on all that was."""

from __future__ import annotations

from support.desk import gate_lane, score_of

from bridge.music.model import (
    Drive,
    Euclid,
    Lane,
    Logic,
    Macro,
    Note,
    Notes,
    Sample,
    Section,
    Steps,
    Walk,
)
from bridge.music.pattern import parse_steps
from bridge.music.score import Score
from bridge.music.ticks import parse_rate

LANES = (
    gate_lane("kick", "x..x..x.", settings={"drift": 0.2, "drift_bound": 2.0}),
    Lane("rim", Euclid(), out="main.gate-2", settings={"hits": 5.0, "steps": 13.0, "chance": 0.6}),
    Lane("made", Logic("nth(rim xor kick, 7)"), out="main.gate-3"),
    Lane("turned", Logic("toggle(rim) and kick"), out="main.gate-4"),
    Lane("late", Logic("delay(made, 3/16) or earlier(late, 5) and rim"), out="main.gate-5"),
    Lane(
        "tune",
        Notes((Note(40), Note(43), Note(None), Note(47), Note(50, tie=True))),
        advance="made",
        out="main.pitch-1",
        settings={"slew_ms": 90.0},
    ),
    Lane("walk", Walk(), parse_rate("3/8"), out="main.level-1"),
    Lane("held", Sample("walk", "made"), out="main.level-2"),
    Lane("tied", Steps(parse_steps("x..x.....x")), advance="rim", out="main.gate-6", tie=True),
)
KNOB = Macro("knob", 0.2, drives=(Drive(lane="rim", setting="chance", depth=0.4),))
THIN = Section("thin", play=("kick", "made", "tune"), lanes={"rim": {"density": 0.8}})


def score() -> Score:
    """The set of these lanes."""
    return score_of(*LANES, macros=(KNOB,), sections=(THIN,), swing=57.0, seed=3)
