"""The demo is played from a copy: up to date, unless somebody saved something in it."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from bridge import demo
from bridge.cli import main
from bridge.demo import working
from bridge.errors import BridgeError
from bridge.files import store
from bridge.files.rig import load_rig
from bridge.files.set import load_set
from bridge.supervisor import replacing
from bridge.supervisor.loading import Options

NOW = datetime(2030, 1, 2, 3, 4, 5)


def test_a_first_start_copies_everything(tmp_path: Path) -> None:
    rig, set_file, lines = working.files(tmp_path / "not" / "there")
    assert set_file.read_bytes() == demo.files()[1].read_bytes()
    assert load_set(set_file, load_rig(rig)).spec.name == "Low tide"
    assert lines == [f"edits are saved in {tmp_path / 'not' / 'there' / 'demo'}"]
    for idea in demo.names():
        rig, set_file, _ = working.files(tmp_path / "not" / "there", idea)
        assert [p.read_bytes() for p in (rig, set_file)] == [
            p.read_bytes() for p in demo.files(idea)
        ]


def test_what_was_saved_is_played_again_and_said(tmp_path: Path) -> None:
    _, set_file, _ = working.files(tmp_path)
    store.save(set_file, set_file.read_text() + "# mine\n", NOW)
    _, set_file, lines = working.files(tmp_path)
    assert set_file.read_text().endswith("# mine\n")
    assert "set.yaml is as you saved it" in lines[0]
    assert "--as-shipped" in lines[0]


def test_fresh_brings_it_back_and_keeps_a_dated_copy(tmp_path: Path) -> None:
    _, set_file, _ = working.files(tmp_path)
    mine = set_file.read_text() + "# mine\n"
    set_file.write_text(mine)
    _, set_file, lines = working.files(tmp_path, fresh=True, now=NOW)
    assert set_file.read_bytes() == demo.files()[1].read_bytes()
    assert len(lines) == 1
    assert [copy.read_text() for copy in store.backups(set_file)] == [mine]
    assert working.files(tmp_path)[2] == lines  # nothing of mine is left


def test_an_old_copy_that_nobody_touched_is_no_edit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shipped = tmp_path / "shipped"
    (shipped / "ideas").mkdir(parents=True)
    for name in ("rig.yaml", "set.yaml"):
        (shipped / name).write_bytes((demo.FOLDER / name).read_bytes())
    monkeypatch.setattr(demo, "FOLDER", shipped)
    state = tmp_path / "state"
    working.files(state)
    (shipped / "set.yaml").write_text("set: Slack water\nlanes: {}\n")  # an upgrade
    rig, _, lines = working.files(state)
    assert (state / "demo" / "set.yaml").read_text().startswith("set: Slack water")
    assert len(lines) == 1
    assert rig == state / "demo" / "rig.yaml"


def test_a_damaged_memory_takes_everything_for_saved_that_differs(tmp_path: Path) -> None:
    _, set_file, _ = working.files(tmp_path)
    (tmp_path / "demo" / working.COPIED).write_text("[")
    set_file.write_text(set_file.read_text() + "# mine\n")
    assert "as you saved it" in working.files(tmp_path)[2][0]


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "demo").write_text("a file")
    with pytest.raises(BridgeError, match="XDG_STATE_HOME"):
        working.files(tmp_path)
    with pytest.raises(BridgeError, match="did you mean"):
        working.files(tmp_path, "euclids")


def test_the_command_plays_the_copy_and_never_the_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Path] = []

    def run(options: Options) -> None:
        asked.extend((options.rig, options.set))

    monkeypatch.setattr(replacing, "play", run)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    result = CliRunner().invoke(main, ["demo"])
    assert result.exit_code == 0
    folder = tmp_path / "lanebridge" / "demo"
    assert asked == [folder / "rig.yaml", folder / "set.yaml"]
    assert f"edits are saved in {folder}" in result.stderr
    assert os.access(folder / "set.yaml", os.W_OK)
