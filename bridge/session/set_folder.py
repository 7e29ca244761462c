"""The sets within reach: files of one folder, those compiled ahead, and texts left unsaved.

Sketches in a folder ``ideas`` inside it are within reach too, as ``ideas/NAME.yaml`` (the demo has
one for each idea). A sketch with a rig of its own, ``NAME.rig.yaml`` beside it, is not.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Generic, NamedTuple, TypeVar

from bridge.errors import CommandError
from bridge.files.read import read_start
from bridge.files.tuning import tuning_path

IDEAS = "ideas"
SETS_MOST = 200
READY_MOST = 8
_NAMED = re.compile(rb"^set:\s*(.+?)\s*(?:#.*)?$", re.MULTILINE)

Made = TypeVar("Made")


class SetRow(NamedTuple):
    """A set file: `loaded` when it can take over at once, `saved` unless it was left with edits."""

    file: str
    title: str
    current: bool
    loaded: bool
    saved: bool


class SetFolder(Generic[Made]):
    """`folder` is that of the set that was started with. `left` has the texts of sets that were
    left unsaved; `ready` what has been compiled, the newest last."""

    def __init__(self, rig_path: Path, set_path: Path) -> None:
        self._rig = rig_path.resolve()
        folder = set_path.resolve().parent
        self.folder = folder.parent if folder.name == IDEAS else folder
        self.left: dict[Path, str] = {}
        self.ready: dict[Path, Made] = {}

    def path(self, file: str) -> Path:
        """Where `file` is; raises `CommandError` for anything that is not in the folder. Links out
        of the folder are not followed."""
        try:
            path = (self.folder / file).resolve()
        except (OSError, ValueError, RuntimeError):  # a name that no file can have
            raise CommandError(f"{file!r} is not a set beside this one", "unknown") from None
        if path.parent not in self._folders() or path == self._rig:
            raise CommandError(f"'{file}' is not a set beside this one", "unknown")
        return path

    def refuse_other_files(self, path: Path, profiles: Iterable[str]) -> None:
        """Raises `CommandError` when a set may not be written to `path`; blocks on disk.

        Args:
            path: as `path` gives it.
            profiles: names of the profiles that the rig uses. A set under such a name would be
                read in place of the profile.
        """
        name = path.name.lower()
        stem = name.rpartition(".")[0]
        own = {self._rig.stem.lower(): "the rig"}
        own |= {tuning_path(self._rig).stem.lower(): "the rig's tuning"}
        own |= {profile.lower(): "a profile that the rig uses" for profile in profiles}
        what = own.get(stem)
        if what is None and stem.endswith((".rig", ".tuning")):
            what = "a file of a rig"
        if what is None and os.path.lexists(path) and _title(path) is None:
            what = "not a set"
        if what is not None:
            raise CommandError(f"'{path.name}' is {what}; choose another name", "state")

    def name(self, path: Path) -> str:
        """What `path` is called here."""
        if path.parent != self.folder and path.parent in self._folders():
            return path.relative_to(self.folder).as_posix()
        return path.name

    def keep_ready(self, path: Path, made: Made) -> None:
        """Keeps what was compiled; the oldest beyond `READY_MOST` is forgotten."""
        self.ready.pop(path, None)
        self.ready[path] = made
        while len(self.ready) > READY_MOST:
            del self.ready[next(iter(self.ready))]

    def rows(self, current: Path, saved: bool) -> list[SetRow]:
        """Every set file, by name; blocks on disk. `saved`: whether the current one is."""
        found: list[SetRow] = []
        for path in [path for folder in self._folders() for path in sorted(folder.iterdir())]:
            title = _title(path)
            own_rig = path.parent != self.folder and path.with_suffix(".rig.yaml").exists()
            if title is None or own_rig or len(found) >= SETS_MOST:
                continue
            if path.is_symlink() and path.resolve().parent not in self._folders():
                continue  # it could not be opened
            now = path == current
            found.append(
                SetRow(
                    self.name(path),
                    title,
                    now,
                    now or path in self.ready or path in self.left,
                    saved if now else path not in self.left,
                )
            )
        return found

    def _folders(self) -> list[Path]:
        ideas = self.folder / IDEAS
        return [self.folder, ideas] if ideas.is_dir() else [self.folder]


def _title(path: Path) -> str | None:
    """The name of the set in a file, or None when it is none."""
    if path.suffix not in (".yaml", ".yml") or path.name.startswith("."):
        return None
    try:
        named = _NAMED.search(read_start(path, 64 << 10))
    except OSError:
        return None
    return None if named is None else named[1].decode("utf-8", "replace").strip("\"'")
