"""The token of ``--lan``: made once, then kept, so that tablets stay let in from night to night.

It stands in the state folder, in a file that only its owner may read. Removing the file makes a new
token at the next start.
"""

from __future__ import annotations

import os
import re
import secrets
import stat
from pathlib import Path

from bridge.files.store import write_atomic

TOKEN_BYTES = 16
FILE_NAME = "token"
_TOKEN = re.compile(r"[A-Za-z0-9_-]{22,64}")
_READ_MAX = 256


def new_token() -> str:
    """A token of 128 random bits, safe in an address."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def kept_token(folder: Path) -> tuple[str, str]:
    """The token that is kept in the state folder; a new one is made and kept when there is none.

    A token that others could have read (wrong rights or owner, a link) is not used again.

    Args:
        folder: the state folder; it must exist for the token to be kept.

    Returns:
        The token, and what a person should know about it ("" when all is well).
    """
    path = folder / FILE_NAME
    note = ""
    try:
        token = _read(path)
    except FileNotFoundError:
        token = None
    except (OSError, ValueError) as error:
        token, note = None, f"{path} is not used ({error}); a new token is made"
    if token is not None:
        return token, ""
    token = new_token()
    try:
        if path.is_symlink() or (path.exists() and not path.is_file()):
            path.unlink()  # a link or a pipe; a folder stays, and is said
        write_atomic(path, token + "\n", mode=0o600)
    except OSError as error:
        note = f"the token cannot be kept ({error}); it is for this run only"
    return token, note


def read_token(folder: Path) -> str | None:
    """The token that is kept in the state folder; None when there is none that can be used."""
    try:
        return _read(folder / FILE_NAME)
    except (OSError, ValueError):
        return None


def _read(path: Path) -> str:
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        facts = os.fstat(handle)
        if not stat.S_ISREG(facts.st_mode):
            raise ValueError("it is not a file")
        if facts.st_uid != os.geteuid() or facts.st_mode & 0o077:
            raise ValueError("others may read it")
        text = os.read(handle, _READ_MAX).decode("ascii", "replace").strip()
    finally:
        os.close(handle)
    if not _TOKEN.fullmatch(text):
        raise ValueError("it holds no token")
    return text
