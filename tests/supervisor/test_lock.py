"""Two programs on one state folder would write over each other: the second is refused."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bridge.errors import BridgeError
from bridge.supervisor import lock, supervise
from bridge.supervisor.folders import state_folder

FILES = Path(supervise.__file__).parent.parent / "demo"


def test_a_state_folder_is_for_one_at_a_time(tmp_path: Path) -> None:
    first = lock.take(tmp_path / "state")
    assert first is not None
    with pytest.raises(BridgeError, match=f"process {os.getpid()}"):
        lock.take(tmp_path / "state")
    os.close(first)
    second = lock.take(tmp_path / "state")
    assert second is not None
    os.close(second)


def test_the_command_says_so_and_ends_with_3(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    held = lock.take(state_folder())
    assert held is not None
    assert supervise.run(supervise.Options(FILES / "rig.yaml", FILES / "set.yaml")) == 3
    (line,) = capsys.readouterr().err.splitlines()
    assert str(state_folder()) in line
    os.close(held)


def test_where_nothing_can_be_written_there_is_no_lock(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    assert lock.take(tmp_path / "file") is None
