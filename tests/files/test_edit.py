"""Edits by path change what they name and nothing else. The reader at the other end is PyYAML."""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError
from bridge.files.edit import Change, apply
from bridge.files.yaml_text import render

TEXT = """\
# evening set
set: Low tide
tempo: 126    # leave it
lanes:
  kick:   {euclid: {hits: 4, steps: 16}, out: main.gate-1}
  # derived from the two above
  spray:  {logic: "(rim xor kick) and not kick-low", out: main.gate-4}
  bass:
    euclid:
      hits: 7
      steps: 16
    out: main.gate-5   # the long cable

  line:   {notes: [A1, C2], advance: kick}
macros:
  bright: {start: 0.3, drives: [{lane: kick, setting: chance, depth: 0.4}]}
sections:
  flood: {play: [kick, spray], macros: {bright: 0.8}, lanes: {kick: {chance: 0.5}}}
order:
  - {section: flood, bars: 8}
"""


def read(text: str) -> dict[str, Any]:
    read = yaml.safe_load(text)
    assert isinstance(read, dict)
    return read


def comments(text: str) -> list[str]:
    return [line[line.index("#") :] for line in text.splitlines() if "#" in line]


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("lanes", "kick", "euclid", "hits"), 5),
        (("lanes", "kick", "chance"), 0.5),
        (("lanes", "bass", "euclid", "hits"), 9),
        (("lanes", "bass", "chance"), 0.25),
        (("lanes", "bass", "euclid"), {"hits": 3, "steps": 8}),
        (("lanes", "line", "notes"), ["A1", "F2", "."]),
        (("lanes", "hat"), {"steps": "x.x.", "out": "main.gate-2"}),
        (("tempo",), 133.3),
        (("key", "root"), "A"),
        (("macros", "bright", "start"), 0.75),
    ],
)
def test_a_value_is_put_and_the_rest_stays(path: tuple[str, ...], value: object) -> None:
    expected = read(TEXT)
    place = expected
    for key in path[:-1]:
        place = place.setdefault(key, {})
    place[path[-1]] = value
    after = apply(TEXT, [Change(path, value)])
    assert read(after) == expected
    assert comments(after) == comments(TEXT)


@pytest.mark.parametrize(
    "path",
    [
        ("lanes", "kick"),
        ("lanes", "bass"),
        ("lanes", "line"),
        ("lanes", "kick", "out"),
        ("lanes", "kick", "euclid"),
        ("lanes", "bass", "out"),
        ("order",),
    ],
)
def test_a_key_is_removed(path: tuple[str, ...]) -> None:
    expected = read(TEXT)
    place = expected
    for key in path[:-1]:
        place = place[key]
    del place[path[-1]]
    assert read(apply(TEXT, [Change(path)])) == expected


def test_the_only_key_takes_its_mapping_along() -> None:
    after = read(apply(TEXT, [Change(("macros", "bright"))]))
    assert "macros" not in after


def test_what_is_not_there_is_removed_already() -> None:
    assert apply(TEXT, [Change(("lanes", "nobody", "out"))]) == TEXT


def test_a_lane_is_renamed_wherever_it_is_named() -> None:
    after = read(apply(TEXT, [Change(("lanes", "kick"), rename="thud")]))
    assert list(after["lanes"]) == ["thud", "spray", "bass", "line"]
    assert after["lanes"]["spray"]["logic"] == "(rim xor thud) and not kick-low"
    assert after["lanes"]["line"]["advance"] == "thud"
    assert after["macros"]["bright"]["drives"][0]["lane"] == "thud"
    assert after["sections"]["flood"]["play"] == ["thud", "spray"]
    assert after["sections"]["flood"]["lanes"] == {"thud": {"chance": 0.5}}


def test_macros_and_sections_are_renamed() -> None:
    after = read(
        apply(
            TEXT,
            [
                Change(("macros", "bright"), rename="gleam"),
                Change(("sections", "flood"), rename="spring"),
            ],
        )
    )
    assert after["sections"]["spring"]["macros"] == {"gleam": 0.8}
    assert after["order"][0]["section"] == "spring"


@pytest.mark.parametrize(
    "change",
    [Change(()), Change(("lanes", "nobody"), rename="x"), Change(("lanes", "kick"), rename="bass")],
)
def test_impossible_changes_are_refused(change: Change) -> None:
    with pytest.raises(InputError):
        apply(TEXT, [change])


@pytest.mark.parametrize("text", ["", "- a", "a: [", "\tx: 1"])
def test_no_mapping_no_edit(text: str) -> None:
    with pytest.raises(InputError):
        apply(text, [Change(("a",), 1)])


# Control characters and exotic line ends have rules of their own in YAML; a set has none of them.
words = st.text(
    st.characters(
        codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters="\u2028\u2029\ufeff\x85"
    )
)
names = st.from_regex(r"[a-z][a-z0-9-]{0,5}", fullmatch=True)
values = st.recursive(
    st.none() | st.booleans() | st.integers(-1000, 1000) | words,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(names, inner, max_size=3),
    max_leaves=8,
)


@given(values)
def test_what_is_written_is_read_back(value: object) -> None:
    assert read(f"x: {render(value)}") == {"x": value}
