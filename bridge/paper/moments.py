"""The history of a file: every version that was kept of it, with what each save changed."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from bridge.errors import InputError, Problem
from bridge.files.read import read_input
from bridge.files.store import MOST_KEPT_BYTES, Moment, moments
from bridge.paper.differences import between


class Saved(NamedTuple):
    """A version of a file, and in words what the save changed that replaced it."""

    moment: Moment
    changes: tuple[str, ...]


def told(path: Path) -> list[Saved]:
    """Every kept version of a file, newest first, each with what came after it; blocks on disk.

    Raises:
        InputError: a version, or the file itself, cannot be read.
    """
    found = []
    after = read_input(path, MOST_KEPT_BYTES) if path.exists() else None
    for moment in moments(path):
        before = read_input(moment.copy, MOST_KEPT_BYTES)
        changes = ["the file was taken away"]
        if after is not None:
            changes = list(_between(before, after, path.parent))
        found.append(Saved(moment, tuple(changes)))
        after = before
    return found


@lru_cache(maxsize=128)
def _between(before: bytes, after: bytes, beside: Path) -> tuple[str, ...]:
    """Two kept versions differ tomorrow as they do today."""
    return tuple(between(before, after, beside))


def exist(path: Path) -> bool:
    """Whether there is any kept version of a file."""
    return bool(moments(path))


def find(path: Path, which: str) -> Moment:
    """One kept version.

    Args:
        path: the file.
        which: its number, 1 for the newest, or the beginning of its time
            (``2026-01-31T21-05``).

    Raises:
        InputError: there is none, or several begin so.
    """
    kept = moments(path)
    if which.isascii() and which.isdigit() and len(which) < 4:
        found = kept[int(which) - 1 : int(which)] if int(which) else []
    else:
        exact = [moment for moment in kept if moment.stamp == which]
        found = exact or [moment for moment in kept if moment.stamp.startswith(which)]
    if len(found) == 1:
        return found[0]
    if found:
        said = f"has {len(found)} saved moments that begin with {which}; write more of the time"
    elif not kept:
        said = "has no saved moments yet; a save over another version makes one"
    else:
        said = f"has no saved moment {which}; there are {len(kept)}, the newest is 1"
    raise InputError([Problem(said, file=str(path))])
