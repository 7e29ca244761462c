"""The set as text: read, checked, compiled, swapped into the playing, saved, opened, listed.

What the player plays is the truth: at its hello it says which text that is, and the service takes
it over. The text is kept in the state folder too (with the number of its revision), for a service
that comes back while the player is away; that it cannot be kept is said until it can. File work
and compiling happen in a thread.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from bridge.control.door import Control
from bridge.control.history import Step, TextChange
from bridge.control.view import View
from bridge.errors import BridgeError, CommandError, InputError, PlayerError, Problem
from bridge.files import store
from bridge.files.document import read_text
from bridge.files.rig import Rig, load_rig
from bridge.files.set import SetDocument, load_set, parse_set
from bridge.music.scale import SHARPS
from bridge.music.score import Score, compile_score
from bridge.music.spelling import names_for
from bridge.player import work
from bridge.session import working
from bridge.session.chart import Charts
from bridge.session.lost import NO_NAMES, NO_PARTS, Names, lost, turned
from bridge.session.shelf import SetRow, Shelf

log = logging.getLogger(__name__)

LOOK_S = 2.0  # how often the file is looked at, and keeping is tried again
SWAP_S = 3.0  # a compiled score is larger than a command; the player unpacks it between two steps


Loaded = TypeVar("Loaded")


@dataclass(frozen=True, slots=True)
class Playing:
    """A text, what became of it, and the revision under which the player has it."""

    text: str
    path: Path
    document: SetDocument
    score: Score
    revision: int


class SetBook:
    """The set that plays, and the folder it lives in."""

    def __init__(
        self,
        rig_path: Path,
        set_path: Path,
        control: Control,
        view: View,
        charts: Charts,
        state_dir: Path | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
        today: Callable[[], datetime] = datetime.now,
    ) -> None:
        self._rig_path = rig_path
        self._set_path = set_path
        self._control = control
        self._view = view
        self._charts = charts
        self._state_dir = state_dir
        self._clock = clock
        self._today = today
        self._lock = asyncio.Lock()
        self._keeping = asyncio.Lock()
        self._news = asyncio.Event()
        self._coming: dict[int, Score] = {}
        self._on_disk: dict[Path, str] = {}
        self._previous: Path | None = None
        self._stamps: dict[Path, tuple[int, int] | None] = {}
        self._outside: set[Path] = set()
        self._unkept = ""
        self._notes: list[str] = []
        self.shelf: Shelf[Playing] = Shelf(rig_path, set_path)
        self.rig: Rig | None = None
        self.playing: Playing | None = None
        control.swap_text = self._travel
        control.link.on_presence.append(self._presence)
        control.link.on_state.append(self._state)

    # --- reading ----------------------------------------------------------------------------

    async def load(self) -> None:
        """Reads rig and set. Raises `InputError` with everything that is wrong."""
        rig, playing = await asyncio.to_thread(self._load)
        self.rig, self.playing = rig, playing
        for note in self._notes:
            log.warning("%s", note)
        self._control.outputs = frozenset(rig.wired)
        self._charts.use(playing.score)
        self._show()

    def _load(self) -> tuple[Rig, Playing]:
        rig = self._last_good(self._rig_path, lambda path: load_rig(path, place=self._rig_path))
        path = self._set_path.resolve()
        revision = -1  # not known before the player says it
        kept = self._kept(path)
        if kept is not None:
            try:
                file = self.shelf.path(kept.file)
                playing = self._compile(rig, kept.text, file, kept.revision)
            except BridgeError as error:
                self._notes.append(f"the working text cannot be used: {error}")
            else:
                self._read_disk(playing.path)
                return rig, playing
        document = self._last_good(path, lambda path: load_set(path, rig, self._set_path.name))
        self._read_disk(path)
        score = compile_score(document.spec, rig.ranges)
        return rig, Playing(document.text, path, document, score, revision)

    def _last_good(self, path: Path, load: Callable[[Path], Loaded]) -> Loaded:
        """The file, or its last good copy."""
        if self._state_dir is None:
            return load(path)
        value, wrong = store.load_or_last_good(path, load, self._state_dir)
        self._notes += map(str, wrong)
        return value

    def _kept(self, path: Path) -> working.Kept | None:
        """The working text of this very run, if another service before this one has left it."""
        if self._state_dir is None:
            return None
        kept, note = working.read(self._state_dir)
        if note:
            self._notes.append(note)
        if kept is None or kept.started_with != str(path) or kept.run != os.getppid():
            return None
        return kept

    def _read_disk(self, path: Path) -> str | None:
        """Notes what the file holds now; blocks on disk. None when it cannot be read."""
        self._stamps[path] = working.stamp(path)
        try:
            text = read_text(path)
        except (OSError, UnicodeDecodeError):
            self._on_disk.pop(path, None)
            return None
        self._on_disk[path] = text
        return text

    def _compile(self, rig: Rig, text: str, path: Path, revision: int) -> Playing:
        document = parse_set(text, path.name, rig)
        score = compile_score(document.spec, rig.ranges)
        return Playing(text, path, document, score, revision)

    def _weighed(self, rig: Rig, text: str, path: Path, revision: int) -> Playing:
        """The same, for what is to be played anew; InputError as well when that is too much work
        for this computer."""
        playing = self._compile(rig, text, path, revision)
        work.check(playing.score, rig.wired, path.name)
        return playing

    def problems(self, text: str) -> list[Problem]:
        """Everything that is wrong with a text, [] when it can be played; blocks meanwhile."""
        rig, playing = self._both()
        try:
            self._weighed(rig, text, playing.path, 0)
        except InputError as error:
            return list(error.problems)
        return []

    # --- playing ----------------------------------------------------------------------------

    async def put(
        self,
        text: str,
        when: str,
        client: str,
        *,
        label: str = "edit of the set",
        renamed: Names = NO_NAMES,
        parts: Mapping[str, Any] = NO_PARTS,
    ) -> Playing:
        """Swaps a new text in at the next step, beat or bar; one undoable step. `renamed` says what
        has another name in it, `parts` what of the performance changes with it.

        Raises `InputError` when the text is wrong (what plays goes on), `PlayerError` when the
        player is away.
        """
        before, state = self._both()[1], self._control.link.state
        change = TextChange(text, str(before.path), when, renamed, parts)
        after = await self._swap(change)
        if text != before.text:
            self._remember(label, client, before, after, change, state)
        return after

    async def open(
        self, file: str, when: str, client: str, tempo: str = "take", fresh: bool = False
    ) -> Playing:
        """Another set of the folder takes over; one undoable step.

        A set that was left with edits comes back with them, unless `fresh`. `tempo` ``take``: its
        own tempo comes with it (where we lead); ``keep``: the tempo stays.
        """
        path = self.shelf.path(file)
        before = self._both()[1]
        text = None if fresh or path == before.path else self.shelf.left.get(path)
        if text is None:
            text = await self._read(path, file)
        parts = await self._tempo(text, path, tempo)
        state, change = self._control.link.state, TextChange(text, str(path), when, parts=parts)
        after = await self._swap(change)
        self.shelf.left.pop(path, None)
        if path != before.path:
            self._previous = before.path
            if self._on_disk.get(before.path) != before.text:
                self.shelf.left[before.path] = before.text
        self._remember(f"open {file}", client, before, after, change, state)
        return after

    async def back(self, when: str, client: str, tempo: str = "take") -> Playing:
        """The set that was open before this one takes over again. Raises `CommandError` when there
        was none."""
        if self._previous is None:
            raise CommandError("no other set was open before", "state")
        return await self.open(self.shelf.name(self._previous), when, client, tempo)

    async def load_ahead(self, file: str) -> None:
        """Reads and compiles a set, so that it can take over at once. Raises `InputError`."""
        rig, playing = self._both()
        path = self.shelf.path(file)
        if path != playing.path:
            text = self.shelf.left.get(path) or await self._read(path, file)
            made = await asyncio.to_thread(self._weighed, rig, text, path, 0)
            self.shelf.keep_ready(path, made)

    async def _read(self, path: Path, file: str) -> str:
        try:
            text = await asyncio.to_thread(read_text, path)
        except FileNotFoundError:
            raise CommandError(f"there is no file '{file}' beside the set", "unknown") from None
        except (OSError, UnicodeDecodeError) as error:
            raise CommandError(f"'{file}' cannot be read: {error}") from None
        self._on_disk[path] = text
        self._stamps[path] = await asyncio.to_thread(working.stamp, path)
        return text

    async def _tempo(self, text: str, path: Path, tempo: str) -> dict[str, Any]:
        """What a swap says of the tempo. Where we follow a clock the tempo is that clock's."""
        leads = self._control.link.state.get("clock", {}).get("source") == "internal"
        if tempo != "take" or not leads:
            return {}
        rig = self._both()[0]
        made = self.shelf.ready.get(path)
        if made is None or made.text != text:
            made = await asyncio.to_thread(self._weighed, rig, text, path, 0)
            self.shelf.keep_ready(path, made)
        return {"tempo": made.document.spec.tempo, "tempo_glide": None}

    async def _travel(self, change: TextChange) -> None:
        await self._swap(change, self._compile)  # it has been played before

    async def _swap(
        self, change: TextChange, make: Callable[[Rig, str, Path, int], Playing] | None = None
    ) -> Playing:
        text, path, make = change.text, Path(change.file), make or self._weighed
        async with self._lock:
            rig, before = self._both()
            shown = self._control.link.state.get("revision", 0)
            revision = max(before.revision, shown) + 1
            made = self.shelf.ready.get(path)
            if made is None or made.text != text:
                made = await asyncio.to_thread(make, rig, text, path, revision)
            playing = replace(made, revision=revision)
            await self._send(playing, change.when, change)
            if path != before.path:
                self.shelf.keep_ready(before.path, before)
            self.playing = playing
            self._show()
        await self._keep()
        return playing

    async def _send(self, playing: Playing, when: str, change: TextChange | None = None) -> None:
        link = self._control.link
        self._coming[playing.revision] = playing.score
        swap: dict[str, Any] = {
            "do": "swap",
            "when": when,
            "score": playing.score,
            "revision": playing.revision,
            "text": playing.text,
            "file": str(playing.path),
        }
        if change is not None and change.renamed:
            swap["renamed"] = {what: dict(names) for what, names in change.renamed.items()}
        if change is not None and change.parts:
            swap["parts"] = dict(change.parts)
        answer = await link.send_pickled(swap)
        try:
            await asyncio.wait_for(asyncio.shield(answer), SWAP_S)
        except TimeoutError:
            raise PlayerError(f"the player did not take the set within {SWAP_S:g} s") from None

    def _remember(
        self,
        label: str,
        client: str,
        before: Playing,
        after: Playing,
        change: TextChange,
        state: Mapping[str, Any],
    ) -> None:
        """`state` is that of before the change."""
        back = TextChange(
            before.text,
            str(before.path),
            change.when,
            turned(change.renamed),
            lost(state, before.document.spec, after.document.spec, change.renamed, change.parts),
        )
        self._control.history.add(
            Step(label=label, client=client, at=self._clock(), undo=(back,), redo=(change,))
        )

    async def _keep(self) -> None:
        """Keeps the text that plays; two that come together are written one after the other."""
        if self._state_dir is None:
            return
        async with self._keeping:
            playing = self._both()[1]
            if playing.revision < 0:
                return
            kept = working.Kept(
                started_with=str(self._set_path.resolve()),
                run=os.getppid(),
                revision=playing.revision,
                file=str(playing.path),
                text=playing.text,
            )
            unkept = ""
            try:
                await asyncio.to_thread(working.write, self._state_dir, kept)
            except OSError as error:
                unkept = f"unsaved changes cannot be kept: {error.strerror or error}"
            if unkept != self._unkept:
                log.warning("%s", unkept or "unsaved changes are kept again")
                self._unkept = unkept
                self._show()

    # --- the folder -------------------------------------------------------------------------

    async def save(self) -> Playing:
        """Writes the text that plays to its file (a dated copy of the old one is kept)."""
        playing = self._both()[1]
        return await self._write(playing, playing.path)

    async def save_as(self, file: str, replace: bool) -> Playing:
        """Writes the text that plays to another file of the folder, which is its file then."""
        playing = self._both()[1]
        path = self.shelf.path(file)
        profiles = [i.profile.name for i in self._both()[0].interfaces.values()]
        await asyncio.to_thread(self.shelf.refuse_other_files, path, profiles)
        if not replace and path != playing.path and await asyncio.to_thread(path.exists):
            raise CommandError(f"there is a file '{file}' already", "taken")
        return await self._write(playing, path)

    async def _write(self, playing: Playing, path: Path) -> Playing:
        async with self._lock:
            try:
                await asyncio.to_thread(store.save, path, playing.text, self._today())
            except OSError as error:
                raise CommandError(f"'{path.name}' cannot be written: {error}", "state") from None
            if await asyncio.to_thread(self._read_disk, path) != playing.text:
                raise CommandError(f"'{path.name}' does not hold what was written", "state")
            self.playing = replace(self._both()[1], path=path)
            self._show()
        await self._keep()
        return self.playing

    async def files(self) -> list[SetRow]:
        """The sets within reach."""
        playing = self._both()[1]
        return await asyncio.to_thread(self.shelf.rows, playing.path, self.saved)

    def note_names(self) -> list[str]:
        """What the twelve notes from C are called in the key of the set that plays."""
        return list(SHARPS if self.playing is None else names_for(self.playing.document.spec))

    def name(self, playing: Playing) -> str:
        """The file of a set, as surfaces call it."""
        return self.shelf.name(playing.path)

    # --- keeping in step with the player ------------------------------------------------------

    async def run(self) -> None:
        """Gives a player that was started anew the text that should play; never returns."""
        while True:
            try:
                async with asyncio.timeout(LOOK_S):
                    await self._news.wait()
            except TimeoutError:
                await self._look()
                continue
            self._news.clear()
            link = self._control.link
            async with self._lock:
                playing = self.playing
                if playing is None or not link.present:
                    continue
                revision = link.state.get("revision", 0)
                if await self._take_over(playing, link.origin):
                    pass
                elif playing.revision < 0:  # the player started with the file that was read here
                    self.playing = replace(playing, revision=revision)
                elif revision < playing.revision and revision not in self._coming:
                    try:
                        await self._send(playing, "step")
                    except (CommandError, PlayerError) as error:
                        log.warning("the player did not take the set back: %s", error)
            await self._keep()

    async def _take_over(self, playing: Playing, origin: Mapping[str, Any]) -> bool:
        """Whether the player has another text than this one, which is then taken over."""
        text, revision = origin.get("text"), origin.get("revision")
        if not isinstance(text, str) or not text or not isinstance(revision, int):
            return False
        if revision < playing.revision:
            return False
        if text == playing.text and playing.revision in (-1, revision):
            return False
        path = playing.path
        with contextlib.suppress(CommandError):
            path = self.shelf.path(str(origin.get("file", "")))
        try:
            taken = await asyncio.to_thread(self._compile, self._both()[0], text, path, revision)
        except BridgeError as error:
            log.warning("what the player plays cannot be read here: %s", error)
            return False
        await asyncio.to_thread(self._read_disk, path)
        self.playing = taken
        self._charts.use(taken.score)
        self._show()
        return True

    async def _look(self) -> None:
        """Looks whether the file was changed by somebody else, and tries again to keep what could
        not be kept."""
        playing = self.playing
        if playing is None:
            return
        path = playing.path
        stamp = await asyncio.to_thread(working.stamp, path)
        if path in self._stamps and stamp != self._stamps[path] and not self._lock.locked():
            before = self._on_disk.get(path)
            after = await asyncio.to_thread(self._read_disk, path)
            if after is not None and after != before:
                self._outside.add(path)
            self._show()
        if self._unkept:
            await self._keep()

    def _presence(self, present: bool) -> None:
        if present:
            self._coming.clear()
            self._news.set()

    def _state(self, changed: frozenset[str]) -> None:
        if "revision" not in changed:
            return
        score = self._coming.pop(self._control.link.state["revision"], None)
        if score is not None:
            self._charts.use(score)

    def _show(self) -> None:
        playing = self._both()[1]
        saved = self._on_disk.get(playing.path) == playing.text
        document = {"file": self.shelf.name(playing.path), "saved": saved}
        if saved:
            self._outside.discard(playing.path)
        elif playing.path in self._outside:
            document["outside"] = True
        notes = [*self._notes, *([self._unkept] if self._unkept else ())]
        if notes:
            document["notes"] = notes
        self._view.document = document
        self._control.history.on_change()

    def _both(self) -> tuple[Rig, Playing]:
        if self.rig is None or self.playing is None:
            raise PlayerError("the set has not been read yet")
        return self.rig, self.playing

    @property
    def saved(self) -> bool:
        return bool(self._view.document["saved"])
