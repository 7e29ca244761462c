"""Sets within reach: names, folders, what is compiled ahead, what was left unsaved."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from bridge import demo
from bridge.errors import CommandError
from bridge.session.set_folder import READY_MOST, SetFolder


@pytest.fixture
def sets(tmp_path: Path) -> SetFolder[str]:
    (tmp_path / "rig.yaml").write_text("rig: R\n", encoding="utf-8")
    for name in ("b", "a"):
        (tmp_path / f"{name}.yaml").write_text(f"set: Set {name}  # x\n", encoding="utf-8")
    (tmp_path / "notes.txt").write_text("set: no\n", encoding="utf-8")
    ideas = tmp_path / "ideas"
    ideas.mkdir()
    (ideas / "one.yaml").write_text('# an idea\nset: "One"\n', encoding="utf-8")
    (ideas / "own.yaml").write_text("set: Own\n", encoding="utf-8")
    (ideas / "own.rig.yaml").write_text("rig: R\n", encoding="utf-8")
    return SetFolder(tmp_path / "rig.yaml", tmp_path / "a.yaml")


def test_every_set_is_listed_once_and_the_rig_is_none(sets: SetFolder[str]) -> None:
    rows = sets.rows(sets.path("a.yaml"), saved=False)
    assert [(row.file, row.title, row.current, row.saved) for row in rows] == [
        ("a.yaml", "Set a", True, False),
        ("b.yaml", "Set b", False, True),
        ("ideas/one.yaml", "One", False, True),
    ]
    assert [row.loaded for row in rows] == [True, False, False]


def test_what_is_ready_or_was_left_is_shown(sets: SetFolder[str]) -> None:
    sets.keep_ready(sets.path("b.yaml"), "compiled")
    sets.left[sets.path("ideas/one.yaml")] = "set: One\ntempo: 90\n"
    rows = {row.file: row for row in sets.rows(sets.path("a.yaml"), saved=True)}
    assert (rows["b.yaml"].loaded, rows["b.yaml"].saved) == (True, True)
    assert (rows["ideas/one.yaml"].loaded, rows["ideas/one.yaml"].saved) == (True, False)


@pytest.mark.parametrize(
    "file", ["../a.yaml", "rig.yaml", "ideas/../../a.yaml", "/etc/a.yaml", "backups/a.yaml"]
)
def test_nothing_else_is_within_reach(sets: SetFolder[str], file: str) -> None:
    with pytest.raises(CommandError) as refused:
        sets.path(file)
    assert refused.value.kind == "unknown"


def test_names_lead_to_their_files_and_back(sets: SetFolder[str]) -> None:
    for file in ("a.yaml", "ideas/one.yaml"):
        assert sets.name(sets.path(file)) == file


def test_a_sketch_that_was_started_with_has_the_others_beside_it(tmp_path: Path) -> None:
    ideas = tmp_path / "ideas"
    ideas.mkdir()
    sets: SetFolder[str] = SetFolder(tmp_path / "rig.yaml", ideas / "one.yaml")
    assert sets.folder == tmp_path
    assert sets.path("ideas/one.yaml") == ideas / "one.yaml"


def test_only_so_much_is_kept_ready(sets: SetFolder[str]) -> None:
    for number in range(READY_MOST + 3):
        sets.keep_ready(Path(f"/{number}"), str(number))
    assert list(sets.ready) == [Path(f"/{n}") for n in range(3, READY_MOST + 3)]


def test_the_ideas_of_the_demo_are_within_reach() -> None:
    rig, path = demo.files()
    sets: SetFolder[str] = SetFolder(rig, path)
    files = {row.file for row in sets.rows(path.resolve(), saved=True)}
    own = {name for name in demo.names() if (demo.IDEAS / f"{name}.rig.yaml").exists()}
    assert {f"ideas/{name}.yaml" for name in demo.names() if name not in own} <= files
    assert "set.yaml" in files


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("rig.yaml", "rig"),
        ("rig.yml", "rig"),
        ("RIG.yaml", "rig"),
        ("rig.tuning.yaml", "tuning"),
        ("rig.tuning.yml", "tuning"),
        ("eight-gates-four-cv.yaml", "profile"),
        ("Eight-Gates-Four-CV.yml", "profile"),
        ("other.rig.yaml", "rig"),
        ("notes.yaml", "not a set"),
        ("pipe.yaml", "not a set"),
        ("folder.yaml", "not a set"),
    ],
)
async def test_a_set_is_saved_over_nothing_else(stage: Any, name: str, what: str) -> None:
    """Over no file of the rig, there or not yet, and over nothing that is not a set."""
    (stage.folder / "notes.yaml").write_text("shopping: [milk]\n", encoding="utf-8")
    os.mkfifo(stage.folder / "pipe.yaml")
    (stage.folder / "folder.yaml").mkdir()
    rig = (stage.folder / "rig.yaml").read_bytes()
    for replace in (False, True):
        body = {"file": name, "replace": replace}
        status, problem, _ = await stage.call("POST", "/api/set/save-as", body)
        assert status in (404, 409), problem
        assert name in problem["detail"]
        assert what in problem["detail"] or status == 404
    assert (stage.folder / "rig.yaml").read_bytes() == rig
    assert (stage.folder / "notes.yaml").read_text(encoding="utf-8") == "shopping: [milk]\n"
    assert not (stage.folder / "eight-gates-four-cv.yaml").exists()
    body = {"file": "high tide.yaml", "replace": False}
    assert (await stage.call("POST", "/api/set/save-as", body))[0] == 200


async def test_all_that_is_listed_can_be_opened(stage: Any, tmp_path_factory: Any) -> None:
    """A link within the folder is another name of a set; one out of it is not followed, and so it
    is not listed."""
    away = tmp_path_factory.mktemp("stick") / "ebb.yaml"
    text = (stage.folder / "low-tide.yaml").read_text(encoding="utf-8").replace("Low tide", "Ebb")
    away.write_text(text, encoding="utf-8")
    (stage.folder / "neap.yaml").write_text(text.replace("Ebb", "Neap"), encoding="utf-8")
    (stage.folder / "out.yaml").symlink_to(away)
    (stage.folder / "nowhere.yaml").symlink_to(stage.folder / "absent.yaml")
    (stage.folder / "in.yaml").symlink_to(stage.folder / "neap.yaml")
    rows = (await stage.call("GET", "/api/sets"))[1]["sets"]
    assert {row["file"] for row in rows} == {"low-tide.yaml", "neap.yaml", "in.yaml"}
    for row in rows:
        status, answer, _ = await stage.call("POST", "/api/set/open", {"file": row["file"]})
        assert (status, answer.get("name")) == (200, row["set"]), answer


async def test_a_link_to_the_rig_is_no_set(stage: Any) -> None:
    (stage.folder / "sneaky.yaml").symlink_to(stage.folder / "rig.yaml")
    body = {"file": "sneaky.yaml", "replace": True}
    assert (await stage.call("POST", "/api/set/save-as", body))[0] in (404, 409)
