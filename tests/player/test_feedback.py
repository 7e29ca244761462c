"""Lamps and motors of controllers: newest wins, one at a time, all of it again after a loss."""

from __future__ import annotations

import itertools

import pytest

from bridge.errors import CommandError, PortError
from bridge.player.feedback import ADDRESSES_MOST, GAP_NS, PORTS_MOST, Feedback
from bridge.ports import OutPort, SimulatedOut

LAMP, OTHER = bytes((0x90, 36, 127)), bytes((0x90, 37, 127))
OFF = bytes((0x90, 36, 0))


class Desk:
    """Ports by name; those in `missing` cannot be opened."""

    def __init__(self) -> None:
        self.ports: dict[str, SimulatedOut] = {}
        self.missing: set[str] = set()
        self.feedback = Feedback(self.open)
        self.now = 0

    def open(self, text: str, label: str) -> OutPort:
        if text in self.missing:
            raise PortError("away")
        return self.ports.setdefault(text, SimulatedOut(text, lambda: self.now))

    def run(self, count: int = 20) -> None:
        for _ in range(count):
            self.feedback.send(self.now)
            self.now += GAP_NS

    def got(self, text: str) -> list[bytes]:
        return [data for _, data in self.ports[text].sent]


def lit() -> Desk:
    desk = Desk()
    assert desk.feedback.offer("simulated", LAMP)
    desk.feedback.look()
    desk.run()
    return desk


def test_a_port_is_opened_when_something_is_first_sent_to_it() -> None:
    desk = lit()
    assert desk.got("simulated") == [LAMP]
    assert desk.feedback.state() == {"simulated": True}
    assert not desk.feedback.offer("simulated", OTHER)
    desk.run()
    assert desk.got("simulated") == [LAMP, OTHER]


def test_only_the_newest_of_an_address_is_sent() -> None:
    desk = lit()
    for level in range(128):
        desk.feedback.offer("simulated", bytes((0xB0, 21, level)))
    desk.run()
    assert desk.got("simulated")[1:] == [bytes((0xB0, 21, 127))]


def test_messages_are_spaced() -> None:
    desk = lit()
    for number in range(4):
        desk.feedback.offer("simulated", bytes((0xB0, number, 1)))
    for _ in range(100):
        desk.feedback.send(desk.now)
        desk.now += GAP_NS // 10
    times = [ns for ns, _ in desk.ports["simulated"].sent][1:]
    assert len(times) == 4
    assert min(b - a for a, b in itertools.pairwise(times)) >= GAP_NS


def test_a_pair_of_controllers_stays_in_order() -> None:
    """MSB, then LSB: MIDI 1.0 Detailed Specification 4.2.1, p. 12."""
    desk = lit()
    for msb, lsb in ((1, 2), (3, 4)):
        desk.feedback.offer("simulated", bytes((0xB0, 1, msb)))
        desk.feedback.offer("simulated", bytes((0xB0, 33, lsb)))
        if msb == 1:
            desk.feedback.send(desk.now)  # the first MSB is out, its LSB waits
            desk.now += GAP_NS
    desk.run()
    assert desk.got("simulated")[-2:] == [bytes((0xB0, 1, 3)), bytes((0xB0, 33, 4))]


def test_what_comes_back_gets_everything_again() -> None:
    desk = lit()
    desk.ports["simulated"].plugged = False
    desk.feedback.look()
    assert desk.feedback.state() == {"simulated": False}
    desk.feedback.offer("simulated", OFF)
    desk.feedback.offer("simulated", OTHER)
    assert not desk.feedback.waiting
    desk.ports["simulated"].plugged = True
    desk.feedback.look()
    desk.run()
    assert desk.got("simulated") == [LAMP, OFF, OTHER]


def test_a_port_that_is_not_there_yet_is_looked_for() -> None:
    desk = Desk()
    desk.missing.add("simulated")
    desk.feedback.offer("simulated", LAMP)
    desk.feedback.look()
    assert desk.feedback.state() == {"simulated": False}
    desk.missing.clear()
    desk.feedback.look()
    desk.run()
    assert desk.got("simulated") == [LAMP]


def test_it_is_bounded() -> None:
    feedback = Feedback(Desk().open)
    for number in range(PORTS_MOST):
        feedback.offer(f"port {number}", LAMP)
    with pytest.raises(CommandError, match="ports"):
        feedback.offer("one more", LAMP)
    for number in range(ADDRESSES_MOST - PORTS_MOST):
        feedback.offer("port 0", bytes((0xB0 + number // 128, number % 128, 0)))
    with pytest.raises(CommandError, match="addresses"):
        feedback.offer("port 0", OTHER)


def test_closing_closes_the_ports() -> None:
    desk = lit()
    desk.feedback.stop()
    assert desk.ports["simulated"].closed
    assert desk.feedback.state() == {}
