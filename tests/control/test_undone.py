"""Which state shows that a step stands undone. The states are made by the performance itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import pytest
from support.desk import gate_lane, score_of
from support.states import player_report

from bridge.control.history import Step
from bridge.control.session import Session
from bridge.control.undone import is_undone
from bridge.music.model import Macro, Section
from bridge.music.performance import Performance
from bridge.protocol.command import Command
from bridge.protocol.performing import MoveMacro, MoveSetting, Mute, MuteAll, RecallSection, Solo
from bridge.protocol.running import Nudge, SetTempo


@dataclass
class Loaded:
    """As much of a session as counts here."""

    state: Any
    playing: None = None


def report(performance: Performance) -> Any:
    said = player_report(performance.state(), set="Low tide", revision=1)
    said["transport"] = cast(Any, {"state": "running", "tempo": performance.tempo})
    return said


@pytest.mark.parametrize(
    "command",
    [
        Mute(lane="kick", muted=True),
        Mute(lane="kick", muted=True, when="bar"),
        Mute(lane="kick", muted=True, return_bars=2),
        MuteAll(),
        Solo(lane="rim", on=True),
        MoveMacro(macro="knob", value=0.75),
        MoveSetting(lane="rim", setting="chance", value=0.5),
        RecallSection(section="thin", when="now"),
        RecallSection(section="thin", when="bar"),
        SetTempo(bpm=99.0),
    ],
    ids=repr,
)
def test_before_a_step_and_after_its_undo_it_stands_undone_and_in_between_not(
    command: Command,
) -> None:
    lanes = gate_lane("kick", "x..."), gate_lane("rim", "..x.", 2)
    thin = Section("thin", play=("kick",), macros={"knob": 0.5})
    performance = Performance(score_of(*lanes, macros=(Macro("knob", 0.25),), sections=(thin,)))
    performance.running = True
    before = report(performance)
    back = command.inverse(before, {})
    step = Step(command.label(), "page 1", 0.0, back, (command,))
    assert is_undone(step, cast(Session, Loaded(before)))
    performance.apply(command, 100, "page 1")
    assert is_undone(step, cast(Session, Loaded(report(performance)))) is False
    for action in back:
        performance.apply(action, 100, "page 1")
    assert is_undone(step, cast(Session, Loaded(report(performance))))


def test_no_state_tells_of_a_nudge() -> None:
    performance = Performance(score_of(gate_lane("kick", "x...")))
    step = Step("nudge", "page 1", 0.0, (Nudge(ms=-5.0),), (Nudge(ms=5.0),))
    assert is_undone(step, cast(Session, Loaded(report(performance)))) is None


def test_a_lane_that_is_not_there_any_more_is_not_undone() -> None:
    performance = Performance(score_of(gate_lane("kick", "x...")))
    other = Performance(score_of(gate_lane("kick", "x..."), gate_lane("rim", "..x.", 2)))
    for command in (Mute(lane="rim", muted=True), Solo(lane="rim", on=True)):
        back = command.inverse(report(other), {})
        step = Step(command.label(), "page 1", 0.0, back, (command,))
        assert is_undone(step, cast(Session, Loaded(report(performance)))) is False
