"""A take played again gives the stream that was recorded: every byte, every deadline."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partialmethod
from pathlib import Path
from typing import Any

import pytest
from support.taped import Evening, dense_moves

from bridge.errors import CommandError
from bridge.files.set import parse_set
from bridge.files.take import Take, TakeError, read
from bridge.music.score import compile_score
from bridge.paper.take_again import Standing, compare, joined, standing_at
from bridge.paper.take_course import Course, played
from bridge.player import stands
from bridge.player.dispatch import load
from bridge.player.messages import Swap
from bridge.player.part import Part
from bridge.supervisor import recorder


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


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_caught_up_after_a_far_jump_is_played_again_from_the_same_bar(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """When it took over depends on how busy the computer was, so the take tells it."""
    evening = Evening(tmp_path, late_ms=0.5, seed=seed)
    evening.do("start")
    evening.run(2000)
    with monkeypatch.context() as hurry:
        hurry.setattr(Part, "seek", partialmethod(Part.seek, within_ns=-1))
        evening.do("position", tick=200 * 3840)
        evening.run(700)
    dense_moves(evening, 9, 0.3, seed=seed)
    take = recorded(evening)
    (took,) = [mark for mark in take.marks if "joins" in mark]
    assert took["rendered"] > 200 * 3840
    found = compare(take)
    assert found.same, found
    marks = [mark for mark in take.marks if mark is not took]
    assert not compare(replace(take, marks=marks)).same, "it is heard"
    standing = standing_at(take, 5)
    assert standing.exact
    assert standing.place.tick > took["rendered"]


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


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_performance_in_several_files_is_played_again_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Hands moved, another set came and the song jumped, over three files and more."""
    monkeypatch.setattr(recorder, "FILE_BYTES", 12_000)
    monkeypatch.setattr(stands, "EVERY_BARS", 1)
    evening = Evening(tmp_path, late_ms=1, seed=seed)
    evening.do("start")
    while len(evening.takes.rows()) < 3:
        dense_moves(evening, 2, 0.2, seed + len(evening.takes.rows()))
        evening.written()
    evening.swap(evening.text.replace("hits: 7, steps: 16", "hits: 6, steps: 16"), "beat")
    dense_moves(evening, 4, 0.2, seed + 10)
    evening.do("position", tick=3 * 3840)
    dense_moves(evening, 4, 0.2, seed + 20)
    evening.stop()
    evening.written()
    ids = [row.id for row in evening.takes.rows()][::-1]
    files = evening.takes.files(evening.takes.find("last"))
    assert [file.stem for file in files] == ids
    assert len(ids) >= 3
    pieces = [read(file) for file in files]
    assert [piece.whole for piece in pieces] == [True] * len(pieces)
    whole = joined(pieces)
    assert [(port, data) for _, _, port, _, data in whole.sent()] == [
        (port, data) for _, port, data in evening.received()
    ]
    found = compare(whole)
    assert found.same, found
    assert found.messages == sum(len(piece.ticks) for piece in pieces)
    for count in range(1, len(pieces)):  # one that ends where a file ends
        assert compare(joined(pieces[:count])).same
    changed = replace(pieces[1], marks=[m for m in pieces[1].marks if m["is"] != "move"])
    assert not compare(joined([pieces[0], changed, *pieces[2:]])).same


def test_a_performance_without_its_first_file_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder, "FILE_BYTES", 8_000)
    monkeypatch.setattr(stands, "EVERY_BARS", 1)
    evening = Evening(tmp_path)
    evening.do("start")
    while len(evening.takes.rows()) < 2:
        evening.bars(1)
        evening.written()
    evening.stop()
    evening.written()
    *_, first = evening.takes.rows()
    evening.takes.remove(evening.takes.find(first.id))
    with pytest.raises(CommandError, match=f"goes on from {first.id}, which is not there"):
        evening.takes.files(evening.takes.find("last"))


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


# --- going on from a bar ------------------------------------------------------------------------

BAR = 3840  # 4/4: four quarters of 960 ticks


def loaded(folder: Path, standing: Standing) -> Evening:
    """Another player, of another set, that was put where a take stood."""
    text = standing.text.replace("hits: 7, steps: 16", "hits: 3, steps: 16")
    other = Evening(folder, text=text)
    other.do("start")
    other.run(1500)
    other.do("macro", macro="brightness", value=1.0)
    other.stop()
    score = compile_score(parse_set(standing.text, rig=other.rig).spec, other.rig.ranges)
    load(other.player, Swap(score, 7, place=standing.place), other.now)
    return other


def state_by_moves(take: Take, tick: int) -> Mapping[str, Any]:
    """The state at a tick by the other way there is: the moves, done on a performance alone."""
    moves = [mark for mark in take.marks if mark["is"] == "move" and mark["rendered"] < tick]
    end = {"is": "end", "tick": tick, "ns": 0}
    course = Course(replace(take, marks=[*moves, end]), played(take))
    assert len(list(course.stands())) >= len(moves) > 5
    course.performance.settle(tick)
    return course.performance.state()


def rows_of(take: Take, begin: int, end: int) -> list[tuple[Any, ...]]:
    rows = [(row[0], *row[2:]) for row in take.events if begin <= row[0] < end]
    return sorted(rows, key=repr)


@pytest.mark.parametrize(("bar", "seed"), [(2, 1), (4, 2), (6, 3)])
def test_a_player_is_put_where_the_take_stood(tmp_path: Path, bar: int, seed: int) -> None:
    """The state is that of the moves alone, done on a performance without any player; the music
    from there on is what was recorded, lane by lane, random choices and walks included."""
    evening = Evening(tmp_path / "one", late_ms=1, seed=seed)
    evening.do("start")
    while evening.player.song.tick_at(evening.now) < (bar - 1.7) * BAR:
        dense_moves(evening, 0.4, 0.1, seed=evening.now)
    evening.bars(4)
    take = recorded(evening)
    tick = (bar - 1) * BAR
    assert max(mark.get("rendered", 0) for mark in take.marks if mark["is"] == "move") < tick
    other = loaded(tmp_path / "two", standing_at(take, bar))
    assert other.player.performance.state() == state_by_moves(take, tick)
    other.do("continue")
    other.bars(2)
    again = recorded(other)
    assert again.head["begin"]["tick"] == tick
    span = (tick + 1, tick + 2 * BAR - 200)  # values that stand are said again at the begin
    assert rows_of(again, *span) == rows_of(take, *span) != []
