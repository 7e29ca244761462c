"""Who moved what last, told for three seconds."""

from __future__ import annotations

import pytest

from bridge.control.movers import SHOWN_S, Movers, says, thing_of
from bridge.protocol.command import Command
from bridge.protocol.performing import MoveMacro, Mute, MuteAll, MuteGroup, RecallSection
from bridge.protocol.running import SetTempo, Stop


class Loop:
    """Calls nothing by itself: it remembers what is to be called, and when."""

    def __init__(self) -> None:
        self.later: list[tuple[float, object]] = []

    def call_later(self, wait_s: float, call: object) -> object:
        self.later.append((wait_s, call))
        return call


class Bench:
    def __init__(self) -> None:
        self.now, self.told = 100.0, 0
        self.movers = Movers(self._tell, clock=lambda: self.now)

    def _tell(self) -> None:
        self.told += 1

    def hands(self) -> dict[str, str]:
        return {thing: hand["says"] for thing, hand in self.movers.state().items()}


@pytest.fixture
def loop(monkeypatch: pytest.MonkeyPatch) -> Loop:
    made = Loop()
    monkeypatch.setattr("asyncio.get_running_loop", lambda: made)
    return made


@pytest.fixture
def bench(loop: Loop) -> Bench:
    return Bench()


def test_a_hand_is_told_until_a_moment_after_its_last_move(bench: Bench) -> None:
    bench.movers.note(MoveMacro(macro="brightness", value=0.2), "osc 192.0.2.7")
    assert bench.hands() == {"macro/brightness": "OSC from 192.0.2.7"}
    bench.now += SHOWN_S - 0.1
    bench.movers.note(MoveMacro(macro="brightness", value=0.3), "osc 192.0.2.7")
    assert bench.told == 1, "the same hand goes on: nothing new to tell"
    bench.now += SHOWN_S - 0.1
    assert bench.hands() == {"macro/brightness": "OSC from 192.0.2.7"}
    bench.now += 0.2
    assert bench.hands() == {}
    bench.movers.look()
    assert bench.told == 2


def test_the_last_hand_counts(bench: Bench, loop: Loop) -> None:
    bench.movers.note(Mute(lane="rim", muted=True), "page 3")
    bench.movers.note(Mute(lane="rim", muted=False), "midi desk")
    assert bench.movers.state() == {"lane/rim": {"client": "midi desk", "says": "controller desk"}}
    assert bench.told == 2
    assert len(loop.later) == 1, "one look is enough for all"


def test_it_looks_again_when_the_next_hand_is_due(bench: Bench, loop: Loop) -> None:
    bench.movers.note(Mute(lane="rim", muted=True), "page 3")
    bench.now += 1
    bench.movers.note(Mute(lane="kick", muted=True), "page 3")
    bench.now += SHOWN_S - 1
    bench.movers.look()
    assert bench.hands() == {"lane/kick": "another page"}
    assert [round(wait, 3) for wait, _ in loop.later] == [SHOWN_S, 1.0]


@pytest.mark.parametrize(
    ("command", "thing"),
    [
        (MoveMacro(macro="undertow", value=1), "macro/undertow"),
        (MuteGroup(group="drums", muted=True), "group/drums"),
        (RecallSection(section="flood"), "section/flood"),
        (MuteAll(), "all lanes"),
        (Stop(), "transport"),
        (SetTempo(bpm=120), "tempo"),
    ],
)
def test_what_a_command_is_about(command: Command, thing: str) -> None:
    assert thing_of(command) == thing


def test_commands_of_the_program_itself_are_no_hand(bench: Bench) -> None:
    bench.movers.note(Mute(lane="rim", muted=True), "")
    assert bench.hands() == {}
    assert bench.told == 0


def test_clients_in_words() -> None:
    assert [says(name) for name in ("http 192.0.2.9", "page 12", "somebody")] == [
        "HTTP from 192.0.2.9",
        "another page",
        "somebody",
    ]
