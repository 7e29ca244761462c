"""What a service that is killed would take with it: undo, redo, sets left with unsaved edits.

Kept in memory that the supervisor holds (`bridge.files.slots`), for the run of the program; a power
cut ends it. Written in a thread, a moment after it changed.
"""

from __future__ import annotations

import asyncio
import copyreg
import io
import logging
import pickle
from pathlib import Path
from types import MappingProxyType
from typing import Any

from bridge.control.history import Step
from bridge.control.session import Session
from bridge.control.stream import HistoryChanged
from bridge.files.slots import Slots
from bridge.session.set_folder import SetFolder

log = logging.getLogger(__name__)

GATHER_S = 0.2


class Lasting:
    """`slots` None keeps nothing."""

    def __init__(self, session: Session, sets: SetFolder[Any], slots: Slots | None) -> None:
        self._session = session
        self._sets = sets
        self._slots = slots
        self._changed = asyncio.Event()
        session.stream.on(HistoryChanged, lambda _: self._changed.set())

    def load(self) -> None:
        """Takes over what the service before has left."""
        try:
            raw = None if self._slots is None else self._slots.read()
            if raw is None:
                return
            done, undone, left = pickle.loads(raw)  # from a service of the same run, no one else
        except Exception as error:  # a pickle may fail in any way; none may end the service
            log.warning("what can be undone is not known any more: %r", error)
            return
        self._session.history.take_over(done, undone)
        self._sets.left.update(left)

    async def run(self) -> None:
        """Keeps what changes; never returns."""
        while True:
            await self._changed.wait()
            await asyncio.sleep(GATHER_S)
            self._changed.clear()
            if self._slots is None:
                continue
            done, undone = self._session.history.steps()
            left = dict(self._sets.left)
            try:
                await asyncio.to_thread(_write, self._slots, done, undone, left)
            except (OSError, ValueError, pickle.PicklingError, TypeError) as error:
                log.warning("what can be undone cannot be kept: %s", error)


class _Pickler(pickle.Pickler):
    dispatch_table = copyreg.dispatch_table | {
        MappingProxyType: lambda mapping: (dict, (dict(mapping),))
    }


def _write(slots: Slots, done: list[Step], undone: list[Step], left: dict[Path, str]) -> None:
    out = io.BytesIO()
    _Pickler(out, pickle.HIGHEST_PROTOCOL).dump((done, undone, left))
    slots.write(out.getvalue())
