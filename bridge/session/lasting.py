"""What a service that is killed would take with it: undo, redo, sets left with unsaved edits.

Kept in memory that the supervisor holds (`bridge.files.slots`), for the run of the program; a power
cut ends it. Written in a thread: what was done by hand as soon as it changed, but with a pause
between two writes; an undo or redo before it is answered.
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

from bridge.control.door import Control
from bridge.control.history import Step
from bridge.control.stream import HistoryChanged
from bridge.files.slots import Slots
from bridge.session.set_folder import SetFolder

log = logging.getLogger(__name__)

GATHER_S = 0.2
"""The pause between two writes."""
Kept = tuple[list[Step], list[Step], bool | None, dict[Path, str]]
"""What can be undone and redone (see `Travel.steps`), and the sets left with unsaved edits."""


class Lasting:
    """`slots` None keeps nothing."""

    def __init__(self, control: Control, sets: SetFolder[Any], slots: Slots | None) -> None:
        self._travel = control.travel
        self._sets = sets
        self._slots = slots
        self._changed = asyncio.Event()
        self._writing = asyncio.Lock()
        control.travel.keep = self.keep
        control.session.stream.on(HistoryChanged, lambda _: self._changed.set())

    def load(self) -> None:
        """Takes over what the service before has left."""
        try:
            raw = None if self._slots is None else self._slots.read()
            if raw is None:
                return
            # From a service of the same run, and from no one else.
            done, undone, late, left = pickle.loads(raw)
        except Exception as error:  # a pickle may fail in any way; none may end the service
            log.warning("what can be undone is not known any more: %r", error)
            return
        self._travel.take_over(done, undone, late)
        self._sets.left.update(left)

    async def run(self) -> None:
        """Keeps what changes; never returns."""
        while True:
            await self._changed.wait()
            await self.keep()
            await asyncio.sleep(GATHER_S)

    async def keep(self) -> None:
        """Keeps what there is now; returns when that is written."""
        # Whoever waits may give up; two writes must not meet all the same.
        await asyncio.shield(asyncio.ensure_future(self._keep()))

    async def _keep(self) -> None:
        if self._slots is None:
            self._changed.clear()
            return
        async with self._writing:
            self._changed.clear()
            kept = (*self._travel.steps(), dict(self._sets.left))
            try:
                await asyncio.to_thread(_write, self._slots, kept)
            except (OSError, ValueError, pickle.PicklingError, TypeError) as error:
                log.warning("what can be undone cannot be kept: %s", error)


class _Pickler(pickle.Pickler):
    dispatch_table = copyreg.dispatch_table | {
        MappingProxyType: lambda mapping: (dict, (dict(mapping),))
    }


def _write(slots: Slots, kept: Kept) -> None:
    out = io.BytesIO()
    _Pickler(out, pickle.HIGHEST_PROTOCOL).dump(kept)
    slots.write(out.getvalue())
