"""Inputs that come, go and come back."""

from __future__ import annotations

import pytest

from bridge.errors import CommandError, PortError
from bridge.player import inbox as inbox_module
from bridge.player.inbox import PAUSE_LOOKS, Inbox
from bridge.ports import InPort, PortInfo, Receive, SimulatedIn


class Jacks:
    """What is plugged in."""

    def __init__(self) -> None:
        self.there: set[str] = set()
        self.tries = 0
        self.system = True
        self.made: dict[str, Plug] = {}

    def open(self, text: str, receive: Receive, label: str) -> InPort:
        self.tries += 1
        if text not in self.there:
            raise PortError(f"no MIDI input has {text!r} in its name")
        self.made[text] = Plug(self, text, receive)
        return self.made[text]

    def listed(self) -> list[PortInfo]:
        ours = PortInfo("lanebridge:in", "in", False, "our own")
        return [ours, *(PortInfo(name, "in") for name in sorted(self.there))]


class Plug(SimulatedIn):
    def __init__(self, jacks: Jacks, text: str, receive: Receive) -> None:
        super().__init__(receive, text, lambda: 5)
        self._jacks = jacks
        self.reopened = 0

    def alive(self) -> bool:
        return self.name in self._jacks.there

    def reopen(self) -> bool:
        self.reopened += 1
        return self.name in self._jacks.there


@pytest.fixture
def jacks(monkeypatch: pytest.MonkeyPatch) -> Jacks:
    jacks = Jacks()
    monkeypatch.setattr(inbox_module, "open_input", jacks.open)
    monkeypatch.setattr(inbox_module, "has_system", lambda: jacks.system)
    monkeypatch.setattr(inbox_module, "list_ports", jacks.listed)
    return jacks


def test_what_comes_in_is_stamped_and_named_by_the_text_it_was_asked_for(jacks: Jacks) -> None:
    jacks.there = {"knobs"}
    inbox = Inbox()
    inbox.open("knobs")
    inbox.play("knobs", b"\xb0\x15\x40")
    assert inbox.take() == [("knobs", 5, b"\xb0\x15\x40")]
    assert inbox.take() == []


def test_an_input_that_is_not_there_yet_is_opened_when_it_comes(jacks: Jacks) -> None:
    inbox = Inbox()
    inbox.want("knobs")
    assert inbox.mend() == {"knobs"}
    assert inbox.state() == {"knobs": False}
    jacks.there.add("knobs")
    assert inbox.mend() == set()
    assert inbox.state() == {"knobs": True}
    inbox.play("knobs", b"\x90\x24\x40")
    assert len(inbox.take()) == 1


def test_an_input_that_was_lost_is_away_until_it_is_back(jacks: Jacks) -> None:
    jacks.there = {"knobs"}
    inbox = Inbox()
    inbox.open("knobs")
    jacks.there.clear()
    assert inbox.mend() == {"knobs"}
    assert inbox.state() == {"knobs": False}
    jacks.there = {"knobs"}
    assert inbox.mend() == set()
    assert jacks.made["knobs"].reopened == 1  # its name is there again, but no connection
    assert inbox.mend() == set()
    assert jacks.made["knobs"].reopened == 1


def test_without_a_midi_system_it_is_seldom_looked_for(jacks: Jacks) -> None:
    jacks.system = False
    inbox = Inbox()
    inbox.want("knobs")
    for _ in range(2 * PAUSE_LOOKS):
        inbox.mend()
    assert jacks.tries == 2


def test_an_input_that_was_closed_stays_closed(jacks: Jacks) -> None:
    jacks.there = {"knobs"}
    inbox = Inbox()
    inbox.open("knobs")
    inbox.close("knobs")
    assert inbox.mend() == set()
    assert inbox.state() == {}


def test_only_a_simulated_input_can_be_played() -> None:
    inbox = Inbox()
    with pytest.raises(CommandError) as refused:
        inbox.play("knobs", b"\x90\x24\x40")
    assert refused.value.kind == "unknown"
    inbox.open("simulated")
    inbox.play("simulated", b"\x90\x24\x40")
    assert [row[2] for row in inbox.take()] == [b"\x90\x24\x40"]


def test_a_simulated_input_needs_no_midi_system(jacks: Jacks) -> None:
    jacks.system = False
    jacks.there = {"simulated"}
    inbox = Inbox()
    inbox.mend()  # the seldom look has been
    inbox.want("simulated")
    inbox.mend()
    assert inbox.state() == {"simulated": True}


def test_clocks_of_inputs_that_nobody_named_are_overheard_and_nothing_else(jacks: Jacks) -> None:
    jacks.there = {"desk", "other"}
    inbox = Inbox()
    inbox.open("desk")
    inbox.overhear()
    assert set(jacks.made) == {"desk", "other"}
    jacks.made["other"].play(b"\x90\x24\x64")
    jacks.made["other"].play(b"\xf8")
    assert inbox.take() == [("other", 5, b"\xf8")]
    assert inbox.state() == {"desk": True}


def test_an_overheard_input_that_is_followed_is_heard_once(jacks: Jacks) -> None:
    jacks.there = {"other"}
    inbox = Inbox()
    inbox.overhear()
    overheard = jacks.made["other"]
    inbox.open("other")
    assert overheard is not jacks.made["other"]
    overheard.play(b"\xf8")
    jacks.made["other"].play(b"\xf8")
    assert inbox.take() == [("other", 5, b"\xf8")]


def test_without_a_midi_system_nothing_is_overheard(jacks: Jacks) -> None:
    jacks.there, jacks.system = {"other"}, False
    inbox = Inbox()
    inbox.overhear()
    assert jacks.made == {}
