"""Bounds hold in the player, which knows no pydantic, and in a model of pydantic alike."""

from __future__ import annotations

from typing import Annotated, Any

import annotated_types
import pytest
from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from bridge.protocol import bounds, limits

NAMES = ("Ge", "Le", "MinLen", "MaxLen")


class Model(BaseModel):
    model_config = ConfigDict(strict=True)
    text: Annotated[str, bounds.MinLen(2), bounds.MaxLen(4)] = "abc"
    number: Annotated[int, bounds.Ge(1), bounds.Le(8)] = 3


@pytest.mark.parametrize(
    ("member", "value", "good"),
    [
        ("text", "a", False),
        ("text", "ab", True),
        ("text", "abcd", True),
        ("text", "abcde", False),
        ("number", 0, False),
        ("number", 1, True),
        ("number", 8, True),
        ("number", 9, False),
    ],
)
def test_a_model_of_pydantic_holds_them(member: str, value: object, good: bool) -> None:
    if good:
        assert getattr(Model.model_validate({member: value}), member) == value
    else:
        with pytest.raises(ValidationError):
            Model.model_validate({member: value})


@pytest.mark.parametrize("name", NAMES)
def test_they_mean_what_the_library_means_by_the_same_name(name: str) -> None:
    """The schema that pydantic makes of its own library's bound is the oracle."""
    of = str if name.endswith("Len") else int

    def described(library: object) -> dict[str, object]:
        hint: Any = Annotated[of, getattr(library, name)(3)]
        return TypeAdapter(hint).json_schema()

    assert described(bounds) == described(annotated_types)
    assert len(described(bounds)) == 2


def test_the_types_of_the_commands_carry_theirs() -> None:
    assert TypeAdapter(limits.EncoderSteps).json_schema() == {
        "type": "integer",
        "minimum": limits.FEWEST_STEPS,
        "maximum": limits.MOST_STEPS,
    }
