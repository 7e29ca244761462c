"""What a service that was killed must still know when it comes back: who had been let in, and who
gets feedback.

It is kept in the state folder, for the run of the program that it belongs to only, in a file that
only its owner may read. Writing happens in a thread and never holds anybody up.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from bridge.files import store
from bridge.files.read import read_bytes

log = logging.getLogger(__name__)

FILE_NAME = "network.json"
FILE_BYTES_MAX = 64 << 10

Host = Annotated[str, Field(min_length=2, max_length=64)]


class Network(BaseModel):
    """`run` names the run of the program, `admitted` until when (monotonic seconds) a
    host may send OSC, `answered` those of them that have answered from their address, `subscribers`
    host and port of each that gets feedback."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)
    run: Annotated[str, Field(max_length=64)]
    admitted: Annotated[dict[Host, float], Field(max_length=512)] = Field(default_factory=dict)
    answered: Annotated[list[Host], Field(max_length=512)] = Field(default_factory=list)
    subscribers: Annotated[list[tuple[Host, int]], Field(max_length=64)] = Field(
        default_factory=list
    )


class KeptFile:
    """A private file that is written in a thread. `path` None keeps nothing."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._newest: Callable[[], BaseModel] | None = None
        self._writing: asyncio.Task[None] | None = None
        self.failed = False

    def read(self, model: type[Any]) -> Any:
        """What the file holds; None when there is none, or it cannot be read (that is logged)."""
        if self._path is None:
            return None
        try:
            return model.model_validate_json(read_bytes(self._path, FILE_BYTES_MAX))
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            what = "it is not as we write it" if isinstance(error, ValidationError) else error
            log.warning(
                "who was let in before is not known: %s cannot be read: %s", self._path, what
            )
            return None

    def keep(self, newest: Callable[[], BaseModel]) -> None:
        """Writes what `newest` gives, soon; calls that come while it is written are one."""
        if self._path is None:
            return
        self._newest = newest
        if self._writing is None or self._writing.done():
            try:
                loop = asyncio.get_running_loop()
            except RuntimeError:
                return  # no service is running yet
            self._writing = loop.create_task(self._write())

    async def _write(self) -> None:
        while self._newest is not None:
            text, self._newest = self._newest().model_dump_json(), None
            try:
                await asyncio.to_thread(self._write_now, text)
                self.failed = False
            except OSError as error:
                if not self.failed:
                    log.warning("who is let in cannot be kept for a restart: %s", error)
                self.failed = True

    def _write_now(self, text: str) -> None:
        assert self._path is not None
        self._path.parent.mkdir(parents=True, exist_ok=True)
        store.write_atomic(self._path, text, mode=0o600)


class Remembered(KeptFile):
    """What one run of the program remembers. `folder` None keeps nothing."""

    def __init__(self, folder: Path | None, run: str) -> None:
        super().__init__(None if folder is None else folder / FILE_NAME)
        self._run = run

    def load(self) -> Network:
        """What a service before this one has left in this run; nothing else is taken over."""
        found = self.read(Network)
        if isinstance(found, Network) and found.run == self._run:
            return found
        return Network(run=self._run)
