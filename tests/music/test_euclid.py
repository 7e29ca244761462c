"""Euclidean patterns against the published tables (tests/reference/euclid_*.csv).

Sources: Bjorklund, SNS-NOTE-CNTRL-99 (2003); Toussaint, BRIDGES 2002 and 2005; Demaine et al.,
Computational Geometry 42 (2009); each row of the tables names its own.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.music.euclid import euclid, rotate
from bridge.music.pattern import steps_text

REFERENCE = Path(__file__).parents[1] / "reference"


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def necklace(text: str) -> str:
    return min(text[turn:] + text[:turn] for turn in range(len(text)))


@pytest.mark.parametrize("row", rows("euclid_conventions"), ids=lambda row: row["id"])
def test_every_pair_up_to_sixteen_steps_follows_the_forced_grouping(row: dict[str, str]) -> None:
    assert steps_text(euclid(int(row["k"]), int(row["n"]))) == row["grouping_forced_first_pass"]


@pytest.mark.parametrize("row", rows("euclid_conventions"), ids=lambda row: row["id"])
def test_other_conventions_are_rotations(row: dict[str, str]) -> None:
    ours = necklace(steps_text(euclid(int(row["k"]), int(row["n"]))))
    for column in (
        "value",
        "bjorklund2003_raw",
        "floor_formula",
        "mod_formula",
        "bucket_accumulator",
    ):
        assert necklace(row[column]) == ours


@pytest.mark.parametrize("row", rows("euclid_toussaint"), ids=lambda row: row["id"])
def test_published_rhythms(row: dict[str, str]) -> None:
    ours = steps_text(euclid(int(row["k"]), int(row["n"])))
    if row["equals_grouping_forced_first_pass"] == "true":
        assert ours == row["value"]
    else:  # the 2009 list prints another rotation of the pairs with one rest
        assert ours != row["value"]
        assert necklace(ours) == necklace(row["value"])


@pytest.mark.parametrize("row", rows("euclid_started_on"), ids=lambda row: row["id"])
def test_named_starting_points_are_reached_by_rotating(row: dict[str, str]) -> None:
    base = tuple(int(sign == "x") for sign in row["base"])
    assert steps_text(rotate(base, int(row["left_rotation_steps"]))) == row["value"]
    hits, steps = int(row["k"]), int(row["n"])
    reached = {steps_text(euclid(hits, steps, turn)) for turn in range(steps)}
    assert row["value"] in reached


@pytest.mark.parametrize("row", rows("euclid_clave_timelines"), ids=lambda row: row["id"])
def test_only_one_clave_timeline_is_euclidean(row: dict[str, str]) -> None:
    rotations = {steps_text(euclid(5, 16, turn)) for turn in range(16)}
    assert (row["value"] in rotations) == (row["is_rotation_of_E_5_16"] == "true")
    if row["left_rotation_of_E_5_16"]:
        assert steps_text(euclid(5, 16, int(row["left_rotation_of_E_5_16"]))) == row["value"]


@given(st.integers(1, 64).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_even_spread(pair: tuple[int, int]) -> None:
    """Distances between hits differ by at most one step (the problem's statement, Bjorklund)."""
    hits, steps = pair
    marks = euclid(hits, steps)
    assert len(marks) == steps
    assert sum(marks) == hits
    places = [place for place, mark in enumerate(marks) if mark]
    gaps = {(b - a - 1) % steps + 1 for a, b in zip(places, places[1:] + places[:1], strict=True)}
    assert not gaps or max(gaps) - min(gaps) <= 1
    assert not hits or marks[0] == 1


@given(st.lists(st.integers(0, 2), min_size=1, max_size=20).map(tuple), st.integers(-70, 70))
def test_rotation_moves_the_first_steps_to_the_end(marks: tuple[int, ...], turn: int) -> None:
    turned = rotate(marks, turn)
    assert all(turned[i] == marks[(i + turn) % len(marks)] for i in range(len(marks)))


def test_out_of_range_is_refused_and_too_many_hits_fill() -> None:
    with pytest.raises(ValueError, match="0 steps"):
        euclid(1, 0)
    with pytest.raises(ValueError, match="65 steps"):
        euclid(1, 65)
    with pytest.raises(ValueError, match="below 0"):
        euclid(-1, 8)
    assert euclid(9, 8) == (1,) * 8
    assert euclid(0, 3) == (0, 0, 0)
