"""Files that survive a pulled plug: written whole or not at all, never without a dated copy.

A file is written beside itself, flushed to the disk, and renamed over the old one; then the folder
is flushed too, for until that has happened the old name may come back after a power cut. POSIX
makes the rename atomic (rename(2)); on FAT it is not, so sets belong on a Unix file system.

The last good copy of a file is kept apart, in the state folder: when somebody's edit does not
load, the program starts with that one and says so.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import stat
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, NamedTuple, TypeVar

from bridge.errors import InputError, Problem
from bridge.files.read import read_bytes, refuse_special

if TYPE_CHECKING:
    from datetime import datetime

BACKUPS = "backups"
MOST_BACKUPS = 50  # of one file; the oldest go first
MOST_KEPT_BYTES = 16 << 20  # of a file that is copied before it is replaced; ours are far smaller

STAMP = "%Y-%m-%dT%H-%M-%S"
_STAMP = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}-\d{2}-\d{2}(?:-\d+)?\Z")

_LEFT = re.compile(r"\..+\.[a-z0-9_]{8}\.new")
"""As `tempfile.mkstemp` names what `write_atomic` asks it for."""

OTHERS_S = 3600.0
"""In a folder that is not ours alone, what a killed writer has left is swept after so long."""

T = TypeVar("T")


def write_atomic(
    path: Path, data: str | bytes, mode: int | None = None, *, lasting: bool = True
) -> None:
    """Puts `data` under `path`, whole or not at all.

    Args:
        path: the file. A link is followed.
        data: its bytes, or text, which becomes UTF-8.
        mode: its permissions; None: those of the file that is there stay.
        lasting: whether to wait until the disk has it. What is of no use after a power cut need not
            last.

    Raises:
        OSError: it cannot be done (it is a folder, a pipe or a device, say). The old file is as it
            was, and nothing is left beside it.
    """
    raw = data.encode("utf-8") if isinstance(data, str) else data
    with _replacing(path, mode, lasting) as handle:
        _write_all(handle, raw)


@contextlib.contextmanager
def open_atomic(path: Path) -> Iterator[BinaryIO]:
    """The same for what is too long to be held: a file to write to, which is `path` when the block
    has ended, and is gone when it ends by an exception."""
    with _replacing(path, None) as handle, os.fdopen(handle, "wb", closefd=False) as file:
        yield file


@contextlib.contextmanager
def _replacing(path: Path, mode: int | None, lasting: bool = True) -> Iterator[int]:
    path = Path(os.path.realpath(path))
    refuse_special(path)  # a rename would put a file in the place of a pipe or a device
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".new", dir=path.parent)
    try:
        try:
            os.fchmod(handle, _mode(path) if mode is None else mode)
            yield handle
            if lasting:
                os.fsync(handle)
        finally:
            os.close(handle)
        os.replace(name, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise
    if lasting:
        flush_folder(path.parent)


def sweep(folder: Path, older_s: float = 0.0) -> None:
    """Removes what writers that were killed have left in a folder and the folders in it.

    Args:
        folder: where to look; what cannot be looked at is left.
        older_s: files that were touched within so many seconds may be another program's and stay.
    """
    with contextlib.suppress(OSError):
        for path in [*folder.glob(".*.new"), *folder.glob("*/.*.new")]:
            with contextlib.suppress(OSError):
                about = path.lstat()
                old = older_s == 0 or abs(time.time() - about.st_mtime) > older_s
                if not _LEFT.fullmatch(path.name) or not old:
                    continue
                if stat.S_ISDIR(about.st_mode):  # of a pack that was being opened
                    shutil.rmtree(path)
                else:
                    path.unlink()


def _mode(path: Path) -> int:
    try:
        return stat.S_IMODE(path.stat().st_mode)
    except FileNotFoundError:
        mask = os.umask(0)
        os.umask(mask)
        return 0o666 & ~mask


def _write_all(handle: int, raw: bytes) -> None:
    rest = memoryview(raw)
    while rest:
        rest = rest[os.write(handle, rest) :]


def flush_folder(folder: Path) -> None:
    """Makes a rename in `folder` last through a power cut."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def save(path: Path, data: str | bytes, now: datetime) -> Path | None:
    """Writes a file after putting a dated copy of what was there into its ``backups`` folder.

    Args:
        path: the file.
        data: its bytes, or text, which becomes UTF-8.
        now: the date of the copy.

    Returns:
        The copy; None when there was nothing, or nothing else.

    Raises:
        OSError: it cannot be done, also when what is there is too big to be copied.
    """
    raw = data.encode("utf-8") if isinstance(data, str) else data
    try:
        before = read_bytes(path, MOST_KEPT_BYTES)
    except FileNotFoundError:
        write_atomic(path, raw)
        return None
    if before == raw:
        return None
    copy = back_up(path, before, now)
    write_atomic(path, raw)
    return copy


