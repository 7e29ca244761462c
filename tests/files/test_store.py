"""Files are old or new, never neither, whichever step fails; what was there has a dated copy.

Rules of rename and fsync: POSIX.1-2017, rename() and fsync(); that the folder has to be flushed
too: Linux fsync(2), notes.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from bridge.errors import InputError, Problem
from bridge.files import store
from bridge.files.store import (
    MOST_BACKUPS,
    backups,
    good_copy,
    keep_good,
    load_or_last_good,
    save,
    write_atomic,
)

NOW = datetime(2026, 1, 31, 21, 5, 0)
STEPS = ["fchmod", "write", "fsync", "close", "replace"]


def others(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name != "set.yaml")


def test_writes_text_and_bytes(tmp_path: Path) -> None:
    path = tmp_path / "set.yaml"
    write_atomic(path, "größe\n")
    assert path.read_bytes() == "größe\n".encode()
    write_atomic(path, b"\x00\xff")
    assert path.read_bytes() == b"\x00\xff"
    assert others(tmp_path) == []


@pytest.mark.parametrize("there", [True, False], ids=["over a file", "a new file"])
@pytest.mark.parametrize("step", STEPS)
def test_a_failing_step_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, there: bool
) -> None:
    path = tmp_path / "set.yaml"
    if there:
        path.write_text("old")
    real: Callable[..., object] = getattr(os, step)

    def fail(*args: object, **keywords: object) -> object:
        if step == "close":
            real(*args)  # the disk says so only now, but the handle is closed all the same
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(OSError, match="No space left"):
        write_atomic(path, "new")
    monkeypatch.undo()
    assert (path.read_text() if there else path.exists()) == ("old" if there else False)
    assert others(tmp_path) == []


def test_when_flushing_the_folder_fails_the_file_is_new_and_the_error_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "set.yaml"
    path.write_text("old")

    def fail(folder: Path) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(store, "flush_folder", fail)
    with pytest.raises(OSError, match="Input/output"):
        write_atomic(path, "new")
    assert path.read_text() == "new"
    assert others(tmp_path) == []


def test_order_of_the_steps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []

    def watch(name: str) -> None:
        real: Callable[..., object] = getattr(os, name)

        def call(*args: object, **keywords: object) -> object:
            done.append(name)
            return real(*args, **keywords)

        monkeypatch.setattr(os, name, call)

    for name in ("write", "fsync", "replace"):
        watch(name)
    write_atomic(tmp_path / "set.yaml", "new")
    assert done == ["write", "fsync", "replace", "fsync"]


def test_a_short_write_is_gone_on_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.write
    monkeypatch.setattr(os, "write", lambda handle, data: real(handle, bytes(data)[:3]))
    write_atomic(tmp_path / "set.yaml", "a longer text")
    assert (tmp_path / "set.yaml").read_text() == "a longer text"


def test_permissions_stay_and_new_files_get_the_usual_ones(tmp_path: Path) -> None:
    path = tmp_path / "set.yaml"
    path.write_text("old")
    path.chmod(0o640)
    write_atomic(path, "new")
    assert path.stat().st_mode & 0o777 == 0o640
    mask = os.umask(0o027)
    try:
        write_atomic(tmp_path / "new.yaml", "new")
    finally:
        os.umask(mask)
    assert (tmp_path / "new.yaml").stat().st_mode & 0o777 == 0o640


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    real = tmp_path / "real.yaml"
    real.write_text("old")
    link = tmp_path / "set.yaml"
    link.symlink_to(real)
    write_atomic(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"


def test_save_keeps_a_dated_copy(tmp_path: Path) -> None:
    path = tmp_path / "set.yaml"
    assert save(path, "one", NOW) is None
    copy = save(path, "two", NOW)
    assert copy == tmp_path / "backups" / "set.2026-01-31T21-05-00.yaml"
    assert copy.read_text() == "one"
    assert path.read_text() == "two"
    assert save(path, "two", NOW) is None  # nothing new: no copy
    again = save(path, "three", NOW)
    assert again is not None
    assert again.name == "set.2026-01-31T21-05-00-2.yaml"
    assert [p.read_text() for p in backups(path)] == ["two", "one"]


def test_save_writes_nothing_when_the_copy_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "set.yaml"
    path.write_text("old")
    (tmp_path / "backups").write_text("a file is in the way")
    with pytest.raises(OSError):  # noqa: PT011 - which one depends on the system
        save(path, "new", NOW)
    assert path.read_text() == "old"


def test_old_copies_go_and_those_of_other_files_stay(tmp_path: Path) -> None:
    path = tmp_path / "set.yaml"
    other = tmp_path / "set.b.yaml"
    save(other, "b", NOW)
    save(other, "c", NOW)
    for count in range(MOST_BACKUPS + 5):
        save(path, f"text {count}", NOW + timedelta(minutes=count))
    copies = backups(path)
    assert len(copies) == MOST_BACKUPS
    assert copies[0].read_text() == f"text {MOST_BACKUPS + 3}"
    assert copies[-1].read_text() == "text 4"
    assert len(backups(other)) == 1
    assert backups(tmp_path / "none.yaml") == []


def refuse_bad(path: Path) -> str:
    text = path.read_text()
    if "bad" in text:
        raise InputError([Problem("is bad", file=str(path), line=1, column=1)])
    return text


def test_last_good_copy(tmp_path: Path) -> None:
    path, state = tmp_path / "set.yaml", tmp_path / "state"
    path.write_text("bad from the start")
    with pytest.raises(InputError, match="is bad"):
        load_or_last_good(path, refuse_bad, state)
    path.write_text("good")
    assert load_or_last_good(path, refuse_bad, state) == ("good", ())
    keep_good(path, "good", state)
    path.write_text("bad")
    value, problems = load_or_last_good(path, refuse_bad, state)
    assert value == "good"
    assert [p.message for p in problems] == [
        "does not load; the last good copy of it is used",
        "is bad",
    ]
    good_copy(path, state).write_text("bad too")
    with pytest.raises(InputError) as error:
        load_or_last_good(path, refuse_bad, state)
    assert error.value.problems[0].file == str(path)


def test_a_good_copy_is_written_once_and_kept_apart_by_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    state = tmp_path / "state"
    one, two = tmp_path / "a" / "set.yaml", tmp_path / "b" / "set.yaml"
    assert good_copy(one, state) != good_copy(two, state)
    keep_good(one, "text", state)

    def refuse(path: Path, data: object) -> None:
        raise AssertionError("nothing changed, nothing is to be written")

    monkeypatch.setattr(store, "write_atomic", refuse)
    keep_good(one, b"text", state)
