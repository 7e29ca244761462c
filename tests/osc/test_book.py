"""The address book: complete, true, and told only to who asks, at a pace."""

from __future__ import annotations

import asyncio
import contextlib
import re
import socket
from collections.abc import AsyncIterator
from typing import Any

import pytest
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from bridge.files.reference import markdown
from bridge.osc.feedback import settings, values
from bridge.osc.query import AT_ONCE_MOST, BETWEEN_S, Answers, answer
from bridge.osc.words import command_of, entry_of
from bridge.protocol import osc_book

ME = ("127.0.0.1", 5000)
SAMPLES = {"i": 1, "f": 1.0, "s": "bar"}


def encode(address: str, *args: Any) -> bytes:
    builder = OscMessageBuilder(address=address)
    for arg in args:
        builder.add_arg(arg)
    data: bytes = builder.build().dgram
    return data


class Socket:
    """A UDP socket of a client."""

    def __init__(self) -> None:
        self.sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.sock.bind(("127.0.0.1", 0))
        self.sock.setblocking(False)
        self.port: int = self.sock.getsockname()[1]

    def heard(self) -> list[OscMessage]:
        found = []
        with contextlib.suppress(BlockingIOError):
            while True:
                found.append(OscMessage(self.sock.recv(65536)))
        return found


@pytest.fixture
async def asker() -> AsyncIterator[Socket]:
    made = Socket()
    yield made
    made.sock.close()


async def all_answers(stage: Any, asker: Socket) -> list[OscMessage]:
    heard: list[OscMessage] = []

    def ended() -> bool:
        heard.extend(asker.heard())
        return any(m.address == "/addresses/end" for m in heard)

    await stage.until(ended, "the end of the answer")
    return heard


# The arguments that the README and the design promise, written down by hand.
PROMISED = {
    "/lane/{lane}/mute": ("i", "muted"),
    "/macro/{macro}": ("f", "value"),
    "/section/{section}": ("i", None),
    "/transport/start": ("i", None),
    "/transport/stop": ("i", None),
    "/transport/continue": ("i", None),
    "/tempo": ("f", "bpm"),
    "/subscribe": ("i", "port"),
}


def test_the_fixed_addresses_are_in_the_book() -> None:
    book = {entry.address: entry for entry in osc_book.entries()}
    for address, (tag, name) in PROMISED.items():
        assert book[address].tags[0] == tag
        if name is None:
            assert book[address].button
        else:
            assert book[address].arguments[0].name == name


@pytest.mark.parametrize("entry", osc_book.commands(), ids=lambda entry: entry.address)
def test_what_the_book_says_can_be_sent(entry: osc_book.Entry) -> None:
    """A message with all arguments, each of its tag and within its limits, is taken."""
    names = {"lane": "kick", "setting": "chance", "output": "main.gate-1"}
    address = re.sub(r"{(\w+)}", lambda m: names.get(m[1], "name"), entry.address)
    args: list[Any] = [1] if entry.button else []
    for argument in entry.arguments:
        value = SAMPLES[argument.tag]
        args.append(value if isinstance(value, str) or argument.low is None else argument.high)
    assert len(args) == len(entry.tags)
    assert command_of(address, args) is not None
    required = sum(one.required for one in entry.arguments) + entry.button
    assert command_of(address, args[:required]) is not None
    assert entry_of(address) == entry


def test_every_feedback_is_in_the_book(stage: Any) -> None:
    state = stage.state
    listed = [re.sub(r"{\w+}", "[^/]+", entry.address) for entry in osc_book.FEEDBACK]
    for address, value in {**values(state), **settings(state)}.items():
        (found, *_) = [n for n, pattern in enumerate(listed) if re.fullmatch(pattern, address)]
        assert osc_book.FEEDBACK[found].tags == ("i" if isinstance(value, int) else "f"), address


def test_the_manual_lists_every_address() -> None:
    chapter = markdown().split("# Control by OSC")[1].split("\n# ")[0]
    for entry in (*osc_book.entries(), *osc_book.FEEDBACK, *osc_book.ANSWERS):
        assert f"| `{entry.written}` |" in chapter


