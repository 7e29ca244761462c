"""The structural check of datagrams: the standard's own examples pass, hostile ones never hang."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from pythonosc.osc_message import OscMessage
from pythonosc.osc_packet import OscPacket

from bridge.osc.guard import DATAGRAM_MOST, MalformedError, check_message, messages
from bridge.osc.server import parse

# "OpenSound Control Specification 1.0" and its examples document, 2002 (tests/reference).
VECTORS = {
    entry["id"]: entry
    for entry in yaml.safe_load(
        (Path(__file__).parent.parent / "reference/osc_vectors.yaml").read_text(encoding="utf-8")
    )["entries"]
}
BUNDLE = b"#bundle\x00" + bytes(7) + b"\x01"


def octets(name: str) -> bytes:
    return bytes.fromhex(VECTORS[name]["value"])


def bundle(*elements: bytes, tag: bytes = BUNDLE[8:]) -> bytes:
    return b"#bundle\x00" + tag + b"".join(struct.pack(">i", len(e)) + e for e in elements)


def parse_all(datagram: bytes) -> list[OscMessage]:
    """As a datagram is read: checked, taken apart, and then each message parsed."""
    return [parse(message) for message in messages(datagram)]


@pytest.mark.parametrize("name", ["message_oscillator_frequency", "message_foo_iisff"])
def test_worked_examples_are_read(name: str) -> None:
    (message,) = parse_all(octets(name))
    assert message.address == VECTORS[name]["address"]
    for got, wanted in zip(message.params, VECTORS[name]["args"], strict=True):
        assert got == (pytest.approx(wanted, rel=1e-6) if isinstance(wanted, float) else wanted)


def test_the_worked_bundle_holds_the_worked_message() -> None:
    (message,) = parse_all(octets("bundle_with_one_message"))
    assert (message.address, message.params) == ("/oscillator/4/frequency", [440.0])


def test_an_empty_bundle_is_allowed() -> None:
    assert len(BUNDLE) == VECTORS["empty_bundle_length"]["value"]
    assert messages(BUNDLE) == []


def test_every_standard_type_tag_is_known_and_others_discard_the_message() -> None:
    known = {**VECTORS["type_tags_standard"]["value"], **VECTORS["type_tags_optional"]["value"]}
    arguments = {
        "i": 4,
        "f": 4,
        "s": 4,
        "b": 4,
        "h": 8,
        "t": 8,
        "d": 8,
        "S": 4,
        "c": 4,
        "r": 4,
        "m": 4,
    }
    for tag in known:
        tags = ",[]" if tag in "[]" else "," + tag
        data = b"/a\x00\x00" + tags.encode().ljust(4, b"\x00") + bytes(arguments.get(tag, 0))
        check_message(data)
        assert messages(data) == [data]
    for tag in set(map(chr, range(33, 127))) - set(known):
        assert messages(b"/a\x00\x00," + tag.encode() + b"\x00\x00") == []


def test_only_the_message_with_an_unknown_tag_is_discarded_from_a_bundle() -> None:
    good, odd = b"/a\x00\x00,\x00\x00\x00", b"/b\x00\x00,Q\x00\x00"
    assert messages(bundle(odd, good, odd)) == [good]


def test_missing_type_tags_are_taken_when_there_are_no_arguments() -> None:
    assert VECTORS["missing_type_tags"]["value"].startswith("be robust")
    assert messages(b"/all-out\x00\x00\x00\x00") == [b"/all-out\x00\x00\x00\x00"]
    with pytest.raises(MalformedError):
        messages(b"/a\x00\x00" + struct.pack(">i", 1))


def test_the_datagram_with_a_negative_length_is_refused() -> None:
    """A well-known parser loops for ever on these 20 bytes."""
    with pytest.raises(MalformedError):
        messages(b"#bundle\0" + b"\0" * 8 + struct.pack(">i", -4))


@pytest.mark.parametrize("size", [0, 3, 5, 12, 2**31 - 1, -(2**31)])
def test_elements_must_be_positive_multiples_of_four_inside_the_packet(size: int) -> None:
    with pytest.raises(MalformedError):
        messages(BUNDLE + struct.pack(">i", size) + b"/a\x00\x00,\x00\x00\x00")


def test_bundles_nest_three_deep_and_no_deeper() -> None:
    inner = b"/a\x00\x00,\x00\x00\x00"
    for _ in range(3):
        inner = bundle(inner)
    assert len(messages(inner)) == 1
    with pytest.raises(MalformedError):
        messages(bundle(inner))
    for _ in range(200):
        inner = bundle(inner)
    with pytest.raises(MalformedError):
        messages(inner)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"/",
        b"abc\x00",
        b"/abc",
        b"/a\x00x,\x00\x00\x00",
        b"/a\x00\x00,i\x00\x00",
        b"/a\x00\x00,i\x00\x00\x00\x00\x00\x01\x00\x00\x00\x02",
        b"/a\x00\x00,s\x00\x00abcd",
        b"/a\x00\x00,b\x00\x00\xff\xff\xff\xff",
        b"/a\x00\x00,b\x00\x00\x00\x00\x00\x09abcd",
        b"/\xff\x00\x00,\x00\x00\x00",
        b"/a\x00\x00,[\x00\x00",
        b"/a\x00\x00,]\x00\x00",
        b"#bundle\x00",
        b"#bundle\x00\x00\x00\x00\x00",
        bytes(DATAGRAM_MOST + 4),
    ],
)
def test_what_is_cut_unpadded_or_not_text_is_refused(data: bytes) -> None:
    with pytest.raises(MalformedError):
        messages(data)


@given(st.binary(max_size=256) | st.binary(max_size=200).map(lambda b: BUNDLE + b))
def test_any_bytes_give_messages_or_the_one_error(data: bytes) -> None:
    try:
        found = messages(data)
    except MalformedError:
        return
    for message in found:  # and what passes, the reference parser can read
        OscPacket(message)


@st.composite
def packets(draw: Any, depth: int = 0) -> bytes:
    """Well-formed packets, then one byte spoilt."""
    tags = draw(st.text("ifshdtTFNI", max_size=5))
    args = b"".join(
        {"s": b"abc\x00"}.get(t, bytes({"i": 4, "f": 4, "h": 8, "d": 8, "t": 8}.get(t, 0)))
        for t in tags
    )
    whole = ("," + tags).encode() + b"\x00"
    message = b"/a/b\x00\x00\x00\x00" + whole + bytes(-len(whole) % 4) + args
    for _ in range(draw(st.integers(0, 3))):
        message = bundle(message, message)
    spoilt = bytearray(message)
    spoilt[draw(st.integers(0, len(spoilt) - 1))] = draw(st.integers(0, 255))
    return bytes(draw(st.sampled_from([message, bytes(spoilt)])))


@given(packets())
def test_nearly_right_packets_never_raise_anything_else(data: bytes) -> None:
    try:
        parsed = parse_all(data)
    except MalformedError:
        return
    assert all(message.address.startswith("/") for message in parsed)
