"""Whatever a hand does, taking it back gives the identical state."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.said import carry_out, plain

from bridge.errors import CommandError
from bridge.music.model import (
    SETTINGS,
    Entry,
    Euclid,
    Lane,
    Macro,
    OutputRange,
    Section,
    SetSpec,
    Steps,
)
from bridge.music.performance import Performance
from bridge.music.score import compile_score
from bridge.protocol.command import Command
from bridge.protocol.performing import (
    Cancel,
    Freeze,
    Hold,
    MoveMacro,
    MoveSetting,
    Mute,
    MuteAll,
    MuteGroup,
    NextOfOrder,
    RecallSection,
    ResetLane,
    RunOrder,
    Solo,
)
from bridge.protocol.running import (
    Continue,
    SetOffset,
    SetPosition,
    SetTempo,
    Start,
    Stop,
    Tap,
    TryOutput,
    UseInternalClock,
)

SPEC = SetSpec(
    name="Low tide",
    lanes=(
        Lane("kick", Euclid(), out="main.gate-1", groups=("drums",), muted=True),
        Lane("rim", Steps((1, 0, 2, 0)), out="main.gate-2", groups=("drums",)),
        Lane("bass", Euclid(), out="main.gate-3", settings={"chance": 0.5}),
    ),
    macros=(Macro("brightness", 0.3), Macro("drizzle", 0.5)),
    sections=(
        Section("shallow", play=("kick",), macros={"brightness": 0.1}),
        Section(
            "flood",
            play=("rim", "bass"),
            macros={"drizzle": 1.0},
            tempo=99.0,
            lanes={"rim": {"chance": 0.25}},
        ),
    ),
    order=(Entry("flood", 2), Entry("shallow", None)),
)
OUTPUTS = {f"main.gate-{n}": OutputRange(f"main.gate-{n}", "gate") for n in (1, 2, 3)}
LANES = st.sampled_from([lane.name for lane in SPEC.lanes])
UNIT = st.floats(0, 1)
BARS = st.none() | st.integers(1, 4)
COMMANDS = st.one_of(
    st.builds(
        Mute,
        lane=LANES,
        muted=st.booleans(),
        when=st.sampled_from(["now", "bar", 2]),
        return_bars=BARS,
    ),
    st.builds(Cancel, lane=LANES),
    st.builds(Cancel, lane=st.none(), section=st.sampled_from(["shallow", "flood"])),
    st.builds(Solo, lane=LANES, on=st.booleans()),
    st.builds(Freeze, lane=LANES, on=st.booleans()),
    st.builds(MuteGroup, group=st.just("drums"), muted=st.booleans(), return_bars=BARS),
    st.builds(MoveMacro, macro=st.sampled_from(["brightness", "drizzle"]), value=UNIT),
    st.builds(
        MoveSetting,
        lane=LANES,
        setting=st.sampled_from(["chance", "level"]),
        value=UNIT | st.none(),
    ),
    st.builds(SetTempo, bpm=st.floats(20, 400)),
    st.builds(
        RecallSection,
        section=st.sampled_from(["shallow", "flood"]),
        when=st.sampled_from(["now", "bar"]),
        morph_bars=st.integers(0, 2),
    ),
    st.builds(RunOrder, run=st.booleans(), entry=st.none() | st.integers(0, 1)),
    st.builds(NextOfOrder, when=st.sampled_from(["bar", 2])),
    st.builds(MuteAll),
)


class Bench:
    """A performance with the little of the transport that an inverse reads."""

    def __init__(self, running: bool = True) -> None:
        self.performance = Performance(compile_score(SPEC, OUTPUTS))
        self.performance.running = running
        self.tick = 100

    def state(self) -> Any:
        state = self.performance.state()
        return state | {"transport": {"tempo": state["tempo"]}}

    heard = state

    def do(self, wire: dict[str, Any]) -> None:
        carry_out(self.performance, wire, self.tick)

    def back(self, commands: tuple[Command, ...]) -> None:
        for command in commands:
            self.do(plain(command))


@given(st.lists(COMMANDS, min_size=1, max_size=120), st.booleans())
@settings(max_examples=60, deadline=None)
def test_undoing_everything_returns_to_the_identical_state(
    commands: list[Command], running: bool
) -> None:
    bench = Bench(running)
    bench.performance.settle(bench.tick)
    states, undos = [], []
    for command in commands:
        if isinstance(command, NextOfOrder) and not bench.state()["order"]["running"]:
            continue  # it would be refused, and no step made of it
        states.append(bench.state())
        undos.append(command.inverse(bench.state(), {}))
        bench.do(plain(command))
    for state, undo in zip(reversed(states), reversed(undos), strict=True):
        bench.back(undo)
        assert bench.state() == state


def test_what_was_put_off_to_a_line_that_has_passed_is_done_when_it_comes_back() -> None:
    bench = Bench()
    bench.do({"do": "mute", "lane": "rim", "muted": True, "when": "bar"})
    undo = MuteAll().inverse(bench.state(), {})
    bench.do({"do": "mute-all"})
    bench.tick += 3840
    bench.back(undo)
    lanes = bench.state()["lanes"]
    assert (lanes["rim"]["muted"], lanes["rim"]["pending"]) == (True, None)
    assert lanes["bass"]["muted"] is False


@given(COMMANDS)
def test_labels_say_something_short(command: Command) -> None:
    assert 0 < len(command.label()) < 60


def test_what_is_already_so_makes_no_step() -> None:
    bench = Bench()
    for command in (
        Mute(lane="kick", muted=True),
        MoveMacro(macro="brightness", value=0.3),
        MoveSetting(lane="rim", setting="chance", value=None),
        Solo(lane="rim", on=False),
    ):
        assert command.inverse(bench.state(), {}) == ()


def test_moments_have_no_inverse() -> None:
    bench = Bench()
    for command in (
        Start(),
        Stop(),
        Continue(),
        SetPosition(tick=0),
        UseInternalClock(),
        ResetLane(lane="kick"),
        Hold(lane="kick", muted=True, active=True),
        TryOutput(output="main.gate-1", action="gate", value=1),
    ):
        assert command.inverse(bench.state(), {}) == ()


def test_a_value_that_is_on_its_way_counts_as_the_value_before() -> None:
    command = MoveMacro(macro="brightness", value=0.9)
    (back,) = command.inverse(Bench().state(), {command.address(): 0.6})
    assert back == MoveMacro(macro="brightness", value=0.6)


def test_only_sweeps_of_continuous_controls_melt() -> None:
    assert MoveMacro(macro="m", value=0).merges()
    assert not Mute(lane="kick", muted=True).merges()


def test_what_is_remembered_is_what_was_sent() -> None:
    moves: list[tuple[Command, Any]] = [
        (MoveMacro(macro="m", value=0.5), 0.5),
        (SetTempo(bpm=99), 99.0),
        (SetOffset(ms=-3), -3.0),
        (Mute(lane="kick", muted=True), True),
        (Mute(lane="kick", muted=True, when="bar"), None),
        (Start(), "running"),
        (Stop(), "stopped"),
        (Tap(), None),
    ]
    assert all(command.remembered() == value for command, value in moves)


def test_a_waiting_section_that_is_undone_never_comes() -> None:
    bench = Bench()
    before = bench.heard()
    undo = RecallSection(section="flood").inverse(bench.state(), {})
    bench.do(plain(RecallSection(section="flood")))
    assert bench.state()["section_pending"]["section"] == "flood"
    bench.back(undo)
    bench.performance.settle(bench.tick + 8 * 3840)
    assert bench.heard() == before


def test_every_numeric_setting_can_be_moved_and_taken_back() -> None:
    for lane, setting in itertools.product(SPEC.lanes, SETTINGS.values()):
        if lane.kind not in setting.kinds:
            continue
        bench = Bench()
        before = bench.heard()
        command = MoveSetting(lane=lane.name, setting=setting.name, value=setting.high)
        undo = command.inverse(bench.state(), {})
        bench.do(plain(command))
        bench.back(undo)
        assert bench.heard() == before, setting.name


def test_a_refused_command_leaves_nothing_to_take_back() -> None:
    bench = Bench()
    before = bench.heard()
    with pytest.raises(CommandError) as refused:
        bench.do({"do": "macro", "macro": "brightnes", "value": 0.1})
    assert refused.value.kind == "unknown"
    assert bench.heard() == before
