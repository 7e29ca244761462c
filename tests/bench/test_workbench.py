"""Single outputs by hand: what is asked of the player for each kind, and in which order."""

from __future__ import annotations

from typing import Any

import pytest
from support.states import player_report

from bridge.bench.checklist import QUIET, gate_of
from bridge.bench.workbench import SETTLE_S, Workbench
from bridge.control.session import Session
from bridge.control.stream import Stream
from bridge.errors import CommandError, PlayerError
from bridge.files.rig import parse_rig

RIG = parse_rig("""\
rig: R
interfaces:
  main: {profile: eight-gates-four-cv}
  voices: {profile: four-voices}
""")


class Link:
    """Only what a session reads of a link."""

    present = True

    def __init__(self) -> None:
        self.stream = Stream()
        self.state = player_report()


class Control:
    def __init__(self) -> None:
        self.link = Link()
        self.session = Session(self.link)  # type: ignore[arg-type]
        self.done: list[Any] = []

    async def do(self, command: Any, client: str) -> None:
        self.done.append((command.output, command.action, command.value, command.ms))


@pytest.fixture
def bench() -> Workbench:
    async def sleep(seconds: float) -> None:
        bench.control.done.append(seconds)  # type: ignore[attr-defined]

    bench = Workbench(Control(), sleep)  # type: ignore[arg-type]
    bench.control.session.use_rig(RIG)
    return bench


def voice() -> tuple[str, str]:
    """A pitch that comes out with its voice's gate only, and that gate."""
    for name, wired in RIG.wired.items():
        gate = gate_of(wired, RIG.wired)
        if gate is not None and wired.output.kind == "pitch":
            return name, gate
    raise AssertionError("the profile has voices")


async def test_the_pitch_of_a_voice_is_there_before_its_gate_opens(bench: Any) -> None:
    name, gate = voice()
    await bench.value(bench.output(name), "pitch", 60.0, "page 1", 2000.0)
    assert bench.control.done == [
        (gate, "gate", 0.0, None),
        (name, "pitch", 60.0, None),
        SETTLE_S,
        (gate, "gate", QUIET, 2000.0),
    ]


async def test_rest_closes_gates_and_brings_values_home(bench: Any) -> None:
    await bench.rest(bench.output("main.gate-1"), "page 1")
    await bench.rest(bench.output("main.level-1"), "page 1")
    rest = RIG.wired["main.level-1"].output.rest
    assert bench.control.done == [
        ("main.gate-1", "gate", 0.0, None),
        ("main.level-1", "level", rest, None),
    ]
    bench.control.done.clear()
    name, gate = voice()
    await bench.rest(bench.output(name), "page 1")
    assert bench.control.done[0] == (gate, "gate", 0.0, None)


def test_only_while_the_song_stands_and_the_player_is_there(bench: Any) -> None:
    bench.must_stand()
    for state in ("running", "armed", "lost"):
        bench.control.link.state["transport"]["state"] = state
        with pytest.raises(CommandError, match="stop the song"):
            bench.must_stand()
    bench.control.link.present = False
    with pytest.raises(PlayerError):
        bench.must_stand()


def test_what_is_no_output_is_said(bench: Any) -> None:
    with pytest.raises(CommandError, match=r"did you mean main\.gate-1"):
        bench.output("main.gat-1")
    with pytest.raises(PlayerError):
        Workbench(Control()).output("main.gate-1")  # type: ignore[arg-type]
