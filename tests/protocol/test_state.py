"""The types of the state: one description for the page, for the API and for what the player says."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import jsonschema
import pytest
from support.states import player_report

from bridge.protocol import state
from bridge.protocol.declarations import declarations
from bridge.protocol.schema import state_schemas

PAGE_TYPES = Path(state.__file__).parent.parent / "web/page/js/types.d.ts"
REPORT = state_schemas(state.PlayerReport, "#/$defs/{model}")
CHECK = jsonschema.Draft202012Validator({"$ref": "#/$defs/PlayerReport", "$defs": REPORT})


def test_the_types_of_the_page_are_up_to_date() -> None:
    """`python -m bridge.protocol.declarations > bridge/web/page/js/types.d.ts` makes them so."""
    assert PAGE_TYPES.read_text(encoding="utf-8") == declarations()


def test_the_schema_takes_what_a_player_says() -> None:
    CHECK.validate(player_report())


@pytest.mark.parametrize(
    ("member", "value"),
    [
        ("revision", "1"),
        ("section", 3),
        ("warnings", [1]),
        ("transport", {"state": "running"}),
        ("transport", {**player_report()["transport"], "state": "paused"}),
        ("lateness", {**player_report()["lateness"], "histogram": [["1"]]}),
        ("ports", {"main": {"port": "simulated", "open": True, "waiting": False, "link": None}}),
        ("player", {"pid": 1, "realtime": False, "restarts": 0, "name": "x"}),
    ],
)
def test_the_schema_refuses_what_has_another_type(member: str, value: Any) -> None:
    with pytest.raises(jsonschema.ValidationError):
        CHECK.validate({**player_report(), member: value})


def test_members_that_may_be_missing_are_not_required() -> None:
    assert "glide" not in REPORT["MacroState"]["required"]
    assert "value" in REPORT["MacroState"]["required"]


async def test_pages_get_the_limits_of_commands(stage: Any) -> None:
    """A tempo from 20 to 400 and an offset of 100 ms either way, as the manual says."""
    _, told, _ = await stage.call("GET", "/api/state")
    limits = told["limits"]
    assert limits["tempo"]["bpm"] == {"low": 20, "high": 400}
    assert limits["offset"]["ms"] == {"low": -100, "high": 100}
    assert "put-back" not in limits, "no client can send it"
    _, words, _ = await stage.call("GET", "/api/words")
    assert words["whole"]["seed"] == {"low": 0, "high": 2**32 - 1, "unit": ""}
    assert set(words["whole"]) == {"tempo", "swing", "seed"}
