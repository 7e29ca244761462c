"""What all file models share: ranges, names, hints, and going on after a mistake."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar

import pytest
from pydantic import Field

from bridge.errors import did_you_mean
from bridge.files.document import AmbiguousText, Document
from bridge.files.strict import (
    Limits,
    Name,
    Strict,
    Text,
    check,
    model_at,
    one_of,
    read_name,
    read_text,
    shown,
    written_keys,
)


class Jack(Strict):
    called: ClassVar[str] = "a jack"
    elsewhere: ClassVar[dict[str, str]] = {"colour": "belongs on the cable"}

    volts: Annotated[float, Limits(-5, 5, "V")] = 0.0
    end: Annotated[float, Limits(0, 1)] | None = Field(default=None, alias="to")


class Box(Strict):
    called: ClassVar[str] = "a box"
    stand_ins: ClassVar[dict[str, Any]] = {"box": "unnamed"}

    box: Text
    on: bool = True
    jacks: dict[Name, Jack] = Field(default_factory=dict)
    rows: list[Jack] = Field(default_factory=list)
    pair: Annotated[list[int], Field(min_length=2, max_length=2)] | None = None


def checked(text: str) -> tuple[Box | None, list[str], set[tuple[str | int, ...]]]:
    model, problems, cut = check(Box, Document.parse(text, "b.yaml"))
    return model, [str(p) for p in problems], cut


def test_a_good_document() -> None:
    model, problems, cut = checked("box: Quay\njacks: {out-1: {volts: 3, to: 0.5}}\n")
    assert (problems, cut) == ([], set())
    assert model is not None
    assert model.jacks["out-1"].volts == 3.0
    assert model.jacks["out-1"].end == 0.5


def test_going_on_after_mistakes_with_what_is_left() -> None:
    model, problems, cut = checked(
        "on: off\njacks: {a: {volts: 9, to: 1}, b: 3, c: {end: 1, colour: red}}\nrows: [{}, 7]\n"
    )
    assert problems == [
        "b.yaml:1:1  box: is missing",
        "b.yaml:1:5  on: must be true or false, not off",
        "b.yaml:2:20  jacks.a.volts: must be from -5 to 5 V, not 9",
        "b.yaml:2:34  jacks.b: must be keys and values (volts, to...), not 3",
        "b.yaml:2:41  jacks.c.end: is not a key of a jack; there are: volts, to",
        "b.yaml:2:49  jacks.c.colour: belongs on the cable",
        "b.yaml:3:12  rows.1: must be keys and values (volts, to...), not 7",
    ]
    assert model is not None
    assert model.box == "unnamed"
    assert model.jacks["a"] == Jack(to=1.0)
    assert set(model.jacks) == {"a", "c"}
    # a list cannot lose an item without moving the others: it goes as a whole
    assert model.rows == []
    assert {("on",), ("jacks", "a", "volts"), ("jacks", "b"), ("rows", 1), ("rows",)} <= cut


@pytest.mark.parametrize(
    ("pair", "said"),
    [
        ("[1]", "needs at least 2, not 1"),
        ("[1, 2, 3]", "needs at most 2, not 3"),
        ("5", "must be a list, not 5"),
    ],
)
def test_lengths_of_lists(pair: str, said: str) -> None:
    assert checked(f"box: Q\npair: {pair}\n")[1] == [f"b.yaml:2:7  pair: {said}"]


def test_nothing_is_left_when_everything_is_wrong() -> None:
    class Needs(Strict):
        one: bool

    assert check(Needs, Document.parse("two: 2\n"))[0] is None


@pytest.mark.parametrize("good", [0, 1, 0.5, 1.0])
def test_limits_take_what_is_inside(good: float) -> None:
    assert Limits(0, 1).check(good) == good


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        (1.5, "must be from 0 to 1 V, not 1.5"),
        (float("nan"), "must be from 0 to 1 V, not nan"),
        (True, "must be a number from 0 to 1 V, not true"),
        (None, "must be a number from 0 to 1 V, not nothing"),
        ([1], "must be a number from 0 to 1 V, not a list"),
        (
            AmbiguousText("1:30", "a number in base 60"),
            "must be a number from 0 to 1 V, not 1:30 (a number in base 60 to some YAML readers)",
        ),
    ],
)
def test_limits_refuse_the_rest(bad: object, said: str) -> None:
    with pytest.raises(ValueError, match=r"^must") as error:
        Limits(0, 1, "V").check(bad)
    assert str(error.value) == said


def test_whole_numbers() -> None:
    whole = Limits(1, 8, "bars", True)
    assert whole.check(4.0) == 4
    assert type(whole.check(4.0)) is int
    with pytest.raises(ValueError, match=r"must be a whole number from 1 to 8 bars, not 2.5"):
        whole.check(2.5)


@pytest.mark.parametrize("name", ["a", "kick-2", "x" * 32])
def test_names(name: str) -> None:
    assert read_name(name) == name


@pytest.mark.parametrize(
    "name",
    ["", "A", "2nd", "-a", "a b", "a/b", "ä", "x" * 33, 7, None, "a\n", AmbiguousText("no", "f")],
)
def test_what_is_no_name(name: object) -> None:
    with pytest.raises(ValueError, match=r"name|quotes"):
        read_name(name)


def test_texts() -> None:
    assert read_text("kick voice, trigger input") == "kick voice, trigger input"
    for bad in ("", "  ", "x" * 201, "two\nlines", 5, None, True, AmbiguousText("off", "false")):
        with pytest.raises(ValueError, match=r"must|quotes"):
            read_text(bad)


def test_hints() -> None:
    assert did_you_mean("chanse", ["chance", "level"]) == "; did you mean chance?"
    assert did_you_mean("zzz", ["chance"]) == ""
    assert one_of("even", ["even", "slow"], "a spacing") == "even"
    with pytest.raises(ValueError, match="odd is not a spacing; write even or slow"):
        one_of("odd", ["even", "slow"], "a spacing")
    with pytest.raises(ValueError, match="evn is not a spacing; did you mean even"):
        one_of("evn", ["even", "slow"], "a spacing")


def test_values_in_messages() -> None:
    found: tuple[object, ...] = (None, True, {}, [], 1.50, 7)
    assert [shown(v) for v in found] == ["nothing", "true", "keys and values", "a list", "1.5", "7"]
    assert shown("x" * 99) == "x" * 37 + "..."
    assert shown("a\x1b[2J") == r"a\x1b[2J"


def test_the_model_at_a_path() -> None:
    assert model_at(Box, ()) is Box
    assert model_at(Box, ("jacks", "a")) is Jack
    assert model_at(Box, ("rows", 3)) is Jack
    assert model_at(Box, ("on",)) is None
    assert model_at(Box, ("none", "x")) is None
    assert written_keys(Jack) == ["volts", "to"]
