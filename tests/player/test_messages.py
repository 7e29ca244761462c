"""Frames and the outbox."""

from __future__ import annotations

import json
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.player.frames import MAX_FRAME_BYTES, Unpacker, pack, pack_json
from bridge.player.messages import Outbox


@given(
    payloads=st.lists(st.tuples(st.sampled_from("JP"), st.binary(max_size=50)), max_size=8),
    cuts=st.lists(st.integers(1, 20), min_size=1),
)
def test_frames_survive_any_cut(payloads: list[tuple[Any, bytes]], cuts: list[int]) -> None:
    stream = b"".join(pack(kind, payload) for kind, payload in payloads)
    unpacker, found, at, number = Unpacker(), [], 0, 0
    while at < len(stream):
        step = cuts[number % len(cuts)]
        found += unpacker.feed(stream[at : at + step])
        at, number = at + step, number + 1
    assert found == payloads


def test_a_frame_is_length_kind_payload() -> None:
    assert pack_json({"do": "tap"}) == b"\x00\x00\x00\x0d" + b"J" + b'{"do":"tap"}'


@pytest.mark.parametrize(
    "stream",
    [
        struct.pack(">Ic", MAX_FRAME_BYTES + 1, b"J"),
        struct.pack(">Ic", 0, b"J"),
        struct.pack(">Ic", 5, b"X"),
    ],
)
def test_what_is_no_stream_of_frames_is_refused(stream: bytes) -> None:
    with pytest.raises(ValueError, match="frames"):
        Unpacker().feed(stream)


def test_nan_never_leaves() -> None:
    with pytest.raises(ValueError, match="JSON"):
        pack_json({"value": float("nan")})


def read(frames: list[bytes]) -> list[dict[str, Any]]:
    return [json.loads(payload) for _, payload in Unpacker().feed(b"".join(frames))]


def test_the_newest_state_wins_and_answers_come_with_it() -> None:
    box = Outbox()
    box.state({"section": "a", "lanes": {"kick": 1}})
    box.state({"section": "b"})
    box.ack(3)
    box.refuse(4, "unknown", "no such lane")
    assert box.answers
    (frame,) = read(box.take())
    assert frame == {
        "type": "state",
        "section": "b",
        "lanes": {"kick": 1},
        "acks": [3],
        "refused": [[4, "unknown", "no such lane"]],
    }
    assert box.take() == []
    assert not box.answers


def test_a_reader_is_told_only_what_it_wants() -> None:
    box = Outbox()
    box.wants = frozenset({"sent"})
    box.played({"tick": 1, "t_ns": 1}, {"events": [[1, "kick"]], "input": [[1, "knobs", "b01540"]]})
    assert box.take() == [], "where nothing of it is wanted, there is nothing to say"
    box.played({"tick": 2, "t_ns": 2}, {"events": [[2, "kick"]], "sent": [[2, "main", "992440"]]})
    (frame,) = read(box.take())
    assert (frame["events"], frame["sent"]) == ([], [[2, "main", "992440"]])
    assert frame["tick"] == 2


def test_what_a_slow_reader_misses_is_bounded() -> None:
    box = Outbox()
    for number in range(5000):
        box.played(
            {"tick": number, "t_ns": number}, {"events": [[number]], "sent": [[number, "main", ""]]}
        )
        box.ack(number)
    state, played = read(box.take())
    assert len(state["acks"]) == Outbox.MOST_ANSWERS
    assert len(played["events"]) == len(played["sent"]) == Outbox.MOST_EVENTS
    assert played["events"][-1] == [4999]
    assert played["tick"] == 4999
