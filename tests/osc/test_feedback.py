"""Subscriptions: pacing, repetition, expiry, bounds; on a clock of the test's own."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from pythonosc.osc_message import OscMessage
from support.states import EMPTY, lane_state, macro_state, player_report

from bridge.control.door import Control
from bridge.control.player_client import PlayerLink
from bridge.control.session import Session
from bridge.osc.feedback import (
    ADDRESS_S,
    LASTS_S,
    PER_HOST_MOST,
    ROUND_MESSAGES,
    ROUND_S,
    SUBSCRIBERS_MOST,
    Feedback,
    encode,
    values,
)

HOST = "192.0.2.7"  # an address for documentation, RFC 5737


class Bench:
    def __init__(self, lanes: int = 3) -> None:
        self.now = 100.0
        link = PlayerLink("/nonexistent")  # type: ignore[arg-type]
        link.present = True
        link.state = player_report(
            {
                **EMPTY,
                "lanes": {f"lane-{n}": lane_state(settings={"chance": 1.0}) for n in range(lanes)},
                "macros": {"m": macro_state(0.5)},
                "sections": ["flood"],
            }
        )
        self.link = link
        self.control = Control(Session(link), clock=lambda: self.now)
        self.sent: list[tuple[str, Any, tuple[str, int]]] = []
        self.feedback = Feedback(self.control, self.send, clock=lambda: self.now)

    def send(self, data: bytes, to: tuple[str, int]) -> None:
        message = OscMessage(data)
        self.sent.append((message.address, message.params[0], to))

    def rounds(self, count: int = 1) -> list[tuple[str, Any, tuple[str, int]]]:
        self.sent = []
        for _ in range(count):
            self.feedback.round()
            self.now += ROUND_S
        return self.sent

    def turn(self, value: float) -> None:
        self.link.state = {**self.link.state, "macros": {"m": macro_state(value)}}
        self.feedback.changed()


async def test_a_new_subscriber_gets_the_whole_state_paced() -> None:
    bench = Bench(lanes=100)
    assert bench.feedback.subscribe(HOST, 9000)
    first = bench.rounds(1)
    assert len(first) == ROUND_MESSAGES == 50
    assert ROUND_S == 0.02
    rest = bench.rounds(20)
    assert len(first) + len(rest) == 100 * 2 + 5  # mute and chance; m, flood, start, stop, tempo
    assert {to for _, _, to in rest} == {(HOST, 9000)}


async def test_only_what_changes_is_sent_then() -> None:
    bench = Bench()
    bench.feedback.subscribe(HOST, 9000)
    bench.rounds(10)
    assert bench.rounds(5) == []
    bench.turn(0.75)
    assert bench.rounds(5) == [("/macro/m", 0.75, (HOST, 9000))]


async def test_a_sweep_is_sent_at_most_thirty_times_a_second_and_ends_right() -> None:
    bench = Bench()
    bench.feedback.subscribe(HOST, 9000)
    bench.rounds(10)
    sent = []
    begin = bench.now
    for step in range(100):
        bench.turn(step / 128)
        sent += bench.rounds(1)
    sent += bench.rounds(5)
    assert len(sent) <= (bench.now - begin) / ADDRESS_S + 1
    assert sent[-1][1] == 99 / 128


async def test_the_state_is_repeated_without_the_settings() -> None:
    """UDP loses datagrams; what was lost comes again."""
    bench = Bench()
    bench.feedback.subscribe(HOST, 9000)
    bench.rounds(10)
    bench.now += 1
    bench.feedback.repeat()
    again = Counter(address for address, _, _ in bench.rounds(10))
    assert again == Counter(list(values(bench.link.state)))
    assert "/lane/lane-0/chance" not in again


async def test_a_host_does_not_get_the_echo_of_its_own_finger() -> None:
    bench = Bench()
    bench.feedback.subscribe(HOST, 9000)
    bench.feedback.subscribe("192.0.2.8", 9000)
    bench.rounds(10)
    bench.control.owners.take(("macro", "m"), f"osc {HOST}", bench.now)
    bench.turn(0.9)
    assert [to for _, _, to in bench.rounds(5)] == [("192.0.2.8", 9000)]
    bench.now += 0.31
    bench.control.look()  # the finger has left: it is told what stands
    assert [(a, to) for a, _, to in bench.rounds(5)] == [("/macro/m", (HOST, 9000))]


async def test_subscriptions_end_unless_they_are_renewed() -> None:
    bench = Bench()
    bench.feedback.subscribe(HOST, 9000)
    bench.feedback.subscribe(HOST, 9001)
    bench.now += LASTS_S - 1
    bench.feedback.subscribe(HOST, 9001)
    bench.now += 2
    bench.feedback.repeat()
    assert list(bench.feedback.subscribers) == [(HOST, 9001)]


async def test_the_number_of_subscriptions_is_bounded() -> None:
    bench = Bench()
    granted = [bench.feedback.subscribe(HOST, 9000 + n) for n in range(PER_HOST_MOST + 1)]
    assert granted == [True] * PER_HOST_MOST + [False]
    for n in range(40):
        bench.feedback.subscribe(f"192.0.2.{n + 10}", 9000)
    assert len(bench.feedback.subscribers) == SUBSCRIBERS_MOST
    assert bench.feedback.subscribe(HOST, 0)  # 0 ends all of the host's
    assert len(bench.feedback.subscribers) == SUBSCRIBERS_MOST - PER_HOST_MOST


@pytest.mark.parametrize("port", [1, 80, 1023, 65536])
async def test_ports_that_nobody_listens_on_are_refused(port: int) -> None:
    assert not Bench().feedback.subscribe(HOST, port)


def test_switches_are_ints_and_values_floats() -> None:
    """OSC 1.0: 32-bit big-endian int and float."""
    assert encode("/a", 1) == b"/a\0\0,i\0\0\x00\x00\x00\x01"
    assert encode("/a", 0.5) == b"/a\0\0,f\0\0\x3f\x00\x00\x00"
