"""A take played again gives the stream that was recorded: every byte, every deadline."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.taped import Evening, dense_moves

from bridge.files.take import Take, TakeError
from bridge.paper.take_again import compare


def recorded(evening: Evening) -> Take:
    evening.stop()
    take = evening.take()
    evening.recorder.end(evening.now / 1e9)
    return take


@pytest.mark.parametrize(
    ("late_ms", "each_s", "seed"), [(0.0, 1.0, 1), (3.0, 0.2, 2), (0.5, 0.05, 3)]
)
def test_dense_moves_on_a_busy_computer(
    tmp_path: Path, late_ms: float, each_s: float, seed: int
) -> None:
    """Up to twenty moves a second, while the player wakes up late by chance."""
    evening = Evening(tmp_path, late_ms=late_ms, seed=seed)
    evening.do("start")
    moves = dense_moves(evening, 10, each_s, seed)
    take = recorded(evening)
    assert sum(mark["is"] == "move" for mark in take.marks) > moves / 2
    found = compare(take)
    assert found.same, found
    assert found.messages == len(take.ticks) > 2000


def test_a_rig_that_is_sent_the_clock(tmp_path: Path) -> None:
    evening = Evening(tmp_path, send_clock=True, late_ms=1)
    evening.do("start")
    dense_moves(evening, 5, 0.3)
    assert compare(recorded(evening)).same


def test_a_second_take_begins_as_the_first_was_left(tmp_path: Path) -> None:
    """Mutes, macros and values as hands left them, and a jump on the way."""
    evening = Evening(tmp_path, late_ms=1)
    evening.do("start")
    dense_moves(evening, 4, 0.3)
    evening.stop()
    evening.do("macro", macro="brightness", value=0.9)
    evening.do("start")
    dense_moves(evening, 4, 0.3, seed=6)
    evening.do("position", tick=3 * 3840)
    dense_moves(evening, 4, 0.3, seed=7)
    found = compare(recorded(evening))
    assert found.same, found


def test_another_set_in_the_middle(tmp_path: Path) -> None:
    evening = Evening(tmp_path, late_ms=1)
    evening.do("start")
    evening.run(3000)
    evening.swap(evening.text.replace("hits: 7, steps: 16", "hits: 6, steps: 16"), "beat")
    evening.run(4000)
    found = compare(recorded(evening))
    assert found.same, found


def test_the_end_of_the_program_ends_a_take_too(tmp_path: Path) -> None:
    evening = Evening(tmp_path)
    evening.do("start")
    evening.run(2000)
    evening.player.finish()
    evening.hand_on(whole=True)
    assert compare(evening.take()).same


def test_another_seed_is_another_stream(tmp_path: Path) -> None:
    """The check can fail: what is random is heard."""
    evening = Evening(tmp_path)
    evening.do("start")
    evening.run(4000)
    take = recorded(evening)
    other = replace(take, head={**take.head, "text": evening.text.replace("seed: 7", "seed: 8")})
    assert not compare(other).same


@pytest.mark.parametrize(
    ("begin", "says"),
    [
        ({"source": "pulse"}, "followed another clock"),
        ({"continues": "2026-03-07T21-04-00"}, "goes on from 2026"),
        ({"outputs": {}}, "cannot be replayed"),
    ],
)
def test_what_cannot_be_replayed_says_why(
    tmp_path: Path, begin: Mapping[str, Any], says: str
) -> None:
    evening = Evening(tmp_path)
    evening.do("start")
    evening.run(200)
    take = recorded(evening)
    head = {**take.head, "begin": {**take.head["begin"], **begin}}
    with pytest.raises(TakeError, match=says):
        compare(replace(take, head=head))