def back_up(path: Path, content: bytes, now: datetime) -> Path:
    """A dated copy, ``backups/set.2026-01-31T21-05-00.yaml``; older ones beyond
    `MOST_BACKUPS` are removed.

    Args:
        path: the file that it is a copy of, and beside which the folder stands; it is not read.
        content: what is kept.
        now: the date in the name; a second one of the same second gets a number.

    Returns:
        The copy.

    Raises:
        OSError: it cannot be written, or an older one cannot be removed.
    """
    folder = path.parent / BACKUPS
    folder.mkdir(exist_ok=True)
    stamp = now.strftime(STAMP)
    copy = folder / f"{path.stem}.{stamp}{path.suffix}"
    count = 1
    while copy.exists():
        count += 1
        copy = folder / f"{path.stem}.{stamp}-{count}{path.suffix}"
    write_atomic(copy, content)
    for old in backups(path)[MOST_BACKUPS:]:
        old.unlink(missing_ok=True)
    return copy


def backups(path: Path) -> list[Path]:
    """The dated copies of a file, newest first."""
    return [moment.copy for moment in moments(path)]


class Moment(NamedTuple):
    """A version of a file that was kept when it was replaced.

    Attributes:
        stamp: names it, as in ``2026-01-31T21-05-00``; ``-2`` behind it for a second one.
        until: when it was replaced.
        copy: where it is kept.
    """

    stamp: str
    until: datetime
    copy: Path


def moments(path: Path) -> list[Moment]:
    """What is kept of a file, newest first."""
    folder = path.parent / BACKUPS
    if not folder.is_dir():
        return []
    found = []
    for copy in folder.iterdir():
        stem = copy.name.removesuffix(path.suffix)
        stamp = stem.removeprefix(f"{path.stem}.")
        if stem != stamp and copy.suffix == path.suffix and _STAMP.match(stamp):
            date, _, count = stamp[:19], stamp[19:20], stamp[20:]
            from datetime import datetime

            try:
                until = datetime.strptime(date, STAMP)
            except ValueError:  # somebody's own file that only looks like one
                continue
            found.append((date, int(count or 1), Moment(stamp, until, copy)))
    return [moment for _, _, moment in sorted(found, key=lambda row: row[:2], reverse=True)]


def good_copy(path: Path, state: Path) -> Path:
    """Where the last good copy of a file is kept, whether there is one or not.

    Args:
        path: the file; its real place tells files of one name apart.
        state: the state folder.
    """
    place = str(Path(os.path.realpath(path)))
    digest = hashlib.sha256(place.encode("utf-8", "surrogateescape")).hexdigest()[:12]
    # The digest tells files apart; the rest of the name is for people, and names have an end.
    return state / "good" / f"{path.stem[:80]}.{digest}{path.suffix[:16]}"


def keep_good(path: Path, content: str | bytes, state: Path) -> None:
    """Remembers what a file holds as its last good content. Nothing is written when it is known.

    Args:
        path: the file; it is not read.
        content: its bytes, or text, which becomes UTF-8.
        state: the state folder; it is made when it is not there.

    Raises:
        OSError: it cannot be kept.
    """
    copy = good_copy(path, state)
    raw = content.encode("utf-8") if isinstance(content, str) else content
    with contextlib.suppress(OSError):
        if read_bytes(copy, MOST_KEPT_BYTES) == raw:
            return
    copy.parent.mkdir(parents=True, exist_ok=True)
    write_atomic(copy, raw)


def load_or_last_good(
    path: Path, load: Callable[[Path], T], state: Path
) -> tuple[T, tuple[Problem, ...]]:
    """What `load` makes of a file, or of its last good copy when the file is wrong.

    Args:
        path: the file.
        load: gets the path of the file, then perhaps of the copy; only its InputError is caught.
        state: the state folder.

    Returns:
        What was loaded; and nothing, or all that is wrong with the file, to be shown.

    Raises:
        InputError: of the file itself, when there is no good copy either.
    """
    try:
        return load(path), ()
    except InputError as error:
        copy = good_copy(path, state)
        if not copy.is_file():
            raise
        try:
            value = load(copy)
        except InputError:
            raise error from None
        note = Problem("does not load; the last good copy of it is used", file=str(path))
        return value, (note, *error.problems)
