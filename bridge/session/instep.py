"""Keeps the set book in step with the player, whose set is the truth, and with the files on disk.

At its hello the player says which text it plays, and that is taken over; a player that was started
anew with an older one is given the text that should play.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Mapping
from dataclasses import replace

from bridge.control.session import Playing
from bridge.control.stream import PresenceChanged
from bridge.errors import BridgeError, CommandError, PlayerError
from bridge.session.setbook import SetBook
from bridge.session.texts import UNKNOWN, compiled

log = logging.getLogger(__name__)

LOOK_S = 2.0  # how often the file is looked at, and keeping is tried again


class InStep:
    """Runs beside a set book."""

    def __init__(self, book: SetBook) -> None:
        self._book = book
        self._session = book.session
        self._came = asyncio.Event()
        self._session.stream.on(PresenceChanged, self._presence)

    def _presence(self, event: PresenceChanged) -> None:
        if event.present:
            self._came.set()

    async def run(self) -> None:
        """Gives a player that was started anew the text that should play; never returns."""
        while True:
            try:
                async with asyncio.timeout(LOOK_S):
                    await self._came.wait()
            except TimeoutError:
                await self._look()
                continue
            self._came.clear()
            async with self._book.lock:
                if not await self._agree():
                    continue
            await self._book.keep()

    async def _agree(self) -> bool:
        """Takes the player's text, or gives it ours; False when one of both is not there."""
        session, swapping = self._session, self._book.swapping
        playing = session.playing
        if playing is None or not session.present:
            return False
        revision = session.state.get("revision", 0)
        if await self._take_over(playing, session.origin):
            pass
        elif playing.revision == UNKNOWN:  # the player started with the file that was read here
            session.use_set(replace(playing, revision=revision))
        elif revision < playing.revision and not swapping.expects(revision):
            try:
                await swapping.send(playing, "step")
            except (CommandError, PlayerError) as error:
                log.warning("the player did not take the set back: %s", error)
        return True

    async def _take_over(self, playing: Playing, origin: Mapping[str, object]) -> bool:
        """Whether the player has another text than this one, which is then taken over."""
        text, revision = origin.get("text"), origin.get("revision")
        if not isinstance(text, str) or not text or not isinstance(revision, int):
            return False
        if revision < playing.revision:
            return False
        if text == playing.text and playing.revision in (UNKNOWN, revision):
            return False
        book, path = self._book, playing.path
        with contextlib.suppress(CommandError):
            path = book.sets.path(str(origin.get("file", "")))
        try:
            rig = self._session.the_rig()
            taken = await asyncio.to_thread(compiled, rig, text, path, revision)
        except BridgeError as error:
            log.warning("what the player plays cannot be read here: %s", error)
            return False
        await asyncio.to_thread(book.texts.read_disk, path)
        self._session.use_set(taken)
        self._session.sounds(taken.score)
        book.show()
        return True

    async def _look(self) -> None:
        """Looks whether the file was changed by somebody else, and tries again to keep what could
        not be kept."""
        book, playing = self._book, self._session.playing
        if playing is None:
            return
        if not book.lock.locked() and await book.texts.look(playing.path):
            book.show()
        if book.keeping.unkept:
            await book.keep()
