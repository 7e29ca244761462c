"""Who asks by a datagram is sent a stream only after it has answered from its address."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from typing import Any

import aiohttp
import pytest
from pythonosc.osc_packet import OscPacket
from support.peers import osc

from bridge.control.tries import TRIES
from bridge.osc.proof import BETWEEN_S, GOOD_S, HOSTS_MAX, Proofs
from bridge.service.app import Service

TOKEN = "cXVheS1yYWNrLWxvdy10aWRl"
ASKER, PORT = "192.0.2.4", 9000
SOURCE = (ASKER, 5000)


class Wire:
    """What would be sent, by the host and port that it goes to."""

    def __init__(self) -> None:
        self.sent: list[tuple[bytes, tuple[str, int]]] = []

    def __call__(self, data: bytes, to: tuple[str, int]) -> None:
        self.sent.append((data, to))

    def words(self) -> list[str]:
        messages = [OscPacket(data).messages[0].message for data, _ in self.sent]
        return [m.params[0] for m in messages if m.address == "/confirm"]


@pytest.fixture
def clock() -> list[float]:
    return [50.0]


@pytest.fixture
def wire() -> Wire:
    return Wire()


@pytest.fixture
def proofs(wire: Wire, clock: list[float]) -> Proofs:
    return Proofs(wire, clock=lambda: clock[0])


def never() -> None:
    raise AssertionError("nobody has answered")


def test_a_word_is_sent_to_the_port_and_is_good_once(proofs: Proofs, wire: Wire) -> None:
    done: list[int] = []
    assert proofs.ask((ASKER, PORT), lambda: done.append(1))
    assert wire.sent[0][1] == (ASKER, PORT)
    (word,) = wire.words()
    assert proofs.heard("192.0.2.5", word) is None, "from another address"
    assert proofs.heard(ASKER, word[:-1]) is None
    assert proofs.heard(ASKER, 7) is None
    assert proofs.heard(ASKER, "\udcff") is None
    then = proofs.heard(ASKER, word)
    assert then is not None
    then()
    assert done == [1]
    assert proofs.heard(ASKER, word) is None


def test_a_word_is_small_seldom_and_over_after_a_while(
    proofs: Proofs, wire: Wire, clock: list[float]
) -> None:
    assert proofs.ask((ASKER, PORT), never)
    assert not proofs.ask((ASKER, PORT + 1), never)
    assert len(wire.sent[0][0]) <= 2 * len(osc("/subscribe", PORT)), "no amplifier"
    clock[0] += BETWEEN_S
    assert proofs.ask((ASKER, PORT + 1), never)
    first, second = wire.words()
    assert first != second
    assert proofs.heard(ASKER, first) is None
    clock[0] += GOOD_S + 0.1
    assert proofs.heard(ASKER, second) is None
    for port in (80, 0, 65536):
        assert not proofs.ask(("192.0.2.77", port), never)


def test_no_more_than_so_many_are_waited_for(proofs: Proofs) -> None:
    for number in range(HOSTS_MAX * 2):
        assert proofs.ask((f"192.0.2.{number}", PORT), never)
    assert len(proofs._asked) == HOSTS_MAX


# --- by the door ----------------------------------------------------------------------------------


@pytest.fixture
async def open_stage(
    options: Any,
    player: Any,
    folder: Any,
    running: Any,
    make_stage: Any,
    wire: Wire,
    monkeypatch: pytest.MonkeyPatch,
) -> AsyncIterator[Any]:
    monkeypatch.setattr("bridge.osc.udp.UdpSocket.send", lambda _, data, to: wire(data, to))
    lan = replace(options, lan=True, token=TOKEN)
    async with running(Service(lan)) as service, aiohttp.ClientSession() as session:
        await service.link.met.wait()
        yield make_stage(service, player, session, folder)


@pytest.fixture
def arrive(open_stage: Any) -> Callable[..., None]:
    door = open_stage.service.osc

    def send(address: str, *args: Any, source: tuple[str, int] = SOURCE) -> None:
        for arg in args:
            door.datagram_received(osc(address, arg), source)
        if not args:
            door.datagram_received(osc(address), source)

    return send


async def test_a_token_from_a_forged_address_sends_that_address_one_word_only(
    open_stage: Any, arrive: Callable[..., None], wire: Wire
) -> None:
    osc_door = open_stage.service.osc
    arrive("/token", TOKEN)
    for _ in range(50):
        arrive("/subscribe", PORT)
        arrive("/addresses")
    assert len(wire.sent) == 1, "and no feedback, and no addresses"
    assert not osc_door.feedback.subscribers
    assert osc_door.counts["asked"] == 1
    arrive("/confirm", "a guess")
    assert not osc_door.feedback.subscribers
    arrive("/confirm", wire.words()[0], source=("192.0.2.5", 5000))
    assert not osc_door.feedback.subscribers
    arrive("/confirm", wire.words()[0])
    assert set(osc_door.feedback.subscribers) == {(ASKER, PORT)}
    await open_stage.until(lambda: len(wire.sent) > 5, "feedback")
    arrive("/subscribe", PORT + 1)
    assert set(osc_door.feedback.subscribers) == {(ASKER, PORT), (ASKER, PORT + 1)}


async def test_who_has_opened_the_page_is_not_asked(
    open_stage: Any, arrive: Callable[..., None], wire: Wire
) -> None:
    open_stage.service.access.admit(ASKER)  # as an HTTP request with the token does
    arrive("/subscribe", PORT)
    assert set(open_stage.service.osc.feedback.subscribers) == {(ASKER, PORT)}
    assert not wire.words()


async def test_wrong_tokens_by_datagram_are_not_looked_at_for_ever(
    open_stage: Any, arrive: Callable[..., None]
) -> None:
    service = open_stage.service
    for _ in range(int(TRIES)):
        arrive("/token", "guess")
    arrive("/token", TOKEN)
    assert service.osc.counts == {"forbidden": int(TRIES), "guesses": 1}
    assert not service.access.osc_allowed(ASKER)
    arrive("/token", TOKEN, source=("192.0.2.6", 5000))
    assert service.access.osc_allowed("192.0.2.6")
    assert service.access.tries.wait(ASKER) == 0, "a forger uses up nobody's tries by HTTP"
