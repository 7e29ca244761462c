"""A working copy of the demo, so that it can be edited and saved where the package is read-only.

Each start brings the copy up to what is shipped, but for files that somebody has saved: these are
played as they were left, and said so. What was copied is remembered by its digest, so that an old
copy that nobody touched is not taken for an edit after an upgrade.
"""

from __future__ import annotations

import json
from datetime import datetime
from hashlib import sha256
from pathlib import Path

from bridge import demo
from bridge.errors import BridgeError
from bridge.files import store
from bridge.files.document import read_text
from bridge.files.read import read_bytes

COPIED = ".copied.json"


def files(
    state: Path, idea: str | None = None, *, fresh: bool = False, now: datetime | None = None
) -> tuple[Path, Path, list[str]]:
    """Rig and set of an idea, or of the whole demo, where they may be changed and saved.

    Args:
        state: the state folder; they stand in its folder ``demo``.
        idea: its name; None: the whole demo.
        fresh: as shipped; what was saved there is kept as a dated copy.
        now: the date of that copy.

    Returns:
        The paths of the rig and of the set, and lines that say what is played.

    Raises:
        BridgeError: there is no such idea, or the copy cannot be made.
    """
    shipped = demo.files(idea)
    folder = state / "demo"
    try:
        kept = _bring(folder, fresh, now or datetime.now())
    except OSError as error:
        where = error.filename or folder
        raise BridgeError(
            f"{where}  the demo's copy cannot be made: {error.strerror or error}; "
            "set XDG_STATE_HOME to a folder that can be written"
        ) from error
    rig, set_file = (folder / path.relative_to(demo.FOLDER) for path in shipped)
    lines = [
        f"{path.name} is as you saved it; `lanebridge demo --as-shipped` brings it back as shipped"
        for path in (rig, set_file)
        if path in kept
    ]
    return rig, set_file, [*lines, f"edits are saved in {folder}"]


def _bring(folder: Path, fresh: bool, now: datetime) -> set[Path]:
    """Copies what is missing or untouched; returns what was left as somebody saved it."""
    folder.mkdir(parents=True, exist_ok=True)
    copied = _copied(folder)
    kept: set[Path] = set()
    for source in sorted(demo.FOLDER.rglob("*.yaml")):
        name = str(source.relative_to(demo.FOLDER))
        target, content = folder / name, source.read_bytes()
        there = read_bytes(target, store.MOST_KEPT_BYTES) if target.exists() else None
        if there is not None and there != content:
            mine = copied.get(name) != _digest(there)
            if mine and not fresh:
                kept.add(target)
                continue
            if mine:
                store.save(target, content, now)
        if there is None or there != content:
            target.parent.mkdir(parents=True, exist_ok=True)
            store.write_atomic(target, content)
        copied[name] = _digest(content)
    if copied != _copied(folder):
        store.write_atomic(folder / COPIED, json.dumps(copied, indent=1))
    return kept


def _copied(folder: Path) -> dict[str, str]:
    try:
        kept = json.loads(read_text(folder / COPIED))
    except (OSError, ValueError, RecursionError):
        return {}
    if not isinstance(kept, dict):
        return {}
    return {str(name): str(digest) for name, digest in kept.items()}


def _digest(content: bytes) -> str:
    return sha256(content).hexdigest()
