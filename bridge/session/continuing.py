"""Goes on live from a bar of a take: its set, everything that was set, where each pattern stood."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bridge.control.door import Control
from bridge.control.threads import in_thread
from bridge.errors import CommandError
from bridge.files.read import reason
from bridge.files.take import TakeError, read
from bridge.files.take_folder import SERVICE_BYTES, TakeFolder, refuse_recording
from bridge.protocol.command import Command
from bridge.protocol.editing import ContinueTake
from bridge.protocol.running import Continue, Stop
from bridge.session.setbook import SetBook

if TYPE_CHECKING:
    from bridge.paper.take_again import Standing


class Continuing:
    """Carries out `ContinueTake` on the set of `book`; takes are in the state folder `state`."""

    def __init__(self, book: SetBook, control: Control, state: Path | None) -> None:
        self._book = book
        self._control = control
        self._state = state
        self._working = asyncio.Lock()
        control.others[ContinueTake] = self.go_on

    async def go_on(self, command: Command, client: str) -> dict[str, object]:
        """
        Puts the player where a take stood.

        Returns:
            ``take`` (its id), ``bar``, ``tick``, ``set``, ``file`` and ``exact``.

        Raises:
            CommandError: there is no such take or bar, or that cannot be done now.
            InputError: its set does not fit this rig.
            PlayerError: the player is away.
        """
        assert isinstance(command, ContinueTake)
        if self._working.locked():
            raise CommandError("another take is being looked up; try again", "busy")
        async with self._working:
            id_, file, standing = await in_thread(self._standing, command.take, command.bar)
            path = self._path(file)
            await self._book.make_ready(standing.text, path)
            label = f"on from bar {command.bar} of {id_}"
            playing = await self._control.edits.run(
                client, lambda: self._stand(standing, path, client, label)
            )
        if command.start:
            await self._control.do(Continue(), client)
        return {
            "take": id_,
            "bar": command.bar,
            "tick": standing.place.tick,
            "set": playing.document.spec.name,
            "file": self._book.name(playing),
            "exact": standing.exact,
        }

    async def _stand(self, standing: Standing, path: Path, client: str, label: str) -> Any:
        session = self._control.session
        if session.state["clock"]["source"] != "internal":
            source = session.state["clock"]["source"]
            raise CommandError(f"the song follows {source}; use the internal clock first", "state")
        if session.state["transport"]["state"] != "stopped":
            await self._control.do(Stop(), client)
        return await self._book.stand(standing.text, path, standing.place, client, label)

    def _path(self, file: str) -> Path:
        """The file that the set of a take belongs to here: that of its name, or what plays."""
        try:
            return self._book.sets.path(file)
        except CommandError:
            return self._control.session.loaded()[1].path

    def _standing(self, take: str, bar: int) -> tuple[str, str, Standing]:
        from bridge.paper.take_again import standing_at  # with it comes the whole player

        if self._state is None:
            raise CommandError("no takes are recorded here", "state")
        path = TakeFolder(self._state).find(take)
        refuse_recording(path)
        try:
            if path.stat().st_size > SERVICE_BYTES:
                raise CommandError(
                    f"this take has more than {SERVICE_BYTES >> 20} MB; that is too much work "
                    "while something plays",
                    "state",
                )
            found = read(path)
            return path.stem, str(found.head.get("file", "")), standing_at(found, bar)
        except OSError as error:
            raise CommandError(f"the take cannot be read: {reason(error)}", "state") from None
        except TakeError as error:
            raise CommandError(str(error), "state") from None
