"""One set with a bit of everything that a performer can move, and every kind of command."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from hypothesis import strategies as st
from support.wired import BAR, score_of

from bridge.music.model import (
    Drive,
    Entry,
    Euclid,
    Lane,
    Levels,
    Logic,
    Macro,
    Note,
    Notes,
    Section,
    Steps,
)

SCORE = score_of(
    Lane("kick", Euclid(), out="main.gate-1", groups=("drums",)),
    Lane(
        "rim",
        Euclid(),
        out="main.gate-2",
        groups=("drums", "metal"),
        muted=True,
        settings={"chance": 0.5},
    ),
    Lane("ghost", Steps((1, 0))),
    Lane("spray", Logic("rim xor ghost"), out="main.gate-3"),
    Lane(
        "tune",
        Notes((Note(45), Note(48))),
        advance="kick",
        out="main.pitch-1",
        settings={"drift": 0.2},
    ),
    Lane(
        "swell",
        Levels((0.0, 0.5)),
        advance=Fraction(480),
        out="main.level-1",
        drives=(Drive(lane="spray", setting="density", depth=0.5),),
    ),
    macros=[
        Macro(
            "bright",
            0.25,
            drives=(
                Drive(out="main.level-1", depth=-0.5),
                Drive(lane="rim", setting="chance", depth=0.4),
            ),
        ),
        Macro(
            "push",
            0.0,
            0.5,
            500.0,
            (
                Drive(lane="kick", setting="hits", depth=0.5),
                Drive(out="main.level-2", start=0.0, end=4.0),
            ),
        ),
    ],
    sections=(
        Section("shallow", ("kick", "tune"), {"bright": 0.0}, {"kick": {"hits": 2.0}}),
        Section(
            "flood",
            ("kick", "rim", "spray", "tune", "swell"),
            {"bright": 1.0, "push": 1.0},
            {"rim": {"chance": 1.0, "level": 0.4}},
            140.0,
        ),
        Section("drift", None, {}, {"kick": {"hits": 9.0}}),
        Section("dry", ()),
    ),
    order=(Entry("shallow", 2), Entry("flood", 1, 2), Entry("dry", 1)),
    seed=5,
)

LANES = [lane.name for lane in SCORE.lanes]
SECTIONS = [section.name for section in SCORE.spec.sections]
WHEN = st.sampled_from(["now", "beat", "bar", 1, 2, 4])
FLAG = st.booleans()
CLIENT = st.sampled_from(["left", "right"])


def _command(do: str, **fields: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({"do": st.just(do), **fields})


LANE = st.sampled_from(LANES)
COMMANDS: st.SearchStrategy[dict[str, Any]] = st.one_of(
    _command("mute", lane=LANE, muted=FLAG, when=WHEN, return_bars=st.none() | st.integers(1, 3)),
    _command("cancel", lane=LANE),
    _command("cancel", section=st.sampled_from(SECTIONS)),
    _command("hold", lane=LANE, muted=FLAG, client=CLIENT, active=FLAG),
    _command("release", client=CLIENT),
    _command("solo", lane=LANE, on=FLAG),
    _command("group", group=st.sampled_from(["drums", "metal"]), muted=FLAG, when=WHEN),
    _command("macro", macro=st.sampled_from(["bright", "push"]), value=st.floats(0, 1)),
    _command(
        "setting",
        lane=st.sampled_from(["kick", "rim"]),
        setting=st.just("chance"),
        value=st.none() | st.floats(0, 1),
    ),
    _command("setting", lane=st.just("kick"), setting=st.just("hits"), value=st.integers(0, 64)),
    _command("freeze", lane=st.just("tune"), on=FLAG),
    _command("tempo", bpm=st.floats(20, 400)),
    _command(
        "section",
        section=st.sampled_from(SECTIONS),
        when=WHEN,
        morph_bars=st.integers(0, 3),
        mutes_at=st.sampled_from([0.0, 0.5, 1.0]),
    ),
    _command("order", run=FLAG),
    _command("mute-all"),
)
MOMENTS = st.integers(0, BAR // 2)
"""How much later than the one before a command comes."""
