"""What is wrong with a body is pointed at in the body that was sent, and said in plain words."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from bridge.errors import CommandError
from bridge.protocol.command import fields_of
from bridge.protocol.running import SetPosition
from bridge.protocol.table import client_commands
from bridge.web import bodies as b
from bridge.web.command_body import CommandBody
from bridge.web.edit_http import EditBody
from bridge.web.soundcheck_http import BeginBody
from bridge.web.wrong import NotJSONError, Wrong, WrongBodyError, checked, parsed, wrong_values

MODELS: list[type[BaseModel]] = sorted(
    {model for model in vars(b).values() if isinstance(model, type) and issubclass(model, b.Strict)}
    | {EditBody, BeginBody},
    key=lambda model: model.__name__,
)
LIBRARY_WORDS = (
    "Input should",
    "valid ",
    "literal",
    "constrained",
    "function-",
    "union",
    "tag",
    "Extra inputs",
    "Field required",
    "ge=",
)


def resolve(body: Any, pointer: str) -> Any:
    """A JSON Pointer in its fragment form, step by step as RFC 6901, section 4, has it."""
    assert pointer.startswith("#")
    value = body
    for part in pointer[1:].split("/")[1:]:
        key = part.replace("~1", "/").replace("~0", "~")
        value = value[int(key)] if isinstance(value, list) else value[key]
    return value


def refused(model: type[BaseModel], body: Any) -> list[Wrong]:
    try:
        checked(model, json.dumps(body).encode())
    except WrongBodyError as error:
        return error.wrong
    return []


junk = st.recursive(
    st.sampled_from(
        [None, True, False, 0, 1, -1, 17.5, 65, 1e9, "", "x", "now", "mute", "x" * 300]
    ),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["do", "path", "value", "a/b", "~", "0"]), inner, max_size=3
        )
    ),
    max_leaves=5,
)


@given(st.data())
@settings(max_examples=400)
def test_every_place_is_one_of_the_body_and_every_word_is_ours(data: st.DataObject) -> None:
    model = data.draw(st.sampled_from(MODELS))
    names = [*model.model_fields, "do", "a/b", "mtued"]
    body = data.draw(st.dictionaries(st.sampled_from(names), junk, max_size=5) | junk)
    found = refused(model, body)
    for one in found:
        resolve(body, one.pointer)
        assert not any(word in one.said for word in LIBRARY_WORDS), one.said
        assert one.said.strip()
    assert len({one.pointer for one in found}) == len(found)


def fields_refused(body: CommandBody, path: dict[str, str], sent: Any) -> dict[str, str]:
    try:
        body.read(path, json.dumps(sent).encode())
    except CommandError as error:
        return error.fields
    return {}


@given(st.data())
@settings(max_examples=400)
def test_commands_point_at_members_of_the_body_too(data: st.DataObject) -> None:
    command = data.draw(st.sampled_from(client_commands()))
    if not command.ROW.http:
        return
    body = CommandBody(command, command.ROW.http[0])
    path = dict.fromkeys(body.in_path, "kick")
    names = [*fields_of(command), "do", "client", "a/b", "mtued"]
    sent = data.draw(st.dictionaries(st.sampled_from(names), junk, max_size=4))
    for name, said in fields_refused(body, path, sent).items():
        assert name in sent or f"needs {name}" in said
        assert not any(word in said for word in LIBRARY_WORDS), said


@pytest.mark.parametrize(
    ("model", "body", "pointer", "said"),
    [
        (
            b.SaveAsBody,
            {"file": "../x.yaml"},
            "#/file",
            'must be a name, no folder, not "../x.yaml"',
        ),
        (BeginBody, {"monitors_down": False}, "#/monitors_down", "must be true, not false"),
        (
            EditBody,
            {"edits": [{"path": ["lanes"]}, {"path": []}]},
            "#/edits/1/path",
            "must be a list of 1 to 8 entries, not an empty list",
        ),
        (EditBody, {"edits": [{"path": ["a", ""]}]}, "#/edits/0/path/1", None),
        (EditBody, {"edits": [{}]}, "#/edits/0", "path is missing"),
    ],
)
def test_what_is_wrong_is_said_in_words(
    model: type[BaseModel], body: Any, pointer: str, said: str | None
) -> None:
    (one,) = refused(model, body)
    assert one.pointer == pointer
    assert said is None or one.said == said


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b'{"muted": tru}', "it is not JSON from line 1, column 11 on"),
        (b"{", "it is not JSON from line 1, column 2 on"),
        (b'{"muted": "\xff"}', "it is not UTF-8 text"),
        (b"[" * 100_000, "it is not JSON"),
    ],
)
def test_what_is_no_json_says_where(data: bytes, said: str) -> None:
    with pytest.raises(NotJSONError) as error:
        parsed(data)
    assert str(error.value) == said


def test_a_number_of_thousands_of_digits_is_refused_like_any_other() -> None:
    data = b'{"tick": 1' + b"0" * 5000 + b"}"
    tick = CommandBody(SetPosition, SetPosition.ROW.http[0])
    with pytest.raises((CommandError, NotJSONError)):
        tick.read({}, data)


def test_a_query_is_told_in_the_same_words() -> None:
    given = {"bars": "many"}
    with pytest.raises(ValidationError) as error:
        b.ChartQuery.model_validate(given)
    (one,) = wrong_values(error.value, given, b.ChartQuery)
    assert one.sentence == 'bars: must be a whole number from 1 to 8, not "many"'