async def test_the_book_over_http_has_every_address_that_there_is(stage: Any) -> None:
    status, book, _ = await stage.call("GET", "/api/osc")
    assert status == 200
    assert (book["port"], book["tcp"]) == (stage.service.osc_port, True)
    assert {"/lane/kick/mute", "/macro/brightness", "/section/flood", "/tempo"} <= {
        *book["addresses"]
    }
    templates = [
        re.sub(r"{\w+}", "[^/]+", entry["address"])
        for entry in (*book["commands"], *book["connection"])
    ]
    for address in book["addresses"]:
        assert any(re.fullmatch(template, address) for template in templates), address
    mute = next(e for e in book["commands"] if e["address"] == "/lane/{lane}/mute")
    assert mute["tags"] == "isi"
    assert [a["name"] for a in mute["arguments"]] == ["muted", "when", "return_bars"]
    assert mute["arguments"][2] | {"takes": ""} == {
        "name": "return_bars",
        "tag": "i",
        "takes": "",
        "required": False,
        "default": None,
        "low": 1,
        "high": 64,
    }


async def test_who_asks_for_the_addresses_is_told_all_of_them(stage: Any, asker: Socket) -> None:
    asker.sock.sendto(encode("/addresses"), ("127.0.0.1", stage.service.osc_port))
    *told, end = await all_answers(stage, asker)
    assert [m.address for m in told] == ["/address"] * len(told)
    assert end.params == [len(told)]
    _, book, _ = await stage.call("GET", "/api/osc")
    assert [m.params[0] for m in told] == book["addresses"]
    rows = {m.params[0]: m.params[1:] for m in told}
    tags, arguments, says = rows["/lane/kick/mute"]
    assert tags == "isi"
    assert arguments.startswith("muted: 1 or 0; when: now, beat, bar or a whole number from 1 to")
    assert says == "Mutes a lane or brings it in."


async def test_a_pattern_asks_for_a_part_and_a_port_for_another_place(
    stage: Any, asker: Socket
) -> None:
    question = encode("/addresses", "/{macro,section}/*", asker.port)
    stage.service.osc.datagram_received(question, ("127.0.0.1", asker.port - 1))
    *told, _ = await all_answers(stage, asker)
    assert [m.params[0] for m in told] == [
        "/macro/brightness",
        "/macro/shaker-level",
        "/section/flood",
        "/section/shallow",
    ]


async def test_an_answer_goes_to_the_host_that_asked_and_only_so_often(stage: Any) -> None:
    osc, now = stage.service.osc, [1000.0]
    sent: list[tuple[str, int]] = []
    osc.answers = Answers(lambda data, to: sent.append(to), clock=lambda: now[0])
    for _ in range(5):
        osc.datagram_received(encode("/addresses"), ME)
    await stage.until(lambda: not osc.answers._tasks)
    assert set(sent) == {ME}
    assert len(sent) == len(osc.addresses) + 1
    assert osc.counts["refused"] == 4
    now[0] += BETWEEN_S
    osc.datagram_received(encode("/addresses"), ME)
    await stage.until(lambda: not osc.answers._tasks)
    assert len(sent) == 2 * (len(osc.addresses) + 1)


async def test_feedback_goes_to_the_host_that_asked(stage: Any) -> None:
    """A subscription has a port and no host: there is no way to name another one."""
    osc = stage.service.osc
    sent: list[tuple[str, int]] = []
    osc._socket.send = lambda data, to: sent.append(to)
    osc.datagram_received(encode("/subscribe", 9000), ("127.0.0.7", 5000))
    osc.datagram_received(encode("/subscribe", "192.0.2.9", 9000), ("127.0.0.7", 5000))
    osc.datagram_received(encode("/subscribe", 9000, "192.0.2.9"), ("127.0.0.7", 5000))
    await stage.until(lambda: len(sent) > 5)
    assert set(sent) == {("127.0.0.7", 9000)}
    assert osc.counts["arguments"] == 2


async def test_a_stranger_gets_no_answer(stage: Any) -> None:
    osc = stage.service.osc
    sent: list[tuple[str, int]] = []
    osc.answers = Answers(lambda data, to: sent.append(to))
    osc.datagram_received(encode("/addresses"), ("192.0.2.7", 5000))
    await asyncio.sleep(0)
    assert (sent, osc.counts) == ([], {"forbidden": 1})


async def test_so_many_are_answered_at_once() -> None:
    answers = Answers(lambda data, to: None)
    given = [answers.give((f"192.0.2.{n}", 5000), ["/tempo"]) for n in range(AT_ONCE_MOST + 1)]
    assert given == [True] * AT_ONCE_MOST + [False]
    answers.close()


def test_an_answer_that_comes_back_is_no_command() -> None:
    """A host that echoes must not be able to keep a question going."""
    for data in answer(["/tempo", "/lane/kick/mute"]):
        assert entry_of(OscMessage(data).address) is None
