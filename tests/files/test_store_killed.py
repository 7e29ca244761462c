"""Every file that the program writes, with the writer killed before each single step of it.

A real process is ended (`os._exit`, which runs no cleaning up) before its first, second, third ...
call of the system, until one gets through; writes are cut into short pieces, as POSIX allows
(write(2)), so that there are many. Whatever the point: each file is the old one or the new one,
whole, and nothing but a leftover that the next start sweeps away.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
from support.desk import RIG

from bridge.files import store, token, working
from bridge.player.start import PortSpec
from bridge.supervisor import failsafe, moment
from bridge.supervisor.folders import CLOSING
from bridge.supervisor.last_moment import Moment, decode

NOW = datetime(2026, 1, 31, 21, 5, 0)
CALLS = ("open", "fchmod", "write", "fsync", "close", "replace", "unlink", "mkdir")
PIECES = 32
KILLED = 77


def kept(text: str) -> working.Kept:
    return working.Kept(
        started_with="/sets/set.yaml",
        run="r",
        revision=1,
        file="/sets/set.yaml",
        text=text,
        disk="",
    )


def a_moment(bar: int) -> bytes:
    last = Moment(
        rig="rig.yaml",
        set="set.yaml",
        run="r",
        ended=False,
        playing=True,
        tick=(bar - 1) * 3840,
        bar=bar,
        beat=1,
        tempo=120,
        source="internal",
        offset_ms=0,
        performance={},
    )
    return moment.sealed(last.model_dump_json().encode())


def write_save(folder: Path, what: str) -> None:
    store.save(folder / "set.yaml", f"set: {what}\n" * 20, NOW)


def write_good(folder: Path, what: str) -> None:
    store.keep_good(folder / "set.yaml", f"set: {what}\n" * 20, folder)


def write_working(folder: Path, what: str) -> None:
    working.write(folder, kept(what * 50))


def write_moment(folder: Path, what: str) -> None:
    store.write_atomic(folder / moment.FILE, a_moment(len(what)), mode=0o600)


def write_closing(folder: Path, what: str) -> None:
    failsafe.keep(failsafe.safeties(RIG, {"main": PortSpec(what)}), folder)


def write_token(folder: Path, what: str) -> None:
    if what == "new":
        token.kept_token(folder)


def whole(path: Path) -> bool:
    """Whether the file is one that its reader takes."""
    if path.name == moment.FILE:
        return decode(path.read_bytes()).performance == {}
    if path.name == working.WORKING:
        return working.read(path.parent)[0] is not None
    if path.name == CLOSING:
        return bool(json.loads(path.read_text()))
    if path.name == token.FILE_NAME:
        return token.kept_token(path.parent)[1] == ""
    return path.read_text() in ("set: old\n" * 20, "set: new\n" * 20)


def killed_before(call: int, work: Callable[[], object]) -> bool:
    """Whether a process that does `work` is ended before it has come to the end."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == KILLED
    left = call
    try:
        for name in CALLS:
            real = getattr(os, name)

            def step(*given: object, _real: object = real, **named: object) -> object:
                nonlocal left
                if not left:
                    os._exit(KILLED)
                left -= 1
                if _real is real_write:
                    data = memoryview(given[1])  # type: ignore[arg-type]
                    given = (given[0], data[: max(1, -(-whole_length(data) // PIECES))])
                return _real(*given, **named)  # type: ignore[operator]

            setattr(os, name, step)
        work()
    finally:
        os._exit(0)


real_write = os.write
_lengths: list[int] = [0]


def whole_length(data: memoryview) -> int:
    """The length of what is written in pieces, told by its first piece."""
    _lengths[0] = max(_lengths[0], len(data))
    return _lengths[0]


@pytest.mark.parametrize(
    "write", [write_save, write_good, write_working, write_moment, write_closing, write_token]
)
def test_old_or_new_and_never_neither(
    tmp_path: Path, write: Callable[[Path, str], None], record_property: Callable[..., None]
) -> None:
    points = 0
    for there in (True, False):
        call = 0
        while True:
            folder = tmp_path / f"{there}-{call}"
            folder.mkdir()
            if there:
                write(folder, "old")
            before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
            if not killed_before(call, lambda folder=folder: write(folder, "new")):  # type: ignore[misc]
                break
            for path, content in before.items():
                assert path.is_file(), f"{path.name} is gone, killed before call {call}"
                assert path.read_bytes() == content or whole(path)
            store.sweep(folder)
            for path in folder.rglob("*"):
                assert path.is_dir() or path in before or whole(path), path
            if write is write_save and there and (folder / "set.yaml").read_text()[5:8] == "new":
                (copy,) = store.backups(folder / "set.yaml")
                assert copy.read_text() == "set: old\n" * 20
            points += 1
            call += 1
        assert call > 5, "there were steps to be killed at"
    record_property("points", points)
    print(f"{write.__name__}: {points} points")


def test_what_is_swept_is_ours_alone(tmp_path: Path) -> None:
    ours, young = tmp_path / ".set.yaml.abcdefgh.new", tmp_path / ".set.yaml.12345678.new"
    theirs = [tmp_path / name for name in ("set.yaml", ".set.yaml.new", "set.abcdefgh.new", ".new")]
    for path in (ours, young, *theirs):
        path.write_text("x")
    os.utime(ours, (0, 0))
    store.sweep(tmp_path, older_s=3600)
    assert not ours.exists()
    assert young.exists()
    assert all(path.exists() for path in theirs)
