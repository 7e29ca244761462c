"""The texts of sets: read from disk, compared with what stands there now, checked and compiled.

Everything that is not `async` blocks on disk or computes for some milliseconds: call it in a
thread.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from bridge.control.session import Playing
from bridge.errors import BridgeError, CommandError
from bridge.files import store, working
from bridge.files.document import read_text
from bridge.files.rig import Rig, load_rig
from bridge.files.set import load_set, parse_set
from bridge.session.keeping import Keeping
from bridge.session.set_folder import SetFolder

UNKNOWN = -1  # the revision of a text before the player has said it

Loaded = TypeVar("Loaded")


def compiled(rig: Rig, text: str, path: Path, revision: int) -> Playing:
    """What a text says. Raises `InputError` with everything that is wrong."""
    document = parse_set(text, path.name, rig)
    return Playing(text, path, document, document.score, revision)


def weighed(rig: Rig, text: str, path: Path, revision: int) -> Playing:
    """The same, for what is to be played anew; InputError as well when that is too much work for
    this computer."""
    from bridge.player import work  # with it comes the whole player: for who edits or opens a set

    playing = compiled(rig, text, path, revision)
    work.check(playing.score, rig.wired, path.name)
    return playing


class Texts:
    """The files of rig and sets. `notes` are lines on what was wrong with them at the start."""

    def __init__(self, rig_path: Path, set_path: Path, state_dir: Path | None) -> None:
        self._rig_path = rig_path
        self._set_path = set_path
        self._state_dir = state_dir
        self._on_disk: dict[Path, str] = {}
        self._stamps: dict[Path, tuple[int, int] | None] = {}
        self._outside: set[Path] = set()
        self.notes: list[str] = []

    # --- the start ----------------------------------------------------------------------------

    def load(self, sets: SetFolder[Playing], keeping: Keeping) -> tuple[Rig, Playing]:
        """Rig and set as they were started with; the text that an earlier service of this run has
        kept goes before that of the file. Raises `InputError`."""
        rig = self._last_good(self._rig_path, lambda path: load_rig(path, place=self._rig_path))
        path = self._set_path.resolve()
        kept, note = keeping.read()
        if note:
            self.notes.append(note)
        if kept is not None:
            try:
                playing = compiled(rig, kept.text, sets.path(kept.file), kept.revision)
            except BridgeError as error:
                self.notes.append(f"the working text cannot be used: {error}")
            else:
                self.read_disk(playing.path)
                return rig, playing
        document = self._last_good(path, lambda path: load_set(path, rig, self._set_path.name))
        self.read_disk(path)
        return rig, Playing(document.text, path, document, document.score, UNKNOWN)

    def _last_good(self, path: Path, load: Callable[[Path], Loaded]) -> Loaded:
        """The file, or its last good copy."""
        if self._state_dir is None:
            return load(path)
        value, wrong = store.load_or_last_good(path, load, self._state_dir)
        self.notes += map(str, wrong)
        return value

    # --- the disk -----------------------------------------------------------------------------

    def read_disk(self, path: Path) -> str | None:
        """Notes what the file holds now. None when it cannot be read."""
        self._stamps[path] = working.stamp(path)
        try:
            text = read_text(path)
        except (OSError, UnicodeDecodeError):
            self._on_disk.pop(path, None)
            return None
        self._on_disk[path] = text
        return text

    async def read(self, path: Path, file: str) -> str:
        """The text of a file that is to be opened. Raises `CommandError`."""
        try:
            text = await asyncio.to_thread(read_text, path)
        except FileNotFoundError:
            raise CommandError(f"there is no file '{file}' beside the set", "unknown") from None
        except (OSError, UnicodeDecodeError) as error:
            raise CommandError(f"'{file}' cannot be read: {error}") from None
        self._on_disk[path] = text
        self._stamps[path] = await asyncio.to_thread(working.stamp, path)
        return text

    async def look(self, path: Path) -> bool:
        """Whether the file was written since it was read last; what it holds now is noted."""
        stamp = await asyncio.to_thread(working.stamp, path)
        if path not in self._stamps or stamp == self._stamps[path]:
            return False
        before = self._on_disk.get(path)
        after = await asyncio.to_thread(self.read_disk, path)
        if after is not None and after != before:
            self._outside.add(path)
        return True

    def saved(self, playing: Playing) -> bool:
        """Whether the file holds what plays, as far as is known."""
        saved = self._on_disk.get(playing.path) == playing.text
        if saved:
            self._outside.discard(playing.path)
        return saved

    def changed_outside(self, playing: Playing) -> bool:
        """Whether somebody else has changed the file."""
        return playing.path in self._outside
