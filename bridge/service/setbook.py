"""The set as text: read, checked, compiled, swapped into the playing, saved, opened, listed.

The text that plays is kept in the state folder too (with the number of its revision), so that a
service that was killed comes back with the text the player has, saved or not. File work and
compiling happen in a thread.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from bridge.errors import BridgeError, CommandError, InputError, PlayerError, Problem
from bridge.files import store
from bridge.files.rig import Rig, load_rig
from bridge.files.set import SetDocument, load_set, parse_set
from bridge.music.scale import SHARPS
from bridge.music.score import Score, compile_score
from bridge.music.spelling import names_for
from bridge.service.chart import Charts
from bridge.service.control import Control
from bridge.service.history import Step, TextChange
from bridge.service.lost import NO_NAMES, NO_PARTS, Names, lost, turned
from bridge.service.shelf import SetRow, Shelf
from bridge.service.view import View

log = logging.getLogger(__name__)

SWAP_S = 3.0  # a compiled score is larger than a command; the player unpacks it between two steps
WORKING = "working.json"


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
        self._control.outputs = frozenset(rig.wired)
        self._charts.use(playing.score)
        self._show()

    def _load(self) -> tuple[Rig, Playing]:
        rig = load_rig(self._rig_path)
        path = self._set_path.resolve()
        revision = -1  # not known before the player says it
        kept = self._kept(path)
        if kept is not None:
            try:
                playing = self._compile(rig, kept["text"], Path(kept["file"]), kept["revision"])
            except BridgeError as error:
                log.warning("the working text cannot be used: %s", error)
            else:
                with contextlib.suppress(OSError, UnicodeDecodeError):
                    self._on_disk[playing.path] = playing.path.read_text(encoding="utf-8")
                return rig, playing
        document = load_set(path, rig, self._set_path.name)
        self._on_disk[path] = document.text
        score = compile_score(document.spec, rig.ranges)
        return rig, Playing(document.text, path, document, score, revision)

    def _kept(self, path: Path) -> dict[str, Any] | None:
        """The working text of this very run, if another service before this one has left it."""
        if self._state_dir is None:
            return None
        try:
            kept = json.loads((self._state_dir / WORKING).read_text(encoding="utf-8"))
            same = kept["started_with"] == str(path) and kept["run"] == os.getppid()
            checked = isinstance(kept["text"], str) and isinstance(kept["revision"], int)
            return kept if same and checked else None
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def _compile(self, rig: Rig, text: str, path: Path, revision: int) -> Playing:
        document = parse_set(text, path.name, rig)
        score = compile_score(document.spec, rig.ranges)
        return Playing(text, path, document, score, revision)

    async def check(self, text: str) -> list[Problem]:
        """Everything that is wrong with a text; [] when it can be played."""
        rig, playing = self._both()
        try:
            await asyncio.to_thread(self._compile, rig, text, playing.path, 0)
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
            made = await asyncio.to_thread(self._compile, rig, text, path, 0)
            self.shelf.keep_ready(path, made)

    async def _read(self, path: Path, file: str) -> str:
        try:
            text = await asyncio.to_thread(path.read_text, encoding="utf-8")
        except FileNotFoundError:
            raise CommandError(f"there is no file '{file}' beside the set", "unknown") from None
        except (OSError, UnicodeDecodeError) as error:
            raise CommandError(f"'{file}' cannot be read: {error}") from None
        self._on_disk[path] = text
        return text

    async def _tempo(self, text: str, path: Path, tempo: str) -> dict[str, Any]:
        """What a swap says of the tempo. Where we follow a clock the tempo is that clock's."""
        leads = self._control.link.state.get("clock", {}).get("source") == "internal"
        if tempo != "take" or not leads:
            return {}
        rig = self._both()[0]
        made = self.shelf.ready.get(path)
        if made is None or made.text != text:
            made = await asyncio.to_thread(self._compile, rig, text, path, 0)
            self.shelf.keep_ready(path, made)
        return {"tempo": made.document.spec.tempo, "tempo_glide": None}

    async def _travel(self, change: TextChange) -> None:
        await self._swap(change)

    async def _swap(self, change: TextChange) -> Playing:
        text, path = change.text, Path(change.file)
        async with self._lock:
            rig, before = self._both()
            shown = self._control.link.state.get("revision", 0)
            revision = max(before.revision, shown) + 1
            made = self.shelf.ready.get(path)
            if made is None or made.text != text:
                made = await asyncio.to_thread(self._compile, rig, text, path, revision)
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
            await self._keep_text(self._state_dir / WORKING, self._both()[1])

    async def _keep_text(self, path: Path, playing: Playing) -> None:
        kept = {
            "started_with": str(self._set_path.resolve()),
            "run": os.getppid(),
            "revision": playing.revision,
            "file": str(playing.path),
            "text": playing.text,
        }
        try:
            await asyncio.to_thread(self._keep_now, path, json.dumps(kept))
        except OSError as error:
            log.warning("the working text cannot be kept: %s", error)

    @staticmethod
    def _keep_now(path: Path, text: str) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        store.write_atomic(path, text)

    # --- the folder -------------------------------------------------------------------------

    async def save(self) -> Playing:
        """Writes the text that plays to its file (a dated copy of the old one is kept)."""
        playing = self._both()[1]
        return await self._write(playing, playing.path)

    async def save_as(self, file: str, replace: bool) -> Playing:
        """Writes the text that plays to another file of the folder, which is its file then."""
        playing = self._both()[1]
        path = self.shelf.path(file)
        if not replace and path != playing.path and await asyncio.to_thread(path.exists):
            raise CommandError(f"there is a file '{file}' already", "state")
        return await self._write(playing, path)

    async def _write(self, playing: Playing, path: Path) -> Playing:
        async with self._lock:
            try:
                await asyncio.to_thread(store.save, path, playing.text, self._today())
            except OSError as error:
                raise CommandError(f"'{path.name}' cannot be written: {error}", "state") from None
            self._on_disk[path] = playing.text
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
            await self._news.wait()
            self._news.clear()
            link = self._control.link
            async with self._lock:
                playing = self.playing
                if playing is None or not link.present:
                    continue
                revision = link.state.get("revision", 0)
                if playing.revision < 0:  # the player started with the file that was read here
                    self.playing = replace(playing, revision=revision)
                elif revision < playing.revision and revision not in self._coming:
                    try:
                        await self._send(playing, "step")
                    except (CommandError, PlayerError) as error:
                        log.warning("the player did not take the set back: %s", error)
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
        self._view.document = {"file": self.shelf.name(playing.path), "saved": saved}
        self._control.history.on_change()

    def _both(self) -> tuple[Rig, Playing]:
        if self.rig is None or self.playing is None:
            raise PlayerError("the set has not been read yet")
        return self.rig, self.playing

    @property
    def saved(self) -> bool:
        return bool(self._view.document["saved"])
