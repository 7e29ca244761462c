"""What the supervisor says and refuses; the processes themselves are in tests/real/test_kill.py."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bridge.player.start import Start
from bridge.supervisor.folders import state_folder
from bridge.supervisor.greeting import greeting, is_journal
from bridge.supervisor.supervise import Options, run

GOOD_RIG = "rig: Quay rack\ninterfaces:\n  main: {profile: eight-gates-four-cv}\n"
START = Start(None, {}, {}, "", rig="Quay rack", set="Low tide")  # type: ignore[arg-type]


def test_wrong_files_are_exit_1_with_every_problem(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    (tmp_path / "rig.yaml").write_text(GOOD_RIG)
    (tmp_path / "set.yaml").write_text(
        "set: x\nlanes:\n"
        "  a: {euclid: {hits: 17, steps: 16}, out: main.gate-1}\n"
        '  b: {logic: "b", out: main.gate-99}\n'
    )
    assert run(Options(tmp_path / "rig.yaml", tmp_path / "set.yaml")) == 1
    said = capsys.readouterr().err
    assert "17 hits" in said
    assert "gate-99" in said
    assert not list(tmp_path.glob("lanebridge-*")), "the runtime folder is gone"
    assert run(Options(tmp_path / "nowhere.yaml", tmp_path / "set.yaml")) == 1
    assert "nowhere.yaml" in capsys.readouterr().err


def test_the_address_is_one_line_and_has_a_picture_only_on_the_network() -> None:
    assert greeting("http://127.0.0.1:8420/", START, None) == (
        "Low tide on Quay rack: http://127.0.0.1:8420/"
    )
    line, *picture = greeting("http://192.0.2.7:8420/", START, "secret", "ABCD-EFGH").splitlines()
    assert line.endswith("http://192.0.2.7:8420/?token=secret")
    assert picture[0].endswith("ABCD-EFGH")
    assert len(picture) > 10


@pytest.mark.parametrize("encoding", ["ascii", "no such encoding"])
def test_a_terminal_without_block_characters_gets_the_address_alone(encoding: str) -> None:
    text = greeting("http://192.0.2.7:8420/", START, "secret", encoding=encoding)
    assert text == "Low tide on Quay rack: http://192.0.2.7:8420/?token=secret"


def test_the_journal_gets_neither_token_nor_code(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """systemd.exec(5): JOURNAL_STREAM has device and inode of the stream to the journal."""
    with (tmp_path / "journal").open("w+", encoding="utf-8") as out:
        facts = os.fstat(out.fileno())
        handle = out.fileno()
        monkeypatch.setenv("JOURNAL_STREAM", f"{facts.st_dev}:{facts.st_ino}")
        assert is_journal(handle)
        monkeypatch.setenv("JOURNAL_STREAM", f"{facts.st_dev}:{facts.st_ino + 1}")
        assert not is_journal(handle)  # another program's
    assert not is_journal(handle)  # closed
    said = greeting("http://192.0.2.7:8420/", START, "secret", "ABCD-EFGH", journal=True)
    assert said.splitlines() == [
        "Low tide on Quay rack: http://192.0.2.7:8420/",
        "To let a device in: lanebridge ctl pair",
    ]


def test_where_the_state_is_kept(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert state_folder() == tmp_path / "lanebridge"
    monkeypatch.delenv("XDG_STATE_HOME")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert state_folder() == tmp_path / ".local/state/lanebridge"
