"""The folder of takes: found by what people call them, dropped for room, never while recorded."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

import pytest

from bridge.errors import CommandError
from bridge.files import take
from bridge.files.take_folder import TakeFolder

STEMS = ["2026-03-07T21-04-00", "2026-03-07T22-30-11", "2026-03-08T20-00-00"]


@pytest.fixture
def takes(tmp_path: Path) -> TakeFolder:
    made = TakeFolder(tmp_path)
    made.folder.mkdir()
    for stem in STEMS:
        head = {"format": 1, "set": "Low tide", "rig": "Quay rack", "began": f"{stem[:10]}T21:04"}
        foot = {"seconds": 61.5, "bars": 32, "messages": 900, "moves": 3, "lost": 0}
        raw = take.MAGIC + take.json_record("HEAD", head) + bytes(0)
        (made.folder / f"{stem}.take").write_bytes(raw + take.json_record("FOOT", foot))
    return made


def test_the_newest_comes_first(takes: TakeFolder) -> None:
    rows = takes.rows()
    assert [row.id for row in rows] == STEMS[::-1]
    assert (rows[0].bars, rows[0].seconds, rows[0].title) == (32, 61.5, "Low tide")
    assert not rows[0].recording


@pytest.mark.parametrize(
    ("text", "place"), [("last", 2), ("1", 2), ("3", 0), ("2026-03-08", 2), (STEMS[1], 1)]
)
def test_a_take_is_found_by_place_id_or_the_beginning_of_it(
    takes: TakeFolder, text: str, place: int
) -> None:
    assert takes.find(text).stem == STEMS[place]


def test_and_by_its_name(takes: TakeFolder) -> None:
    takes.rename(takes.find("3"), "  First   light ")
    assert takes.find("First light").stem == STEMS[0]
    assert takes.rows()[2].title == "First light"
    takes.star(takes.find("First light"))
    assert takes.rows()[2].name == "First light", "a star takes no name away"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("4", "there are 3 takes"),
        ("0", "there are 3 takes"),
        ("2026-03-07", "means several takes"),
        ("First lihgt", "did you mean First light"),
        ("../secret", "there is no take"),
        ("", "there is no take"),
    ],
)
def test_what_is_not_there_is_said(takes: TakeFolder, text: str, says: str) -> None:
    takes.rename(takes.find("3"), "First light")
    with pytest.raises(CommandError, match=says):
        takes.find(text)


@pytest.mark.parametrize("name", ["x" * 65, "12", "last", "bell\a", STEMS[1]])
def test_a_name_that_would_be_misread_is_refused(takes: TakeFolder, name: str) -> None:
    with pytest.raises(CommandError):
        takes.rename(takes.find("1"), name)
    assert takes.rows()[0].name == ""


def test_the_oldest_go_for_room_and_starred_ones_stay(takes: TakeFolder) -> None:
    size = takes.rows()[0].bytes
    takes.star(takes.find(STEMS[0]))
    assert takes.make_room(2 * size) == []
    assert takes.make_room(size) == [STEMS[1]]
    assert takes.make_room(0) == [], "the newest stays"
    assert [row.id for row in takes.rows()] == [STEMS[2], STEMS[0]]


def test_one_that_is_recorded_is_not_removed(takes: TakeFolder) -> None:
    path = takes.find(STEMS[0])
    path.write_bytes(path.read_bytes()[:-8])  # no foot yet
    handle = os.open(path, os.O_RDONLY)
    fcntl.flock(handle, fcntl.LOCK_EX)
    try:
        assert takes.rows()[2].recording
        with pytest.raises(CommandError, match="still being recorded"):
            takes.remove(path)
        assert STEMS[0] not in takes.make_room(10)
    finally:
        os.close(handle)
    takes.star(path)
    takes.remove(path)
    assert sorted(p.name for p in takes.folder.iterdir()) == [f"{STEMS[2]}.take"]


def test_a_note_that_cannot_be_read_is_none(takes: TakeFolder) -> None:
    takes.find("1").with_suffix(".json").write_text('{"name": 5}')
    (takes.folder / "2026-01-01T00-00-00.take").write_bytes(b"something else")
    assert takes.rows()[0].name == ""
    assert len(takes.rows()) == 3
