"""`lanebridge history` and `lanebridge diff`, as they are typed."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bridge.cli import main
from bridge.files.store import BACKUPS, moments, save

FIRST = "set: Low tide\ntempo: 126\nlanes:\n  rim: {euclid: {hits: 5, steps: 16}}  # the rim\n"
SECOND = FIRST.replace("hits: 5", "hits: 7")
THIRD = SECOND.replace("tempo: 126", "tempo: 90")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "set.yaml"
    for hour, text in enumerate((FIRST, SECOND, THIRD)):
        save(path, text, datetime(2026, 1, 31, 20 + hour))
    return path


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def test_every_saved_moment_is_listed_with_what_the_save_changed(file: Path) -> None:
    result = run("history", file)
    assert result.exit_code == 0
    assert result.output.splitlines() == [
        "  1  until 2026-01-31 22:00:00; what that save changed:",
        "       tempo 126 to 90",
        "  2  until 2026-01-31 21:00:00; what that save changed:",
        "       rim: hits 5 to 7",
    ]


@pytest.mark.parametrize("moment", ["2", "2026-01-31T21", "2026-01-31T21-00-00"])
def test_any_saved_moment_can_be_seen_and_brought_back(file: Path, moment: str) -> None:
    assert run("history", file, "--show", moment).output == FIRST
    assert file.read_text() == THIRD
    result = run("history", file, "--back", moment)
    assert result.exit_code == 0
    assert file.read_text() == FIRST
    assert run("history", file, "--back", "1").exit_code == 0
    assert file.read_text() == THIRD


def test_a_file_that_was_taken_away_comes_back(file: Path) -> None:
    file.unlink()
    assert "the file was taken away" in run("history", file).output
    result = run("history", file, "--back", "1")
    assert "there again" in result.output
    assert file.read_text() == SECOND


@pytest.mark.parametrize(
    ("moment", "says"),
    [
        ("3", "has no saved moment 3; there are 2, the newest is 1"),
        ("0", "has no saved moment 0"),
        ("2026", "has 2 saved moments that begin with 2026; write more of the time"),
        ("../x", "has no saved moment ../x"),
    ],
)
def test_a_moment_that_is_not_there_is_said(file: Path, moment: str, says: str) -> None:
    result = run("history", file, "--back", moment)
    assert result.exit_code == 1
    assert says in result.output
    assert file.read_text() == THIRD


def test_a_file_without_a_past_says_so_and_one_that_is_not_there_too(tmp_path: Path) -> None:
    path = tmp_path / "new.yaml"
    assert "no such file" in run("history", path).output
    path.write_text(FIRST)
    assert "no saved moments yet" in run("history", path).output
    assert "no saved moments yet" in run("diff", path).output


def test_two_versions_are_compared_in_words(file: Path, tmp_path: Path) -> None:
    assert run("diff", file).output == "tempo 126 to 90\n"
    assert run("diff", f"{file}@2", file).output == "tempo 126 to 90\nrim: hits 5 to 7\n"
    assert run("diff", f"{file}@2", f"{file}@1").output == "rim: hits 5 to 7\n"
    other = tmp_path / "other.yaml"
    other.write_text(THIRD + "# by hand\n")
    assert run("diff", file, other).output == "they say the same\n"
    assert run("diff", file, file).output == "they are the same\n"
    assert run("diff", file, tmp_path / "nothing.yaml").exit_code == 1


def test_what_only_looks_like_a_copy_is_none(file: Path) -> None:
    for name in ("set.2026-13-31T21-00-00.yaml", "set.old.yaml", "other.2026-01-31T21-00-00.yaml"):
        (file.parent / BACKUPS / name).write_text("x")
    assert [moment.stamp for moment in moments(file)] == [
        "2026-01-31T22-00-00",
        "2026-01-31T21-00-00",
    ]
