"""Keeps the text that plays in the state folder, for a service that comes back while the player is
away, and for the next start after a power cut; that it cannot be kept is said until it can."""

from __future__ import annotations

import asyncio
import logging
from pathlib import Path

from bridge.control.session import Session
from bridge.files import working

log = logging.getLogger(__name__)


class Keeping:
    """`unkept` says why the text cannot be kept now; "" when it can."""

    def __init__(
        self, session: Session, set_path: Path, state_dir: Path | None, run: str = ""
    ) -> None:
        self._session = session
        self._set_path = set_path
        self._state_dir = state_dir
        self._run = run
        self._writing = asyncio.Lock()
        self.unkept = ""

    def read(self) -> tuple[working.Kept | None, str]:
        """The working text of this very run, if another service before this one has left it, and a
        line when it cannot be used; blocks on disk."""
        if self._state_dir is None:
            return None, ""
        kept, note = working.read(self._state_dir)
        started_with = str(self._set_path.resolve())
        if kept is None or kept.started_with != started_with or kept.run != self._run:
            return None, note
        return kept, note

    async def keep(self) -> bool:
        """Keeps the text; two that come together are written one after the other. Returns whether
        `unkept` has changed."""
        if self._state_dir is None:
            return False
        async with self._writing:
            _, playing = self._session.loaded()
            if playing.revision < 0:
                return False
            kept = working.Kept(
                started_with=str(self._set_path.resolve()),
                run=self._run,
                disk=await asyncio.to_thread(working.digest, playing.path),
                revision=playing.revision,
                file=str(playing.path),
                text=playing.text,
            )
            unkept = ""
            try:
                await asyncio.to_thread(working.write, self._state_dir, kept)
            except OSError as error:
                unkept = f"unsaved changes cannot be kept: {error.strerror or error}"
            if unkept == self.unkept:
                return False
            log.warning("%s", unkept or "unsaved changes are kept again")
            self.unkept = unkept
            return True
