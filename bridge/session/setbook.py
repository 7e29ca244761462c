"""The set as text: checked, compiled, swapped into the playing, saved, opened, listed.

File work and compiling happen in a thread.
"""

from __future__ import annotations

import asyncio
import logging
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from bridge.control.door import Control
from bridge.control.history import Step, TextChange
from bridge.control.session import Playing
from bridge.errors import CommandError, InputError, Problem
from bridge.files import store
from bridge.files.rig import Rig
from bridge.music.snapshot import essential
from bridge.player.messages import Place
from bridge.protocol.state import DocumentState, PerformanceState
from bridge.session.keeping import Keeping
from bridge.session.restoring import NO_NAMES, NO_PARTS, Names, reversed_names, to_restore
from bridge.session.set_folder import SetFolder, SetRow
from bridge.session.swapping import Swapping
from bridge.session.texts import Texts, compiled, weighed

log = logging.getLogger(__name__)

Compile = Callable[[Rig, str, Path, int], Playing]


class SetBook:
    """The set that plays, and the folder it lives in. `lock` is held while it is changed."""

    def __init__(
        self,
        rig_path: Path,
        set_path: Path,
        control: Control,
        state_dir: Path | None = None,
        *,
        run: str = "",
        clock: Callable[[], float] = time.monotonic,
        today: Callable[[], datetime] = datetime.now,
    ) -> None:
        self.session = control.session
        self.lock = asyncio.Lock()
        self.sets: SetFolder[Playing] = SetFolder(rig_path, set_path)
        self.texts = Texts(rig_path, set_path, state_dir)
        self.keeping = Keeping(self.session, set_path, state_dir, run)
        self.swapping = Swapping(self.session)
        self._clock = clock
        self._today = today
        self._previous: Path | None = None
        control.swap_text = self._travel

    async def load(self) -> None:
        """Reads rig and set. Raises `InputError` with everything that is wrong."""
        rig, playing = await asyncio.to_thread(self.texts.load, self.sets, self.keeping)
        self.session.use_set(playing)
        self.session.use_rig(rig)
        for note in self.texts.notes:
            log.warning("%s", note)
        self.session.sounds(playing.score)
        self.show()

    def problems(self, text: str) -> list[Problem]:
        """Everything that is wrong with a text, [] when it can be played; blocks meanwhile."""
        rig, playing = self.session.loaded()
        try:
            weighed(rig, text, playing.path, 0)
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
        parts: Mapping[str, object] = NO_PARTS,
    ) -> Playing:
        """Swaps a new text in at the next step, beat or bar; one undoable step. `renamed` says what
        has another name in it, `parts` what of the performance changes with it.

        Raises `InputError` when the text is wrong (what plays goes on), `PlayerError` when the
        player is away.
        """
        before, state = self.session.loaded()[1], self.session.state
        change = TextChange(text, str(before.path), when, renamed, parts)
        after = await self._swap(change)
        if text != before.text:
            self._remember(label, client, before, after, change, state)
        return after

    async def open(
        self, file: str, when: str, client: str, tempo: str = "set", fresh: bool = False
    ) -> Playing:
        """Another set of the folder takes over; one undoable step.

        A set that was left with edits comes back with them, unless `fresh`. `tempo` ``set``: its
        own tempo comes with it (on the internal clock); ``keep``: the tempo stays.
        """
        path = self.sets.path(file)
        before = self.session.loaded()[1]
        text = None if fresh or path == before.path else self.sets.left.get(path)
        if text is None:
            text = await self.texts.read(path, file)
        parts = await self._tempo(text, path, tempo)
        state, change = self.session.state, TextChange(text, str(path), when, parts=parts)
        after = await self._swap(change)
        self.sets.left.pop(path, None)
        if path != before.path:
            self._previous = before.path
            if not self.texts.saved(before):
                self.sets.left[before.path] = before.text
        self._remember(f"open {file}", client, before, after, change, state)
        return after

    async def back(self, when: str, client: str, tempo: str = "set") -> Playing:
        """The set that was open before this one takes over again. Raises `CommandError` when there
        was none."""
        if self._previous is None:
            raise CommandError("no other set was open before", "state")
        return await self.open(self.sets.name(self._previous), when, client, tempo)

    async def load_ahead(self, file: str) -> None:
        """Reads and compiles a set, so that it can take over at once. Raises `InputError`."""
        rig, playing = self.session.loaded()
        path = self.sets.path(file)
        if path != playing.path:
            text = self.sets.left.get(path) or await self.texts.read(path, file)
            made = await asyncio.to_thread(weighed, rig, text, path, 0)
            self.sets.keep_ready(path, made)

    async def _tempo(self, text: str, path: Path, tempo: str) -> dict[str, object]:
        """What a swap says of the tempo. Where we follow a clock the tempo is that clock's."""
        internal = self.session.state.get("clock", {}).get("source") == "internal"
        if tempo != "set" or not internal:
            return {}
        rig = self.session.loaded()[0]
        made = self.sets.ready.get(path)
        if made is None or made.text != text:
            made = await asyncio.to_thread(weighed, rig, text, path, 0)
            self.sets.keep_ready(path, made)
        return {"tempo": made.document.spec.tempo, "tempo_glide": None}

    async def _travel(self, change: TextChange) -> None:
        await self._swap(change, compiled)  # it has been played before

    async def stand(self, text: str, path: Path, place: Place, client: str, label: str) -> Playing:
        """
        A set takes over at a place that it was at before; the player must be stopped. One undoable
        step: it brings back the set, and what was set.

        Raises:
            InputError: the text is wrong here.
            CommandError: the player does not stand still.
            PlayerError: it is away.
        """
        before, state = self.session.loaded()[1], self.session.state
        parts = essential(place.state)
        change = TextChange(text, str(path), "bar", parts=parts)
        after = await self._swap(change, place=place)
        if path != before.path:
            self._previous = before.path
            if not self.texts.saved(before):
                self.sets.left[before.path] = before.text
        back = TextChange(before.text, str(before.path), "bar", parts=essential(state))
        step = Step(label=label, client=client, at=self._clock(), undo=(back,), redo=(change,))
        self.session.history.add(step)
        return after

    async def make_ready(self, text: str, path: Path) -> None:
        """Compiles a text that will be swapped in. Raises `InputError`."""
        rig = self.session.loaded()[0]
        self.sets.keep_ready(path, await asyncio.to_thread(weighed, rig, text, path, 0))

    async def _swap(
        self, change: TextChange, make: Compile = weighed, place: Place | None = None
    ) -> Playing:
        text, path = change.text, Path(change.file)
        async with self.lock:
            rig, before = self.session.loaded()
            shown = self.session.state.get("revision", 0)
            revision = max(before.revision, shown) + 1
            made = self.sets.ready.get(path)
            if made is None or made.text != text:
                made = await asyncio.to_thread(make, rig, text, path, revision)
            playing = replace(made, revision=revision)
            await self.swapping.send(playing, change.when, change, place)
            if path != before.path:
                self.sets.keep_ready(before.path, before)
            self.session.use_set(playing)
            self.show()
        await self.keep()
        return playing

    def _remember(
        self,
        label: str,
        client: str,
        before: Playing,
        after: Playing,
        change: TextChange,
        state: PerformanceState,
    ) -> None:
        """`state` is that of before the change."""
        back = TextChange(
            before.text,
            str(before.path),
            change.when,
            reversed_names(change.renamed),
            to_restore(
                state, before.document.spec, after.document.spec, change.renamed, change.parts
            ),
        )
        self.session.history.add(
            Step(label=label, client=client, at=self._clock(), undo=(back,), redo=(change,))
        )

    # --- the folder -------------------------------------------------------------------------

    async def save(self) -> Playing:
        """Writes the text that plays to its file (a dated copy of the old one is kept)."""
        playing = self.session.loaded()[1]
        return await self._write(playing, playing.path)

    async def save_as(self, file: str, replace: bool) -> Playing:
        """Writes the text that plays to another file of the folder, which is its file then."""
        playing = self.session.loaded()[1]
        path = self.sets.path(file)
        profiles = [i.profile.name for i in self.session.loaded()[0].interfaces.values()]
        await asyncio.to_thread(self.sets.refuse_other_files, path, profiles)
        if not replace and path != playing.path and await asyncio.to_thread(path.exists):
            raise CommandError(f"there is a file '{file}' already", "taken")
        return await self._write(playing, path)

    async def add(self, stem: str, text: str) -> str:
        """Puts another set into the folder, under a name that no file there has: `stem`, or with a
        number behind it. Gives the name. Raises `CommandError` when it cannot be written."""
        async with self.lock:
            for number in range(1, 1000):
                file = f"{stem}{'' if number == 1 else f'-{number}'}.yaml"
                path = self.sets.path(file)
                if not await asyncio.to_thread(os.path.lexists, path):
                    break
            try:
                await asyncio.to_thread(store.write_atomic, path, text)
            except OSError as error:
                raise CommandError(f"'{file}' cannot be written: {error}", "state") from None
            return file

    async def _write(self, playing: Playing, path: Path) -> Playing:
        async with self.lock:
            try:
                await asyncio.to_thread(store.save, path, playing.text, self._today())
            except OSError as error:
                raise CommandError(f"'{path.name}' cannot be written: {error}", "state") from None
            if await asyncio.to_thread(self.texts.read_disk, path) != playing.text:
                raise CommandError(f"'{path.name}' does not hold what was written", "state")
            written = replace(self.session.loaded()[1], path=path)
            self.session.use_set(written)
            self.show()
        await self.keep()
        return written

    async def files(self) -> list[SetRow]:
        """The sets within reach."""
        playing = self.session.loaded()[1]
        return await asyncio.to_thread(self.sets.rows, playing.path, self.saved)

    def name(self, playing: Playing) -> str:
        """The file of a set, as surfaces call it."""
        return self.sets.name(playing.path)

    @property
    def saved(self) -> bool:
        """Whether the file holds what plays."""
        return self.session.document["saved"]

    async def keep(self) -> None:
        """Keeps the text that plays, for a service that comes back."""
        if await self.keeping.keep():
            self.show()

    def show(self) -> None:
        """Tells surfaces which file it is, whether it holds what plays, and what went wrong."""
        _, playing = self.session.loaded()
        document: DocumentState = {
            "file": self.sets.name(playing.path),
            "saved": self.texts.saved(playing),
        }
        if self.texts.changed_outside(playing):
            document["outside"] = True
        notes = [*self.texts.notes, *filter(None, [self.keeping.unkept])]
        if notes:
            document["notes"] = notes
        self.session.show_document(document)
