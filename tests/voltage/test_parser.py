"""Streams of MIDI bytes by the rules of the MIDI 1.0 Detailed Specification 4.2.1."""

from __future__ import annotations

from pathlib import Path

import mido
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from bridge.voltage.parser import LONGEST_EXCLUSIVE, Parser

# What each printed sequence of midi_vectors.yaml means, as whole messages (its `meaning`).
MEANING = {
    "rs_three_notes": ["90 3C 27", "90 40 2B", "90 43 25"],
    "rs_on_off_on": ["90 3C 27", "90 3C 00", "90 3E 29"],
    "rs_mode_then_cc": ["B0 7C 00", "B0 01 37"],
    "hold_then_off": ["90 43 40", "B0 40 7F", "90 43 00"],
    "rt_inside_note": ["F8", "90 3C 27"],
    "rt_inside_running_status": ["90 3C 27", "F8", "90 40 2B"],
    "common_clears_running_status": ["90 3C 27", "F3 0A"],
    "rt_inside_sysex": ["F8", "F0 7D 01 F7"],
    "spp_10": ["F2 0A 00"],
    "transport_start": ["FA", "F8"],
    "transport_resume": ["F2 04 00", "FB", "F8", "F8", "F8"],
    "bend_max": ["E0 7F 7F"],
    "nrpn_select": ["B0 63 01", "B0 62 02", "B0 06 40", "B0 26 00"],
    "cc_14bit": ["B0 07 40", "B0 27 00"],
}


def hexes(messages: list[bytes]) -> list[str]:
    return [message.hex(" ").upper() for message in messages]


@pytest.mark.parametrize("name", MEANING)
def test_published_sequences(reference: Path, name: str) -> None:
    rows = yaml.safe_load((reference / "midi_vectors.yaml").read_text())["entries"]
    data = bytes.fromhex({row["id"]: row["value"] for row in rows}[name])
    assert hexes(Parser().feed(data)) == MEANING[name]
    parser = Parser()
    single = [message for byte in data for message in parser.feed(bytes((byte,)))]
    assert hexes(single) == MEANING[name]


@pytest.mark.parametrize(
    ("data", "messages"),
    [
        ("3C 40 90 3C 27", ["90 3C 27"]),  # data bytes without a status (p. 6)
        ("90 3C F4 27 90 3C 27", ["90 3C 27"]),  # undefined F4 ends the message and the status
        ("90 3C F9 27", ["90 3C 27"]),  # undefined F9 does not (p. A-2)
        ("90 3C FD 27", ["90 3C 27"]),
        ("F0 01 02 90 3C 27", ["F0 01 02 F7", "90 3C 27"]),  # any status ends it (p. 29)
        ("90 3C 27 F6 3C 27", ["90 3C 27", "F6"]),
        ("C0 05 06", ["C0 05", "C0 06"]),
        ("F7 F7", []),
    ],
)
def test_rules(data: str, messages: list[str]) -> None:
    assert hexes(Parser().feed(bytes.fromhex(data))) == messages


def test_an_endless_exclusive_message_is_dropped_and_the_next_one_heard() -> None:
    parser = Parser()
    assert parser.feed(b"\xf0" + b"\x01" * (LONGEST_EXCLUSIVE + 10)) == []
    assert hexes(parser.feed(bytes.fromhex("F7 90 3C 27"))) == ["90 3C 27"]


@given(st.binary(max_size=300))
def test_any_bytes_give_whole_messages(data: bytes) -> None:
    parser = Parser()
    whole = parser.feed(data)
    for message in whole:
        mido.Message.from_bytes(list(message))
    other = Parser()
    assert [m for b in data for m in other.feed(bytes((b,)))] == whole


@given(
    st.lists(
        st.one_of(
            st.builds(
                lambda c, n, v: mido.Message("note_on", channel=c, note=n, velocity=v),
                st.integers(0, 15),
                st.integers(0, 127),
                st.integers(0, 127),
            ),
            st.builds(
                lambda c, p: mido.Message("pitchwheel", channel=c, pitch=p),
                st.integers(0, 15),
                st.integers(-8192, 8191),
            ),
            st.builds(lambda p: mido.Message("songpos", pos=p), st.integers(0, 16383)),
            st.just(mido.Message("clock")),
        ),
        max_size=30,
    )
)
def test_what_mido_writes_is_read_back(messages: list[mido.Message]) -> None:
    data = [bytes(message.bytes()) for message in messages]
    assert Parser().feed(b"".join(data)) == data
