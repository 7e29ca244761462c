"""Frames, commands and the outbox."""

from __future__ import annotations

import json
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.engine.messages import COMMANDS, MOST, Outbox, Unpacker, check_command, pack, pack_json
from bridge.errors import CommandError

GOOD: list[dict[str, Any]] = [
    {"do": "mute", "lane": "kick", "muted": True},
    {"do": "mute", "lane": "kick", "muted": False, "when": "bar", "return_bars": 4, "seq": 7},
    {"do": "mute", "lane": "kick", "muted": True, "when": 4},
    {"do": "cancel", "lane": "kick"},
    {"do": "hold", "lane": "kick", "muted": False, "client": "left", "active": True},
    {"do": "release", "client": "left"},
    {"do": "solo", "lane": "kick", "on": True},
    {"do": "group", "group": "drums", "muted": True, "when": "beat"},
    {"do": "macro", "macro": "m", "value": 1},
    {"do": "setting", "lane": "kick", "setting": "chance", "value": 0.5},
    {"do": "setting", "lane": "kick", "setting": "chance", "value": None},
    {"do": "section", "section": "flood", "when": "bar", "morph_bars": 0, "mutes_at": 0.5},
    {"do": "order", "run": True},
    {"do": "start"},
    {"do": "stop"},
    {"do": "continue"},
    {"do": "position", "tick": 960},
    {"do": "tempo", "bpm": 120.5},
    {"do": "nudge", "ms": -3},
    {"do": "tap"},
    {"do": "offset", "ms": -12.3},
    {"do": "take-clock"},
    {"do": "follow", "source": "internal"},
    {"do": "all-out"},
    {"do": "reset", "lane": "kick"},
    {"do": "still", "lane": "k", "on": False},
    {"do": "try", "output": "main.gate-1", "action": "gate", "value": 1.0},
    {"do": "quit"},
    {"do": "put-back", "parts": {}},
    {"do": "try", "output": "main.gate-1", "action": "gate", "value": 1.0, "ms": 30_000},
    {"do": "put-back", "parts": {"lanes": {"kick": {"under": True}}}},
    {"do": "correct", "output": "main.pitch-1"},
    {"do": "correct", "output": "main.pitch-1", "correction": None},
    {
        "do": "correct",
        "output": "main.pitch-1",
        "correction": {
            "offset_volts": 0.01,
            "gain": 0.99,
            "table": [[24, 1.5], [36, -2]],
            "made": "2026-01-31",
        },
    },
    {"do": "listen", "port": "knobs"},
    {"do": "feedback", "port": "knobs", "data": "b0157f"},
    {"do": "feedback", "port": "knobs", "data": "c005"},
    {"do": "input", "port": "simulated", "data": "903c40"},
]

BAD: list[tuple[object, str]] = [
    (None, "value"),
    ([], "value"),
    ({}, "unknown"),
    ({"do": "fly"}, "unknown"),
    ({"do": ["mute"]}, "unknown"),
    ({"do": "mute", "lane": "kick"}, "value"),
    ({"do": "mute", "lane": "", "muted": True}, "value"),
    ({"do": "mute", "lane": "kick", "muted": 1}, "value"),
    ({"do": "mute", "lane": "kick", "muted": True, "when": "soon"}, "value"),
    ({"do": "mute", "lane": "kick", "muted": True, "when": True}, "value"),
    ({"do": "mute", "lane": "kick", "muted": True, "when": 0}, "value"),
    ({"do": "macro", "macro": "m", "value": float("nan")}, "value"),
    ({"do": "macro", "macro": "m", "value": 1.01}, "value"),
    ({"do": "macro", "macro": "m", "value": "1"}, "value"),
    ({"do": "macro", "macro": "m", "value": True}, "value"),
    ({"do": "tempo", "bpm": float("inf")}, "value"),
    ({"do": "position", "tick": -1}, "value"),
    ({"do": "position", "tick": 1.5}, "value"),
    ({"do": "try", "output": "x", "action": "blow", "value": 1}, "value"),
    ({"do": "start", "seq": "1"}, "value"),
    ({"do": "try", "output": "x", "action": "gate", "value": 1, "ms": 30_001}, "value"),
    ({"do": "correct", "output": "x", "correction": {"gain": 3}}, "value"),
    ({"do": "correct", "output": "x", "correction": {"gian": 1}}, "value"),
    ({"do": "correct", "output": "x", "correction": {"table": [[36, 1], [24, 1]]}}, "value"),
    ({"do": "correct", "output": "x", "correction": {"table": [[36, 1, 2]]}}, "value"),
    # Not one whole channel message (MIDI 1.0, table T-1): cut, too long, data with bit 7, system.
    *(
        ({"do": "feedback", "port": "k", "data": data}, "value")
        for data in ("", "b015", "b0157f00", "b01580", "c00505", "f8", "15", "xx", 5)
    ),
]


def test_every_command_has_an_example_that_is_accepted() -> None:
    for command in GOOD:
        assert check_command(command) is command
    assert {command["do"] for command in GOOD} == set(COMMANDS)


@pytest.mark.parametrize(("command", "kind"), BAD)
def test_wrong_commands_are_refused(command: object, kind: str) -> None:
    with pytest.raises(CommandError) as refused:
        check_command(command)
    assert refused.value.kind == kind


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
    [struct.pack(">Ic", MOST + 1, b"J"), struct.pack(">Ic", 0, b"J"), struct.pack(">Ic", 5, b"X")],
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


def test_what_a_slow_reader_misses_is_bounded() -> None:
    box = Outbox()
    for number in range(5000):
        box.played({"tick": number, "t_ns": number}, events=[[number]], sent=[[number, "main", ""]])
        box.ack(number)
    state, played = read(box.take())
    assert len(state["acks"]) == Outbox.MOST_ANSWERS
    assert len(played["events"]) == len(played["sent"]) == Outbox.MOST_EVENTS
    assert played["events"][-1] == [4999]
    assert played["tick"] == 4999
