"""The schemas and the check say the same: held against a validator of JSON Schema (2020-12)."""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import CommandError
from bridge.protocol.command import Command, decode, fields_of
from bridge.protocol.schema import object_schema
from bridge.protocol.table import client_commands

BY_HTTP = [command for command in client_commands() if command.ROW.http]
# Values near the edges of every kind of field; no number of JSON is infinite or NaN (RFC 8259, 6).
VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.sampled_from(["", "x", "bar", "now", "beat", "gate", "kick", "all", "internal", "x" * 65]),
    st.sampled_from(["x" * n for n in (31, 32, 33, 63, 64, 200, 201)]),
    st.integers(-3, 70),
    st.sampled_from([19, 20, 400, 401, 500, -500, 2**31 - 1, 2**31, 2**53, -1, 17.0, 0.5, 1e9]),
    st.floats(-600, 600),
    st.lists(st.integers(), max_size=2),
)


def accepted(command: type[Command], body: dict[str, Any]) -> bool:
    try:
        decode({"do": command.ROW.do, **body})
    except CommandError:
        return False
    return True


@pytest.mark.parametrize("command", BY_HTTP, ids=lambda command: command.ROW.do)
@given(data=st.data())
def test_what_the_schema_takes_is_taken_and_nothing_else(
    command: type[Command], data: st.DataObject
) -> None:
    schema = object_schema(command)
    jsonschema.Draft202012Validator.check_schema(schema)
    names = sorted(fields_of(command))
    if command.ROW.do == "cancel":  # one of its fields, which the schema does not say
        names = [data.draw(st.sampled_from(names))]
    if command.ROW.do in ("fill", "drop"):  # a lane or a group, and not both
        names.remove(data.draw(st.sampled_from(["lane", "group"])))
    body = {name: data.draw(VALUES) for name in names if data.draw(st.integers(0, 4))}
    if command.ROW.do == "cancel" and not any(body.values()):
        return
    if command.ROW.do == "drop" and body.get("lane", body.get("group")) is None:
        return
    assert jsonschema.Draft202012Validator(schema).is_valid(body) == accepted(command, body), body


def test_what_the_path_says_is_not_asked_for_again() -> None:
    (mute,) = [command for command in BY_HTTP if command.ROW.do == "mute"]
    schema = object_schema(mute, without=("lane",))
    properties = schema["properties"]
    assert isinstance(properties, dict)
    assert "lane" not in properties
    assert schema["required"] == ["muted"]


def test_a_command_without_fields_has_an_empty_object() -> None:
    (tap,) = [command for command in BY_HTTP if command.ROW.do == "tap"]
    schema = object_schema(tap)
    assert schema["properties"] == {}
    assert "required" not in schema
