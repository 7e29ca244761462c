"""The working text in the state folder: what plays, saved or not, for a service that comes back."""

from __future__ import annotations

import contextlib
import hashlib
import os
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from bridge.files import store
from bridge.files.read import read_bytes

WORKING = "working.json"
SET_ASIDE = ".set-aside"
MOST_BYTES = 8 << 20
"""Far above any set; what is larger is not read."""


class Kept(BaseModel):
    """What one run of the program has left: `file` is the set's, as the list of sets names it,
    `disk` the digest of what that file held then (`digest`), and `run` a random name of the run:
    process numbers come again, above all after a boot."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    started_with: str
    run: str = Field(max_length=64)
    revision: int = Field(ge=0, lt=2**53)
    file: str = Field(min_length=1, max_length=4096)
    text: str
    disk: str = Field(max_length=64)


def read(folder: Path) -> tuple[Kept | None, str]:
    """What was kept, and a line when it cannot be used: then it is set aside under another name,
    for whoever wants to look."""
    path = folder / WORKING
    try:
        return Kept.model_validate_json(read_bytes(path, MOST_BYTES)), ""
    except FileNotFoundError:
        return None, ""
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        why = ".".join(map(str, first["loc"])) or "not JSON"
    except (OSError, ValueError, RecursionError) as error:
        why = str(error)
    aside = path.with_name(path.name + SET_ASIDE)
    with contextlib.suppress(OSError):
        os.replace(path, aside)
    return None, f"the working text in {path} cannot be used ({why}); it is now {aside.name}"


def write(folder: Path, kept: Kept) -> None:
    """Keeps a working text, whole or not at all.

    Args:
        folder: the state folder; it is made when it is not there.
        kept: replaces what was kept before.

    Raises:
        OSError: it cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    store.write_atomic(folder / WORKING, kept.model_dump_json())


def drop(folder: Path) -> None:
    """What was kept is dealt with."""
    with contextlib.suppress(OSError):
        (folder / WORKING).unlink()


def digest(path: Path) -> str:
    """Tells one content of a file from another; "" when it cannot be read."""
    try:
        return hashlib.sha256(read_bytes(path, MOST_BYTES)).hexdigest()
    except (OSError, ValueError):
        return ""


def digest_of(text: str) -> str:
    """That of a file that holds this text."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def stamp(path: Path) -> tuple[int, int] | None:
    """Changes whenever a file is written; None when it is not there."""
    try:
        about = path.stat()
    except OSError:
        return None
    return about.st_mtime_ns, about.st_size
