"""The table of commands: what each takes and refuses, and what follows from its row."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from bridge.errors import CommandError
from bridge.protocol.command import ENVELOPE, described_limits, encode, fields_of
from bridge.protocol.table import TABLE, client_commands, decode

GOOD: list[dict[str, Any]] = [
    {"do": "mute", "lane": "kick", "muted": True},
    {"do": "mute", "lane": "kick", "muted": False, "when": "bar", "return_bars": 4, "seq": 7},
    {"do": "mute", "lane": "kick", "muted": True, "when": 4},
    {"do": "cancel", "lane": "kick"},
    {"do": "cancel", "order": True},
    {"do": "fill", "active": True},
    {"do": "fill", "lane": "kick", "active": True},
    {"do": "fill", "group": "drums", "active": False},
    {"do": "drop", "lane": "kick"},
    {"do": "drop", "group": "drums", "return_bars": 8},
    {"do": "pace", "pace": -1},
    {"do": "pace", "pace": 1, "group": "drums"},
    {"do": "hold", "lane": "kick", "muted": False, "client": "left", "active": True},
    {"do": "release", "client": "left"},
    {"do": "solo", "lane": "kick", "on": True},
    {"do": "group", "group": "drums", "muted": True, "when": "beat"},
    {"do": "macro", "macro": "m", "value": 1},
    {"do": "setting", "lane": "kick", "setting": "chance", "value": 0.5},
    {"do": "setting", "lane": "kick", "setting": "chance", "value": None},
    {"do": "section", "section": "flood", "when": "bar", "morph_bars": 0, "mutes_at": 0.5},
    {"do": "order", "run": True},
    {"do": "order-next"},
    {"do": "order-next", "when": 8},
    {"do": "start"},
    {"do": "stop"},
    {"do": "continue"},
    {"do": "position", "tick": 960},
    {"do": "tempo", "bpm": 120.5},
    {"do": "nudge", "ms": -3},
    {"do": "tap"},
    {"do": "offset", "ms": -12.3},
    {"do": "internal-clock"},
    {"do": "follow", "source": "internal"},
    {"do": "mute-all"},
    {"do": "reset", "lane": "kick"},
    {"do": "freeze", "lane": "k", "on": False},
    {"do": "try", "output": "main.gate-1", "action": "gate", "value": 1.0},
    {"do": "copy", "lane": "kick", "to": "kick2", "what": "settings"},
    {"do": "clear", "lane": "kick", "when": "step"},
    {"do": "randomise", "lane": "kick", "amount": 0.3, "seed": 2147483647},
    {"do": "keep", "bars": 8, "name": "harbour", "into": "set"},
    {"do": "continue-take", "take": "first light", "bar": 17, "start": True},
    {"do": "undo"},
    {"do": "chart", "bars": 8},
    {"do": "alive"},
    {"do": "scope", "on": True},
    {"do": "learn", "target": "macro", "name": "brightness", "within_s": 5},
    {"do": "learn-cancel"},
    {"do": "redo"},
    {"do": "quit"},
    {"do": "put-back", "parts": {}},
    {"do": "try", "output": "main.gate-1", "action": "gate", "value": 1.0, "ms": 30_000},
    {"do": "put-back", "parts": {"lanes": {"kick": {"under": True}}}},
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
    ({"do": "start", "lane": "kick"}, "value"),
    ({"do": "cancel"}, "value"),
    ({"do": "cancel", "order": False}, "value"),
    ({"do": "cancel", "order": True, "lane": "kick"}, "value"),
    ({"do": "fill"}, "value"),
    ({"do": "fill", "active": True, "lane": "kick", "group": "drums"}, "value"),
    ({"do": "drop"}, "value"),
    ({"do": "drop", "lane": "kick", "return_bars": 0}, "value"),
    ({"do": "pace", "pace": 2}, "value"),
    ({"do": "pace", "pace": 0.5}, "value"),
    ({"do": "cancel", "lane": "kick", "section": "flood"}, "value"),
    ({"do": "position", "tick": 384_000_001}, "value"),
    ({"do": "mute", "lane": "k" * 65, "muted": True}, "value"),
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
    assert {command["do"] for command in GOOD} == set(TABLE)


@pytest.mark.parametrize("given", GOOD, ids=lambda given: given["do"])
def test_a_command_is_the_same_after_the_way_over_the_wire(given: dict[str, Any]) -> None:
    command = decode(given)
    assert decode(encode(command)) == command
    said = {name: value for name, value in given.items() if name not in ENVELOPE}
    for name, value in said.items():
        assert getattr(command, name) == value


@pytest.mark.parametrize(("given", "kind"), BAD, ids=str)
def test_wrong_commands_are_refused(given: object, kind: str) -> None:
    with pytest.raises(CommandError) as refused:
        decode(given)
    assert refused.value.kind == kind


def test_json_has_one_kind_of_number() -> None:
    """RFC 8259, section 6: a number is a number; many writers send 17 as 17.0."""
    assert decode({"do": "position", "tick": 17.0}) == decode({"do": "position", "tick": 17})
    assert isinstance(decode({"do": "position", "tick": 17.0}).tick, int)  # type: ignore[attr-defined]


def test_a_refusal_says_what_is_taken() -> None:
    for given, says in [
        ({"do": "tempo", "bpm": 500}, "bpm must be a number from 20 to 400, not 500"),
        ({"do": "mute", "lane": "kick"}, "mute needs muted: true or false"),
        (
            {"do": "mute", "lane": "kick", "muted": True, "when": "soon"},
            "when must be now, beat, bar or a whole number from 1 to 64, not 'soon'",
        ),
        ({"do": "fly"}, "there is no command 'fly'"),
    ]:
        with pytest.raises(CommandError) as refused:
            decode(given)
        assert str(refused.value) == says


def test_every_name_in_an_address_or_path_is_a_field_and_every_field_can_be_said() -> None:
    for command in client_commands():
        fields = fields_of(command)
        ways: list[set[str]] = []
        for osc in command.ROW.osc:
            named = {part[1:-1] for part in osc.template.split("/") if part.startswith("{")}
            ways.append(named | set(osc.args) | dict(osc.fixed).keys())
        for http in command.ROW.http:
            named = {part[1:-1] for part in http.path.split("/") if part.startswith("{")}
            assert named | dict(http.fixed).keys() <= fields.keys(), command
        if command.ROW.by in ("player", "service"):
            assert command.ROW.osc, command
            assert command.ROW.http, command
        for way in ways:
            assert way <= fields.keys(), command
            required = {name for name, field in fields.items() if field.required}
            assert required <= way, command


def test_limits_for_surfaces_are_those_of_the_fields() -> None:
    limits = described_limits()
    assert limits.keys() == {command.ROW.do for command in client_commands()}
    assert limits["tempo"]["bpm"] == {"low": 20, "high": 400}
    assert limits["section"]["morph_bars"] == {"low": 0, "high": 64, "default": 0}


def test_commands_cannot_be_changed() -> None:
    command = decode({"do": "macro", "macro": "m", "value": 0.5})
    with pytest.raises(dataclasses.FrozenInstanceError):
        command.value = 1.0  # type: ignore[attr-defined]
