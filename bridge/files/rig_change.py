"""A change of the rig file as it is now: checked before it is written, with a dated copy kept."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from bridge.files.document import MAX_BYTES, decode
from bridge.files.read import read_input
from bridge.files.rig import Rig, parse_rig
from bridge.files.store import save


def rewrite(rig: Rig, change: Callable[[str], str], now: datetime) -> tuple[Rig, Path | None]:
    """Changes the file of a rig, which may not be what was read from it. Blocks on disk.

    Args:
        rig: what was read.
        change: gives the new text for the text as it is now.
        now: the date of the copy.

    Returns:
        The rig that is written now, and the copy of what was there, if it was anything else.

    Raises:
        InputError: the file is no rig any more, or would be none; nothing is written then.
        OSError: it cannot be read or written.
    """
    path = rig.path
    if path is None:
        raise OSError("the rig has no file")
    text = change(decode(read_input(path, MAX_BYTES, path.name), path.name))
    read_back = parse_rig(text, path.name, path.parent)
    return read_back, save(path, text, now)
