"""A whole number is whole however it is written: JSON has one kind of number (RFC 8259, section 6),
and to JSON Schema 2020-12 (section 4.2.3 of the core) 17.0 is an integer."""

from __future__ import annotations

import json
from typing import Any

import pytest

from bridge.errors import CommandError
from bridge.protocol.command import fields_of
from bridge.protocol.running import SetPosition
from bridge.protocol.schema import field_schema
from bridge.protocol.table import decode
from bridge.web.edit_http import EditRow


@pytest.mark.parametrize(
    ("text", "member", "value"),
    [
        ('{"do": "position", "tick": 960.0}', "tick", 960),
        ('{"do": "order", "run": true, "entry": 0.0}', "entry", 0),
        ('{"do": "mute", "lane": "a", "muted": true, "when": 4.0}', "when", 4),
        ('{"do": "mute", "lane": "a", "muted": true, "return_bars": 2.0}', "return_bars", 2),
        ('{"do": "section", "section": "a", "morph_bars": 8e0}', "morph_bars", 8),
        ('{"do": "randomise", "lane": "a", "amount": 1, "seed": 7.0}', "seed", 7),
        ('{"do": "chart", "bars": 2.0}', "bars", 2),
    ],
)
def test_a_number_without_a_fraction_is_an_integer(text: str, member: str, value: int) -> None:
    found = getattr(decode(json.loads(text)), member)
    assert (found, type(found)) == (value, int)


@pytest.mark.parametrize("wrong", ["0.5", "1e300", '"1"', "true", "[1]", "null", "-1.0", "1e400"])
def test_what_is_no_integer_in_range_is_refused(wrong: str) -> None:
    with pytest.raises(CommandError):
        decode(json.loads(f'{{"do": "position", "tick": {wrong}}}'))


def test_an_edit_s_numbers_are_written_as_a_person_would() -> None:
    row = EditRow.model_validate_json('{"path": ["a"], "value": {"b": [17.0, 0.5, {"c": 1.0}]}}')
    assert row.value == {"b": [17, 0.5, {"c": 1}]}
    assert [type(n) for n in row.value["b"][:2]] == [int, float]


def test_the_description_still_says_integer() -> None:
    assert field_schema(fields_of(SetPosition)["tick"])["type"] == "integer"


async def test_an_order_that_is_not_there_is_said_so(stage: Any) -> None:
    text = (await stage.call("GET", "/api/set"))[1]["text"]
    head = text[: text.index("order:")]
    assert (await stage.call("PUT", "/api/set", {"text": head}))[0] == 200
    for entry in (0, 5):
        status, problem, _ = await stage.call("PUT", "/api/order", {"run": False, "entry": entry})
        assert status == 409
        assert problem["detail"] == "the set has no running order"


async def test_a_list_that_is_too_long_says_how_long_it_is(stage: Any) -> None:
    rows = [{"section": "shallow", "bars": 1}] * 2000
    body = {"edits": [{"path": ["order"], "value": rows}]}
    status, problem, _ = await stage.call("POST", "/api/set/edits", body)
    assert status == 422
    said = problem["problems"][0]["message"]
    assert "at most" in said
    assert "None" not in said
