"""The token of the network stays the same from start to start, and only its owner can read it."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from bridge.files.token import FILE_NAME, kept_token


def test_it_is_the_same_at_every_start_and_private(tmp_path: Path) -> None:
    token, note = kept_token(tmp_path)
    assert note == ""
    assert stat.S_IMODE((tmp_path / FILE_NAME).stat().st_mode) == 0o600
    assert kept_token(tmp_path) == (token, "")
    (tmp_path / FILE_NAME).unlink()
    assert kept_token(tmp_path)[0] != token


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o620])
def test_one_that_others_could_touch_is_not_used_again(tmp_path: Path, mode: int) -> None:
    token, _ = kept_token(tmp_path)
    (tmp_path / FILE_NAME).chmod(mode)
    other, note = kept_token(tmp_path)
    assert other != token
    assert "others" in note
    assert stat.S_IMODE((tmp_path / FILE_NAME).stat().st_mode) == 0o600
    assert kept_token(tmp_path) == (other, "")


@pytest.mark.parametrize(
    "content", [b"", b"short", b"\x00" * 40, b"x" * 500, b"a b c d e f g h i j k l m"]
)
def test_a_strange_file_is_replaced_and_said(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    (tmp_path / FILE_NAME).chmod(0o600)
    token, note = kept_token(tmp_path)
    assert len(token) >= 22
    assert FILE_NAME in note
    assert kept_token(tmp_path) == (token, "")


def test_a_link_is_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("precious")
    (tmp_path / FILE_NAME).symlink_to(victim)
    token, note = kept_token(tmp_path)
    assert note
    assert victim.read_text() == "precious"
    assert kept_token(tmp_path) == (token, "")


def test_a_pipe_in_its_place_hangs_nothing(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / FILE_NAME, 0o600)
    token, note = kept_token(tmp_path)
    assert note
    assert kept_token(tmp_path) == (token, "")


def test_where_nothing_can_be_kept_it_is_for_this_run(tmp_path: Path) -> None:
    token, note = kept_token(tmp_path / "absent")
    assert len(token) >= 22
    assert "this run only" in note
