"""Rows of lists in a file that a person wrote: the rest stays as it stands."""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from bridge.files.edit import append_row, put_row, remove_row

BLOCK = """\
rig: Quay rack   # by the window
controllers:
  desk:
    port: Knobs
    controls:      # left to right
      - {cc: 20, macro: brightness}   # the big one
      - note: 36                      # red button
        mute: kick
      - {note: 37, transport: start}
  pads: {port: Pads, controls: [{note: 1, mute: rim}, {note: 2, mute: kick}]}
# the end
"""
PATH = ("controllers", "desk", "controls")
FLOW = ("controllers", "pads", "controls")
NEW = {"cc": 21, "macro": "flotsam"}


def rows(text: str, path: tuple[str, ...] = PATH) -> list[Any]:
    data = yaml.safe_load(text)
    for key in path:
        data = data[key]
    assert isinstance(data, list)
    return data


def kept_lines(text: str) -> list[str]:
    return [line for line in BLOCK.splitlines() if line in text.splitlines()]


def test_a_row_is_added_below_the_others() -> None:
    text = append_row(BLOCK, PATH, NEW)
    assert rows(text) == [*rows(BLOCK), NEW]
    assert kept_lines(text) == BLOCK.splitlines()
    assert "      - {cc: 21, macro: flotsam}\n  pads:" in text


def test_a_row_is_added_to_a_list_on_one_line() -> None:
    text = append_row(BLOCK, FLOW, NEW)
    assert rows(text, FLOW) == [*rows(BLOCK, FLOW), NEW]
    assert len(kept_lines(text)) == len(BLOCK.splitlines()) - 1


@pytest.mark.parametrize("before", ["", "\n    controls: []"])
def test_a_list_that_is_not_there_is_made(before: str) -> None:
    text = append_row(f"controllers:\n  desk:\n    port: Knobs{before}\n", PATH, NEW)
    assert rows(text) == [NEW]


@pytest.mark.parametrize("place", [0, 1, 2])
@pytest.mark.parametrize("path", [PATH, FLOW])
def test_a_row_is_replaced_or_removed(path: tuple[str, ...], place: int) -> None:
    before = rows(BLOCK, path)
    if place >= len(before):
        with pytest.raises(IndexError):
            put_row(BLOCK, path, place, NEW)
        with pytest.raises(IndexError):
            remove_row(BLOCK, path, place)
        return
    after = put_row(BLOCK, path, place, NEW)
    assert rows(after, path) == [*before[:place], NEW, *before[place + 1 :]]
    less = remove_row(BLOCK, path, place)
    assert rows(less, path) == [*before[:place], *before[place + 1 :]]
    for text in (after, less):
        assert "# by the window" in text
        assert "# left to right" in text
        assert "# the end" in text


def test_the_last_row_takes_its_key_along() -> None:
    text = "controllers:\n  desk:\n    port: Knobs\n    controls:\n      - {cc: 1, macro: m}\n"
    assert yaml.safe_load(remove_row(text, PATH, 0)) == {"controllers": {"desk": {"port": "Knobs"}}}


ROW = st.dictionaries(st.sampled_from(["cc", "note", "channel"]), st.integers(0, 127), min_size=1)


@given(st.lists(ROW, min_size=2, max_size=5), st.data())
def test_rows_follow_a_list_of_python(made: list[dict[str, int]], data: st.DataObject) -> None:
    block = "a:\n  b:\n" + "".join(
        f"    - {yaml.safe_dump(r, default_flow_style=True)}" for r in made
    )
    place = data.draw(st.integers(0, len(made) - 1))
    assert rows(append_row(block, ("a", "b"), NEW), ("a", "b")) == [*made, NEW]
    assert rows(put_row(block, ("a", "b"), place, NEW), ("a", "b"))[place] == NEW
    del made[place]
    assert rows(remove_row(block, ("a", "b"), place), ("a", "b")) == made
