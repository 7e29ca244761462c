"""OSC over TCP: framing by the published rules, and what a connection may do."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
import struct
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder
from pythonosc.tcp_client import SimpleTCPClient
from support.peers import connected

from bridge.osc.guard import DATAGRAM_MOST, MalformedError
from bridge.osc.streams import PER_HOST_MOST, Packets, sized, slip, unslip
from bridge.service.app import Service


def encode(address: str, *args: Any) -> bytes:
    builder = OscMessageBuilder(address=address)
    for arg in args:
        builder.add_arg(arg)
    data: bytes = builder.build().dgram
    return data


def taken(packets: Packets) -> list[bytes]:
    return list(iter(packets.take, None))


# RFC 1055, "SLIP characters" and the sender's rules: END is 300 octal, ESC 333, and in data they
# become ESC 334 and ESC 335.
RFC1055 = [
    (b"abcd", b"\300abcd\300"),
    (b"a\300b", b"\300a\333\334b\300"),
    (b"a\333b", b"\300a\333\335b\300"),
    (b"\333\334\300\335", b"\300\333\335\334\333\334\335\300"),
]


@pytest.mark.parametrize(("packet", "frame"), RFC1055)
def test_slip_frames_as_published(packet: bytes, frame: bytes) -> None:
    assert slip(packet) == frame
    packets = Packets()
    packets.feed(frame)
    assert (taken(packets), packets.framing) == ([packet], "slip")


def test_a_size_stands_before_each_packet() -> None:
    """OSC 1.0: an int32, big-endian, gives the size of the packet that follows it."""
    packets = Packets()
    packets.feed(b"\x00\x00\x00\x08/a\x00\x00,\x00\x00\x00\x00\x00\x00\x04/b")
    assert (taken(packets), packets.framing) == ([b"/a\0\0,\0\0\0"], "size")
    packets.feed(b"\x00\x00")
    assert taken(packets) == [b"/b\0\0"]


@given(
    st.lists(st.binary(min_size=1, max_size=60).map(lambda b: b"/" + b), min_size=1, max_size=6),
    st.sampled_from([slip, sized]),
    st.integers(1, 9),
)
def test_packets_come_out_as_they_went_in_however_the_stream_is_cut(
    sent: list[bytes], frame: Any, step: int
) -> None:
    stream, packets, got = b"".join(map(frame, sent)), Packets(), []
    for at in range(0, len(stream), step):
        packets.feed(stream[at : at + step])
        got += taken(packets)
    assert got == sent


def test_a_slip_sender_may_leave_the_first_end_out() -> None:
    packets = Packets()
    packets.feed(slip(b"/abc")[1:] + slip(b"/def"))
    assert taken(packets) == [b"/abc", b"/def"]


@given(st.binary(max_size=300))
def test_any_bytes_give_packets_or_the_one_error(data: bytes) -> None:
    packets = Packets()
    packets.feed(data)
    with contextlib.suppress(MalformedError):
        assert all(isinstance(packet, bytes) for packet in taken(packets))


@pytest.mark.parametrize(
    "data",
    [
        struct.pack(">i", DATAGRAM_MOST + 4),
        struct.pack(">i", 0),
        b"/" * (2 * DATAGRAM_MOST + 2),
        b"\300a\333b\300",
        b"\300a\333\300",
    ],
)
def test_what_cannot_be_a_packet_ends_the_stream(data: bytes) -> None:
    packets = Packets()
    packets.feed(data)
    with pytest.raises(MalformedError):
        taken(packets)


def test_an_escape_at_the_end_is_refused() -> None:
    with pytest.raises(MalformedError):
        unslip(b"ab\333")


# --- connections --------------------------------------------------------------------------------


async def heard(reader: asyncio.StreamReader, framing: str, last: str) -> dict[str, Any]:
    """The messages that come up to one to the address `last`, by address."""
    found: dict[str, Any] = {}
    packets = Packets()
    while last not in found:
        packets.feed(await asyncio.wait_for(reader.read(4096), 20))
        for packet in taken(packets):
            message = OscMessage(packet)
            found[message.address] = message.params
    assert packets.framing == framing
    return found


@pytest.mark.parametrize(("frame", "framing"), [(slip, "slip"), (sized, "size")])
async def test_commands_come_in_and_feedback_goes_out_on_the_same_connection(
    stage: Any, frame: Any, framing: str
) -> None:
    async with connected(stage.service.osc_port) as (reader, writer):
        writer.write(frame(encode("/macro/brightness", 0.25)) + frame(encode("/subscribe", 1)))
        await stage.until(lambda: stage.player.received)
        assert stage.player.received[0]["macro"] == "brightness"
        found = await heard(reader, framing, "/tempo")
        assert found["/tempo"] == [126.0]
        assert stage.service.osc.feedback.listed() == []  # not kept for another service
        assert len(stage.service.osc.feedback.subscribers) == 1
    await stage.until(lambda: not stage.service.osc.feedback.subscribers, "it ends with it")


async def test_addresses_are_told_on_the_same_connection(stage: Any) -> None:
    async with connected(stage.service.osc_port) as (reader, writer):
        writer.write(slip(encode("/addresses", "/tempo")))
        found = await heard(reader, "slip", "/addresses/end")
        assert found["/address"][0] == "/tempo"
        assert found["/addresses/end"] == [1]


async def test_subscribe_0_ends_it(stage: Any) -> None:
    async with connected(stage.service.osc_port) as (_, writer):
        writer.write(slip(encode("/subscribe", 1)))
        await stage.until(lambda: stage.service.osc.feedback.subscribers)
        writer.write(slip(encode("/subscribe", 0)))
        await stage.until(lambda: not stage.service.osc.feedback.subscribers)


async def test_a_broken_stream_is_closed_and_counted(stage: Any) -> None:
    async with connected(stage.service.osc_port) as (reader, writer):
        writer.write(b"\x00\x10\x00\x00GET / HTTP/1.1\r\n\r\n")
        with contextlib.suppress(ConnectionResetError):
            assert await asyncio.wait_for(reader.read(), 20) == b""
    assert stage.service.osc.counts["malformed"] == 1


async def test_one_host_has_so_many_connections(stage: Any) -> None:
    async with contextlib.AsyncExitStack() as stack:
        pipes = [
            await stack.enter_async_context(connected(stage.service.osc_port))
            for _ in range(PER_HOST_MOST + 1)
        ]
        reader, _ = pipes[-1]
        with contextlib.suppress(ConnectionResetError):
            assert await asyncio.wait_for(reader.read(), 20) == b""
        assert len(stage.service.osc.streams._open) == PER_HOST_MOST


async def test_a_stranger_that_shows_no_token_is_closed(
    options: Any, player: Any, running: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bridge.osc.streams.STRANGER_S", 0.001)
    monkeypatch.setattr("bridge.control.access.is_loopback", lambda host: False)
    lan = replace(options, lan=True, token="cXVheS1yYWNr")
    async with running(Service(lan)) as service:
        async with connected(service.osc_port) as (reader, writer):
            writer.write(slip(encode("/lane/kick/mute", 1)))
            with contextlib.suppress(ConnectionResetError):
                assert await asyncio.wait_for(reader.read(), 20) == b""
        assert service.osc.counts["done"] == 0
        async with connected(service.osc_port) as (reader, writer):
            writer.write(slip(encode("/token", "cXVheS1yYWNr")) + slip(encode("/subscribe", 1)))
            assert await heard(reader, "slip", "/tempo")


async def test_where_the_port_is_taken_for_tcp_udp_is_spoken_all_the_same(
    options: Any, player: Any, running: Any
) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen(1)
        port = other.getsockname()[1]
        async with running(Service(replace(options, osc_port=port))) as service:
            await service.link.met.wait()
            assert not service.osc.streams.listening
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
                sock.sendto(encode("/lane/kick/mute", 1), ("127.0.0.1", port))
            for _ in range(2000):
                if player.received:
                    break
                await asyncio.sleep(0.002)
            assert player.received[0]["lane"] == "kick"


# --- peers of other makes -----------------------------------------------------------------------


@pytest.mark.parametrize("mode", ["1.0", "1.1"])
async def test_a_general_library_is_understood(stage: Any, mode: str) -> None:
    def send() -> None:
        connect = cast(Callable[..., AbstractContextManager[Any]], SimpleTCPClient)
        with connect("127.0.0.1", stage.service.osc_port, mode=mode) as client:
            client.send_message("/lane/kick/mute", 1)

    await asyncio.to_thread(send)
    await stage.until(lambda: stage.player.received)
    assert stage.player.received[0]["lane"] == "kick"


@pytest.mark.real
async def test_a_program_in_c_is_understood(stage: Any, needs: Any) -> None:
    needs("oscsend")
    program = shutil.which("oscsend")
    assert program is not None
    process = await asyncio.create_subprocess_exec(
        program, f"osc.tcp://127.0.0.1:{stage.service.osc_port}/", "/lane/rim/mute", "i", "1"
    )
    assert await process.wait() == 0
    await stage.until(lambda: stage.player.received)
    assert stage.player.received[0]["lane"] == "rim"
