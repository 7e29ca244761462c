"""Saving is exact: what is written is read as the same, in whatever style the file was written.

The styles come from `support.styled_yaml`, which follows the YAML specification and knows nothing
of the product's own way to write; what an edit should give is worked out here on plain data.
"""

from __future__ import annotations

import copy
import json
from datetime import datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from support.styled_yaml import comments, styled
from support.written import sets

from bridge.errors import InputError
from bridge.files import store, yaml_events
from bridge.files.document import Document
from bridge.files.edit import Change, append_row, apply, put_row, remove_row
from bridge.files.plain import same
from bridge.files.rig import load_rig, parse_rig
from bridge.files.set import load_set, parse_set
from bridge.files.yaml_events import COMPILED, events

RANDOM = st.integers(0, 2**32).map(Random)
CALM = settings(
    deadline=None,
    max_examples=40,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
NOW = datetime(2026, 1, 31, 21, 5)


def spec_of(data: dict[str, Any]) -> Any:
    """What JSON, which is YAML with everything in quotes, is read as."""
    return parse_set(json.dumps(data, ensure_ascii=False)).spec


@CALM
@given(sets(), RANDOM)
def test_a_set_that_was_saved_is_the_set(
    tmp_path: Path, data: dict[str, Any], random: Random
) -> None:
    if not data["sections"]["all"]:
        data["sections"]["all"] = {"macros": {}}
    text = styled(data, random)
    path = tmp_path / "set.yaml"
    store.save(path, text, NOW)
    assert load_set(path).spec == spec_of(data)
    assert path.read_bytes() == text.encode()


@CALM
@given(st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S"]), min_size=1), RANDOM)
def test_a_rig_that_was_saved_is_the_rig(tmp_path: Path, words: str, random: Random) -> None:
    data: dict[str, Any] = {
        "rig": words[:20],
        "interfaces": {
            "main": {
                "profile": "eight-gates-four-cv",
                "port": words[:9],
                "cables": {
                    "gate-1": {"to": words[-20:], "notes": "low\u00a0end"[:3], "colour": "red"},
                    "gate-2": words[:5],
                },
            },
            "other": {"profile": "eight-gates-four-cv"},
        },
        "clock": {"offset_ms": random.uniform(-100, 100), "send_to": ["main", "other"]},
        "controllers": {"desk": {"port": "k", "controls": [{"cc": 1, "macro": "push"}]}},
    }
    try:
        wanted = parse_rig(json.dumps(data, ensure_ascii=False))
    except ValueError:
        return  # words that are no good name: refused the same, whatever their style
    path = tmp_path / "rig.yaml"
    store.save(path, styled(data, random), NOW)
    rig = load_rig(path)
    assert rig.cables == wanted.cables
    assert rig.clock == wanted.clock
    assert rig.controllers == wanted.controllers
    assert (rig.name, rig.interfaces, rig.wired) == (wanted.name, wanted.interfaces, wanted.wired)


# --- edits --------------------------------------------------------------------------------------

TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=12)
NAMES = st.from_regex(r"[a-z][a-z0-9-]{0,4}", fullmatch=True) | st.sampled_from(["on", "null", "1"])
SCALARS = (
    st.booleans()
    | st.integers(-(2**60), 2**60)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXTS
)
VALUES = st.recursive(
    SCALARS | st.none(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(NAMES, inner, max_size=4),
    max_leaves=12,
)
FILES = st.dictionaries(NAMES, VALUES, min_size=1, max_size=5)


def paths(data: dict[str, Any], head: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for key, value in data.items():
        found.append((*head, key))
        if isinstance(value, dict):
            found += paths(value, (*head, key))
    return found


def expected(data: dict[str, Any], path: tuple[str, ...], value: Any) -> dict[str, Any]:
    """The data after a change, worked out on its own copy."""
    data = copy.deepcopy(data)
    places: list[Any] = [data]
    for key in path[:-1]:
        if value is None and not (isinstance(places[-1].get(key), dict)):
            return data
        if not isinstance(places[-1].get(key), dict):
            places[-1][key] = {}
        places.append(places[-1][key])
    if value is not None:
        places[-1][path[-1]] = value
        return data
    if path[-1] not in places[-1]:
        return data
    del places[-1][path[-1]]
    while len(places) > 1 and not places[-1]:
        places.pop()
        del places[-1][path[len(places) - 1]]
    return data


@CALM
@given(FILES, RANDOM, VALUES, NAMES, st.booleans())
def test_an_edit_changes_what_it_names_and_nothing_else(
    data: dict[str, Any], random: Random, value: Any, name: str, aliases: bool
) -> None:
    text = styled(data, random, aliases=aliases)
    assert same(Document.parse(text).data, data)
    path = random.choice(paths(data))
    if random.random() < 0.3:
        path = (*path[:-1], name) if random.random() < 0.5 else (*path, name)
    wanted = expected(data, path, value)
    if not wanted:
        return  # a file that says nothing is none
    after = apply(text, [Change(path, value)])
    assert same(Document.parse(after).data, wanted), after


@CALM
@given(FILES, RANDOM, SCALARS, NAMES)
def test_comments_of_the_writer_stay(
    data: dict[str, Any], random: Random, value: Any, name: str
) -> None:
    text = styled(data, random, aliases=False)
    path = random.choice(paths(data))
    here: Any = data
    for key in path:
        here = here[key]
    if isinstance(here, dict | list):
        return  # what is replaced as a whole goes with what is said inside it
    assert comments(apply(text, [Change(path, value)])) == comments(text)
    new = (*path[:-1], name)
    if expected(data, new, value).keys() == data.keys() and len(new) == 1:
        return
    before: Any = data
    for key in path[:-1]:
        before = before[key]
    if name not in before:
        assert comments(apply(text, [Change(new, value)])) == comments(text)


@CALM
@given(FILES, RANDOM)
def test_a_list_that_changes_in_one_row_keeps_the_comments_on_the_others(
    data: dict[str, Any], random: Random
) -> None:
    rows = [{"cc": n, "macro": "push"} for n in range(random.randint(2, 5))]
    data = {**data, "rows": rows}
    text = styled(data, random, aliases=False)
    other = copy.deepcopy(rows)
    other[random.randrange(len(rows))]["macro"] = "pull"
    after = apply(text, [Change(("rows",), other)])
    assert same(Document.parse(after).data, {**data, "rows": other})
    assert comments(after) == comments(text)
    more = apply(text, [Change(("rows",), [*rows, {"cc": 99}])])
    assert same(Document.parse(more).data, {**data, "rows": [*rows, {"cc": 99}]})
    assert comments(more) == comments(text)


@CALM
@given(FILES, RANDOM, VALUES)
def test_rows_are_exact_too(data: dict[str, Any], random: Random, value: Any) -> None:
    rows: list[Any] = [random.choice([1, "a", {"b": [2]}, ["c"]]) for _ in range(3)]
    data = {**data, "rows": {"of": rows}}
    text = styled(data, random)
    place = random.randrange(3)
    for after, wanted in (
        (append_row(text, ("rows", "of"), value), [*rows, value]),
        (put_row(text, ("rows", "of"), place, value), [*rows[:place], value, *rows[place + 1 :]]),
        (remove_row(text, ("rows", "of"), place), [*rows[:place], *rows[place + 1 :]]),
    ):
        assert same(Document.parse(after).data, {**data, "rows": {"of": wanted}}), after


@CALM
@given(sets(), RANDOM, st.booleans())
def test_a_renamed_lane_plays_the_same(data: dict[str, Any], random: Random, aliases: bool) -> None:
    data["sections"]["all"] = {"lanes": {"kick": {"chance": 0.5}}}
    text = styled(data, random, aliases=aliases)
    after = apply(text, [Change(("lanes", "kick"), rename="thud")])
    back = apply(after, [Change(("lanes", "thud"), rename="kick")])
    assert "thud" in Document.parse(after).data["lanes"]
    assert parse_set(after).spec.lanes != parse_set(text).spec.lanes
    assert parse_set(back).spec == parse_set(text).spec
    if not aliases:
        assert comments(after) == comments(text)


@pytest.mark.parametrize("value", [float("nan"), float("-inf"), "\ud800", {"b": [float("inf")]}])
def test_what_no_file_can_say_is_refused(value: object) -> None:
    with pytest.raises(InputError):
        apply("a: 1\n", [Change(("a",), value)])


def test_an_alias_is_written_out_where_only_one_of_two_changes() -> None:
    text = "lanes:  # voices\n  a: &one {steps: x.x., chance: 0.5}  # first\n  b: *one   # as a\n"
    after = apply(text, [Change(("lanes", "b", "chance"), 0.25)])
    assert yaml.safe_load(after) == {
        "lanes": {"a": {"steps": "x.x.", "chance": 0.5}, "b": {"steps": "x.x.", "chance": 0.25}}
    }
    assert [f"# {word}" in after for word in ("voices", "first", "as a")] == [True] * 3


@pytest.mark.parametrize("sign", ["|", ">-", "|+"])
def test_what_stands_under_a_block_text_stays_there(sign: str) -> None:
    text = f"a: {sign}\n  kick or rim\nb:\n  c: {sign}\n    x\n\n  d: 1  # last\n"
    before = yaml.safe_load(text)
    after = apply(text, [Change(("a",), "new"), Change(("b", "e"), 2)])
    assert yaml.safe_load(after) == {"a": "new", "b": {**before["b"], "e": 2}}
    assert "# last" in after


# --- two parsers --------------------------------------------------------------------------------


@pytest.mark.skipif(COMPILED is None, reason="the library came without its compiled parser")
@CALM
@given(FILES, RANDOM)
@example({"a": None}, Random(1))
def test_both_parsers_of_the_library_say_the_same(data: dict[str, Any], random: Random) -> None:
    text = styled(data, random)
    # Where nothing is written, they put it before or after the blanks there.
    assert _told(text, COMPILED) == _told(text, yaml.SafeLoader)


def _told(text: str, loader: Any) -> list[tuple[Any, ...]]:
    found = []
    for event in yaml.parse(text, Loader=loader):
        start, end = event.start_mark, event.end_mark
        assert start is not None
        assert end is not None
        row: tuple[Any, ...] = (type(event), getattr(event, "anchor", None))
        if isinstance(event, yaml.ScalarEvent):
            row += (event.value, event.style or None, event.tag)
        if isinstance(event, yaml.ScalarEvent) and start.index == end.index:
            found.append(row)
        elif isinstance(event, yaml.NodeEvent):
            found.append((*row, start.index, start.line, start.column, end.index))
    return found


@pytest.mark.parametrize("text", ["a: [1, 2", "a: 1\n b: 2\n", "a: 'x", "a: \x07", "a: |#b\n  x"])
def test_what_one_parser_refuses_is_refused_in_the_words_of_the_other(
    text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(yaml.YAMLError) as usual:
        list(events(text))
    monkeypatch.setattr(yaml_events, "COMPILED", None)
    with pytest.raises(yaml.YAMLError) as slow:
        list(events(text))
    assert str(usual.value) == str(slow.value)
