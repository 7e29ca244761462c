"""The folder of takes: what is there, what it is called, what may go.

Beside each ``NAME.take`` there may be a ``NAME.json`` with the name that a person gave it and
whether it is starred; it is written whole or not at all, and a take without one is simply unnamed.
The program that records holds a lock on its file, so that nobody removes it.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, ClassVar

from bridge.errors import BridgeError, CommandError, did_you_mean
from bridge.files import store, take
from bridge.files.read import open_file, read_bytes
from bridge.protocol.limits import LONGEST_NAME

FOLDER = "takes"
ENDING = ".take"
NOTE_ENDING = ".json"
NOTE_BYTES = 4096
LAST = "last"
TAKES_MOST = 1000
SERVICE_BYTES = 32 << 20
"""The largest take that the service works on, beside all else that it does: more than an hour of
dense playing. `lanebridge takes` has no limit."""
_DATE = len("2026-03-07T21-04-00")


@dataclass(frozen=True, slots=True)
class Note:
    """What a person says of a take."""

    name: str = ""
    starred: bool = False


@dataclass(frozen=True)
class TakeRow:
    """A take in a list. `id` names it for good (its file without the ending); `name` is what a
    person called it. `seconds`, `bars`, `messages`, `moves` and `lost` (rows that could not be
    written) are null where it was not ended in good order; `recording`: it still goes on. `began`
    has the offset of the local time."""

    __pydantic_config__: ClassVar = {"extra": "forbid"}  # for the schema of who shows it

    id: str
    name: str
    starred: bool
    recording: bool
    began: str
    set: str
    rig: str
    bytes: int
    seconds: float | None
    bars: int | None
    messages: int | None
    moves: int | None
    lost: int | None

    @property
    def title(self) -> str:
        """What it is called: its own name, or the set's."""
        return self.name or self.set


class TakeFolder:
    """The takes of one state folder. Everything here blocks on the disk."""

    def __init__(self, state: Path) -> None:
        self.folder = state / FOLDER

    def rows(self) -> list[TakeRow]:
        """All takes, the newest first; what cannot be read is left out."""
        return [row for path in self._paths() if (row := self.row(path)) is not None]

    def row(self, path: Path) -> TakeRow | None:
        """A take as a list shows it; None where the file is none."""
        try:
            size = path.stat().st_size
            head, foot = _ends(path)
        except (OSError, BridgeError, ValueError):
            return None
        note, foot = self.note(path), foot or {}
        return TakeRow(
            id=path.stem,
            name=note.name,
            starred=note.starred,
            recording=not foot and is_recording(path),
            began=str(head.get("began", "")),
            set=str(head.get("set", "")),
            rig=str(head.get("rig", "")),
            bytes=size,
            seconds=foot.get("seconds"),
            bars=foot.get("bars"),
            messages=foot.get("messages"),
            moves=foot.get("moves"),
            lost=foot.get("lost"),
        )

    def find(self, text: str) -> Path:
        """The take that `text` means: ``last``, its id or the beginning of it, its name, or its
        number in the list (1 is the newest).

        Raises:
            CommandError: there is none, or more than one.
        """
        paths = self._paths()
        if text == LAST or (text.isdecimal() and len(text) <= len(str(TAKES_MOST))):
            place = 0 if text == LAST else int(text) - 1
            if not 0 <= place < len(paths):
                there = {0: "there is no take yet", 1: "there is only one take"}
                what = there.get(len(paths), f"there are {len(paths)} takes")
                raise CommandError(what, "unknown")
            return paths[place]
        named = [path for path in paths if path.stem == text or self.note(path).name == text]
        found = named or [path for path in paths if path.stem.startswith(text)]
        if not text:
            found = []
        if len(found) == 1:
            return found[0]
        if found:
            several = ", ".join(path.stem for path in found[:3])
            raise CommandError(f"{text!r} means several takes: {several}", "unknown")
        names = [name for path in paths for name in (path.stem, self.note(path).name) if name]
        raise CommandError(f"there is no take {text!r}{did_you_mean(text, names)}", "unknown")

    def files(self, path: Path) -> list[Path]:
        """The files of a performance that was too long for one, from its first to `path`.

        Raises:
            CommandError: an earlier one is not there any more, or cannot be read.
        """
        files = [path]
        there = {one.stem: one for one in self._paths()}
        while True:
            try:
                begin = _ends(files[0])[0].get("begin", {})
            except (OSError, BridgeError, ValueError) as error:
                raise CommandError(f"{files[0].stem} cannot be read: {error}", "state") from None
            before = begin.get("continues") if isinstance(begin, dict) else None
            if before is None:
                return files
            found = there.get(str(before))
            if found is None or found in files:
                what = f"{files[0].stem} goes on from {before}, which is not there"
                raise CommandError(what, "unknown")
            files.insert(0, found)

    def note(self, path: Path) -> Note:
        """What was said of a take; nothing, where that cannot be read."""
        try:
            return read_note(read_bytes(path.with_suffix(NOTE_ENDING), NOTE_BYTES))
        except (OSError, ValueError):
            return Note()

    def star(self, path: Path, starred: bool = True) -> None:
        """A starred take is never dropped for room. Raises OSError."""
        self._write(path, replace(self.note(path), starred=starred))

    def rename(self, path: Path, name: str) -> None:
        """Raises OSError; CommandError where the name is no line of text, or taken."""
        name = " ".join(name.split())
        if len(name) > LONGEST_NAME or not name.isprintable():
            raise CommandError(f"a name is one line of at most {LONGEST_NAME} characters")
        if name.isdecimal() or name == LAST:
            raise CommandError(f"{name!r} would be read as a place in the list; add a word to it")
        others = [other for other in self._paths() if other != path]
        if name and any(name in (other.stem, self.note(other).name) for other in others):
            raise CommandError(f"there is a take {name!r} already", "taken")
        self._write(path, replace(self.note(path), name=name))

    def remove(self, path: Path) -> None:
        """Raises CommandError while it is recorded, OSError when it cannot be removed."""
        refuse_recording(path)
        path.unlink()
        path.with_suffix(NOTE_ENDING).unlink(missing_ok=True)
        store.flush_folder(self.folder)

    def make_room(self, most_bytes: int) -> list[str]:
        """Removes the oldest takes that are not starred until all of these together have at most
        `most_bytes`; gives the ids of those that went. The newest always stays."""
        gone: list[str] = []
        left = most_bytes
        for place, path in enumerate(self._paths()):
            if self.note(path).starred:
                continue
            with contextlib.suppress(OSError):
                left -= path.stat().st_size
                if left < 0 and place > 0 and not is_recording(path):
                    self.remove(path)
                    gone.append(path.stem)
        return gone

    def _paths(self) -> list[Path]:
        try:
            found = [path for path in self.folder.iterdir() if path.suffix == ENDING]
        except OSError:
            return []
        return sorted(found, key=_age, reverse=True)[:TAKES_MOST]

    def _write(self, path: Path, note: Note) -> None:
        store.write_atomic(path.with_suffix(NOTE_ENDING), json.dumps(asdict(note)), mode=0o600)


