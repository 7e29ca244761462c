"""The one way to read a file that a person, or another program, may have put there.

Kind and size are looked at before anything is read, and reading stops at a limit all the same: a
pipe has no end, a device may have none, and a sparse file of a few bytes can claim gigabytes.
"""

from __future__ import annotations

import errno
import os
import stat
import sys
from pathlib import Path
from typing import BinaryIO

from bridge.errors import InputError, Problem

_KINDS = (
    (stat.S_ISDIR, "is a folder, not a file"),
    (stat.S_ISFIFO, "is a pipe, not a file; write what it carries into a file first"),
    (stat.S_ISCHR, "is a device, not a file"),
    (stat.S_ISBLK, "is a device, not a file"),
    (stat.S_ISSOCK, "is a socket, not a file"),
)


def open_file(path: Path) -> BinaryIO:
    """Opens a regular file for reading; never waits, as opening a pipe would.

    Raises:
        OSError: it is missing, may not be read, or is no regular file (`strerror` says which).
    """
    logging = sys.modules.get("logging")  # 0.5 MB that a process which keeps no log does without
    if logging is not None:
        logging.getLogger(__name__).debug("reading %s", path)
    _refuse_kind(path, _stat(path).st_mode)
    # What the name leads to may have changed since: then the open file's own kind decides.
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
    try:
        _refuse_kind(path, os.fstat(handle).st_mode)
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def read_bytes(path: Path, limit: int) -> bytes:
    """A whole file.

    Args:
        path: a regular file; a link is followed.
        limit: its largest size in bytes.

    Raises:
        OSError: as `open_file`; with ``EFBIG`` and a plain `strerror` when it is larger.
    """
    with open_file(path) as file:
        if os.fstat(file.fileno()).st_size <= limit:
            # A file that grows, and those of /proc, hold more than they say.
            raw = file.read(limit + 1)
            if len(raw) <= limit:
                return raw
    raise OSError(errno.EFBIG, too_big(limit), str(path))


def read_start(path: Path, limit: int) -> bytes:
    """The beginning of a file of any size.

    Args:
        path: a regular file; a link is followed.
        limit: how many bytes at most.

    Raises:
        OSError: as `open_file`.
    """
    with open_file(path) as file:
        return file.read(limit)


def read_input(path: Path, limit: int, name: str | None = None) -> bytes:
    """A whole file of at most `limit` bytes that a person has named.

    Args:
        path: the file.
        limit: its largest size in bytes.
        name: what messages call it; the path, unless told.

    Raises:
        InputError: one problem that says why it cannot be read.
    """
    try:
        return read_bytes(path, limit)
    except OSError as error:
        said = error.strerror or str(error)
        if not said.startswith("is "):  # the system's own words
            said = f"cannot be read: {reason(error)}"
        raise InputError([Problem(said, file=str(path) if name is None else name)]) from error


def too_big(limit: int) -> str:
    """``is too big: the limit is 256 KiB``."""
    whole = limit >> 20
    return f"is too big: the limit is {f'{whole} MiB' if whole else f'{limit >> 10} KiB'}"


def reason(error: OSError) -> str:
    """Why the system refused, in the middle of a sentence: ``no space left on device``."""
    said = error.strerror or str(error)
    return said[:1].lower() + said[1:]


def refuse_special(path: Path) -> None:
    """Refuse what is no regular file; nothing at all is fine.

    Raises:
        OSError: something else is there under `path`, or it cannot be looked at.
    """
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return
    _refuse_kind(path, mode)


def _stat(path: Path) -> os.stat_result:
    try:
        return path.stat()
    except ValueError:  # a NUL in the name
        raise OSError(errno.EINVAL, "is not the name of a file", str(path)) from None


def _refuse_kind(path: Path, mode: int) -> None:
    if not stat.S_ISREG(mode):
        said = next((says for is_kind, says in _KINDS if is_kind(mode)), "is not a regular file")
        raise OSError(errno.EINVAL, said, str(path))
