"""Sets within reach: names, folders, what is compiled ahead, what was left unsaved."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge import demo
from bridge.errors import CommandError
from bridge.service.shelf import READY_MOST, Shelf


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf[str]:
    (tmp_path / "rig.yaml").write_text("rig: R\n", encoding="utf-8")
    for name in ("b", "a"):
        (tmp_path / f"{name}.yaml").write_text(f"set: Set {name}  # x\n", encoding="utf-8")
    (tmp_path / "notes.txt").write_text("set: no\n", encoding="utf-8")
    ideas = tmp_path / "ideas"
    ideas.mkdir()
    (ideas / "one.yaml").write_text('# an idea\nset: "One"\n', encoding="utf-8")
    (ideas / "own.yaml").write_text("set: Own\n", encoding="utf-8")
    (ideas / "own.rig.yaml").write_text("rig: R\n", encoding="utf-8")
    return Shelf(tmp_path / "rig.yaml", tmp_path / "a.yaml")


def test_every_set_is_listed_once_and_the_rig_is_none(shelf: Shelf[str]) -> None:
    rows = shelf.rows(shelf.path("a.yaml"), saved=False)
    assert [(row.file, row.title, row.current, row.saved) for row in rows] == [
        ("a.yaml", "Set a", True, False),
        ("b.yaml", "Set b", False, True),
        ("ideas/one.yaml", "One", False, True),
    ]
    assert [row.loaded for row in rows] == [True, False, False]


def test_what_is_ready_or_was_left_is_shown(shelf: Shelf[str]) -> None:
    shelf.keep_ready(shelf.path("b.yaml"), "compiled")
    shelf.left[shelf.path("ideas/one.yaml")] = "set: One\ntempo: 90\n"
    rows = {row.file: row for row in shelf.rows(shelf.path("a.yaml"), saved=True)}
    assert (rows["b.yaml"].loaded, rows["b.yaml"].saved) == (True, True)
    assert (rows["ideas/one.yaml"].loaded, rows["ideas/one.yaml"].saved) == (True, False)


@pytest.mark.parametrize(
    "file", ["../a.yaml", "rig.yaml", "ideas/../../a.yaml", "/etc/a.yaml", "backups/a.yaml"]
)
def test_nothing_else_is_within_reach(shelf: Shelf[str], file: str) -> None:
    with pytest.raises(CommandError) as refused:
        shelf.path(file)
    assert refused.value.kind == "unknown"


def test_names_lead_to_their_files_and_back(shelf: Shelf[str]) -> None:
    for file in ("a.yaml", "ideas/one.yaml"):
        assert shelf.name(shelf.path(file)) == file


def test_a_sketch_that_was_started_with_has_the_others_beside_it(tmp_path: Path) -> None:
    ideas = tmp_path / "ideas"
    ideas.mkdir()
    shelf: Shelf[str] = Shelf(tmp_path / "rig.yaml", ideas / "one.yaml")
    assert shelf.folder == tmp_path
    assert shelf.path("ideas/one.yaml") == ideas / "one.yaml"


def test_only_so_much_is_kept_ready(shelf: Shelf[str]) -> None:
    for number in range(READY_MOST + 3):
        shelf.keep_ready(Path(f"/{number}"), str(number))
    assert list(shelf.ready) == [Path(f"/{n}") for n in range(3, READY_MOST + 3)]


def test_the_ideas_of_the_demo_are_within_reach() -> None:
    rig, path = demo.files()
    shelf: Shelf[str] = Shelf(rig, path)
    files = {row.file for row in shelf.rows(path.resolve(), saved=True)}
    own = {name for name in demo.names() if (demo.IDEAS / f"{name}.rig.yaml").exists()}
    assert {f"ideas/{name}.yaml" for name in demo.names() if name not in own} <= files
    assert "set.yaml" in files