def _age(path: Path) -> tuple[str, int, str]:
    """Sorts takes by when they began; of those that began in one second the later one has a higher
    number at its end."""
    date, rest = path.stem[:_DATE], path.stem[_DATE:].removeprefix("-")
    return date, int(rest) if rest.isdecimal() else 1, rest


def read_note(raw: bytes) -> Note:
    """A note as `TakeFolder` writes it. By hand: the process that records loads no pydantic.

    Raises:
        ValueError: it is no JSON, or not as we write it.
    """
    try:
        given = json.loads(raw)
    except RecursionError as error:
        raise ValueError("it is not as we write it") from error
    known = given if isinstance(given, dict) else {}
    note = Note(**{key: known[key] for key in ("name", "starred") if key in known})
    if not isinstance(note.name, str) or len(note.name) > LONGEST_NAME:
        raise ValueError("its name is not as we write it")
    if not isinstance(note.starred, bool):
        raise ValueError("its star is not as we write it")
    return note


def refuse_recording(path: Path) -> None:
    """Refuse a take while it is recorded: its last moves may not be written yet.

    Raises:
        CommandError: of kind ``state``.
    """
    if is_recording(path):
        raise CommandError("this take is still being recorded; stop first", "state")


def is_recording(path: Path) -> bool:
    """Whether a program is writing to a take."""
    try:
        with open_file(path) as file:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def _ends(path: Path) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """The head of a take, and its foot where there is one, without reading the rest."""
    head: dict[str, object] | None = None
    foot: dict[str, object] | None = None
    with open_file(path) as file:
        for kind, payload in take.records(file, skip=True):
            if kind == "HEAD" and head is None:
                head = json.loads(payload)
            elif kind == "FOOT":
                foot = json.loads(payload)
    if not isinstance(head, dict):
        raise ValueError("holds nothing yet")
    return head, foot if isinstance(foot, dict) else None
