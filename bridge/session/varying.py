"""Copy, clear and randomise: changes of a lane's text that a performer makes with one gesture.

Each is an edit of the set's text, checked as a whole like any other, swapped in at the next step,
beat or bar, and one undoable step. Hands that lie on settings which the text now says anew are
taken off, or nothing would be heard of the change.
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Mapping

from bridge.control.door import Control
from bridge.control.session import Playing
from bridge.errors import CommandError, InputError
from bridge.files import edit
from bridge.files.document import Document
from bridge.music import vary
from bridge.music.model import SETTINGS
from bridge.protocol.command import Command
from bridge.protocol.editing import ClearLane, CopyLane, RandomiseLane
from bridge.session.setbook import SetBook

LaneChange = CopyLane | ClearLane | RandomiseLane


class Varying:
    """Carries out the changes of lanes on the set of `book`."""

    def __init__(self, book: SetBook, control: Control) -> None:
        self._book = book
        self._control = control
        control.change_lane = self.change

    async def change(self, command: Command, client: str) -> dict[str, object]:
        """One change; returns ``lane``, ``seed`` (or None) and ``revision``. Raises
        `CommandError`, `InputError` (the set would be wrong) and `PlayerError`."""
        _, before = self._control.session.loaded()
        assert isinstance(command, LaneChange)
        seed = None
        if isinstance(command, RandomiseLane):
            seed = secrets.randbits(31) if command.seed is None else command.seed
        name = command.to if isinstance(command, CopyLane) else command.lane
        new = await asyncio.to_thread(_changes, before, command, seed or 0)
        # What comes goes in before what goes: a mapping is never left empty on the way.
        rows = sorted(new.items(), key=lambda row: row[1] is None)
        text = before.text
        if rows:
            changes = [edit.Change(("lanes", name, key), value) for key, value in rows]
            text = await asyncio.to_thread(edit.apply, text, changes)
        after = await self._book.put(
            text, command.when, client, label=command.label(), parts=self._hands(name, new)
        )
        return {"lane": name, "seed": seed, "revision": after.revision}

    def _hands(self, name: str, new: Mapping[str, object]) -> dict[str, object]:
        """The part of the performance that takes hands off what the text has said anew."""
        lane = self._control.session.state.get("lanes", {}).get(name)
        hand = lane["hand"] if lane is not None else {}
        said = {key for key in new if key in SETTINGS}
        for value in new.values():
            if isinstance(value, Mapping):  # hits, steps and rotate of a Euclidean lane
                said |= value.keys() & SETTINGS.keys()
        kept = {setting: value for setting, value in hand.items() if setting not in said}
        return {"lanes": {name: {"hand": kept}}} if kept != hand else {}


def _changes(playing: Playing, command: LaneChange, seed: int) -> dict[str, object]:
    data = Document.parse(playing.text, playing.path.name).data
    spec = playing.document.spec
    lane = next(lane for lane in spec.lanes if lane.name == command.lane)
    written = data["lanes"][command.lane]
    try:
        if isinstance(command, CopyLane):
            if command.to == command.lane:
                raise CommandError("a lane cannot be copied onto itself")
            target = data["lanes"].get(command.to, {})
            return vary.copied(written, target, None if not target else command.what)
        if isinstance(command, ClearLane):
            return vary.cleared(lane, written, command.what)
        return vary.randomised(lane, written, spec, command.amount, seed, command.what)
    except ValueError as error:
        if isinstance(error, CommandError | InputError):
            raise
        raise CommandError(str(error), "state") from None
